//! The conformance run of a dialect: small programs written, read back and compared, one verdict a line.
//!
//! It knows a dialect by its traits alone, so that data files, built-in dialects and native ones pass the same checks. A program is
//! compared with its plan as a path: every planned point is passed, nothing else is, and the ends of the moves come in their order.

mod compare;
mod moves;
mod pen;
mod samples;
mod switches;
mod texts;

use grainway_pipeline::dialect::{Action, Dialect, DialectError, ReadEnd, ReadMove, Written};
use grainway_pipeline::doc::Unit;
use grainway_pipeline::motion::Item;
use samples::{
    arcs, circles, cutter, cutting, head, helices, holes, many_arcs, short_arcs, turning, with_head,
};
use serde::Serialize;
use std::ops::ControlFlow;

/// Feeds and speeds may be rounded by this share, and feeds by a whole unit a minute.
const SHARE: f64 = 0.002;

/// What a check came to.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Outcome {
    /// As it should be.
    Passed,
    /// Not as it should be.
    Failed,
    /// The dialect says that it has no such thing, and refused it as it should.
    Absent,
}

/// One line of the table.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Row {
    /// A stable word.
    pub check: &'static str,
    /// The verdict.
    pub outcome: Outcome,
    /// Figures, or what is wrong and where.
    pub detail: String,
}

/// A dialect's conformance.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Conformance {
    /// Its name.
    pub dialect: String,
    /// One row a check, in a fixed order.
    pub rows: Vec<Row>,
}

impl Conformance {
    /// Nothing failed.
    pub fn passed(&self) -> bool {
        self.rows.iter().all(|r| r.outcome != Outcome::Failed)
    }
    /// The names of the checks that failed.
    pub fn failed(&self) -> Vec<&'static str> {
        let failed = self.rows.iter().filter(|r| r.outcome == Outcome::Failed);
        failed.map(|r| r.check).collect()
    }
}

type Found = Result<String, String>;

/// Runs every check on a dialect.
pub fn conformance(dialect: &dyn Dialect) -> Conformance {
    let mut table = Table {
        dialect,
        rows: Vec::new(),
    };
    table.run();
    Conformance {
        dialect: dialect.about().name.clone(),
        rows: table.rows,
    }
}

struct Table<'a> {
    dialect: &'a dyn Dialect,
    rows: Vec<Row>,
}

/// A program that was written and read.
struct Round {
    text: String,
    written: Written,
    events: Vec<ReadMove>,
}

impl Table<'_> {
    fn row(&mut self, check: &'static str, found: Found) {
        let (outcome, detail) = match found {
            Ok(detail) => (Outcome::Passed, detail),
            Err(detail) => (Outcome::Failed, detail),
        };
        self.rows.push(Row {
            check,
            outcome,
            detail,
        });
    }

    /// A check of something that a dialect may lack: then writing it must be refused in words.
    fn row_of(
        &mut self,
        check: &'static str,
        has: bool,
        items: &[Item],
        found: fn(&Self) -> Found,
    ) {
        if has {
            let found = found(self);
            return self.row(check, found);
        }
        self.refusal(check, items);
    }

    /// The dialect has no such thing: it must be refused in words.
    fn refusal(&mut self, check: &'static str, items: &[Item]) {
        let (outcome, detail) = match write(self.dialect, Unit::Mm, items) {
            Err(DialectError::Unsupported { what, .. }) => {
                (Outcome::Absent, format!("refused: {what}"))
            }
            Err(e) => (Outcome::Failed, format!("not refused in words: {e}")),
            Ok(_) => (
                Outcome::Failed,
                "the description says that the dialect has no such thing, and it was written"
                    .into(),
            ),
        };
        self.rows.push(Row {
            check,
            outcome,
            detail,
        });
    }

    fn run(&mut self) {
        let d = self.dialect;
        let about = d.about().clone();
        self.row("description", description(d));
        if d.reader().is_none() {
            self.row(
                "reader",
                Err("its texts cannot be read back: programs are unverified".into()),
            );
            return;
        }
        self.row("empty-program", self.empty());
        self.row("first-height", self.first_height());
        self.row("straight-moves", self.path(Unit::Mm, &self.lines()));
        self.row("rapid-moves", self.rapids());
        self.row("arc-directions", self.arcs(&arcs()));
        self.row("full-circles", self.arcs(&circles()));
        if about.two_heights() {
            self.refusal("helices", &with_head(d, cutting(&helices())));
        } else {
            self.row("helices", self.arcs(&helices()));
        }
        self.row("short-arcs", self.arcs(&short_arcs()));
        self.row("arc-centres", self.arcs(&many_arcs()));
        if about.two_heights() {
            self.pen_rows();
        } else {
            self.row("drilling", self.path(Unit::Mm, &holes(None)));
            self.row("pecks", self.pecks());
            self.row("feeds", self.feeds());
        }
        self.row("rounding", self.rounding());
        let spindle = with_head(d, vec![Item::Spindle(Some(turning(18_000.0)))]);
        self.row_of("spindle", about.spindle, &spindle, Self::spindle);
        self.row_of(
            "spindle-waits",
            about.spindle,
            &spindle,
            Self::spindle_waits,
        );
        self.row("dwell", self.dwell());
        let pause = with_head(
            d,
            vec![Item::Pause {
                message: "x".into(),
            }],
        );
        self.row_of("pause", about.pauses, &pause, Self::pause);
        let change = vec![Item::Cutter(cutter(7, false))];
        self.row_of(
            "cutter-change",
            about.cutter_change,
            &change,
            Self::cutter_change,
        );
        self.row("take-up", self.take_up());
        self.row("inches", self.inches());
        self.row("remarks", self.remarks());
        self.row("lines", self.line_form());
        self.row("no-numbers", self.no_numbers());
        self.row("same-bytes", self.same_bytes());
        self.row("write-error", self.write_error());
        self.row("many-moves", self.many());
        self.row("damaged-text", self.damaged());
    }

    fn round(&self, unit: Unit, items: &[Item]) -> Result<Round, String> {
        let (text, written) = write(self.dialect, unit, items).map_err(|e| e.to_string())?;
        let events = read(self.dialect, &text)?;
        if let Some(e) = events
            .iter()
            .find(|e| matches!(e.action, Action::Fault { .. }))
            && let Action::Fault { code, message } = &e.action
        {
            return Err(format!("line {}: {code}: {message}", e.line));
        }
        Ok(Round {
            text,
            written,
            events,
        })
    }

    /// How far what is read may lie from what is planned, mm.
    fn allowed(&self, unit: Unit) -> f64 {
        let about = self.dialect.about();
        let count = about.least_step_mm(unit);
        if let Some(pen) = about.pen {
            return pen::allowed(pen);
        }
        // Half a count along each axis at a point; a line in place of a hair of an arc, or a centre fitted to its ends, a few more.
        5.0 * count.max(0.001)
    }

    /// Programs in this unit are refused in words.
    fn refuses(&self, unit: Unit) -> bool {
        matches!(
            write(self.dialect, unit, &[]),
            Err(DialectError::Unsupported { .. })
        )
    }
}

fn description(d: &dyn Dialect) -> Found {
    let about = d.about();
    let plain = |c: char| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '-';
    let rules = [
        (
            !about.name.is_empty() && about.name.chars().all(plain),
            "the name must be lower-case letters, digits and hyphens",
        ),
        (about.version > 0, "the version counts from 1"),
        (
            about.ending.len() > 1 && about.ending.starts_with('.'),
            "the ending begins with a point",
        ),
        (
            about.decimals_mm >= 3 && about.decimals_inch >= 4,
            "three digits after the point in millimetres and four in inches are the least",
        ),
        (
            about.blocks_per_second > 0.0 && about.blocks_per_second.is_finite(),
            "the block rate must be more than 0",
        ),
        (
            about.summary.len() >= 40,
            "the summary must say which properties a controller must have",
        ),
        (
            about.arcs || !about.helices,
            "helices without arcs make no sense",
        ),
        (
            about.pen.is_none_or(|p| p.is_sensible()),
            "a pen language counts in units of at most 0.025 mm, and its step of feeds is no less than 0",
        ),
    ];
    match rules.into_iter().find(|(good, _)| !good) {
        Some((_, why)) => Err(why.into()),
        None => Ok(format!("{} version {}", about.name, about.version)),
    }
}

fn write(d: &dyn Dialect, unit: Unit, items: &[Item]) -> Result<(String, Written), DialectError> {
    let mut out = Vec::new();
    let written = d.write(&head(unit), &mut items.iter().cloned(), &mut out)?;
    Ok((String::from_utf8_lossy(&out).into_owned(), written))
}

fn read(d: &dyn Dialect, text: &str) -> Result<Vec<ReadMove>, String> {
    let mut events = Vec::new();
    let reader = d.reader().ok_or("the dialect has no reader")?;
    let end = reader.read(&mut text.as_bytes(), &mut |m| {
        events.push(m);
        ControlFlow::Continue(())
    });
    match end {
        ReadEnd::Complete { .. } => Ok(events),
        other => Err(format!("reading ended as {other:?}")),
    }
}
