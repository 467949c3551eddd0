//! `grainway doctor`, `backup`, `restore`: for whoever looks after the service.

use super::{ACT, Cli, FAILED, READY, USAGE, complain, complain_all, say, text};
use clap::{Args, Subcommand};
use grainway_pipeline::finding::Finding;
use grainway_service::backup::{BackupProblem, Contents, back_up, restore};
use grainway_service::config::{Config, read, shops};
use grainway_service::doctor::{Check, Health, examine};
use grainway_service::files::FilesUrl;
use grainway_service::store::StoreUrl;
use serde_json::json;
use std::future::Future;
use std::path::{Path, PathBuf};

/// Which service.
#[derive(Args, Debug)]
pub(super) struct Which {
    /// The settings of the service.
    #[arg(long, value_name = "FILE", env = "GRAINWAY_CONFIG")]
    config: Option<PathBuf>,
    /// The data folder; overrides the settings file.
    #[arg(long, value_name = "DIR", env = "GRAINWAY_DATA")]
    data: Option<PathBuf>,
}

#[derive(Subcommand, Debug)]
pub(super) enum Operate {
    /// Check what the service needs: settings, folders, queue, files and plugins. Exits 1 when a check fails.
    Doctor {
        #[command(flatten)]
        which: Which,
    },
    /// Write the queue and all its files into one new file, while the service runs or not.
    Backup {
        /// The file to write.
        file: PathBuf,
        #[command(flatten)]
        which: Which,
    },
    /// Restore a backup into an empty data folder.
    Restore {
        /// The backup.
        file: PathBuf,
        #[command(flatten)]
        which: Which,
    },
}

pub(super) fn run(cli: &Cli, command: &Operate) -> u8 {
    let (Operate::Doctor { which }
    | Operate::Backup { which, .. }
    | Operate::Restore { which, .. }) = command;
    // What doctor says of shops is part of its list; beside other faults they are told with those.
    let shops = match command {
        Operate::Doctor { .. } => Shops::BesideOthers,
        Operate::Backup { .. } | Operate::Restore { .. } => Shops::NotWanted,
    };
    let config = match settings(which, shops).sound() {
        Ok(config) => Config {
            plugins: config.plugins.or_else(|| cli.plugins.clone()),
            ..config
        },
        Err(none) => return none.told(cli),
    };
    match command {
        Operate::Doctor { .. } => waited(cli, async { Ok(examine(&config, now).await) })
            .map_or_else(|exit| exit, |checks| doctor(cli, &checks)),
        Operate::Backup { file, .. } => {
            let made = jiff::Timestamp::now().to_string();
            let done = places(cli, &config)
                .and_then(|(store, folder)| waited(cli, back_up(&store, &folder, file, &made)));
            done.map_or_else(|exit| exit, |contents| backed_up(cli, file, &contents))
        }
        Operate::Restore { file, .. } => {
            let done = places(cli, &config)
                .and_then(|(store, folder)| waited(cli, restore(file, &store, &folder)));
            done.map_or_else(
                |exit| exit,
                |contents| {
                    let files = contents.files.len().saturating_sub(1);
                    let shown = config.data.display();
                    let sentence = format!(
                        "{} jobs and {files} files of {} are in {shown}\n",
                        contents.jobs, contents.made
                    );
                    told(cli, READY, &contents, &sentence)
                },
            )
        }
    }
}

/// Seconds since 1970.
fn now() -> f64 {
    jiff::Timestamp::now().as_millisecond() as f64 / 1000.0
}

/// Why there are no settings.
pub(super) enum NoSettings {
    /// One sentence.
    Reason(String),
    /// All that is wrong, with the document's name.
    Problems(String, Vec<Finding>),
}

impl NoSettings {
    /// Tells the person, and gives the exit code.
    pub(super) fn told(&self, cli: &Cli) -> u8 {
        match self {
            NoSettings::Reason(why) => complain(cli, why, USAGE),
            NoSettings::Problems(name, findings) => {
                let n = findings.len();
                let what = match n {
                    1 => format!("the settings have a fault, so nothing was done: {name}"),
                    _ => format!("the settings have {n} faults, so nothing was done: {name}"),
                };
                complain_all(cli, &what, findings, USAGE);
            }
        }
        USAGE
    }
}

/// Whether shop documents are looked into.
#[derive(Clone, Copy, PartialEq, Eq)]
pub(super) enum Shops {
    /// Jobs may name them.
    Wanted,
    /// Only when something else is wrong, so that it is told at once.
    BesideOthers,
    /// A backup, a token or a worker does not need them.
    NotWanted,
}

/// The settings, and what is wrong with them.
pub(super) struct Settings {
    /// Without what is wrong.
    pub(super) config: Config,
    /// Everything that is wrong.
    pub(super) wrong: Vec<Finding>,
    unread: Option<String>,
    name: String,
}

impl Settings {
    /// The settings when nothing is wrong with them.
    pub(super) fn sound(self) -> Result<Config, NoSettings> {
        match (self.unread, self.wrong.is_empty()) {
            (Some(why), _) => Err(NoSettings::Reason(why)),
            (None, false) => Err(NoSettings::Problems(self.name, self.wrong)),
            (None, true) => Ok(self.config),
        }
    }
}

/// The settings as the service would have them.
pub(super) fn settings(which: &Which, shops: Shops) -> Settings {
    let mut settings = match &which.config {
        None => Settings {
            config: Config::default(),
            wrong: Vec::new(),
            unread: None,
            name: "command line and environment".to_string(),
        },
        Some(file) => read_file(file, shops),
    };
    if let Some(data) = &which.data {
        settings.config.data.clone_from(data);
    }
    settings
}

fn read_file(file: &Path, shops: Shops) -> Settings {
    let name = file.display().to_string();
    let bytes = match std::fs::read(file) {
        Ok(bytes) => bytes,
        Err(e) => {
            return Settings {
                config: Config::default(),
                wrong: Vec::new(),
                unread: Some(format!("{name} cannot be read: {e}")),
                name,
            };
        }
    };
    let (config, problems) = read(&bytes);
    let mut config = config.unwrap_or_default();
    let folder = file.parent().unwrap_or(Path::new("")).to_path_buf();
    let place = |path: &mut PathBuf| *path = folder.join(&*path);
    place(&mut config.data);
    config.work.iter_mut().for_each(place);
    config.plugins.iter_mut().for_each(place);
    config.shops.values_mut().for_each(place);
    config.drawings.values_mut().for_each(place);
    config
        .watched_folders
        .iter_mut()
        .for_each(|f| place(&mut f.folder));
    let mut wrong: Vec<Finding> = problems.iter().map(|p| p.finding(&name)).collect();
    if shops == Shops::Wanted || (shops == Shops::BesideOthers && !wrong.is_empty()) {
        wrong.extend(shops::of(&config, &name));
    }
    Settings {
        config,
        wrong,
        unread: None,
        name,
    }
}

fn waited<T>(cli: &Cli, work: impl Future<Output = Result<T, BackupProblem>>) -> Result<T, u8> {
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build();
    let done = match runtime {
        Ok(runtime) => runtime.block_on(work).map_err(|problem| {
            let exit = match problem {
                BackupProblem::Place(_) => USAGE,
                BackupProblem::NotWhole { .. } => ACT,
                BackupProblem::Disk { .. } | BackupProblem::Store(_) => FAILED,
            };
            (problem.to_string(), exit)
        }),
        Err(e) => Err((format!("nothing can be started: {e}"), FAILED)),
    };
    done.map_err(|(why, exit)| {
        complain(cli, &why, exit);
        exit
    })
}

fn places(cli: &Cli, config: &Config) -> Result<(PathBuf, PathBuf), u8> {
    match (config.store_url(), config.files_url()) {
        (StoreUrl::Sqlite(store), FilesUrl::Folder(folder)) => Ok((store, folder)),
        _ => {
            let text = "only a queue and files of this machine are backed up and restored here; use the tools of PostgreSQL and of the file store for theirs";
            complain(cli, text, USAGE);
            Err(USAGE)
        }
    }
}

fn doctor(cli: &Cli, checks: &[Check]) -> u8 {
    let wrong = checks.iter().any(|c| c.health == Health::Wrong);
    let exit = if wrong { ACT } else { READY };
    if cli.json {
        say(&text::pretty(&json!({ "exit": exit, "checks": checks })));
        return exit;
    }
    let width = checks
        .iter()
        .map(|c| c.what.chars().count())
        .max()
        .unwrap_or(0);
    let mut shown = String::new();
    for check in checks {
        let mark = match check.health {
            Health::Good => "good ",
            Health::Note => "note ",
            Health::Wrong => "WRONG",
        };
        shown.push_str(&format!("{mark}  {:width$}  {}\n", check.what, check.found));
        if let Some(remedy) = &check.remedy {
            shown.push_str(&format!("       {:width$}  {remedy}\n", ""));
        }
    }
    say(&shown);
    exit
}

fn backed_up(cli: &Cli, file: &Path, contents: &Contents) -> u8 {
    let mut sentence = format!(
        "{} jobs and {} files are in {}\n",
        contents.jobs,
        contents.files.len().saturating_sub(1),
        file.display()
    );
    for (what, names) in [
        ("missing", &contents.missing),
        ("damaged", &contents.damaged),
    ] {
        for name in names {
            sentence.push_str(&format!("{what}: {name}\n"));
        }
    }
    let whole = contents.missing.is_empty() && contents.damaged.is_empty();
    let exit = if whole { READY } else { ACT };
    told(cli, exit, contents, &sentence)
}

fn told(cli: &Cli, exit: u8, contents: &Contents, sentence: &str) -> u8 {
    if cli.json {
        say(&text::pretty(&json!({
            "exit": exit, "made": contents.made, "version": contents.version, "jobs": contents.jobs,
            "files": contents.files.len().saturating_sub(1), "missing": contents.missing, "damaged": contents.damaged,
        })));
    } else {
        say(sentence);
    }
    exit
}
