//! What the user is told: findings, and the one table of their codes.

use crate::doc::Unit;
use crate::pointer::Pointer;
use grainway_geom::Point;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

mod codes;
mod units;
pub use codes::{ALL, CodeInfo, info};
pub use units::in_unit;
/// The stable codes, by name.
pub mod code {
    pub use super::codes::table::*;
}

/// How grave a finding is.
#[derive(
    Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, JsonSchema,
)]
#[serde(rename_all = "kebab-case")]
pub enum Severity {
    /// The user must act; nothing is released.
    Error,
    /// Look at this before cutting.
    Warning,
    /// Good to know.
    Note,
}

/// Something to tell the user: what, where, and what to do.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub struct Finding {
    /// How grave.
    pub severity: Severity,
    /// A stable word from the table of codes.
    pub code: String,
    /// The place in the document at fault: the document, `#` and a JSON Pointer, as `job.json#/parts/0/count`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(with = "Option<String>")]
    pub pointer: Option<Pointer>,
    /// The part's id.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub part: Option<String>,
    /// The feature's id in its part.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub feature: Option<String>,
    /// The setup's id.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub setup: Option<String>,
    /// Line of the setup's program, from 1.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub line: Option<u64>,
    /// Where: the part's frame when a part is named and no setup is, else the board's; the drawing's when `pointer` names one. mm.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub at: Option<Point>,
    /// One or two plain sentences with the figures.
    pub message: String,
    /// What to do about it.
    pub remedy: String,
    /// How many findings of this kind and cause it stands for, 1 when left out; the place is the first one's.
    #[serde(default = "once", skip_serializing_if = "is_once")]
    pub count: u32,
}

fn once() -> u32 {
    1
}

fn is_once(count: &u32) -> bool {
    *count == 1
}

impl Finding {
    /// A finding with the code's own severity and remedy.
    pub fn new(code: &'static CodeInfo, message: impl Into<String>) -> Finding {
        Finding {
            severity: code.severity,
            code: code.word.to_string(),
            pointer: None,
            part: None,
            feature: None,
            setup: None,
            line: None,
            at: None,
            message: message.into(),
            remedy: code.remedy.to_string(),
            count: once(),
        }
    }
    /// In this part.
    #[must_use]
    pub fn part(mut self, id: impl Into<String>) -> Finding {
        self.part = Some(id.into());
        self
    }
    /// In this feature.
    #[must_use]
    pub fn feature(mut self, id: impl Into<String>) -> Finding {
        self.feature = Some(id.into());
        self
    }
    /// In this setup.
    #[must_use]
    pub fn setup(mut self, id: impl Into<String>) -> Finding {
        self.setup = Some(id.into());
        self
    }
    /// At this line of the program.
    #[must_use]
    pub fn line(mut self, line: u64) -> Finding {
        self.line = Some(line);
        self
    }
    /// At this place, mm. Rounded to a thousandth so that equal places print equally.
    #[must_use]
    pub fn at(mut self, at: Point) -> Finding {
        let round = |v: f64| (v * 1000.0).round() / 1000.0 + 0.0;
        self.at = at
            .is_finite()
            .then(|| grainway_geom::point(round(at.x), round(at.y)));
        self
    }
    /// At this place of a document.
    #[must_use]
    pub fn pointer(mut self, pointer: impl Into<Pointer>) -> Finding {
        self.pointer = Some(pointer.into());
        self
    }
    /// With another remedy than the code's own.
    #[must_use]
    pub fn remedy(mut self, remedy: impl Into<String>) -> Finding {
        self.remedy = remedy.into();
        self
    }
    /// With another severity than the code's own.
    #[must_use]
    pub fn severity(mut self, severity: Severity) -> Finding {
        self.severity = severity;
        self
    }
    /// With its message and remedy in the unit that its reader thinks in; stages write them in mm. The place stays in mm.
    #[must_use]
    pub fn told_in(mut self, unit: Unit) -> Finding {
        self.message = in_unit(&self.message, unit);
        self.remedy = in_unit(&self.remedy, unit);
        self
    }
    /// One line for a terminal, the place in `unit`: `error unreachable [end/m1] at (12, 30): … To do: …`.
    pub fn line_in(&self, unit: Unit) -> String {
        let severity = match self.severity {
            Severity::Error => "error",
            Severity::Warning => "warning",
            Severity::Note => "note",
        };
        let mut text = format!("{severity} {}", self.code);
        let place: Vec<&str> = [&self.setup, &self.part, &self.feature]
            .into_iter()
            .filter_map(|p| p.as_deref())
            .collect();
        if !place.is_empty() {
            text += &format!(" [{}]", place.join(" / "));
        }
        if let Some(pointer) = &self.pointer {
            text += &format!(" {pointer}");
        }
        if let Some(line) = self.line {
            text += &format!(" line {line}");
        }
        if let Some(at) = self.at {
            text += &in_unit(&format!(" at ({}, {})", at.x, at.y), unit);
        }
        text += &format!(": {}", self.message);
        if !self.remedy.is_empty() {
            text += &format!(" To do: {}", self.remedy);
        }
        text
    }
    fn key(&self) -> impl Ord + use<> {
        let at = self
            .at
            .map(|p| ((p.x * 1000.0).round() as i64, (p.y * 1000.0).round() as i64));
        (
            self.severity,
            self.setup.clone(),
            self.part.clone(),
            self.feature.clone(),
            self.line,
            self.code.clone(),
            self.pointer.clone(),
            at,
            self.message.clone(),
        )
    }
}

/// Sorts findings into the order in which they are shown, and drops exact repeats.
pub fn sort(findings: &mut Vec<Finding>) {
    findings.sort_by_cached_key(Finding::key);
    findings.dedup();
}

/// Makes one finding of all warnings, and of all notes, that say the same of different places. Errors stay single: each place is to be
/// corrected.
pub fn gather(findings: Vec<Finding>) -> Vec<Finding> {
    let mut kept: Vec<Finding> = Vec::new();
    let mut first: BTreeMap<(String, Option<String>, String, String), usize> = BTreeMap::new();
    for f in findings {
        if f.severity == Severity::Error {
            kept.push(f);
            continue;
        }
        let cause = (
            f.code.clone(),
            f.setup.clone(),
            f.message.clone(),
            f.remedy.clone(),
        );
        match first.get(&cause) {
            Some(i) => kept[*i].count += f.count,
            None => {
                first.insert(cause, kept.len());
                kept.push(f);
            }
        }
    }
    for f in kept.iter_mut().filter(|f| f.count > 1) {
        f.message += &format!(" The same at {} places; the first is named.", f.count);
    }
    kept
}

/// One line for a terminal, the place in mm.
impl std::fmt::Display for Finding {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(&self.line_in(Unit::Mm))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn findings_of_one_kind_and_cause_are_one_with_a_count() {
        let drill = |feature: &str| {
            Finding::new(&code::DRILL_FAST, "Drill d5 turns too fast.").feature(feature)
        };
        let mut findings: Vec<Finding> = (0..1_089).map(|i| drill(&format!("h{i:04}"))).collect();
        findings.push(Finding::new(&code::DRILL_FAST, "Drill d3 turns too fast."));
        let error =
            |at: &str| Finding::new(&code::BAD_NUMBER, "0 mm should be more than 0.").pointer(at);
        findings.extend([error("job#/a"), error("job#/b")]);
        sort(&mut findings);
        let gathered = gather(findings);
        let told: Vec<(u32, Option<&str>)> = gathered
            .iter()
            .map(|f| (f.count, f.feature.as_deref()))
            .collect();
        // Both errors, then the drills: each place of an error is to be corrected.
        assert_eq!(
            told,
            [(1, None), (1, None), (1, None), (1_089, Some("h0000"))]
        );
        assert!(
            gathered[3]
                .message
                .ends_with("The same at 1089 places; the first is named.")
        );
        let text = serde_json::to_string(&gathered[3]).unwrap();
        assert!(text.contains(r#""count":1089"#), "{text}");
        assert!(
            !serde_json::to_string(&gathered[0])
                .unwrap()
                .contains("count")
        );
    }
}
