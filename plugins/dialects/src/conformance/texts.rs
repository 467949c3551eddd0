//! Texts as texts: their form, their remarks, what must not be written, what must be read to its end.

use super::compare::compare;
use super::samples::{cutting, head, holes, with_head};
use super::{Found, Table, read, write};
use crate::programs::{Random, SAFE};
use grainway_geom::{Point, point};
use grainway_pipeline::dialect::{Action, DialectError, ReadEnd};
use grainway_pipeline::doc::Unit;
use grainway_pipeline::motion::{Item, Move, StepStart};
use std::io::Write;
use std::ops::ControlFlow;

/// Moves of the long program.
const MANY: usize = 100_000;

impl Table<'_> {
    pub(super) fn empty(&self) -> Found {
        let (text, _) = write(self.dialect, Unit::Mm, &[]).map_err(|e| e.to_string())?;
        let events = read(self.dialect, &text)?;
        let bad = events
            .iter()
            .find(|e| !matches!(e.action, Action::End | Action::Spindle));
        match bad {
            Some(e) => Err(format!("line {}: {:?}", e.line, e.action)),
            None if !events.iter().any(|e| e.action == Action::End) => {
                Err("the program does not say that it ends".into())
            }
            None => Ok(format!("{} lines", text.lines().count())),
        }
    }

    /// Words of the user's end no comment early and pass for nothing else.
    pub(super) fn remarks(&self) -> Found {
        let odd = "a (b) [c] ; % G0 Z-50 \u{2300}6 \u{b1}0.1 \u{201e}Tür\u{201c} step 9: x MSG, y\n\r\t\u{7}";
        let mut items = vec![Item::Label(odd.into())];
        items.extend(with_head(self.dialect, Vec::new()));
        items.push(Item::Step(StepStart {
            number: 1,
            label: odd.into(),
        }));
        items.extend(cutting(&self.lines()));
        if self.dialect.about().pauses {
            items.push(Item::Pause {
                message: odd.into(),
            });
        }
        let round = self.round(Unit::Mm, &items)?;
        let pauses = round
            .events
            .iter()
            .filter(|e| matches!(e.action, Action::Pause { .. }))
            .count();
        if pauses != usize::from(self.dialect.about().pauses) {
            return Err(format!("{pauses} pauses"));
        }
        let steps = round.events.iter().filter_map(|e| match e.action {
            Action::Step { number } => Some(number),
            _ => None,
        });
        if let Some(wrong) = steps.clone().find(|n| *n != 1) {
            return Err(format!("a remark passes for step {wrong}"));
        }
        compare(&items, &round.events, self.allowed(Unit::Mm))
    }

    pub(super) fn line_form(&self) -> Found {
        let mut far = self.lines();
        far.extend(self.turns());
        if !self.dialect.about().two_heights() {
            far.extend(holes(Some(3.0)));
        }
        far.push(Move::line(
            point(-2345.678, 2987.654).at_z(-12.345),
            12_345.0,
        ));
        self.flatten(&mut far);
        let items = with_head(self.dialect, cutting(&far));
        let round = self.round(Unit::Mm, &items)?;
        let length = self.dialect.about().line_length;
        let mut longest = 0;
        for (i, line) in round.text.lines().enumerate() {
            longest = longest.max(line.len());
            if length != 0 && line.len() > length {
                return Err(format!(
                    "line {}: {} characters, {length} are allowed",
                    i + 1,
                    line.len()
                ));
            }
            if let Some(b) = line
                .bytes()
                .find(|b| *b != b'\t' && !(0x20..0x7f).contains(b))
            {
                return Err(format!("line {}: the byte {b}", i + 1));
            }
        }
        let count = round.text.lines().count() as u64;
        if count != round.written.lines {
            return Err(format!(
                "{count} lines, and the writer says {}",
                round.written.lines
            ));
        }
        Ok(format!("{count} lines, at most {longest} characters"))
    }

    pub(super) fn no_numbers(&self) -> Found {
        let start = point(0.0, 0.0).at_z(SAFE);
        let bad = [
            Move::rapid(point(f64::NAN, 0.0).at_z(SAFE)),
            Move::line(point(f64::INFINITY, 0.0).at_z(5.0), 100.0),
            Move::line(point(1.0, 0.0).at_z(5.0), f64::NAN),
            Move::line(point(1.0, 0.0).at_z(5.0), 0.0),
            Move::Arc {
                centre: point(f64::NAN, 0.0),
                sweep: 1.0,
                dz: 0.0,
                feed: 100.0,
            },
            Move::Hole {
                at: point(0.0, 0.0),
                retract: f64::NEG_INFINITY,
                bottom: 0.0,
                peck: None,
                feed: 100.0,
            },
        ];
        for m in &bad {
            let moves = vec![Item::Move(Move::rapid(start)), Item::Move(*m)];
            let items = with_head(self.dialect, moves);
            match write(self.dialect, Unit::Mm, &items) {
                Err(DialectError::Plan(_) | DialectError::Unsupported { .. }) => {}
                Err(e) => return Err(format!("{m:?}: {e}")),
                Ok(_) => return Err(format!("{m:?} was written")),
            }
        }
        Ok(format!("{} refused", bad.len()))
    }

    pub(super) fn same_bytes(&self) -> Found {
        let mut moves = self.lines();
        moves.extend(self.turns());
        let items = with_head(self.dialect, cutting(&moves));
        let once = write(self.dialect, Unit::Mm, &items).map_err(|e| e.to_string())?;
        let again = write(self.dialect, Unit::Mm, &items).map_err(|e| e.to_string())?;
        if once == again {
            Ok(format!("{} bytes", once.0.len()))
        } else {
            Err("the same plan gives two texts".into())
        }
    }

    pub(super) fn write_error(&self) -> Found {
        struct Full(usize);
        impl Write for Full {
            fn write(&mut self, bytes: &[u8]) -> std::io::Result<usize> {
                if self.0 < bytes.len() {
                    return Err(std::io::Error::other("the disk is full"));
                }
                self.0 -= bytes.len();
                Ok(bytes.len())
            }
            fn flush(&mut self) -> std::io::Result<()> {
                Ok(())
            }
        }
        let items = with_head(self.dialect, cutting(&self.lines()));
        let (text, _) = write(self.dialect, Unit::Mm, &items).map_err(|e| e.to_string())?;
        for room in [0, text.len() / 2, text.len() - 1] {
            let result =
                self.dialect
                    .write(&head(Unit::Mm), &mut items.iter().cloned(), &mut Full(room));
            if !matches!(result, Err(DialectError::Io(_))) {
                return Err(format!(
                    "a disk with room for {room} of {} bytes was not noticed",
                    text.len()
                ));
            }
        }
        Ok("noticed at 3 places".into())
    }

    pub(super) fn many(&self) -> Found {
        let mut items = with_head(self.dialect, cutting(&self.lines()));
        let moves = (0..MANY).map(|i| {
            let t = i as f64 * 0.001;
            Item::Move(Move::line((Point::unit(t) * (50.0 + t)).at_z(10.0), 1500.0))
        });
        let last = (Point::unit((MANY - 1) as f64 * 0.001) * (50.0 + (MANY - 1) as f64 * 0.001))
            .at_z(10.0);
        items.retain(|i| !matches!(i, Item::Move(_)));
        let mut all = items
            .into_iter()
            .chain([Item::Move(Move::rapid(point(50.0, 0.0).at_z(SAFE)))])
            .chain(moves);
        let mut text = Vec::new();
        self.dialect
            .write(&head(Unit::Mm), &mut all, &mut text)
            .map_err(|e| e.to_string())?;
        let (mut lines, mut end) = (0, None);
        let reader = self.dialect.reader().ok_or("no reader")?;
        reader.read(&mut text.as_slice(), &mut |m| {
            if m.action == Action::Line {
                lines += 1;
                end = m.to.point();
            }
            ControlFlow::Continue(())
        });
        let there = end.is_some_and(|e| e.xy().distance(last.xy()) <= self.allowed(Unit::Mm));
        if !there {
            return Err(format!("after {lines} lines it ends at {end:?}"));
        }
        Ok(format!("{lines} lines, {} bytes", text.len()))
    }

    /// Reading ends, whatever the text.
    pub(super) fn damaged(&self) -> Found {
        let mut moves = self.lines();
        moves.extend(self.turns());
        let items = with_head(self.dialect, cutting(&moves));
        let (text, _) = write(self.dialect, Unit::Mm, &items).map_err(|e| e.to_string())?;
        let mut random = Random::new(5);
        let mut faults = 0;
        for _ in 0..200 {
            let mut bytes = text.clone().into_bytes();
            for _ in 0..1 + random.below(4) {
                let at = random.below(bytes.len().max(1) as u64) as usize;
                if bytes.is_empty() {
                    break;
                }
                match random.below(3) {
                    0 => bytes[at] = (random.below(256)) as u8,
                    1 => {
                        bytes.remove(at);
                    }
                    _ => bytes.truncate(at.max(1)),
                }
            }
            let reader = self.dialect.reader().ok_or("no reader")?;
            let mut faulty = false;
            let end = reader.read(&mut bytes.as_slice(), &mut |m| {
                faulty |= matches!(m.action, Action::Fault { .. });
                ControlFlow::Continue(())
            });
            if let ReadEnd::Io(e) = end {
                return Err(format!(
                    "a damaged text is told as a fault of the disk: {e}"
                ));
            }
            faults += usize::from(faulty);
        }
        // A damaged digit is another number; a language in which nothing damaged is noticed checks nothing.
        if faults < 20 {
            return Err(format!("only {faults} of 200 damaged texts were noticed"));
        }
        Ok(format!("{faults} of 200 noticed as texts"))
    }
}
