//! What the settings name: the queue, the files, shops, drawings, watched folders, plugins, hours, webhooks.

use super::super::config::{Config, shops};
use super::super::files::{Files, FilesUrl};
use super::super::run::strangers;
use super::super::store::{Store, StoreProblem, StoreUrl};
use super::Check;
use super::machine::Scratch;
use grainway_client::outgoing::Outgoing;
use grainway_host::store::{Store as PluginStore, Unusable};
use std::path::Path;

/// All of them. `now` is seconds since 1970.
pub async fn parts(config: &Config, now: f64) -> Vec<Check> {
    let mut checks = vec![queue(config, now).await, files(config).await];
    checks.extend(config.shops.iter().map(|(name, path)| shop(name, path)));
    checks.extend(
        config
            .drawings
            .iter()
            .map(|(name, path)| drawings(name, path)),
    );
    checks.extend(config.watched_folders.iter().map(|f| watched(&f.folder)));
    checks.extend(config.plugins.as_deref().map(plugins));
    checks.push(time_zone(config));
    checks.push(webhooks(config));
    checks
}

async fn queue(config: &Config, now: f64) -> Check {
    const WHAT: &str = "queue";
    let url = config.store_url();
    if let StoreUrl::Sqlite(path) = &url
        && !path.exists()
    {
        return Check::good(
            WHAT,
            format!("{} is made at the first start", path.display()),
        );
    }
    // Opening brings older tables up to date, which is for the service to do, after a backup.
    if let Ok((found, known)) = Store::format(&url).await
        && found < known
    {
        return match found {
            0 => Check::good(WHAT, "its tables are made at the first start"),
            _ => Check::note(
                WHAT,
                format!("it has format {found}; the next start brings it to {known}"),
                "Make a backup with the grainway that ran last, before this one starts.",
            ),
        };
    }
    let store = match Store::open(&url).await {
        Ok(store) => store,
        Err(problem @ StoreProblem::InUse(_)) => {
            let found = problem.to_string();
            let found = found.split(';').next().unwrap_or_default();
            return Check::good(WHAT, found);
        }
        Err(problem @ StoreProblem::TooNew { .. }) => {
            return Check::wrong(
                WHAT,
                problem.to_string(),
                "Install the newer grainway again.",
            );
        }
        Err(problem) => {
            return Check::wrong(
                WHAT,
                problem.to_string(),
                "See `store` and `data` in the settings, and whether the database runs and its disk has room.",
            );
        }
    };
    let shown = store.shown();
    let probed = store.probe((now * 1000.0) as i64).await;
    let counted = store.counts().await;
    store.close().await;
    match (probed, counted) {
        (Ok(()), Ok(counts)) => {
            let all: u64 = counts.values().sum();
            Check::good(
                WHAT,
                format!("{shown} answers, reads and writes; {all} jobs"),
            )
        }
        (Err(problem), _) | (_, Err(problem)) => Check::wrong(
            WHAT,
            problem.to_string(),
            "See whether its disk is full, read-only or failing.",
        ),
    }
}

async fn files(config: &Config) -> Check {
    const WHAT: &str = "files";
    let url = config.files_url();
    if let FilesUrl::Folder(path) = &url
        && !path.exists()
    {
        let shown = path.display();
        return match has_files(config).await {
            false => Check::good(WHAT, format!("{shown} is made at the first start")),
            true => Check::wrong(
                WHAT,
                format!("{shown} is not there, though the queue had files"),
                "See whether its drive is there, and `files` in the settings.",
            ),
        };
    }
    let probed = match Files::open(&url) {
        Ok(files) => {
            if let Some(why) = of_another_queue(config, &files).await {
                return Check::wrong(WHAT, why, "The service does not start so.");
            }
            files.probe().await.map(|()| files.shown())
        }
        Err(problem) => Err(problem),
    };
    match probed {
        Ok(shown) => Check::good(WHAT, format!("{shown} takes a file and gives it back")),
        Err(problem) => Check::wrong(
            WHAT,
            problem.to_string(),
            "See `files` and `data` in the settings, the rights of the service's user, and the keys in the environment.",
        ),
    }
}

/// Why the files are not those of the queue, as far as there is one.
async fn of_another_queue(config: &Config, files: &Files) -> Option<String> {
    let store = beside(config).await?;
    let why = strangers(&store, files).await.ok().flatten();
    store.close().await;
    why
}

/// There is a queue, and it had files.
async fn has_files(config: &Config) -> bool {
    let Some(store) = beside(config).await else {
        return false;
    };
    let had = store.has_files().await.unwrap_or(false);
    store.close().await;
    had
}

/// The queue, whether a service runs or not, when there is one whose tables are up to date.
async fn beside(config: &Config) -> Option<Store> {
    let url = config.store_url();
    let (found, known) = Store::format(&url).await.ok()?;
    match found == known {
        true => Store::open_beside(&url).await.ok(),
        false => None,
    }
}

fn shop(name: &str, path: &Path) -> Check {
    let what = format!("shop {name}");
    match shops::read("", name, path) {
        Ok(shop) => {
            let machines: Vec<&str> = shop.machines.keys().map(String::as_str).collect();
            let found = format!("{}: machines {}", path.display(), machines.join(", "));
            Check::good(&what, found)
        }
        Err(findings) => {
            let told: Vec<String> = findings
                .iter()
                .map(|f| format!("{}: {}", f.pointer.clone().unwrap_or_default(), f.message))
                .collect();
            let remedy = "Put the document right, or see `shops` in the settings.";
            Check::wrong(&what, told.join(" "), remedy)
        }
    }
}

fn drawings(name: &str, path: &Path) -> Check {
    let what = format!("drawings {name}");
    match std::fs::read_dir(path) {
        Ok(entries) => Check::good(
            &what,
            format!("{}: {} entries", path.display(), entries.count()),
        ),
        Err(e) => Check::wrong(
            &what,
            format!("{} cannot be read: {e}", path.display()),
            "See `drawings` in the settings and the rights of the service's user.",
        ),
    }
}

fn watched(path: &Path) -> Check {
    let what = "watched folder";
    // What was taken is moved within the folder, so it must be written.
    match std::fs::read_dir(path).and_then(|_| Scratch::new(path)) {
        Ok(_) => Check::good(what, path.display().to_string()),
        Err(e) => Check::wrong(
            what,
            format!("{} cannot be read and written: {e}", path.display()),
            "See `watched-folders` in the settings, the rights of the service's user, and ReadWritePaths= of the unit.",
        ),
    }
}

fn plugins(path: &Path) -> Check {
    let what = "plugins";
    let listed = match PluginStore::open(path).and_then(|store| store.list()) {
        Ok(listed) => listed,
        Err(problem) => {
            return Check::wrong(what, problem.to_string(), "See `plugins` in the settings.");
        }
    };
    let told = |wanted: fn(&Unusable) -> Option<&String>| -> Vec<String> {
        listed
            .iter()
            .filter_map(|p| Some(format!("{}: {}", p.name, wanted(p.unusable.as_ref()?)?)))
            .collect()
    };
    let damaged = told(|u| match u {
        Unusable::Damaged(why) => Some(why),
        Unusable::Off(_) => None,
    });
    let off = told(|u| match u {
        Unusable::Off(why) => Some(why),
        Unusable::Damaged(_) => None,
    });
    if !damaged.is_empty() {
        return Check::wrong(what, damaged.join("; "), "Add them again, or remove them.");
    }
    match off.is_empty() {
        true => Check::good(what, format!("{} in {}", listed.len(), path.display())),
        false => Check::note(
            what,
            off.join("; "),
            "Add another version, roll back, or enable them.",
        ),
    }
}

fn time_zone(config: &Config) -> Check {
    let what = "time zone";
    let (zone, found) = match &config.time_zone {
        Some(name) => match jiff::tz::TimeZone::get(name) {
            Ok(zone) => (zone, name.clone()),
            Err(e) => {
                return Check::wrong(
                    what,
                    format!("{name:?} is not known here: {e}"),
                    "Use a name such as Europe/Vienna, and install the system's time zones (Debian: tzdata).",
                );
            }
        },
        None => {
            let zone = jiff::tz::TimeZone::system();
            let name = zone.iana_name().unwrap_or("the machine's").to_string();
            (zone, name)
        }
    };
    let now = jiff::Timestamp::now().to_zoned_datetime(zone);
    let found = format!("{found}, {:02}:{:02} now", now.hour(), now.minute());
    match config.hours.is_empty() || config.time_zone.is_some() {
        true => Check::good(what, found),
        false => Check::note(
            what,
            format!("{found}; `hours` count in it"),
            "Set `time-zone`, so that the hours stay when the machine's zone changes.",
        ),
    }
}

fn webhooks(config: &Config) -> Check {
    let what = "webhooks";
    match Outgoing::new(&config.webhook_private_targets) {
        Err(problem) => Check::wrong(
            what,
            problem.to_string(),
            "See `webhook-private-targets` in the settings.",
        ),
        Ok(outgoing) if !outgoing.has_roots() => Check::note(
            what,
            "this machine trusts no certificates, so none is sent over https",
            "Install the system's root certificates (Debian: ca-certificates), if webhooks are wanted.",
        ),
        Ok(_) => Check::good(
            what,
            format!(
                "to public addresses and {} of yours",
                config.webhook_private_targets.len()
            ),
        ),
    }
}
