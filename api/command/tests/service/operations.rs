//! What an operator uses: the unit of systemd, doctor, backup and restore.

use super::help::{Fresh, example};
use grainway_service::store::{Store, StoreUrl};
use serde_json::{Value, json};
use sqlx::{AnyConnection, Connection, Executor, Row};
use std::path::{Path, PathBuf};
use std::process::Command;

fn unit() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../../docs/grainway.service")
}

/// systemd's own check knows what each line means; it is part of every system that the unit is for.
#[test]
fn the_unit_is_one_that_systemd_takes() {
    let text = std::fs::read_to_string(unit()).unwrap();
    let installed = "/usr/local/bin/grainway";
    assert!(text.contains(installed));
    if Command::new("systemd-analyze")
        .arg("--version")
        .output()
        .is_err()
    {
        println!("skipped: systemd-analyze is not installed");
        return;
    }
    let fresh = Fresh::new();
    let copy = fresh.join("grainway.service");
    let verified = |text: &str| {
        std::fs::write(&copy, text).unwrap();
        let output = Command::new("systemd-analyze")
            .args(["verify", "--man=no"])
            .arg(&copy)
            .output()
            .unwrap();
        let told = String::from_utf8(output.stderr).unwrap();
        let of_ours: Vec<String> = told
            .lines()
            .filter(|l| l.contains("grainway"))
            .map(str::to_string)
            .collect();
        (output.status.success(), of_ours)
    };
    // The command that it starts is the one that was just built.
    let good = text.replace(installed, env!("CARGO_BIN_EXE_grainway"));
    assert_eq!(verified(&good), (true, Vec::new()));
    // The check can fail.
    let (_, told) = verified(&good.replace("KillMode=mixed", "KillMode=gently"));
    assert_eq!(told.len(), 1, "{told:?}");

    let output = Command::new("systemd-analyze")
        .args(["security", "--offline=true", "--threshold=20"])
        .arg(&copy)
        .output()
        .unwrap();
    assert!(
        output.status.success(),
        "exposure above 2.0: {}",
        String::from_utf8_lossy(&output.stdout)
    );
}

fn grainway(arguments: &[&str]) -> std::process::Output {
    let mut command = Command::new(env!("CARGO_BIN_EXE_grainway"));
    for name in ["GRAINWAY_CONFIG", "GRAINWAY_DATA", "GRAINWAY_PLUGINS"] {
        command.env_remove(name);
    }
    command.args(arguments).output().unwrap()
}

/// What doctor says of each thing: its health, and what it found.
fn examined(config: &Path) -> (i32, std::collections::BTreeMap<String, (String, String)>) {
    let output = grainway(&["--json", "doctor", "--config", config.to_str().unwrap()]);
    let told: Value = serde_json::from_slice(&output.stdout)
        .unwrap_or_else(|e| panic!("{e}: {}", String::from_utf8_lossy(&output.stderr)));
    let checks = told["checks"].as_array().unwrap();
    let checks = checks.iter().map(|c| {
        let text = |name: &str| c[name].as_str().unwrap_or_default().to_string();
        assert_eq!(c["remedy"].is_string(), text("health") != "good", "{c}");
        (text("what"), (text("health"), text("found")))
    });
    assert_eq!(told["exit"], output.status.code().unwrap());
    (output.status.code().unwrap(), checks.collect())
}

#[test]
fn doctor_finds_nothing_wrong_with_a_sound_service_and_makes_nothing() {
    let fresh = Fresh::new();
    let shop = example("step-stool").join("shop.json");
    std::fs::create_dir(fresh.join("drop")).unwrap();
    let config = fresh.join("serve.json");
    let settings = json!({
        "format": "grainway.serve/1", "data": "data", "workers": 1, "shops": { "workshop": shop },
        "drawings": { "library": example("newspaper-rack") }, "watched-folders": [{ "folder": "drop" }],
        "time-zone": "Europe/Vienna", "hours": [{ "from": "18:00", "to": "06:00" }],
    });
    std::fs::write(&config, settings.to_string()).unwrap();
    let (exit, checks) = examined(&config);
    assert_eq!(exit, 0, "{checks:#?}");
    let what: Vec<&str> = checks.keys().map(String::as_str).collect();
    assert_eq!(
        what,
        [
            "clock",
            "disk space",
            "disk speed",
            "drawings library",
            "files",
            "memory",
            "open files",
            "queue",
            "shop workshop",
            "time zone",
            "watched folder",
            "webhooks",
        ]
    );
    assert!(checks["queue"].1.contains("made at the first start"));
    assert!(checks["time zone"].1.starts_with("Europe/Vienna, "));
    let mut there: Vec<_> = std::fs::read_dir(&*fresh)
        .unwrap()
        .map(|e| e.unwrap().file_name())
        .collect();
    there.sort();
    assert_eq!(there, ["drop", "serve.json"], "it only looks");

    let table = grainway(&["doctor", "--config", config.to_str().unwrap()]);
    let table = String::from_utf8(table.stdout).unwrap();
    assert!(
        table.lines().any(|l| l.starts_with("good   disk speed")),
        "{table}"
    );
}

#[test]
fn doctor_names_each_thing_that_is_wrong() {
    let fresh = Fresh::new();
    let config = fresh.join("serve.json");
    std::fs::write(
        fresh.join("broken.json"),
        r#"{ "format": "grainway.shop/1" }"#,
    )
    .unwrap();
    let settings = json!({
        "format": "grainway.serve/1", "data": "data", "shops": { "absent": "shop.json", "broken": "broken.json" },
        "drawings": { "library": "nowhere" }, "watched-folders": [{ "folder": "drop" }], "plugins": "plugins",
        "limits": { "requests-at-a-time": 1_000_000 },
    });
    std::fs::write(&config, settings.to_string()).unwrap();
    let (exit, checks) = examined(&config);
    assert_eq!(exit, 1);
    let wrong: Vec<&str> = checks
        .iter()
        .filter(|(_, (health, _))| health == "wrong")
        .map(|(what, _)| what.as_str())
        .collect();
    assert_eq!(
        wrong,
        [
            "drawings library",
            "open files",
            "plugins",
            "shop absent",
            "shop broken",
            "watched folder",
        ]
    );
    for fault in ["\"cutters\"", "\"machines\""] {
        assert!(checks["shop broken"].1.contains(fault), "{checks:?}");
    }
}

#[test]
fn settings_that_cannot_be_read_are_bad_usage() {
    let fresh = Fresh::new();
    let config = fresh.join("serve.json");
    let shown = config.to_str().unwrap();
    for text in [
        "",
        "{",
        r#"{ "format": "grainway.serve/9" }"#,
        r#"{ "format": "grainway.serve/1", "colour": 1 }"#,
    ] {
        std::fs::write(&config, text).unwrap();
        let output = grainway(&["doctor", "--config", shown]);
        assert_eq!(output.status.code(), Some(2), "{text}");
        assert!(
            String::from_utf8(output.stderr)
                .unwrap()
                .contains("serve.json"),
            "{text}"
        );
    }
    assert_eq!(
        grainway(&["doctor", "--config", "nowhere.json"])
            .status
            .code(),
        Some(2)
    );
}

#[tokio::test]
async fn doctor_may_run_beside_the_service() {
    let fresh = Fresh::new();
    let config = fresh.join("serve.json");
    let settings = json!({ "format": "grainway.serve/1", "data": ".", "workers": 1 });
    std::fs::write(&config, settings.to_string()).unwrap();
    let store = super::databases::sqlite(&fresh).await;
    let (exit, checks) = examined(&config);
    assert_eq!(exit, 0, "{checks:?}");
    assert!(
        checks["queue"]
            .1
            .contains("in use by another grainway server"),
        "{checks:?}"
    );
    store.close().await;
    let (exit, checks) = examined(&config);
    assert_eq!(exit, 0, "{checks:?}");
    assert!(checks["queue"].1.contains("0 jobs"), "{checks:?}");
    // A store of an earlier grainway: it is told and left as it is.
    let address = format!("sqlite://{}", fresh.join("queue.sqlite").display());
    let format = async |set: &'static str| {
        let mut connection = AnyConnection::connect(&address).await.unwrap();
        connection.execute(set).await.unwrap();
        let sql = "SELECT value FROM meta WHERE key = 'format'";
        let value = connection
            .fetch_one(sql)
            .await
            .unwrap()
            .get::<String, _>("value");
        connection.close().await.unwrap();
        value
    };
    format("UPDATE meta SET value = '1' WHERE key = 'format'").await;
    let (exit, checks) = examined(&config);
    assert_eq!(
        (exit, checks["queue"].0.as_str()),
        (0, "note"),
        "{checks:?}"
    );
    assert_eq!(format("SELECT 1").await, "1");
    format("UPDATE meta SET value = '1000' WHERE key = 'format'").await;
    let (exit, checks) = examined(&config);
    assert_eq!(
        (exit, checks["queue"].0.as_str()),
        (1, "wrong"),
        "{checks:?}"
    );
    std::fs::write(fresh.join("queue.sqlite"), "no queue").unwrap();
    let (exit, checks) = examined(&config);
    assert_eq!(
        (exit, checks["queue"].0.as_str()),
        (1, "wrong"),
        "{checks:?}"
    );
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn doctor_looks_at_a_queue_in_postgresql_and_keeps_its_password() {
    let Some(server) = super::postgres::Server::start() else {
        return;
    };
    let fresh = Fresh::new();
    let config = fresh.join("serve.json");
    let address = server.database().await;
    let shown = address.replace("workshop@", "workshop:secret-word@");
    let settings =
        json!({ "format": "grainway.serve/1", "data": ".", "workers": 1, "store": shown });
    std::fs::write(&config, settings.to_string()).unwrap();
    let (exit, checks) = examined(&config);
    assert_eq!(exit, 0, "{checks:?}");
    assert_eq!(checks["queue"].1, "its tables are made at the first start");
    let store = Store::open(&StoreUrl::Postgres(address)).await.unwrap();
    let (exit, checks) = examined(&config);
    assert_eq!(exit, 0, "{checks:?}");
    assert!(checks["queue"].1.contains("0 jobs"), "{checks:?}");
    store.close().await;
    server.down();
    let (exit, checks) = examined(&config);
    assert_eq!(
        (exit, checks["queue"].0.as_str()),
        (1, "wrong"),
        "{checks:?}"
    );
    assert!(!format!("{checks:?}").contains("secret-word"), "{checks:?}");
    server.up();
    let output = grainway(&["backup", "x.zip", "--config", config.to_str().unwrap()]);
    assert_eq!(output.status.code(), Some(2));
    let said = String::from_utf8(output.stderr).unwrap();
    assert!(
        said.contains("tools of PostgreSQL") && !said.contains("secret-word"),
        "{said}"
    );
}
