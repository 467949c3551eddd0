//! Libraries that are not loaded, and the sentences that say why.

use crate::built;
use grainway_host::{LoadError, load};
use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::atomic::{AtomicU32, Ordering};

fn folder() -> PathBuf {
    PathBuf::from(env!("CARGO_TARGET_TMPDIR"))
}

/// A copy of the misbehaving library with a mode switched on.
pub(crate) fn misbehaving(mode: &str) -> PathBuf {
    // Tests may share a process, and more than one may want the same mode.
    static COPIES: AtomicU32 = AtomicU32::new(0);
    let copy = folder().join(format!(
        "{}-{}-{}.so",
        mode.replace(':', "-"),
        std::process::id(),
        COPIES.fetch_add(1, Ordering::Relaxed)
    ));
    std::fs::copy(built("misbehaving"), &copy).unwrap();
    let mut file = std::fs::OpenOptions::new()
        .append(true)
        .open(&copy)
        .unwrap();
    writeln!(file, "\nmisbehave={mode}").unwrap();
    copy
}

/// Takes a temporary file away; what is loaded of it stays.
pub(crate) fn remove(path: &Path) {
    if path.starts_with(folder()) && path.exists() {
        std::fs::remove_file(path).unwrap();
    }
}

/// A library built from a few lines of C.
fn from_c(name: &str, source: &str) -> PathBuf {
    let at = folder().join(format!("{name}-{}", std::process::id()));
    let (c, so) = (at.with_extension("c"), at.with_extension("so"));
    #[allow(clippy::disallowed_methods, reason = "a test's own temporary file")]
    std::fs::write(&c, source).unwrap();
    let abi = Path::new(env!("CARGO_MANIFEST_DIR")).join("../abi");
    let built = Command::new("cc")
        .args(["-shared", "-fPIC", "-I"])
        .args([&abi, &c, Path::new("-o"), &so])
        .output()
        .unwrap();
    assert!(
        built.status.success(),
        "{}",
        String::from_utf8_lossy(&built.stderr)
    );
    remove(&c);
    so
}

fn refused(path: &Path) -> (LoadError, String) {
    let error = load(path).map(|l| l.about().name.clone()).unwrap_err();
    remove(path);
    let sentence = error
        .to_string()
        .replace(&path.display().to_string(), "FILE");
    (error, sentence)
}

#[test]
fn another_major_version_is_refused_naming_both() {
    let (error, sentence) = refused(&misbehaving("wrong-major"));
    assert!(matches!(error, LoadError::OtherVersion { .. }));
    assert_eq!(
        sentence,
        "FILE speaks version 2.0 of the plugin interface, this grainway speaks version 1.0: take a build of the plugin for \
         version 1.0, or a grainway for version 2.0"
    );
    let newer = from_c("newer", "const void *grainway_plugin_2(void) { return 0; }");
    let (_, sentence) = refused(&newer);
    assert_eq!(
        sentence,
        "FILE speaks version 2 of the plugin interface, this grainway speaks version 1: take a build of the plugin for \
         version 1, or a grainway for version 2"
    );
}

#[test]
fn what_is_no_plugin_is_refused() {
    for (file, kind, words) in [
        (
            folder().join("there-is-no-such.so"),
            "Open",
            "FILE cannot be loaded: No such file or directory",
        ),
        (
            from_c("plain", "int five(void) { return 5; }"),
            "NoEntry",
            "FILE is no plugin of grainway: it exports no function grainway_plugin_1",
        ),
        (
            Path::new(env!("CARGO_MANIFEST_DIR")).join("Cargo.toml"),
            "Open",
            "FILE cannot be loaded: ",
        ),
        (
            from_c(
                "unresolved",
                "extern int nowhere(void); const void *grainway_plugin_1(void) { return nowhere() ? 0 : 0; }",
            ),
            "Open",
            "nowhere",
        ),
        (
            misbehaving("wrong-magic"),
            "Table",
            "it does not begin with the eight letters GRAINWAY",
        ),
        (
            misbehaving("small"),
            "Table",
            "it says that it has 16 bytes, fewer than the 72 of version 1.0",
        ),
        (misbehaving("no-table"), "Table", "it is null"),
        (
            misbehaving("no-describe"),
            "Table",
            "its function `describe` is null",
        ),
    ] {
        let (error, sentence) = refused(&file);
        assert!(format!("{error:?}").starts_with(kind), "{error:?}");
        assert!(sentence.contains(words), "{sentence}");
    }
}

#[test]
fn what_is_required_and_not_there_is_named() {
    let (error, sentence) = refused(&misbehaving("requires-unknown"));
    assert!(matches!(error, LoadError::Requires { .. }));
    assert_eq!(
        sentence,
        "FILE requires \"fourth-axis\", which this grainway (plugin interface 1.0) does not have: take a newer grainway, or an \
         older build of the plugin"
    );
    // What is only used where it is there, is no reason.
    let path = misbehaving("uses-unknown");
    let library = load(&path).unwrap();
    remove(&path);
    assert_eq!(library.about().uses, ["fourth-axis"]);
}

#[test]
fn bad_descriptions_are_refused() {
    for (mode, words) in [
        ("garbage-description", "is not good at \"\": it is not JSON"),
        (
            "endless-description",
            "could not describe itself: writes more than 1048576 bytes of one document",
        ),
        (
            "panics-in-describe",
            "could not describe itself: panicked: on purpose, in describe",
        ),
        (
            "gives-others-facts",
            "is not good at \"/stages/0/gives/0\": a plugin's stage gives only facts that begin with its own name",
        ),
    ] {
        let (_, sentence) = refused(&misbehaving(mode));
        assert!(sentence.contains(words), "{mode}: {sentence}");
    }
}
