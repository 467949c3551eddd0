//! What the process of one job may use, set before any native code is loaded.

use nix::sys::resource::{Resource, getrlimit, rlim_t, setrlimit};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

const MIB: u64 = 1024 * 1024;

/// Limits of one job's process. An operator writes them into `limits.json` of the plugin folder; what is left out keeps its default.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case", deny_unknown_fields, default)]
pub struct Limits {
    /// Address space, MiB, 256 to 1,048,576.
    pub memory_mib: u64,
    /// Processor time over all threads, seconds, 1 to 604,800.
    pub cpu_seconds: u64,
    /// Largest file, MiB, 1 to 1,048,576.
    pub file_mib: u64,
    /// Open files at a time, 32 to 65,536.
    pub open_files: u64,
    /// Longest time for one stage, seconds, 1 to 604,800.
    pub stage_seconds: u64,
    /// Longest time without any use of the processor, seconds, 1 to 604,800: whoever waits so long waits for something that never comes.
    pub idle_seconds: u64,
}

impl Default for Limits {
    /// Room for a job of 3,000 parts with some to spare.
    fn default() -> Limits {
        Limits {
            memory_mib: 4096,
            cpu_seconds: 7200,
            file_mib: 2048,
            open_files: 256,
            stage_seconds: 900,
            idle_seconds: 60,
        }
    }
}

/// Why limits cannot be used.
#[derive(Debug, thiserror::Error)]
pub enum LimitsProblem {
    /// Not JSON, an unknown key, or not a whole number.
    #[error("{0}")]
    Document(String),
    /// Out of range.
    #[error("{key} is {value}; it must be {least} to {most}")]
    Range {
        /// The key.
        key: &'static str,
        /// What it is.
        value: u64,
        /// Least value.
        least: u64,
        /// Greatest value.
        most: u64,
    },
    /// The system refused.
    #[error("the limit on {what} cannot be set: {why}")]
    System {
        /// Which.
        what: &'static str,
        /// The system's words.
        why: String,
    },
}

impl Limits {
    /// From the text of a JSON document.
    pub fn from_json(text: &str) -> Result<Limits, LimitsProblem> {
        let limits: Limits =
            serde_json::from_str(text).map_err(|e| LimitsProblem::Document(e.to_string()))?;
        limits.check()?;
        Ok(limits)
    }

    fn check(&self) -> Result<(), LimitsProblem> {
        match self.out_of_range().into_iter().next() {
            Some(problem) => Err(problem),
            None => Ok(()),
        }
    }

    /// Every limit that is out of its range.
    pub fn out_of_range(&self) -> Vec<LimitsProblem> {
        let week = 7 * 24 * 3600;
        let rows = [
            ("memory-mib", self.memory_mib, 256, MIB),
            ("cpu-seconds", self.cpu_seconds, 1, week),
            ("file-mib", self.file_mib, 1, MIB),
            ("open-files", self.open_files, 32, 65_536),
            ("stage-seconds", self.stage_seconds, 1, week),
            ("idle-seconds", self.idle_seconds, 1, week),
        ];
        let out = rows
            .into_iter()
            .filter(|(_, value, least, most)| !(least..=most).contains(&value));
        out.map(|(key, value, least, most)| LimitsProblem::Range {
            key,
            value,
            least,
            most,
        })
        .collect()
    }

    /// Sets them for this process and all that it starts. A lower limit that is there already stays. No core is dumped.
    pub fn apply(&self) -> Result<(), LimitsProblem> {
        let rows = [
            (
                "memory",
                Resource::RLIMIT_AS,
                self.memory_mib.saturating_mul(MIB),
            ),
            ("processor time", Resource::RLIMIT_CPU, self.cpu_seconds),
            (
                "file size",
                Resource::RLIMIT_FSIZE,
                self.file_mib.saturating_mul(MIB),
            ),
            ("open files", Resource::RLIMIT_NOFILE, self.open_files),
            ("core dumps", Resource::RLIMIT_CORE, 0),
        ];
        for (what, resource, value) in rows {
            lower(resource, value).map_err(|e| LimitsProblem::System {
                what,
                why: e.desc().to_string(),
            })?;
        }
        Ok(())
    }
}

fn lower(resource: Resource, value: rlim_t) -> nix::Result<()> {
    let (_, hard) = getrlimit(resource)?;
    let soft = value.min(hard);
    // Processor time: the soft limit ends the process with a signal of its own; the hard one a little later, should it be ignored.
    let spare = if resource == Resource::RLIMIT_CPU {
        5
    } else {
        0
    };
    setrlimit(resource, soft, hard.min(soft.saturating_add(spare)))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn left_out_keys_keep_their_default() {
        let limits = Limits::from_json(r#"{ "stage-seconds": 5 }"#).unwrap();
        assert_eq!(limits.stage_seconds, 5);
        assert_eq!(limits.memory_mib, Limits::default().memory_mib);
    }

    #[test]
    fn wrong_documents_are_refused_with_the_key() {
        for (text, says) in [
            (r#"{ "stage-second": 5 }"#, "stage-second"),
            (
                r#"{ "stage-seconds": 0 }"#,
                "stage-seconds is 0; it must be 1 to",
            ),
            (
                r#"{ "memory-mib": 16 }"#,
                "memory-mib is 16; it must be 256 to",
            ),
            (r#"{ "open-files": -1 }"#, "-1"),
            ("[", "EOF"),
        ] {
            let problem = Limits::from_json(text).unwrap_err().to_string();
            assert!(problem.contains(says), "{text}: {problem}");
        }
    }
}
