//! The sample script and the sample spreadsheet, run for real against a server on this machine.

use super::help::{Fresh, example};
use super::http_help::Server;
use grainway_service::model::{Job, JobState, Source};
use grainway_service::store::JobFilter;
use serde_json::Value;
use std::path::Path;
use std::process::{Command, Output};
use std::time::Duration;

const FILES: &[(&str, &[u8])] = &[
    ("programs/01-board-1.ngc", b"G21\nG90\nM2\n"),
    ("report.json", b"{\"format\":\"grainway.report/1\"}"),
];

async fn jobs(server: &Server) -> Vec<Job> {
    let filter = JobFilter {
        limit: 100,
        ..JobFilter::default()
    };
    server.shared.store.jobs(&filter).await.unwrap()
}

/// Ends the first job that comes in, after a while in which somebody waits for it.
async fn end_the_first(server: &Server, state: JobState) {
    for _ in 0..600 {
        if let Some(job) = jobs(server).await.first() {
            tokio::time::sleep(Duration::from_millis(700)).await;
            server.end(job.id, state, FILES).await;
            return;
        }
        tokio::time::sleep(Duration::from_millis(50)).await;
    }
    panic!("no job came in");
}

async fn script(server: &Server, arguments: &[&str], out: &Path) -> Output {
    let address = server.listen().await;
    let mut command = Command::new("python3");
    command
        .arg(example("from-a-script").join("make_step_stool.py"))
        .args(["--server", &format!("http://{address}"), "--out"])
        .arg(out)
        .args(arguments)
        .env_remove("GRAINWAY_TOKEN");
    tokio::task::spawn_blocking(move || command.output().unwrap())
        .await
        .unwrap()
}

fn text(bytes: &[u8]) -> String {
    String::from_utf8_lossy(bytes).into_owned()
}

#[tokio::test(flavor = "multi_thread")]
async fn the_script_hands_in_waits_and_fetches() {
    let server = Server::new().await;
    let fresh = Fresh::new();
    let out = fresh.join("out");
    let (output, ()) = tokio::join!(
        script(&server, &[], &out),
        end_the_first(&server, JobState::Ready)
    );
    assert_eq!(
        output.status.code(),
        Some(0),
        "{}{}",
        text(&output.stdout),
        text(&output.stderr)
    );
    let told = text(&output.stdout);
    for words in [
        "Step stool for the high shelves: queued",
        "Step stool for the high shelves: ready, code ",
        "programs/01-board-1.ngc  11",
        "not run on your machine",
    ] {
        assert!(told.contains(words), "{words} is missing in {told}");
    }
    for (name, bytes) in FILES {
        assert_eq!(std::fs::read(out.join(name)).unwrap(), *bytes);
    }
    // Once more: the same order is the same job. Another batch is another.
    let again = script(&server, &[], &out).await;
    assert_eq!(again.status.code(), Some(0), "{}", text(&again.stderr));
    assert_eq!(jobs(&server).await.len(), 1);

    let server = Server::new().await;
    let (output, ()) = tokio::join!(
        script(&server, &["--batch", "May"], &out),
        end_the_first(&server, JobState::Withheld)
    );
    assert_eq!(output.status.code(), Some(1), "{}", text(&output.stdout));
    assert_eq!(jobs(&server).await[0].batch.as_deref(), Some("May"));
    let bad = script(&server, &["--batch", ""], &out).await;
    assert_eq!(bad.status.code(), Some(1));
    assert!(text(&bad.stderr).contains("batch"), "{}", text(&bad.stderr));
}

/// Whether LibreOffice is there.
fn office() -> bool {
    super::help::installed(
        "soffice",
        "GRAINWAY_REQUIRE_OFFICE",
        "libreoffice-calc-nogui",
    )
}

/// A user's own settings, with the sample's macro in the module that every user has.
struct Profile(Fresh);

impl Profile {
    fn new() -> Profile {
        let profile = Profile(Fresh::new());
        profile.run(&["--terminate_after_init"]);
        let macros =
            std::fs::read_to_string(example("from-a-sheet").join("parts-list.bas")).unwrap();
        let escaped = macros
            .replace('&', "&amp;")
            .replace('<', "&lt;")
            .replace('>', "&gt;");
        let module = format!(
            "<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n\
             <!DOCTYPE script:module PUBLIC \"-//OpenOffice.org//DTD OfficeDocument 1.0//EN\" \"module.dtd\">\n\
             <script:module xmlns:script=\"http://openoffice.org/2000/script\" script:name=\"Module1\" script:language=\"StarBasic\">{escaped}</script:module>"
        );
        let place = profile.0.join("user/basic/Standard/Module1.xba");
        assert!(
            place.exists(),
            "the module that every user has is not where it was"
        );
        std::fs::write(place, module).unwrap();
        profile
    }

    fn run(&self, arguments: &[&str]) -> Output {
        let mut command = Command::new("timeout");
        command
            .args(["-k", "5", "120", "soffice", "--headless", "--norestore"])
            .arg(format!("-env:UserInstallation=file://{}", self.0.display()))
            .args(arguments)
            .current_dir(&*self.0);
        let output = command.output().unwrap();
        assert!(
            output.status.success(),
            "{arguments:?}: {}",
            text(&output.stderr)
        );
        output
    }

    /// A sheet of a spreadsheet, as text.
    fn sheet(&self, file: &Path, number: u32) -> String {
        let out = self.0.join("csv");
        let _ = std::fs::remove_dir_all(&out);
        let form = format!(
            "csv:Text - txt - csv (StarCalc):44,34,76,1,,0,false,true,false,false,false,{number}"
        );
        self.run(&[
            "--convert-to",
            &form,
            "--outdir",
            out.to_str().unwrap(),
            file.to_str().unwrap(),
        ]);
        let found = std::fs::read_dir(&out)
            .unwrap()
            .next()
            .unwrap()
            .unwrap()
            .path();
        std::fs::read_to_string(found).unwrap()
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn the_spreadsheet_with_formulas_is_handed_in_by_its_macro_slow() {
    if !office() {
        return;
    }
    let server = Server::with(|config| {
        config.shops = [(
            "workshop".to_string(),
            example("from-a-sheet").join("shop.json"),
        )]
        .into();
    })
    .await;
    let address = server.listen().await;
    let send = async |profile: Profile, file: std::path::PathBuf| {
        tokio::task::spawn_blocking(move || {
            let call = format!(
                "macro:///Standard.Module1.SendFile({},http://{address})",
                file.display()
            );
            profile.run(&[&call]);
            (profile, file)
        })
        .await
        .unwrap()
    };
    let profile = tokio::task::spawn_blocking(Profile::new).await.unwrap();
    let fresh = Fresh::new();
    let file = fresh.join("newspaper-shelf.fods");
    let source =
        std::fs::read_to_string(example("from-a-sheet").join("newspaper-shelf.fods")).unwrap();
    std::fs::write(&file, &source).unwrap();
    let (profile, file) = send(profile, file).await;
    let found = jobs(&server).await;
    assert_eq!(found.len(), 1, "problems: {}", profile.sheet(&file, 3));
    assert_eq!(
        (found[0].name.as_str(), found[0].source),
        ("newspaper-shelf", Source::List)
    );
    let place = grainway_service::files::FilePlace {
        job: found[0].id,
        side: grainway_service::model::Side::In,
        attempt: None,
        name: &found[0].document,
    };
    let mut reading = server.shared.files.read(&place, None).await.unwrap();
    let mut document = Vec::new();
    while let Some(piece) = futures_util::StreamExt::next(&mut reading.stream).await {
        document.extend_from_slice(&piece.unwrap());
    }
    let document: Value = serde_json::from_slice(&document).unwrap();
    // The formulas' results: twice two sides; 12.1 + 0.2 mm wide housings at a third and two thirds of 300 mm.
    let side = &document["parts"][0];
    assert_eq!(
        (&side["count"], &side["blank"]["length"]),
        (&Value::from(4), &Value::from(300))
    );
    let housings: Vec<String> = side["features"]
        .as_array()
        .unwrap()
        .iter()
        .map(|f| f["shape"].to_string())
        .collect();
    assert_eq!(housings[0], r#"{"across":{"at":100,"width":12.3}}"#);
    assert_eq!(housings[1], r#"{"across":{"at":200,"width":12.3}}"#);
    assert_eq!(document["parts"][1]["blank"]["length"], 632);
    // What the macro wrote: no problem, one job, the night.
    assert_eq!(profile.sheet(&file, 3).lines().count(), 1);
    let told = profile.sheet(&file, 4);
    assert!(told.contains(&found[0].id.to_string()), "{told}");
    let night = profile.sheet(&file, 5);
    assert!(
        night.contains("queued") && night.contains("machine_minutes"),
        "{night}"
    );

    // A mistake: told in the sheet, by row and column, and nothing is handed in.
    std::fs::write(
        &file,
        source.replace("10 deep 6 at far", "10 deap 6 at far"),
    )
    .unwrap();
    let (profile, file) = send(profile, file).await;
    assert_eq!(jobs(&server).await.len(), 1);
    let problems = profile.sheet(&file, 3);
    let row = problems.lines().nth(1).unwrap_or_default();
    assert!(
        row.starts_with("4,rebates,bad-cell,") && row.contains("deep"),
        "{problems}"
    );
}
