//! Drilled holes: as cycles where the dialect has them, else move by move.

use super::{Drilling, Motion, Writer, number};
use crate::file::CycleHeights;
use grainway_geom::Point;
use grainway_pipeline::dialect::DialectError;
use grainway_pipeline::motion::SAFE_Z;

impl Writer<'_> {
    pub(super) fn hole(
        &mut self,
        at: Point,
        retract: f64,
        bottom: f64,
        peck: Option<f64>,
        feed: i64,
    ) -> Result<(), DialectError> {
        let retract = if retract == SAFE_Z {
            self.safe_z
        } else {
            retract
        };
        let (top, floor) = (self.axis_count(retract)?, self.axis_count(bottom)?);
        if floor >= top {
            return Err(DialectError::Plan(format!(
                "a hole from {retract} mm down to {bottom} mm"
            )));
        }
        // A peck as deep as the hole is no peck.
        let peck = match peck.filter(|q| *q < retract - bottom) {
            Some(q) => match self.axis_count(q)? {
                n if n > 0 => Some(n),
                _ => return Err(DialectError::Plan(format!("a peck of {q} mm"))),
            },
            None => None,
        };
        let stands = self.at[2].is_some_and(|z| z >= retract);
        let cycles = self.file.cycles.as_ref();
        let counted = cycles.is_some_and(|c| c.heights == CycleHeights::FromStart);
        let above = !self.step_begun && (self.top && !counted || stands);
        let sayable = cycles.is_some_and(|c| peck.is_none() || c.peck.is_some());
        let known_xy = self.at[0].is_some() && self.at[1].is_some();
        if above && sayable && known_xy {
            return self.cycle(
                at,
                retract,
                bottom,
                Drilling {
                    retract: top,
                    bottom: floor,
                    peck,
                },
                feed,
            );
        }
        self.end_cycle()?;
        if self.step_begun || self.at[2].is_none() && !self.top {
            self.rapid(at.at_z(self.safe_z.max(retract)))?;
        }
        self.rapid_axes([Some(at.x), Some(at.y), None])?;
        self.rapid_axes([None, None, Some(retract)])?;
        let Some(peck) = peck else {
            self.line_to(at.at_z(bottom), feed)?;
            return self.rapid_axes([None, None, Some(retract)]);
        };
        let peck = peck as f64 / self.per_mm;
        let back_off = self.file.peck_back_off_mm;
        let mut depth = retract;
        loop {
            let next = (depth - peck).max(bottom);
            self.line_to(at.at_z(next), feed)?;
            self.rapid_axes([None, None, Some(retract)])?;
            // What is left over may be less than the last digit shows.
            if self.axis_count(next)? <= floor {
                return Ok(());
            }
            depth = next;
            self.rapid_axes([None, None, Some((depth + back_off).min(retract))])?;
        }
    }

    fn cycle(
        &mut self,
        at: Point,
        retract: f64,
        bottom: f64,
        drilling: Drilling,
        feed: i64,
    ) -> Result<(), DialectError> {
        let Some(cycles) = &self.file.cycles else {
            return Ok(());
        };
        let end = at.at_z(retract);
        let counts = self.counts(end)?;
        self.note_rounding(end, counts);
        self.note_rounding(at.at_z(bottom), [counts[0], counts[1], drilling.bottom]);
        let again = self.file.modal.motion
            && !cycles.restate
            && self.motion == Some(Motion::Cycle(drilling))
            && self.feed == Some(feed);
        let mut words: Vec<String> = Vec::with_capacity(8);
        let word = |letter: char, count: i64, look: number::Look| {
            let mut text = Vec::with_capacity(16);
            number::push(&mut text, count, look);
            format!("{letter}{}", String::from_utf8_lossy(&text))
        };
        let look = self.look;
        if !again {
            let peck_word = cycles.peck.as_deref().filter(|_| drilling.peck.is_some());
            words.extend(cycles.return_low.clone());
            words.push(peck_word.unwrap_or(&cycles.drill).to_string());
        }
        let placed = self.turned([Some(counts[0]), Some(counts[1]), None]);
        let place = [('X', placed[0]), ('Y', placed[1])]
            .map(|(letter, count)| word(letter, count.unwrap_or_default(), look));
        if !again {
            let (z, r) = match (cycles.heights, self.told[2]) {
                (CycleHeights::FromStart, Some(now)) => {
                    (drilling.bottom - drilling.retract, drilling.retract - now)
                }
                _ => (drilling.bottom, drilling.retract),
            };
            words.push(word('Z', z, look));
            words.push(word('R', r, look));
            words.extend(drilling.peck.map(|q| word('Q', q, look)));
            words.push(word('F', feed, self.feed_look));
        }
        // Without the settings that may stand before it.
        let needs: usize = words.iter().chain(&place).map(|w| w.len() + 1).sum();
        let settings: usize = words
            .iter()
            .filter(|w| w.starts_with('F') || cycles.return_low.as_ref() == Some(*w))
            .map(|w| w.len() + 1)
            .sum();
        match self.fits(needs - settings) || again || !self.file.modal.axes {
            true => words.extend(place),
            // The cycle drills where it stands.
            false => self.rapid_axes([Some(at.x), Some(at.y), None])?,
        }
        self.ordered(words)?;
        self.written.moves += 1;
        self.motion = Some(Motion::Cycle(drilling));
        self.feed = Some(feed);
        self.stand(end, counts);
        self.after_rapid = true;
        Ok(())
    }

    pub(super) fn end_cycle(&mut self) -> Result<(), DialectError> {
        if matches!(self.motion, Some(Motion::Cycle(_))) {
            self.motion = None;
            if let Some(cycles) = &self.file.cycles {
                return self.words(&cycles.end);
            }
        }
        Ok(())
    }
}
