//! What an operator wants to know before the service runs, or when it does not: one line for each thing that can be wrong.
//!
//! Nothing is changed: what is written for a measurement is removed again, and what is not there yet is not made.

mod machine;
mod parts;

pub use machine::machine;
pub use parts::parts;

use super::config::Config;
use serde::Serialize;

/// How a check ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Health {
    /// As it should be.
    Good,
    /// It works, but somebody should know.
    Note,
    /// It must be put right.
    Wrong,
}

/// One thing that was looked at.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub struct Check {
    /// What was looked at.
    pub what: String,
    /// How it is.
    pub health: Health,
    /// The figures, in a sentence.
    pub found: String,
    /// What to do.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub remedy: Option<String>,
}

impl Check {
    /// As it should be.
    pub fn good(what: &str, found: impl Into<String>) -> Check {
        Check {
            what: what.to_string(),
            health: Health::Good,
            found: found.into(),
            remedy: None,
        }
    }

    /// Somebody should know.
    pub fn note(what: &str, found: impl Into<String>, remedy: &str) -> Check {
        Check {
            health: Health::Note,
            remedy: Some(remedy.to_string()),
            ..Check::good(what, found)
        }
    }

    /// To be put right.
    pub fn wrong(what: &str, found: impl Into<String>, remedy: &str) -> Check {
        Check {
            health: Health::Wrong,
            ..Check::note(what, found, remedy)
        }
    }
}

/// Everything, in the order in which to put things right. `now` is seconds since 1970.
pub async fn examine(config: &Config, now: impl Fn() -> f64) -> Vec<Check> {
    let mut checks = machine(config, &config.data, &now);
    checks.extend(parts(config, now()).await);
    checks
}
