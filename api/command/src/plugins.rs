//! `grainway plugins`: what is in the plugin folder.

use super::{ACT, Cli, FAILED, READY, USAGE, complain, say, text};
use clap::Subcommand;
use grainway_host::store::{Kind, Listed, STRIKES, Store, StoreProblem, Unusable};
use grainway_host::{Installed, Limits};
use grainway_runner::{Launcher, Registries, built_in_names, describe};
use serde_json::{Value, json};
use std::path::PathBuf;

#[derive(Subcommand, Debug)]
pub(super) enum Plugins {
    /// Take a native library or a dialect's data file into the plugin folder; a former version stays for a rollback.
    Add {
        /// The file.
        file: PathBuf,
    },
    /// List the plugins with what they bring and whether they can be used.
    List,
    /// Take a plugin out with all its versions.
    Remove {
        /// The plugin.
        name: String,
    },
    /// Go back to a plugin's former version.
    Rollback {
        /// The plugin.
        name: String,
    },
    /// Switch on a plugin that was switched off because it killed too many jobs.
    Enable {
        /// The plugin.
        name: String,
    },
}

/// The one place where the command reads the clock: a plugin's dates and strikes stand in its folder, never in what a job leaves.
fn seconds_since_1970() -> u64 {
    #[allow(clippy::disallowed_methods)]
    let now = std::time::SystemTime::now();
    now.duration_since(std::time::UNIX_EPOCH)
        .map_or(0, |d| d.as_secs())
}

pub(super) fn launcher() -> Launcher {
    Launcher {
        // This very binary, even if another has taken its place on the disk.
        program: PathBuf::from("/proc/self/exe"),
        clock: seconds_since_1970,
    }
}

/// What is built in, and what the plugin folder offers if there is one.
pub(super) fn registries(cli: &Cli) -> Result<Registries, StoreProblem> {
    match &cli.plugins {
        Some(folder) => Registries::with_plugins(Store::open(folder)?, launcher()),
        None => Ok(Registries::built_in()),
    }
}

pub(super) fn complain_of(cli: &Cli, problem: &StoreProblem) -> u8 {
    let exit = match problem {
        StoreProblem::NoFolder(_)
        | StoreProblem::OpenToAll(_)
        | StoreProblem::Unknown { .. }
        | StoreProblem::NoFormer(_) => USAGE,
        StoreProblem::NoPlugin { .. } | StoreProblem::Taken { .. } => ACT,
        StoreProblem::Damaged { .. } | StoreProblem::Busy(_) | StoreProblem::Disk { .. } => FAILED,
    };
    complain(cli, &problem.to_string(), exit);
    exit
}

pub(super) fn run(cli: &Cli, command: &Plugins) -> u8 {
    let Some(folder) = &cli.plugins else {
        let text = "say where plugins are kept, with --plugins DIR or in GRAINWAY_PLUGINS";
        complain(cli, text, USAGE);
        return USAGE;
    };
    let done = match command {
        Plugins::Add { file } => Store::create(folder).and_then(|store| add(&store, file)),
        Plugins::List => Store::open(folder).and_then(|store| list(&store)),
        Plugins::Remove { name } => Store::open(folder)
            .and_then(|store| store.remove(name))
            .map(|files| {
                let value = json!({ "exit": READY, "removed": name, "files": files });
                (value, format!("{name} is removed.\n"))
            }),
        Plugins::Rollback { name } => Store::open(folder)
            .and_then(|store| store.rollback(name))
            .map(|(from, to)| {
                let text = format!(
                    "{name} is {} again, no longer {}.\n",
                    short(&to),
                    short(&from)
                );
                (
                    json!({ "exit": READY, "name": name, "from": from, "to": to }),
                    text,
                )
            }),
        Plugins::Enable { name } => Store::open(folder)
            .and_then(|store| store.enable(name))
            .map(|()| {
                let text = format!("{name} is switched on.\n");
                (json!({ "exit": READY, "enabled": name }), text)
            }),
    };
    match done {
        Ok((value, as_text)) => {
            say(&if cli.json {
                text::pretty(&value)
            } else {
                as_text
            });
            READY
        }
        Err(problem) => complain_of(cli, &problem),
    }
}

/// Enough of a hash for people.
fn short(sha256: &str) -> &str {
    sha256.get(..12).unwrap_or(sha256)
}

fn add(store: &Store, file: &std::path::Path) -> Result<(Value, String), StoreProblem> {
    let limits = match Installed::now(store.clone()) {
        Ok(installed) => installed.limits().clone(),
        Err(problem) => return Err(problem),
    };
    let described = |copy: &std::path::Path| describe(copy, &launcher(), &Limits::clone(&limits));
    let added = store.add(file, &built_in_names(), seconds_since_1970(), &described)?;
    let mut text = format!(
        "{} {} is added as {}.\n",
        added.name,
        added.description.version,
        short(&added.sha256)
    );
    for dialect in &added.description.dialects {
        text.push_str(&format!(
            "    dialect {}: {}\n",
            dialect.about.name, dialect.about.summary
        ));
    }
    for stage in &added.description.stages {
        text.push_str(&format!("    stage {}: {}\n", stage.name, stage.summary));
    }
    if let Some(before) = &added.before {
        text.push_str(&format!("    before: {}\n", short(before)));
    }
    let value = json!({
        "exit": READY, "name": added.name, "sha256": added.sha256, "before": added.before, "description": added.description,
    });
    Ok((value, text))
}

fn list(store: &Store) -> Result<(Value, String), StoreProblem> {
    let listed = store.list()?;
    let value = json!({ "exit": READY, "plugins": listed.iter().map(row).collect::<Vec<_>>() });
    let mut text = String::new();
    for plugin in &listed {
        lines(plugin, &mut text);
    }
    if listed.is_empty() {
        text.push_str("There are no plugins.\n");
    }
    Ok((value, text))
}

fn row(plugin: &Listed) -> Value {
    let (state, why) = match &plugin.unusable {
        None => ("good", None),
        Some(Unusable::Damaged(why)) => ("damaged", Some(why)),
        Some(Unusable::Off(why)) => ("off", Some(why)),
    };
    let version = plugin.entry.version();
    json!({
        "name": plugin.name, "kind": plugin.entry.kind, "sha256": plugin.entry.current(), "state": state, "why": why,
        "history": plugin.entry.history, "added": version.map(|v| v.added), "file": version.map(|v| &v.file),
        "strikes": version.map(|v| &v.strikes), "description": version.map(|v| &v.description),
    })
}

fn lines(plugin: &Listed, text: &mut String) {
    let kind = match plugin.entry.kind {
        Kind::Native => "native library",
        Kind::Data => "data",
    };
    let Some(version) = plugin.entry.version() else {
        return;
    };
    text.push_str(&format!(
        "{} {}: {kind}, {}\n",
        plugin.name,
        version.description.version,
        short(plugin.entry.current())
    ));
    for dialect in &version.description.dialects {
        text.push_str(&format!("    dialect {}\n", dialect.about.name));
    }
    for stage in &version.description.stages {
        text.push_str(&format!("    stage {}\n", stage.name));
    }
    let former: Vec<&str> = plugin
        .entry
        .history
        .iter()
        .rev()
        .skip(1)
        .map(|h| short(h))
        .collect();
    if !former.is_empty() {
        text.push_str(&format!("    before: {}\n", former.join(", ")));
    }
    match &plugin.unusable {
        Some(Unusable::Damaged(why)) => text.push_str(&format!("    damaged: {why}\n")),
        Some(Unusable::Off(why)) => text.push_str(&format!("    off: {why}\n")),
        None if !version.strikes.is_empty() => text.push_str(&format!(
            "    killed {} jobs; {STRIKES} within an hour switch it off\n",
            version.strikes.len()
        )),
        None => {}
    }
}
