//! The machine that the service runs on: disk, clock, limits.

use super::super::config::Config;
use super::Check;
#[cfg(test)]
use super::Health;
use nix::sys::resource::{Resource, getrlimit};
use nix::sys::statvfs::statvfs;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant, UNIX_EPOCH};

/// Less free space than this is wrong; jobs of a busy day fill it.
const LEAST_FREE: u64 = 1 << 30;
/// Less than this is told.
const LITTLE_FREE: u64 = 8 << 30;
/// Written for the measurement of the disk.
const MEASURED: usize = 16 << 20;
/// Small writes for the measurement, each waited for until it is on disk.
const SMALL_WRITES: u32 = 20;
/// A commit that takes longer than this makes the queue slow.
const SLOW_COMMIT: Duration = Duration::from_millis(50);
/// A clock that differs from the file system's by more than this makes leases and sweeps unsafe.
const CLOCKS_APART: f64 = 5.0;
/// Connections to stores, logs, libraries.
const OTHER_FILES: u64 = 128;

/// The machine: disk, clock, limits. `folder` is where the data are; `now` is seconds since 1970.
pub fn machine(config: &Config, folder: &Path, now: impl Fn() -> f64) -> Vec<Check> {
    let mut checks = vec![open_files(config), memory(config)];
    match standing(folder) {
        Some(there) => {
            checks.push(space(&there));
            match Scratch::new(&there) {
                Ok(scratch) => {
                    checks.push(speed(&scratch));
                    checks.push(clock(&scratch, now));
                }
                Err(e) => checks.push(Check::wrong(
                    "disk",
                    format!("{} cannot be written: {e}", there.display()),
                    "Give the user that runs the service the right to write there.",
                )),
            }
        }
        None => checks.push(Check::wrong(
            "disk",
            format!("{} is nowhere on this machine", folder.display()),
            "Set `data` to a folder of a disk that is there.",
        )),
    }
    checks
}

/// The folder, or the nearest above it that exists: the service makes what is missing.
fn standing(folder: &Path) -> Option<PathBuf> {
    let folder = std::path::absolute(folder).ok()?;
    folder
        .ancestors()
        .find(|f| f.is_dir())
        .map(Path::to_path_buf)
}

/// A file for measurements, removed when dropped.
pub(super) struct Scratch(PathBuf);

impl Scratch {
    pub(super) fn new(folder: &Path) -> std::io::Result<Scratch> {
        let path = folder.join(format!(".doctor-{}", std::process::id()));
        std::fs::File::create_new(&path)?;
        Ok(Scratch(path))
    }
}

impl Drop for Scratch {
    fn drop(&mut self) {
        let _ = std::fs::remove_file(&self.0);
    }
}

fn gib(bytes: u64) -> f64 {
    bytes as f64 / f64::from(1_u32 << 30)
}

fn space(folder: &Path) -> Check {
    let about = match statvfs(folder) {
        Ok(about) => about,
        Err(e) => {
            let found = format!("{} cannot be looked at: {e}", folder.display());
            return Check::wrong("disk space", found, "See whether the disk is there.");
        }
    };
    let free = about
        .blocks_available()
        .saturating_mul(about.fragment_size());
    let whole = about.blocks().saturating_mul(about.fragment_size());
    // File systems without a table of files report none.
    let files_left = match about.files() {
        0 => u64::MAX,
        _ => about.files_available(),
    };
    space_of(&folder.display().to_string(), free, whole, files_left)
}

fn space_of(folder: &str, free: u64, whole: u64, files_left: u64) -> Check {
    let found = format!(
        "{:.1} of {:.1} GiB are free for {folder}",
        gib(free),
        gib(whole)
    );
    if files_left < 10_000 {
        return Check::wrong(
            "disk space",
            format!("{found}, but only {files_left} more files fit"),
            "Remove small files, or move `data` to another disk.",
        );
    }
    let remedy = "Make room, set `keep-days` so that old jobs are forgotten, or move `data` to a larger disk.";
    match free {
        0..LEAST_FREE => Check::wrong("disk space", found, remedy),
        LEAST_FREE..LITTLE_FREE => Check::note("disk space", found, remedy),
        _ => Check::good("disk space", found),
    }
}

fn speed(scratch: &Scratch) -> Check {
    let measure = || -> std::io::Result<(f64, Duration)> {
        let mut file = std::fs::File::create(&scratch.0)?;
        let block = vec![0x5a_u8; 1 << 20];
        let begun = Instant::now();
        for _ in 0..MEASURED / block.len() {
            file.write_all(&block)?;
        }
        file.sync_all()?;
        let rate = MEASURED as f64 / f64::from(1 << 20) / begun.elapsed().as_secs_f64().max(1e-6);
        let mut times = Vec::new();
        for _ in 0..SMALL_WRITES {
            let begun = Instant::now();
            file.write_all(&block[..4096])?;
            file.sync_data()?;
            times.push(begun.elapsed());
        }
        times.sort();
        Ok((rate, times[times.len() / 2]))
    };
    match measure() {
        Ok((rate, commit)) => speed_of(rate, commit),
        Err(e) => Check::wrong(
            "disk speed",
            format!("{} cannot be written: {e}", scratch.0.display()),
            "See whether the disk is full, read-only or failing.",
        ),
    }
}

fn speed_of(mib_per_second: f64, commit: Duration) -> Check {
    let found = format!(
        "{mib_per_second:.0} MiB/s; a small write is safe on disk after {:.2} ms",
        commit.as_secs_f64() * 1000.0
    );
    match commit > SLOW_COMMIT {
        true => Check::note(
            "disk speed",
            found,
            "The queue waits for the disk several times for each job: put `data` on a faster disk of this machine, not on the network.",
        ),
        false => Check::good("disk speed", found),
    }
}

fn clock(scratch: &Scratch, now: impl Fn() -> f64) -> Check {
    let written = std::fs::File::create(&scratch.0)
        .and_then(|mut f| f.write_all(b"now").and_then(|()| f.sync_all()))
        .and_then(|()| std::fs::metadata(&scratch.0))
        .and_then(|about| about.modified())
        .map(|at| {
            at.duration_since(UNIX_EPOCH)
                .map_or(0.0, |d| d.as_secs_f64())
        });
    match written {
        Ok(at) => clock_of(now() - at, now()),
        Err(e) => Check::wrong(
            "clock",
            format!("the file system's time cannot be had: {e}"),
            "See whether the disk is full or read-only.",
        ),
    }
}

fn clock_of(ahead: f64, now: f64) -> Check {
    // 2026: before this grainway was made.
    if now < 1_767_225_600.0 {
        return Check::wrong(
            "clock",
            "the machine's clock shows a date before 2026",
            "Set the clock; let a time service keep it.",
        );
    }
    match ahead.abs() > CLOCKS_APART {
        true => Check::wrong(
            "clock",
            format!("the machine's clock is {ahead:.1} s from that of the file system of `data`"),
            "Let a time service keep both clocks; leases and the clearing away of files count on it.",
        ),
        false => Check::good(
            "clock",
            format!("{:.1} s from the file system's", ahead.abs()),
        ),
    }
}

fn open_files(config: &Config) -> Check {
    match getrlimit(Resource::RLIMIT_NOFILE) {
        Ok((soft, _)) => open_files_of(config, soft),
        Err(e) => Check::wrong(
            "open files",
            format!("the limit cannot be had: {e}"),
            "See `ulimit -n`.",
        ),
    }
}

fn open_files_of(config: &Config, soft: u64) -> Check {
    let wanted = OTHER_FILES
        + 2 * u64::from(config.limits.requests_at_a_time)
        + 16 * u64::from(workers(config));
    let found = format!("{soft} at a time; these settings may want {wanted}");
    match soft < wanted {
        true => Check::wrong(
            "open files",
            found,
            "Raise the limit (LimitNOFILE of the unit, `ulimit -n`), or lower limits.requests-at-a-time.",
        ),
        false => Check::good("open files", found),
    }
}

/// How many jobs are made at a time.
fn workers(config: &Config) -> u32 {
    config.workers.unwrap_or_else(|| {
        let threads = std::thread::available_parallelism().map_or(1, usize::from);
        u32::try_from(threads / 2).unwrap_or(1).max(1)
    })
}

fn memory(config: &Config) -> Check {
    // In the kernel's own words: "MemTotal:       16309456 kB".
    let total = std::fs::read_to_string("/proc/meminfo")
        .ok()
        .and_then(|text| {
            let line = text.lines().find_map(|l| l.strip_prefix("MemTotal:"))?;
            line.trim()
                .trim_end_matches("kB")
                .trim()
                .parse::<u64>()
                .ok()
        });
    match total {
        Some(kib) => memory_of(config, kib / 1024),
        None => Check::note(
            "memory",
            "not known on this system",
            "Nothing, if it is enough.",
        ),
    }
}

fn memory_of(config: &Config, total_mib: u64) -> Check {
    let (workers, each) = (workers(config), config.limits.job.memory_mib);
    let found = format!("{total_mib} MiB; {workers} jobs at a time may take {each} MiB each");
    match u64::from(workers).saturating_mul(each) > total_mib {
        true => Check::note(
            "memory",
            found,
            "Most jobs take far less. Lower `workers` or limits.job.memory-mib if large ones meet.",
        ),
        false => Check::good("memory", found),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn health(check: Check) -> Health {
        assert_eq!(
            check.remedy.is_some(),
            check.health != Health::Good,
            "{check:?}"
        );
        check.health
    }

    #[test]
    fn figures_become_health() {
        let many = u64::MAX;
        assert_eq!(
            health(space_of("x", LITTLE_FREE, 1 << 40, many)),
            Health::Good
        );
        assert_eq!(
            health(space_of("x", LITTLE_FREE - 1, 1 << 40, many)),
            Health::Note
        );
        assert_eq!(
            health(space_of("x", LEAST_FREE - 1, 1 << 40, many)),
            Health::Wrong
        );
        assert_eq!(health(space_of("x", 1 << 39, 1 << 40, 9999)), Health::Wrong);
        assert_eq!(health(speed_of(100.0, SLOW_COMMIT)), Health::Good);
        assert_eq!(health(speed_of(100.0, SLOW_COMMIT * 2)), Health::Note);
        let now = 1_800_000_000.0;
        assert_eq!(health(clock_of(4.9, now)), Health::Good);
        assert_eq!(health(clock_of(-4.9, now)), Health::Good);
        assert_eq!(health(clock_of(5.1, now)), Health::Wrong);
        assert_eq!(health(clock_of(-3600.0, now)), Health::Wrong);
        assert_eq!(health(clock_of(0.0, 1_000_000.0)), Health::Wrong);
        let config = Config {
            workers: Some(4),
            ..Config::default()
        };
        assert_eq!(health(open_files_of(&config, 704)), Health::Good);
        assert_eq!(health(open_files_of(&config, 703)), Health::Wrong);
        assert_eq!(health(memory_of(&config, 16_384)), Health::Good);
        assert_eq!(health(memory_of(&config, 16_383)), Health::Note);
    }

    #[test]
    fn a_machine_is_looked_at_and_nothing_stays() {
        let folder = std::env::temp_dir().join(format!("grainway-doctor-{}", std::process::id()));
        std::fs::create_dir_all(&folder).unwrap();
        let now = || jiff::Timestamp::now().as_millisecond() as f64 / 1000.0;
        let checks = machine(&Config::default(), &folder.join("not/yet"), now);
        let what: Vec<&str> = checks.iter().map(|c| c.what.as_str()).collect();
        assert_eq!(
            what,
            ["open files", "memory", "disk space", "disk speed", "clock"]
        );
        assert_eq!(std::fs::read_dir(&folder).unwrap().count(), 0);
        let late = machine(&Config::default(), &folder, || now() + 60.0);
        assert_eq!(late.last().unwrap().health, Health::Wrong);
        std::fs::remove_dir(&folder).unwrap();
    }
}
