//! The API as it describes itself, asked by schemathesis: every operation with good and bad values, and one after another along the
//! links of the description.

use super::http_help::Server;
use grainway_service::model::JobState;
use grainway_service::store::tokens::Scope;
use std::process::Command;
use std::time::Duration;

/// Requests an operation in each phase.
const EXAMPLES: &str = "20";

#[tokio::test(flavor = "multi_thread")]
async fn the_api_keeps_to_its_description_slow() {
    let Some(python) = super::help::python_with("schemathesis") else {
        return;
    };
    let server = Server::with(|c| c.limits.requests_per_second = 100_000).await;
    let address = server.listen().await;
    let token = server
        .shared
        .store
        .make_token("schemathesis", Scope::Admin, 1)
        .await
        .unwrap();
    let folder = super::help::Fresh::new();
    // Somebody makes jobs meanwhile, so that files and ends are there to be asked for.
    let shared = server.shared.clone();
    let maker = tokio::spawn(async move {
        let files: &[(&str, &[u8])] = &[("report.json", b"{}"), ("a/b.ngc", b"M2\n")];
        loop {
            super::http_help::end_next(&shared, JobState::Ready, files).await;
            tokio::time::sleep(Duration::from_millis(50)).await;
        }
    });
    let config = concat!(
        env!("CARGO_MANIFEST_DIR"),
        "/../../tests/python/schemathesis.toml"
    );
    let more = std::env::var("GRAINWAY_SCHEMATHESIS").unwrap_or_default();
    let mut command = Command::new(&python);
    command
        .args([
            "-c",
            "import sys; from schemathesis.cli import schemathesis; sys.exit(schemathesis())",
        ])
        .args(["--config-file", config])
        .arg("run")
        .arg(format!("http://{address}/openapi.json"))
        .args([
            "--checks",
            "all",
            "--max-examples",
            EXAMPLES,
            "--seed",
            "4750",
        ])
        .args(["-H", &format!("Authorization: Bearer {}", token.text)])
        .args(["--request-timeout", "20", "--generation-database", "none"])
        // Streams without an end.
        .args(["--exclude-operation-id", "events"])
        // It finds the token in the list and removes the one it asks with. Tests of tokens remove theirs.
        .args(["--exclude-operation-id", "remove-token"])
        .args(more.split_whitespace())
        .env("PYTHONDONTWRITEBYTECODE", "1")
        .env("NO_PROXY", "*")
        .current_dir(&*folder);
    let output = tokio::task::spawn_blocking(move || command.output().unwrap())
        .await
        .unwrap();
    maker.abort();
    let told = String::from_utf8_lossy(&output.stdout);
    println!("{told}");
    assert!(
        output.status.success(),
        "{told}\n{}",
        String::from_utf8_lossy(&output.stderr)
    );
    assert!(told.contains("Stateful"), "all phases ran: {told}");
}
