//! Compares what a controller does with a text with the items that the writer was given, event by event.

use super::controller::{Did, Event, Place};
use grainway_pipeline::doc::Unit;
use grainway_pipeline::motion::{Item, Move};
use std::f64::consts::PI;

/// Room for the arithmetic of comparisons, mm.
const ARITHMETIC: f64 = 1e-6;
/// How far a written arc may lie from the planned one beside the rounding of its ends, counts of the last digit: the centre is
/// rounded too (0.71 counts) and may be moved by two counts so that both radii agree as the report demands (3.5.3.2).
const ARC_COUNTS: f64 = 4.5;
/// Up to this length, counts, an arc may have become a line, or nothing.
const HAIR_COUNTS: f64 = 25.0;

/// What was compared; a test asks that there was enough of each.
#[derive(Clone, Debug, Default)]
pub struct Compared {
    pub programs: usize,
    pub lines: usize,
    pub arcs: usize,
    pub full_circles: usize,
    pub helices: usize,
    pub more_than_a_turn: usize,
    pub holes: usize,
    pub pecked_holes: usize,
    pub stops: usize,
    pub changes: usize,
    pub dwells: usize,
    /// Largest distance between a written and a planned arc, counts.
    pub arc_off: f64,
}

/// Rounding of a text.
#[derive(Clone, Copy, Debug)]
pub struct Rounding {
    /// The last digit of lengths, mm.
    pub count: f64,
    /// The last digit of feeds, mm/min.
    pub feed: f64,
}

impl Rounding {
    /// As the data file of the dialect rs274-ngc promises it: 3 and 5 decimals, feeds with 1 and 2.
    pub fn of(unit: Unit) -> Rounding {
        match unit {
            Unit::Mm => Rounding {
                count: 0.001,
                feed: 0.1,
            },
            Unit::Inch => Rounding {
                count: 25.4e-5,
                feed: 0.254,
            },
        }
    }
}

/// Compares; the first difference ends it.
pub fn compare(
    items: impl Iterator<Item = Item>,
    events: &[Event],
    rounding: Rounding,
    compared: &mut Compared,
) -> Result<(), String> {
    let mut walk = Walk {
        events,
        next: 0,
        rounding,
        compared,
        at: [None; 3],
        spindle: None,
        tool: None,
        step_begun: false,
    };
    for (n, item) in items.enumerate() {
        let shown = format!("{item:?}");
        walk.item(item).map_err(|why| {
            let line = walk.events.get(walk.next).map_or(0, |e| e.line);
            format!("item {n}, line {line}: {why}: {shown}")
        })?;
    }
    walk.skip_states();
    let left = &walk.events[walk.next..];
    match left {
        [end] if end.did == Did::End => {}
        _ => return Err(format!("left over: {left:?}")),
    }
    walk.compared.programs += 1;
    Ok(())
}

struct Walk<'a> {
    events: &'a [Event],
    next: usize,
    rounding: Rounding,
    compared: &'a mut Compared,
    /// Where the plan has the cutter, not rounded.
    at: Place,
    spindle: Option<(f64, bool)>,
    tool: Option<u32>,
    /// A step began: the writer may lift once more and say again where the cutter is.
    step_begun: bool,
}

fn whole(p: Place) -> Option<[f64; 3]> {
    Some([p[0]?, p[1]?, p[2]?])
}

impl Walk<'_> {
    /// Over events that change no place: what is in force is compared where it matters, at cuts.
    fn skip_states(&mut self) {
        while self
            .events
            .get(self.next)
            .is_some_and(|e| e.did == Did::Spindle)
        {
            self.next += 1;
        }
    }
    fn peek(&mut self) -> Option<&Event> {
        self.skip_states();
        self.events.get(self.next)
    }
    fn take(&mut self) -> Result<Event, String> {
        self.skip_states();
        let event = self.events.get(self.next).cloned();
        self.next += 1;
        event.ok_or_else(|| "the text has ended".to_string())
    }
    /// Where the controller has the cutter.
    fn told(&self) -> Place {
        match self.next {
            0 => [None; 3],
            n => self.events[n - 1].to,
        }
    }
    /// `p` is `planned`, rounded.
    fn rounded(&self, p: Place, planned: [f64; 3]) -> bool {
        let half = self.rounding.count / 2.0 + ARITHMETIC;
        whole(p).is_some_and(|p| (0..3).all(|k| (p[k] - planned[k]).abs() <= half))
    }

    fn item(&mut self, item: Item) -> Result<(), String> {
        match item {
            Item::Label(_) => Ok(()),
            Item::Step(_) => {
                self.step_begun = true;
                Ok(())
            }
            Item::Spindle(s) => {
                self.spindle = s.map(|s| (s.rpm.round(), s.clockwise));
                Ok(())
            }
            Item::Cutter(c) if c.by_hand => Ok(()),
            Item::Cutter(c) => {
                let event = self.take()?;
                if event.did != Did::Change
                    || event.tool != Some(c.number)
                    || event.spindle.is_some()
                {
                    return Err(format!("{event:?}"));
                }
                self.compared.changes += 1;
                (self.tool, self.spindle, self.at) = (Some(c.number), None, [None; 3]);
                Ok(())
            }
            Item::Pause { message } => {
                let mut shown = String::new();
                while let Some(Did::Message(text)) = self.peek().map(|e| &e.did) {
                    shown.push_str(text);
                    shown.push(' ');
                    self.next += 1;
                }
                let event = self.take()?;
                if event.did != Did::Stop || event.spindle.is_some() {
                    return Err(format!("{event:?}"));
                }
                // Characters that a comment cannot hold are written in other ways; letters and digits are not.
                let plain =
                    |t: &str| -> String { t.chars().filter(char::is_ascii_alphanumeric).collect() };
                if message.is_ascii() && plain(&shown) != plain(&message) {
                    return Err(format!("{shown:?} is shown"));
                }
                self.compared.stops += 1;
                (self.spindle, self.at) = (None, [None; 3]);
                Ok(())
            }
            Item::Dwell { seconds } => {
                if seconds < 0.005 {
                    return Ok(());
                }
                self.compared.dwells += 1;
                match self.take()?.did {
                    Did::Dwell(s) if (s - seconds).abs() <= 0.005 + ARITHMETIC => Ok(()),
                    other => Err(format!("{other:?}")),
                }
            }
            Item::RetractFull { .. } => {
                if self.at[2] != Some(f64::INFINITY) {
                    let event = self.take()?;
                    if event.did != Did::Top {
                        return Err(format!("{event:?}"));
                    }
                }
                self.at[2] = Some(f64::INFINITY);
                Ok(())
            }
            Item::Move(m) => self.any_move(m),
        }
    }

    fn any_move(&mut self, m: Move) -> Result<(), String> {
        match m {
            Move::Rapid { to } => {
                let to = [to.x, to.y, to.z];
                // Sideways at the higher of both heights.
                let low = self.at[2].map_or(to[2], |z| z.max(to[2]));
                self.rapids(to, low)?;
                self.at = to.map(Some);
                Ok(())
            }
            Move::Line { to, feed } => {
                let to = [to.x, to.y, to.z];
                if !self.rounded(self.told(), to) {
                    let event = self.cut(feed)?;
                    if event.did != Did::Feed {
                        return Err(format!("{event:?}"));
                    }
                    if !self.rounded(event.to, to) {
                        return Err(format!("ends at {:?}", event.to));
                    }
                    self.compared.lines += 1;
                }
                self.at = to.map(Some);
                Ok(())
            }
            Move::Arc {
                centre,
                sweep,
                dz,
                feed,
            } => self.arc([centre.x, centre.y], sweep, dz, feed),
            Move::Hole {
                at,
                retract,
                bottom,
                peck,
                feed,
            } => self.hole([at.x, at.y], [retract, bottom], peck, feed),
        }
    }

    /// Rapid moves up to `to`, sideways not below `low`.
    fn rapids(&mut self, to: [f64; 3], low: f64) -> Result<(), String> {
        loop {
            let (there, lift) = (self.rounded(self.told(), to), self.step_begun);
            let Some(event) = self.peek().cloned() else {
                break;
            };
            let stays = event.did == Did::Rapid && event.from == event.to;
            let sideways = event.from[0] != event.to[0] || event.from[1] != event.to[1];
            let rises = !sideways && event.to[2] >= event.from[2];
            let more = match event.did {
                Did::Rapid => !there || stays || lift && rises,
                // A step may begin by lifting to the top once more.
                Did::Top => lift && (!there || self.at[2] == Some(f64::INFINITY)),
                _ => false,
            };
            if !more {
                break;
            }
            if sideways && event.from[2] != event.to[2] {
                return Err(format!("sideways and in Z at once: {event:?}"));
            }
            if sideways && event.to[2].is_none_or(|z| z < low - self.rounding.count) {
                return Err(format!("sideways below {low}: {event:?}"));
            }
            if !stays && !rises {
                self.step_begun = false;
            }
            self.next += 1;
        }
        self.step_begun = false;
        match self.rounded(self.told(), to) {
            true => Ok(()),
            false => Err(format!("the text is at {:?}", self.told())),
        }
    }

    /// The next cutting event, with what must be in force.
    fn cut(&mut self, feed: f64) -> Result<Event, String> {
        if self.step_begun {
            return Err("a cut before the step's first rapid".into());
        }
        let event = self.take()?;
        if !matches!(event.did, Did::Feed | Did::Arc { .. }) {
            return Err(format!("no cut: {event:?}"));
        }
        if (event.feed - feed).abs() > self.rounding.feed / 2.0 + ARITHMETIC {
            return Err(format!("feed {}", event.feed));
        }
        if event.spindle != self.spindle {
            return Err(format!(
                "spindle {:?}, planned {:?}",
                event.spindle, self.spindle
            ));
        }
        if event.tool != self.tool {
            return Err(format!("tool {:?}, planned {:?}", event.tool, self.tool));
        }
        Ok(event)
    }

    fn arc(&mut self, centre: [f64; 2], sweep: f64, dz: f64, feed: f64) -> Result<(), String> {
        let from = whole(self.at).ok_or("an arc from nowhere")?;
        let (dx, dy) = (from[0] - centre[0], from[1] - centre[1]);
        let (radius, (sin, cos)) = (dx.hypot(dy), sweep.sin_cos());
        let to = [
            centre[0] + dx * cos - dy * sin,
            centre[1] + dx * sin + dy * cos,
            from[2] + dz,
        ];
        let count = self.rounding.count;
        let hair = HAIR_COUNTS * count;
        // Too small for its turn to be seen in rounded places.
        let tiny = radius * sweep.abs() <= hair || radius <= 5.0 * count;
        let (mut turned, mut pieces) = (0.0, 0);
        loop {
            let arrived = self.rounded(self.told(), to) && (turned - sweep).abs() * radius <= hair;
            let Some(event) = self.peek().cloned() else {
                break;
            };
            // Of a hair of an arc it does not matter in how many lines it was written, as long as they stay with it.
            let near = whole(event.to).is_some_and(|p| {
                (p[0] - to[0]).hypot(p[1] - to[1]) <= hair
                    && (p[2] - to[2]).abs() <= dz.abs() + hair
            });
            let cuts = matches!(event.did, Did::Feed | Did::Arc { .. });
            if arrived && !(tiny && near && cuts) {
                break;
            }
            let event = self.cut(feed)?;
            pieces += 1;
            let (Some(a), Some(b)) = (whole(event.from), whole(event.to)) else {
                return Err(format!("an unknown place: {event:?}"));
            };
            let angle = |p: [f64; 3]| (p[1] - centre[1]).atan2(p[0] - centre[0]);
            let between = (angle(b) - angle(a) + PI).rem_euclid(2.0 * PI) - PI;
            let off = |p: [f64; 2]| ((p[0] - centre[0]).hypot(p[1] - centre[1]) - radius).abs();
            match event.did {
                Did::Arc {
                    centre: c,
                    sweep: s,
                } => {
                    if s * sweep < 0.0 {
                        return Err(format!("turns the other way: {event:?}"));
                    }
                    let (sx, sy) = (a[0] - c[0], a[1] - c[1]);
                    for k in 0..=32 {
                        let (sin, cos) = (s * f64::from(k) / 32.0).sin_cos();
                        let p = [c[0] + sx * cos - sy * sin, c[1] + sx * sin + sy * cos];
                        self.compared.arc_off = self.compared.arc_off.max(off(p) / count);
                        if off(p) > ARC_COUNTS * count {
                            return Err(format!("{} mm off the arc: {event:?}", off(p)));
                        }
                    }
                    turned = if tiny { sweep } else { turned + s };
                    self.compared.arcs += 1;
                    self.compared.full_circles += usize::from(a[..2] == b[..2]);
                    self.compared.helices += usize::from((a[2] - b[2]).abs() > count / 2.0);
                }
                _ => {
                    // A chord in place of an arc leaves it by no more than rounding and one count.
                    let middle = [(a[0] + b[0]) / 2.0, (a[1] + b[1]) / 2.0];
                    if off(middle) > 2.5 * count {
                        return Err(format!("{} mm off the arc: {event:?}", off(middle)));
                    }
                    turned = if tiny { sweep } else { turned + between };
                }
            }
            // The height goes with the turn; of a hair the turn is lost in rounding.
            if !tiny {
                let height = from[2] + dz * (turned / sweep);
                let slope = dz.abs() / (radius * sweep.abs());
                if (b[2] - height).abs() > count * (1.5 + 6.0 * slope) {
                    return Err(format!(
                        "height {} where {height} is planned; radius {radius}, turned {turned}, {event:?}",
                        b[2]
                    ));
                }
            }
            if pieces > 100_000 {
                return Err("no end".into());
            }
        }
        if !self.rounded(self.told(), to) {
            return Err(format!("ends at {:?}", self.told()));
        }
        self.compared.more_than_a_turn += usize::from(sweep.abs() > 2.0 * PI + 0.01);
        self.at = to.map(Some);
        Ok(())
    }

    /// A hole as `Move::Hole` has it: over it at the present height, down to `retract`, down to the bottom in pecks, out to `retract`.
    fn hole(
        &mut self,
        at: [f64; 2],
        [retract, bottom]: [f64; 2],
        peck: Option<f64>,
        feed: f64,
    ) -> Result<(), String> {
        let low = self.at[2].unwrap_or(retract);
        self.rapids([at[0], at[1], retract], low)?;
        let half = self.rounding.count / 2.0 + ARITHMETIC;
        let over = |event: &Event| {
            whole(event.to).is_some_and(|p| (0..2).all(|k| (p[k] - at[k]).abs() <= half))
        };
        // The peck is rounded too, and its rounding adds up over the pecks.
        let step = peck
            .filter(|q| *q < retract - bottom)
            .unwrap_or(f64::INFINITY);
        let mut pecks = 0.0;
        loop {
            pecks += 1.0;
            let planned = (retract - step * pecks).max(bottom);
            let event = self.cut(feed)?;
            let reached = event.to[2].ok_or("an unknown height")?;
            if event.did != Did::Feed || !over(&event) {
                return Err(format!("{event:?}"));
            }
            let allowed = if planned > bottom {
                half * (1.0 + pecks)
            } else {
                half
            };
            let last = (reached - bottom).abs() <= half;
            if (reached - planned).abs() > allowed && !last {
                return Err(format!("peck {pecks} reaches {reached}, planned {planned}"));
            }
            let out = self.take()?;
            if out.did != Did::Rapid
                || !over(&out)
                || !self.rounded(out.to, [at[0], at[1], retract])
            {
                return Err(format!("the way out: {out:?}"));
            }
            if last {
                // One peck more or less where the last one is thinner than the rounding.
                if step.is_finite() && ((retract - bottom) / step - pecks).abs() > 1.0 {
                    return Err(format!("{pecks} pecks of {step}"));
                }
                break;
            }
            let back = self.take()?;
            let stands = back.to[2].ok_or("an unknown height")?;
            if back.did != Did::Rapid
                || !over(&back)
                || stands <= reached
                || stands > retract + half
            {
                return Err(format!("the way back in: {back:?}"));
            }
        }
        self.compared.holes += 1;
        self.compared.pecked_holes += usize::from(pecks > 1.0);
        self.at = [Some(at[0]), Some(at[1]), Some(retract)];
        Ok(())
    }
}
