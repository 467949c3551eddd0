//! What a program is made of: the one composition of a setup's running order into items, for post to write and for verify to
//! compare with.

use crate::pace::keep_pace;
use crate::restarts::Restarts;
use grainway_geom::{Placing, point};
use grainway_pipeline::dialect::DialectAbout;
use grainway_pipeline::doc::{Cutter, CutterChangeBy, Machine, SpindleSwitch, Unit};
use grainway_pipeline::finding::in_unit;
use grainway_pipeline::motion::{CutterChange, Item, Move, Spindle, StepStart};
use grainway_pipeline::tolerance::SAME_LEVEL_MM;
use grainway_pipeline::work::{ByHand, Entry, PauseFor, Setup, StepView, Work, step_view};
use std::collections::VecDeque;

/// The items of the program that runs `entries` (from, to before) of the setup's order.
///
/// Heights and places follow shop practice: the program starts by retracting; spindle and dwell come before each step that needs
/// another speed; a pause retracts, stops the spindle, waits for it, parks, and afterwards retracts again, since the person may
/// have moved the machine; at the end it retracts, stops the spindle and parks. Where the spindle is switched by hand, pauses
/// say when; in a language without pauses it is switched before the start and after the end, and remarks say so. A language of two
/// heights goes down from the safe height at feed: it has no third height to come down to fast. A cutter that a person changes in a
/// pause is named by the pause's message. Where a person has just put in a cutter and set Z zero, the first way down is fast only to
/// [`FIRST_DOWN_MM`] over the wood.
///
/// A stopped run can be taken up wherever an [`Item::Step`] stands: [`Restarts`] says where. There the spindle is started anew and waited
/// for. Steps that begin without one have a label.
///
/// Streams: it holds the moves of one step at a time. Entries that name nothing are left out; [`step_view`] finds them.
pub fn items<'a>(
    work: &'a Work,
    setup: &'a Setup,
    entries: (usize, usize),
    can: Can,
) -> impl Iterator<Item = Item> + 'a {
    begun(work, setup, entries, can)
}

fn begun<'a>(work: &'a Work, setup: &'a Setup, entries: (usize, usize), can: Can) -> Items<'a> {
    let from = entries.0.min(setup.order.len());
    let to = entries.1.clamp(from, setup.order.len());
    let steps_before = setup.order[..from]
        .iter()
        .filter(|e| matches!(e, Entry::Step(_)))
        .count();
    let machine = work.documents.machine().map(|(_, m)| m);
    // A program that goes on with the cutter of the one before says which that is: it may be run alone.
    let own = setup.order[from..to].iter().find_map(|e| match e {
        Entry::Cutter(_) => Some(true),
        Entry::Step(_) => Some(false),
        Entry::Pause { .. } => None,
    });
    let before = setup.order[..from].iter().rev().find_map(|e| match e {
        Entry::Cutter(id) if own == Some(false) => Some(id.as_str()),
        _ => None,
    });
    let mut items = Items {
        work,
        setup,
        order: &setup.order[from..to],
        at: 0,
        steps: steps_before,
        can,
        by_hand: machine.is_some_and(|m| m.spindle == SpindleSwitch::Hand),
        in_use: false,
        zero_untried: can.changes != Changes::Machine,
        plunge: 0.0,
        spin_seconds: machine.map_or(0.0, |m| m.spin_up_seconds),
        park: machine.map_or(point(0.0, 0.0), |m| point(m.park[0].mm(), m.park[1].mm())),
        queue: VecDeque::from([Item::RetractFull {
            safe_z: setup.safe_z,
        }]),
        running: None,
        restarts: Restarts::of(machine, can.two_heights),
        turning: None,
        set: None,
        ended: false,
    };
    if let Some(id) = before {
        items.cutter(id);
    }
    items
}

/// What programs of a machine and its dialect can say, as far as their composition depends on it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Can {
    /// How a cutter comes into the spindle.
    pub changes: Changes,
    /// The text can pause.
    pub pauses: bool,
    /// A person sets the spindle's speed at the panel, while the text switches it.
    pub speed_by_hand: bool,
    /// Spindle speeds are whole numbers of this, rev/min; 0 when they are any.
    pub speed_step: f64,
    /// There are only two heights: the safe one and one depth.
    pub two_heights: bool,
    /// Blocks a second that the controller keeps up with; 0 for no limit.
    pub blocks_per_second: u32,
}

impl Can {
    /// Of a machine (or of one that changes no cutters, when there is none) and its dialect.
    pub fn of(machine: Option<&Machine>, about: &DialectAbout) -> Can {
        Can {
            changes: machine.map_or(Changes::Before, |m| changes(m.cutter_change, about)),
            pauses: about.pauses,
            speed_by_hand: about.speed_by_hand,
            speed_step: about.coarse.map_or(0.0, |c| c.speed_step),
            two_heights: about.two_heights(),
            blocks_per_second: machine
                .and_then(|m| m.blocks_per_second)
                .unwrap_or(about.blocks_per_second) as u32,
        }
    }
}

/// How a cutter comes into the spindle, as a program can have it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Changes {
    /// The machine changes it within the program.
    Machine,
    /// A person does, before the program starts for the first and in pauses for those after it.
    Pause,
    /// A person does, before the program starts; every program has one cutter.
    Before,
}

/// How programs of a machine change cutters, given what its dialect can say.
pub fn changes(wanted: CutterChangeBy, about: &DialectAbout) -> Changes {
    match wanted {
        CutterChangeBy::Machine if about.cutter_change => Changes::Machine,
        CutterChangeBy::Pause if about.pauses && !about.two_heights() => Changes::Pause,
        _ => Changes::Before,
    }
}

/// What a person does at the program of these entries.
pub fn by_hand(work: &Work, setup: &Setup, entries: (usize, usize), can: Can) -> ByHand {
    let mut items = begun(work, setup, entries, can);
    let mut hand = ByHand::default();
    // Which pause is which is known by the entry that it comes with; none has two of its own.
    let mut own = None;
    loop {
        for item in items.queue.drain(..) {
            match item {
                Item::Cutter(c) if c.by_hand => hand.first = Some(c.id),
                Item::Pause { .. } => hand.pauses.push(own.take().unwrap_or(PauseFor::Spindle)),
                _ => {}
            }
        }
        items.running = None;
        if items.ended {
            return hand;
        }
        match items.order.get(items.at) {
            None => {
                items.ended = true;
                items.end();
            }
            Some(entry) => {
                own = match entry {
                    Entry::Pause { number, .. } => Some(PauseFor::Setup(*number)),
                    Entry::Cutter(id) if items.pauses_for_cutter() => {
                        Some(PauseFor::Cutter(id.clone()))
                    }
                    _ => None,
                };
                items.entry();
                items.at += 1;
            }
        }
    }
}

struct Items<'a> {
    work: &'a Work,
    setup: &'a Setup,
    order: &'a [Entry],
    /// The next entry.
    at: usize,
    /// Steps before the next entry, in the whole setup.
    steps: usize,
    can: Can,
    /// The spindle is switched by hand.
    by_hand: bool,
    spin_seconds: f64,
    park: grainway_geom::Point,
    queue: VecDeque<Item>,
    /// A cutter is named, or a pause or a step has begun: what comes later is not done before the program starts.
    in_use: bool,
    /// A person has set Z zero, and the cutter has not yet come down by it.
    zero_untried: bool,
    /// Feed downwards of the step being run, mm/min.
    plunge: f64,
    running: Option<Running>,
    restarts: Restarts,
    /// rev/min in force.
    turning: Option<f64>,
    /// rev/min that the person has set at the panel.
    set: Option<f64>,
    ended: bool,
}

/// The step being run.
struct Running {
    start: StepStart,
    moves: std::vec::IntoIter<Move>,
    placing: Placing,
    /// How many of the moves are done, and before which ones restart lines stand.
    done: usize,
    levels: VecDeque<usize>,
}

/// How far over the wood the first fast way down ends after a person has set Z zero, mm: there a wrong zero can still be seen and
/// stopped (common practice, no source).
pub const FIRST_DOWN_MM: f64 = 10.0;

impl Iterator for Items<'_> {
    type Item = Item;
    fn next(&mut self) -> Option<Item> {
        loop {
            if let Some(item) = self.queue.pop_front() {
                return Some(item);
            }
            if self.level_begins() {
                continue;
            }
            if let Some(m) = self.next_move() {
                return Some(Item::Move(self.tried(m)));
            }
            if self.at < self.order.len() {
                self.entry();
                self.at += 1;
            } else if self.ended {
                return None;
            } else {
                self.ended = true;
                self.end();
            }
        }
    }
}

impl Items<'_> {
    /// Puts the restart line of a pass level into the queue where one stands.
    fn level_begins(&mut self) -> bool {
        let Some(running) = &mut self.running else {
            return false;
        };
        if running.levels.front() != Some(&running.done) {
            return false;
        }
        running.levels.pop_front();
        let start = StepStart {
            label: format!("go on with {}", running.start.label),
            ..running.start.clone()
        };
        self.restart(start);
        true
    }

    /// A line at which a stopped run can be taken up, with the wait for the spindle that it starts.
    fn restart(&mut self, start: StepStart) {
        self.queue.push_back(Item::Step(start));
        if !self.by_hand {
            self.dwell();
        }
    }

    fn next_move(&mut self) -> Option<Move> {
        let running = self.running.as_mut()?;
        let Some(m) = running.moves.next() else {
            self.running = None;
            return None;
        };
        running.done += 1;
        let safe_z = self.setup.safe_z;
        Some(match m.placed(&running.placing, safe_z) {
            Move::Rapid { to } if self.can.two_heights => Move::rapid(to.xy().at_z(safe_z)),
            placed => placed,
        })
    }

    /// The move, or, where it is the first way down by a zero that a person has set, its fast part; the rest comes behind, at feed.
    fn tried(&mut self, m: Move) -> Move {
        let high = (self.setup.z.highest_top() + FIRST_DOWN_MM).min(self.setup.safe_z);
        let (to, feed, then) = match m {
            Move::Rapid { to } => (to, self.plunge, None),
            Move::Hole {
                at, retract, feed, ..
            } => (at.at_z(retract), feed, Some(m)),
            Move::Line { to, .. } if to.z < high => {
                self.zero_untried = false;
                return m;
            }
            Move::Line { .. } | Move::Arc { .. } => return m,
        };
        if !self.zero_untried || self.can.two_heights || to.z >= high - SAME_LEVEL_MM {
            return m;
        }
        self.zero_untried = false;
        self.queue.push_back(Item::Move(Move::line(to, feed)));
        self.queue.extend(then.map(Item::Move));
        Move::rapid(to.xy().at_z(high))
    }

    fn retract(&mut self) {
        self.queue.push_back(Item::RetractFull {
            safe_z: self.setup.safe_z,
        });
    }

    /// Stops the spindle and waits for it, when the program switches it.
    fn stop(&mut self) {
        if self.turning.take().is_some() && !self.by_hand {
            self.queue.push_back(Item::Spindle(None));
            self.dwell();
        }
    }

    fn dwell(&mut self) {
        if self.spin_seconds > 0.0 {
            self.queue.push_back(Item::Dwell {
                seconds: self.spin_seconds,
            });
        }
    }

    fn go_to_park(&mut self) {
        self.queue
            .push_back(Item::Move(Move::rapid(self.park.at_z(self.setup.safe_z))));
    }

    fn pause(&mut self, message: String) {
        self.queue.push_back(Item::Pause { message });
        self.retract();
    }

    /// The speed of the step behind this entry, for messages to the person who switches the spindle. Before another pause or cutter it
    /// stays off: the cutter that is in may not be run at the speed of the one that comes.
    fn next_rpm(&self) -> Option<f64> {
        match self.order.get(self.at + 1) {
            Some(Entry::Step(step)) => step_view(self.work, self.setup, *step).map(|s| s.rpm),
            _ => None,
        }
    }

    fn entry(&mut self) {
        match &self.order[self.at] {
            Entry::Cutter(id) => self.cutter(id),
            Entry::Pause { message, .. } => {
                self.in_use = true;
                self.wait(message, false);
            }
            Entry::Step(step) => {
                self.steps += 1;
                self.in_use = true;
                let Some(view) = step_view(self.work, self.setup, *step) else {
                    return;
                };
                self.step(&view);
            }
        }
    }

    fn step(&mut self, view: &StepView<'_>) {
        self.plunge = view.plunge;
        let rpm = self.sayable(view.rpm);
        let moves = self.work.moves(view.moves);
        let top = self.setup.z.highest_top();
        let mut made = self.restarts.step(view, moves, top);
        let start = StepStart {
            number: self.steps as u32,
            label: view.label(),
        };
        if made.begins {
            self.speed(rpm);
            self.restart(start.clone());
        } else {
            let text = format!("cut {}: {}", start.number, start.label);
            self.queue.push_back(Item::Label(text));
        }
        if let Some(cutter) = self.work.documents.cutter(view.cutter) {
            let blocks = f64::from(self.can.blocks_per_second);
            keep_pace(&mut made.moves, cutter, rpm, blocks);
        }
        self.running = Some(Running {
            start,
            moves: made.moves.into_iter(),
            placing: view.placing,
            done: 0,
            levels: made.levels.into(),
        });
    }

    /// Waits for the person: up, away, with the spindle off, and with all the room there is where the person wants it.
    fn wait(&mut self, message: &str, room: bool) {
        self.restarts.interrupted();
        let was_turning = self.turning.is_some();
        self.retract();
        self.stop();
        self.go_to_park();
        if room {
            self.retract();
        }
        let mut text = String::new();
        if self.by_hand && was_turning {
            text.push_str("Switch the spindle off and wait until it stands. ");
        }
        text.push_str(message);
        if self.by_hand
            && let Some(rpm) = self.next_rpm()
        {
            if !text.ends_with('.') {
                text.push('.');
            }
            text.push_str(&switch_on(rpm));
            self.turning = Some(rpm);
        }
        self.pause(text);
    }

    /// The next lower speed that the language can say, or, where that is less than the machine's least, the next higher one.
    fn sayable(&self, rpm: f64) -> f64 {
        let step = self.can.speed_step;
        if step <= 0.0 {
            return rpm;
        }
        let machine = self.work.documents.machine();
        let least = machine.map_or(0.0, |(_, m)| m.min_rpm);
        // A hair of arithmetic is no step.
        let lower = (rpm / step + 1e-9).floor() * step;
        match lower < least {
            true => (least / step - 1e-9).ceil() * step,
            false => lower,
        }
    }

    /// Starts the spindle at a speed, or has it started; the restart line behind it waits.
    fn speed(&mut self, rpm: f64) {
        if self.turning == Some(rpm) {
            return;
        }
        let was = self.turning.replace(rpm);
        if self.by_hand && was.is_none() && !self.can.pauses {
            let text = format!("Before the start:{}", switch_on(rpm).to_lowercase());
            self.queue.push_back(Item::Label(text));
        } else if self.by_hand {
            if was.is_some() {
                self.retract();
            }
            self.go_to_park();
            self.pause(switch_on(rpm).trim().to_string());
        } else {
            if self.can.speed_by_hand && self.set != Some(rpm) {
                self.set_at_panel(rpm, was.is_some());
            }
            self.queue.push_back(Item::Spindle(Some(Spindle {
                rpm,
                clockwise: true,
            })));
        }
    }

    /// Waits for the person who sets the speed, or tells it before the start where the text cannot pause.
    fn set_at_panel(&mut self, rpm: f64, turns: bool) {
        let text = format!("Set the spindle to {} rev/min at the panel.", rpm.round());
        if self.set.replace(rpm).is_none() && !self.can.pauses {
            self.queue.push_back(Item::Label(text));
            return;
        }
        if turns {
            self.retract();
            self.queue.push_back(Item::Spindle(None));
            self.dwell();
        }
        self.go_to_park();
        self.pause(text);
    }

    /// The next cutter goes in while the program pauses.
    fn pauses_for_cutter(&self) -> bool {
        self.in_use && self.can.changes == Changes::Pause
    }

    fn cutter(&mut self, id: &str) {
        let waits = self.pauses_for_cutter();
        self.in_use = true;
        self.restarts.interrupted();
        self.zero_untried |= self.can.changes != Changes::Machine;
        if waits {
            let message = put_in(self.work.documents.cutter(id), id, &self.touch_off());
            return self.wait(&in_unit(&message, self.unit()), true);
        }
        let change = |number, label: String| {
            Item::Cutter(CutterChange {
                number,
                id: id.to_string(),
                label,
                by_hand: self.can.changes != Changes::Machine,
            })
        };
        let item = match self.work.documents.cutter(id) {
            Some(c) => change(c.number, in_unit(&c.label(), self.unit())),
            None => change(0, id.to_string()),
        };
        if self.turning.is_some() {
            let by_hand = self.by_hand;
            self.retract();
            self.stop();
            if by_hand {
                self.go_to_park();
                self.pause("Switch the spindle off and wait until it stands.".into());
            }
        }
        self.queue.push_back(item);
        if self.can.changes == Changes::Machine {
            self.retract();
        }
    }

    /// The program's unit.
    fn unit(&self) -> Unit {
        self.work
            .documents
            .machine()
            .map(|(_, m)| m.program_unit)
            .unwrap_or_default()
    }

    /// Where to set Z zero, in mm, if that is a place of the wood's face.
    fn touch_off(&self) -> String {
        self.setup.touch_off.map_or_else(String::new, |p| {
            format!(
                " at ({}, {})",
                Unit::Mm.measured(p.x),
                Unit::Mm.measured(p.y)
            )
        })
    }

    fn end(&mut self) {
        let by_hand_on = self.by_hand && self.turning.is_some();
        self.retract();
        self.stop();
        self.go_to_park();
        if by_hand_on {
            let message = "Switch the spindle off and wait until it stands.".to_string();
            self.queue.push_back(match self.can.pauses {
                true => Item::Pause { message },
                false => Item::Label(format!("At the end: {message}")),
            });
        }
    }
}

/// What a person is told who changes the cutter in a pause; `place` is where the wood stays whole.
fn put_in(cutter: Option<&Cutter>, id: &str, place: &str) -> String {
    let (number, label) = match cutter {
        Some(c) => (c.number, c.label()),
        None => (0, id.to_string()),
    };
    format!("Put in cutter {number}: {label}. Set Z zero anew{place}.")
}

/// What a person is told who switches the spindle.
fn switch_on(rpm: f64) -> String {
    format!(
        " Switch the spindle on at {} rev/min and wait until it is at speed.",
        rpm.round()
    )
}
