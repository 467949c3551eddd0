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
    // The sample's parts list names no shop of its own; its macro names one that the server of these lines keeps.
    let of_sheet = std::fs::read_to_string(root.join("jobs/from-a-sheet/parts-list.bas")).unwrap();
    assert!(of_sheet.contains("Const SHOP = \"workshop\""));
    let list = "curl -sS --fail-with-body -H 'Content-Type: text/csv' --data-binary @jobs/from-a-sheet/card-index-cabinet.csv \
        'http://127.0.0.1:4750/v1/lists?dry-run=true&as=csv&shop=workshop' > faults.csv";
    let script = format!("set -e\n{lines}\n{list}\nkill -TERM $!\nwait $!\n");
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
    let faults = std::fs::read_to_string(place.join("faults.csv")).unwrap();
    assert_eq!(faults.trim_end(), "row,column,code,message,remedy");
    let zip = std::fs::File::open(place.join("step-stool.zip")).unwrap();
    let zip = zip::ZipArchive::new(zip).unwrap();
    assert!(
        zip.file_names()
            .any(|n| n.unwrap().starts_with("programs/")),
        "no programs"
    );
}
