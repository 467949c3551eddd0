//! The service as the README shows it: its lines, word for word.

use super::help::Fresh;
use std::path::Path;
use std::process::Command;

#[test]
fn the_lines_of_the_readme_serve_hand_in_follow_and_fetch() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("../..");
    let text = std::fs::read_to_string(root.join("README.md")).unwrap();
    let section = text.split("## The service\n").nth(1).unwrap();
    let lines = section.split("```sh\n").nth(1).unwrap();
    let lines = lines.split("```").next().unwrap();
    assert!(lines.lines().count() < 5, "{lines}");
    let place = Fresh::new();
    std::os::unix::fs::symlink(
        root.canonicalize().unwrap().join("jobs"),
        place.join("jobs"),
    )
    .unwrap();
    // `cargo run` would build; what it runs is this binary.
    let bin = place.join("bin");
    std::fs::create_dir(&bin).unwrap();
    let cargo = format!(
        "#!/bin/sh\nshift 3\nexec {} \"$@\"\n",
        env!("CARGO_BIN_EXE_grainway")
    );
    std::fs::write(bin.join("cargo"), cargo).unwrap();
    let mode = std::os::unix::fs::PermissionsExt::from_mode(0o755);
    std::fs::set_permissions(bin.join("cargo"), mode).unwrap();
    let script = format!("set -e\n{lines}\nkill -TERM $!\nwait $!\n");
    let ran = Command::new("bash")
        .args(["-c", &script])
        .current_dir(&*place)
        .env(
            "PATH",
            format!("{}:{}", bin.display(), std::env::var("PATH").unwrap()),
        )
        .output()
        .unwrap();
    let (said, told) = (
        String::from_utf8_lossy(&ran.stdout),
        String::from_utf8_lossy(&ran.stderr),
    );
    assert!(ran.status.success(), "{said}\n{told}");
    assert!(said.contains("\"state\":\"ready\""), "{said}");
    let zip = std::fs::File::open(place.join("step-stool.zip")).unwrap();
    let zip = zip::ZipArchive::new(zip).unwrap();
    assert!(
        zip.file_names()
            .any(|n| n.unwrap().starts_with("programs/")),
        "no programs"
    );
}
