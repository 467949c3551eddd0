//! What an operator uses: the unit of systemd, doctor, backup and restore.

use super::help::Fresh;
use std::path::{Path, PathBuf};
use std::process::Command;

fn unit() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../docs/grainway.service")
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
