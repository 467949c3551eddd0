//! What is not a move: spindle, waits, pauses, cutters, and what a workingstep says anew.

use super::compare::compare;
use super::samples::{cutter, cutting, turning, with_head};
use super::{Found, SHARE, Table, read};
use crate::programs::SAFE;
use grainway_geom::point;
use grainway_pipeline::dialect::{Action, ReadMove};
use grainway_pipeline::doc::Unit;
use grainway_pipeline::motion::{Item, Move, StepStart};

impl Table<'_> {
    pub(super) fn spindle(&self) -> Found {
        let mut items = vec![Item::RetractFull { safe_z: SAFE }];
        if !self.dialect.about().cutter_change {
            items.push(Item::Cutter(cutter(3, true)));
        } else {
            items.push(Item::Cutter(cutter(3, false)));
            items.push(Item::RetractFull { safe_z: SAFE });
        }
        items.push(Item::Spindle(Some(turning(18_000.0))));
        items.extend(cutting(&self.lines()));
        items.push(Item::Spindle(Some(turning(12_000.0))));
        items.extend(cutting(&self.lines()));
        items.push(Item::Spindle(None));
        let round = self.round(Unit::Mm, &items)?;
        let mut speeds: Vec<f64> = Vec::new();
        for e in &round.events {
            if !matches!(e.action, Action::Line) {
                continue;
            }
            let Some(s) = e.spindle else {
                return Err(format!("line {}: cuts with the spindle stopped", e.line));
            };
            if !s.clockwise {
                return Err(format!("line {}: the spindle turns the wrong way", e.line));
            }
            if speeds.last().is_none_or(|l| (l - s.rpm).abs() > 1e-9) {
                speeds.push(s.rpm);
            }
        }
        let right = |s: &[f64]| matches!(s, [a, b] if (a - 18_000.0).abs() <= SHARE * 18_000.0 && (b - 12_000.0).abs() <= SHARE * 12_000.0);
        let stopped = round
            .events
            .iter()
            .rev()
            .find(|e| e.action == Action::Spindle)
            .is_some_and(|e| e.spindle.is_none());
        if !right(&speeds) {
            return Err(format!("speeds {speeds:?} instead of 18000 and 12000"));
        }
        if !stopped {
            return Err("the spindle is not stopped at the end".into());
        }
        Ok("18000 and 12000 rev/min, stopped".into())
    }

    /// No cut comes before the planned wait for a spindle that was started or made faster.
    pub(super) fn spindle_waits(&self) -> Found {
        let wait = 4.0;
        let mut items = with_head(self.dialect, Vec::new());
        for (number, rpm) in [(1, Some(18_000.0)), (2, None), (3, Some(20_000.0))] {
            if let Some(rpm) = rpm {
                items.push(Item::Spindle(Some(turning(rpm))));
                items.push(Item::Dwell { seconds: wait });
            }
            items.push(Item::Step(StepStart {
                number,
                label: "a step".into(),
            }));
            items.extend(cutting(&self.lines()));
            items.push(Item::RetractFull { safe_z: SAFE });
        }
        let round = match self.round(Unit::Mm, &items) {
            Ok(round) => round,
            Err(e) if e.contains("cannot express") => return Ok("no wait can be said".into()),
            Err(e) => return Err(e),
        };
        let (mut rpm, mut waited) = (0.0, 0.0);
        for e in &round.events {
            let now = e.spindle.map_or(0.0, |s| s.rpm);
            if now > rpm + SHARE * rpm {
                waited = 0.0;
            }
            rpm = now;
            if let Action::Dwell { seconds } = e.action {
                waited += seconds;
            }
            let cuts = matches!(e.action, Action::Line | Action::Arc { .. });
            if cuts && waited < wait - 0.5 {
                return Err(format!(
                    "line {}: cuts {waited} s after the spindle was started or made faster; a wait of {wait} s was planned",
                    e.line
                ));
            }
        }
        Ok(format!("{wait} s before the first cut at each speed"))
    }

    pub(super) fn dwell(&self) -> Found {
        let items = with_head(self.dialect, vec![Item::Dwell { seconds: 4.25 }]);
        let round = match self.round(Unit::Mm, &items) {
            Ok(round) => round,
            Err(e) if e.contains("cannot express") => return Ok("refused in words".into()),
            Err(e) => return Err(e),
        };
        let waits: Vec<f64> = round
            .events
            .iter()
            .filter_map(|e| match e.action {
                Action::Dwell { seconds } => Some(seconds),
                _ => None,
            })
            .collect();
        match waits[..] {
            [s] if (s - 4.25).abs() <= 0.5 => Ok(format!("{s} s")),
            _ => Err(format!("waits of {waits:?} s instead of 4.25 s")),
        }
    }

    pub(super) fn pause(&self) -> Found {
        let has_spindle = self.dialect.about().spindle;
        let mut items = with_head(self.dialect, cutting(&self.lines()));
        items.push(Item::RetractFull { safe_z: SAFE });
        items.push(Item::Pause {
            message: "Drive 4 screws (4 × 30) into the marked holes".into(),
        });
        items.push(Item::RetractFull { safe_z: SAFE });
        if has_spindle {
            items.push(Item::Spindle(Some(turning(18_000.0))));
        }
        items.push(Item::Step(StepStart {
            number: 2,
            label: "after the pause".into(),
        }));
        items.extend(cutting(&self.lines()));
        let round = self.round(Unit::Mm, &items)?;
        let pauses: Vec<usize> = (0..round.events.len())
            .filter(|i| matches!(round.events[*i].action, Action::Pause { .. }))
            .collect();
        let [at] = pauses[..] else {
            return Err(format!("{} pauses instead of 1", pauses.len()));
        };
        if round.events[at].spindle.is_some() {
            return Err(format!(
                "line {}: the spindle turns during the pause",
                round.events[at].line
            ));
        }
        for e in &round.events[at + 1..] {
            let moves = matches!(e.action, Action::Rapid | Action::Line | Action::Arc { .. });
            let sideways = e.from.x != e.to.x || e.from.y != e.to.y;
            if moves && sideways && e.from.z.is_none() {
                return Err(format!(
                    "line {}: sideways after the pause before the height is known",
                    e.line
                ));
            }
            if e.action == Action::Line && (e.feed.is_none() || has_spindle && e.spindle.is_none())
            {
                return Err(format!(
                    "line {}: after the pause a cut without feed or spindle",
                    e.line
                ));
            }
        }
        compare(&items, &round.events, self.allowed(Unit::Mm))?;
        Ok(format!("line {}", round.events[at].line))
    }

    pub(super) fn cutter_change(&self) -> Found {
        let has_spindle = self.dialect.about().spindle;
        let mut items = Vec::new();
        for number in [3, 12] {
            items.push(Item::RetractFull { safe_z: SAFE });
            items.push(Item::Cutter(cutter(number, false)));
            items.push(Item::RetractFull { safe_z: SAFE });
            if has_spindle {
                items.push(Item::Spindle(Some(turning(18_000.0))));
            }
            items.push(Item::Step(StepStart {
                number,
                label: "a step".into(),
            }));
            items.extend(cutting(&self.lines()));
        }
        let round = self.round(Unit::Mm, &items)?;
        let mut changes = Vec::new();
        for e in &round.events {
            if e.action == Action::CutterChange {
                if e.spindle.is_some() {
                    return Err(format!(
                        "line {}: the cutter is changed while the spindle turns",
                        e.line
                    ));
                }
                changes.push(e.cutter);
            }
            if matches!(e.action, Action::Line) && e.cutter != changes.last().copied().flatten() {
                return Err(format!("line {}: cuts with another cutter", e.line));
            }
        }
        if changes != [Some(3), Some(12)] {
            return Err(format!("changes to {changes:?} instead of 3 and 12"));
        }
        compare(&items, &round.events, self.allowed(Unit::Mm))?;
        Ok("cutters 3 and 12".into())
    }

    /// Every workingstep can be taken up at its first line: read from there alone, it says all that it needs.
    pub(super) fn take_up(&self) -> Found {
        let about = self.dialect.about();
        let mut items = with_head(self.dialect, Vec::new());
        if about.spindle {
            items.push(Item::Spindle(Some(turning(18_000.0))));
        }
        for number in 1..=3 {
            items.push(Item::Step(StepStart {
                number,
                label: format!("step number {number} of three"),
            }));
            items.extend(cutting(&self.lines()));
            items.push(Item::Move(Move::rapid(point(0.0, 0.0).at_z(SAFE))));
        }
        let round = self.round(Unit::Mm, &items)?;
        if round.written.restarts.len() != 3 {
            return Err(format!(
                "{} restart lines instead of 3",
                round.written.restarts.len()
            ));
        }
        // The marks around a whole program are missing, since its beginning is; the cutter's length is the operator's to call.
        let bad = |events: &[ReadMove]| {
            events.iter().find_map(|e| match &e.action {
                Action::Fault { code, message }
                    if *code != "percent" && *code != "length-offset" =>
                {
                    Some((e.line, message.clone()))
                }
                _ => None,
            })
        };
        let lines: Vec<&str> = round.text.split_inclusive('\n').collect();
        for &(number, line) in &round.written.restarts {
            let Some(rest) = usize::try_from(line).ok().and_then(|l| lines.get(l - 1..)) else {
                return Err(format!("step {number} has no line {line}"));
            };
            let alone = read(self.dialect, &rest.concat())?;
            // Where a heading says what the rest counts in, the controller has read it whatever line it goes on from.
            let (events, before) = match bad(&alone) {
                None => (alone, line.saturating_sub(1)),
                Some(_) => {
                    let heading = lines.first().copied().unwrap_or_default();
                    let text = format!("{heading}{}", rest.concat());
                    (read(self.dialect, &text)?, line.saturating_sub(2))
                }
            };
            if let Some((l, message)) = bad(&events) {
                return Err(format!(
                    "taken up at step {number}, line {}: {message}",
                    before + l
                ));
            }
            let mut first = true;
            for e in &events {
                let cut = matches!(e.action, Action::Line | Action::Arc { .. });
                if cut && (e.feed.is_none() || about.spindle && e.spindle.is_none()) {
                    return Err(format!(
                        "taken up at step {number}, line {}: a cut without feed or spindle",
                        before + e.line
                    ));
                }
                if first && matches!(e.action, Action::Rapid | Action::Line) {
                    first = false;
                    let up = e.to.z.is_some() && e.to.x.is_none() && e.to.y.is_none();
                    if !up {
                        return Err(format!(
                            "taken up at step {number}, line {}: not the height first",
                            before + e.line
                        ));
                    }
                }
                first &= e.action != Action::RetractFull;
            }
        }
        Ok("3 steps".into())
    }
}
