//! Processes as the system lists them.

use std::collections::BTreeMap;
use std::fs::File;
use std::io::Read;

/// A process.
pub(crate) struct Process {
    pub(crate) id: i32,
    pub(crate) parent: i32,
    pub(crate) group: i32,
    pub(crate) session: i32,
    /// It has ended and waits to be reaped.
    pub(crate) zombie: bool,
    /// It runs, or waits for a disk.
    busy: bool,
    /// Processor time of itself and of its children that have ended, clock ticks.
    ticks: u64,
}

/// All processes that can be seen.
pub(crate) fn processes() -> Vec<Process> {
    let Ok(entries) = std::fs::read_dir("/proc") else {
        return Vec::new();
    };
    entries
        .filter_map(|entry| process(entry.ok()?.file_name().to_str()?.parse().ok()?))
        .collect()
}

/// The process of this number, if there is one.
pub(crate) fn process(id: i32) -> Option<Process> {
    let mut stat = Vec::with_capacity(1024);
    let mut file = File::open(format!("/proc/{id}/stat")).ok()?;
    file.read_to_end(&mut stat).ok()?;
    // The name, in brackets, may hold anything, brackets too.
    let after = stat.iter().rposition(|b| *b == b')')?;
    let text = String::from_utf8_lossy(&stat[after + 1..]);
    let fields: Vec<&str> = text.split_ascii_whitespace().collect();
    let state = *fields.first()?;
    let number = |at: usize| fields.get(at)?.parse::<i64>().ok();
    let id_at = |at: usize| i32::try_from(number(at)?).ok();
    // utime, stime, cutime, cstime of proc(5).
    let ticks = (11..15).filter_map(number).sum::<i64>();
    Some(Process {
        id,
        parent: id_at(1)?,
        group: id_at(2)?,
        session: id_at(3)?,
        zombie: matches!(state, "Z" | "X"),
        busy: matches!(state, "R" | "D"),
        ticks: u64::try_from(ticks).unwrap_or(0),
    })
}

/// What several processes do.
#[derive(Debug, Default, PartialEq)]
pub(crate) struct Work {
    /// Processor time of all together so far, clock ticks.
    pub(crate) ticks: u64,
    /// One of them runs just now, or waits for a disk.
    pub(crate) busy: bool,
}

/// The work of all that descend from a process, which is not counted itself.
pub(crate) fn work_below(ancestor: i32) -> Work {
    let all = processes();
    let parents: BTreeMap<i32, i32> = all.iter().map(|p| (p.id, p.parent)).collect();
    let descends = |p: &&Process| {
        let mut at = p.parent;
        // Lists are not of one moment, so a circle is not impossible.
        for _ in 0..parents.len() {
            if at == ancestor {
                return true;
            }
            match parents.get(&at) {
                Some(parent) => at = *parent,
                None => return false,
            }
        }
        false
    };
    let below = all.iter().filter(descends);
    below.fold(Work::default(), |work, p| Work {
        ticks: work.ticks + p.ticks,
        busy: work.busy || p.busy,
    })
}
