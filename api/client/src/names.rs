//! Names of files that clients give.

use std::collections::BTreeMap;

/// One part of a name that a client may give: `[A-Za-z0-9._-]{1,80}`, no point in front or at the end, and none of the names that
/// some systems keep for devices, whatever their ending.
pub fn safe_name(name: &str) -> bool {
    (1..=80).contains(&name.len())
        && !name.starts_with('.')
        && !name.ends_with('.')
        && name
            .bytes()
            .all(|b| b.is_ascii_alphanumeric() || matches!(b, b'.' | b'_' | b'-'))
        && !is_device(name)
}

fn is_device(name: &str) -> bool {
    let stem = name.split('.').next().unwrap_or(name).to_ascii_lowercase();
    let numbered = |word| {
        let rest: Option<&str> = stem.strip_prefix(word);
        rest.is_some_and(|r| r.len() == 1 && r.bytes().all(|b| b.is_ascii_digit()))
    };
    matches!(stem.as_str(), "con" | "prn" | "aux" | "nul") || numbered("com") || numbered("lpt")
}

/// What is wrong with names beside each other: a name cannot be a file and a folder of others, and a drive that does not tell capitals
/// apart would make one file of two. Each name with what is wrong.
pub fn clashes<'n>(names: impl Iterator<Item = &'n String> + Clone) -> Vec<(&'n str, String)> {
    let mut there: BTreeMap<String, &str> = BTreeMap::new();
    let mut wrong = Vec::new();
    for name in names.clone() {
        if let Some(other) = there.insert(name.to_ascii_lowercase(), name) {
            let message =
                format!("Only capitals tell the file from \"{other}\", and some drives do not.");
            wrong.push((name.as_str(), message));
        }
    }
    for name in names {
        let lower = name.to_ascii_lowercase();
        let folders = lower.match_indices('/').map(|(i, _)| &lower[..i]);
        if folders.into_iter().any(|f| there.contains_key(f)) {
            let message = "A file has the name of the folder that this one is in.".to_string();
            wrong.push((name.as_str(), message));
        }
    }
    wrong
}
