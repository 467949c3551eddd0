//! What the texts of one setup make the machine do, collected from the dialect's reader in running order.

use super::TextRead;
use super::limits::Settled;
use super::messages::{Extent, says};
use super::waits::{Spinning, WrongWait};
use grainway_geom::{Bounds, Point, Segment};
use grainway_pipeline::dialect::{Action, Known, ReadEnd, ReadMove, Reader};
use grainway_pipeline::doc::{Cutter, CutterKind, Shop};
use grainway_pipeline::tolerance::TEXT_AGAINST_PLAN_MM;
use grainway_pipeline::work::{ByHand, Entry, PauseFor, Setup};
use std::f64::consts::TAU;
use std::ops::ControlFlow;

/// No cutter is known.
pub(super) const NO_TOOL: u16 = u16::MAX;

/// A cutter of the shop as verify needs it.
#[derive(Clone, Debug)]
pub(super) struct Tool {
    pub(super) id: String,
    pub(super) cutter: Cutter,
    /// Measured radius, mm.
    pub(super) radius: f64,
}

impl Tool {
    pub(super) fn new(id: &str, cutter: &Cutter) -> Tool {
        Tool {
            id: id.to_string(),
            cutter: cutter.clone(),
            radius: cutter.radius_mm(),
        }
    }
    /// The same radius at every height.
    pub(super) fn is_flat(&self) -> bool {
        matches!(self.cutter.kind, CutterKind::EndMill)
    }
    /// Radius `height` mm above the tip, exact for each kind.
    pub(super) fn radius_at(&self, height: f64) -> f64 {
        let h = height.max(0.0);
        match self.cutter.kind {
            CutterKind::EndMill => self.radius,
            CutterKind::BallNose => {
                if h >= self.radius {
                    self.radius
                } else {
                    (2.0 * self.radius * h - h * h).max(0.0).sqrt()
                }
            }
            CutterKind::Drill | CutterKind::VCutter => (h * self.half_tan()).min(self.radius),
        }
    }
    /// Tangent of half the point angle.
    fn half_tan(&self) -> f64 {
        let default = if self.cutter.kind == CutterKind::Drill {
            // The usual point of a twist drill; common practice, no source.
            118.0
        } else {
            90.0
        };
        (self.cutter.angle.unwrap_or(default).clamp(10.0, 179.0) / 2.0)
            .to_radians()
            .tan()
    }
    /// Height of the point above which the full radius cuts, mm.
    pub(super) fn point_height(&self) -> f64 {
        match self.cutter.kind {
            CutterKind::EndMill => 0.0,
            CutterKind::BallNose => self.radius,
            CutterKind::Drill | CutterKind::VCutter => self.radius / self.half_tan(),
        }
    }
}

/// A movement with everything known about it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Motion {
    /// Which text, from 0.
    pub(super) text: u16,
    /// Line of that text.
    pub(super) line: u64,
    /// At feed; otherwise rapid.
    pub(super) cuts: bool,
    /// XY path of the centre.
    pub(super) path: Segment,
    /// Height at its start and end, mm; infinite for the machine's own top.
    pub(super) z: [f64; 2],
    /// Index into [`Recorded::tools`], or [`NO_TOOL`].
    pub(super) tool: u16,
    /// mm/min; 0 when none is in force.
    pub(super) feed: f64,
    /// rev/min; 0 when the spindle stands.
    pub(super) rpm: f64,
}

impl Motion {
    /// Lowest height.
    pub(super) fn low(&self) -> f64 {
        self.z[0].min(self.z[1])
    }
    /// Length in space, mm; that of the XY path when a height is infinite.
    pub(super) fn length(&self) -> f64 {
        let dz = self.z[1] - self.z[0];
        let xy = self.path.length();
        if dz.is_finite() { xy.hypot(dz) } else { xy }
    }
    /// The same way at the same heights, within what a text may differ from its plan.
    pub(super) fn is_like(&self, other: &Motion) -> bool {
        let near = |p: Point, q: Point| p.distance(q) <= TEXT_AGAINST_PLAN_MM;
        let level = |p: f64, q: f64| (p - q).abs() <= TEXT_AGAINST_PLAN_MM;
        level(self.z[0], other.z[0])
            && level(self.z[1], other.z[1])
            && near(self.path.start(), other.path.start())
            && near(self.path.end(), other.path.end())
            && near(self.path.at(0.5), other.path.at(0.5))
    }
    /// Moves sideways.
    pub(super) fn sideways(&self) -> bool {
        self.path.length() > 1e-9
    }
    /// The share of the path, from and to, at which it is at or below `z`.
    pub(super) fn below(&self, z: f64) -> Option<(f64, f64)> {
        let [a, b] = self.z;
        match (a <= z, b <= z) {
            (true, true) => Some((0.0, 1.0)),
            (false, false) => None,
            _ if !a.is_finite() || !b.is_finite() => Some((0.0, 1.0)),
            (true, false) => Some((0.0, (z - a) / (b - a))),
            (false, true) => Some(((z - a) / (b - a), 1.0)),
        }
    }
    /// Box of the path.
    pub(super) fn bounds(&self) -> Bounds {
        self.path.bounds()
    }
    /// The path at or below `z`.
    pub(super) fn path_below(&self, z: f64) -> Option<Segment> {
        let (from, to) = self.below(z)?;
        Some(if from <= 0.0 && to >= 1.0 {
            self.path
        } else {
            self.path.piece(from, to)
        })
    }
}

/// A stop for the person.
#[derive(Clone, Debug)]
pub(super) struct PauseEvent {
    /// Motions before it.
    pub(super) at: usize,
    pub(super) text: u16,
    pub(super) line: u64,
    pub(super) spindle_on: bool,
    /// Height in the pause, when known.
    pub(super) z: Option<f64>,
    /// What the person reads.
    pub(super) message: String,
    /// The cutter that the person puts in.
    pub(super) cutter: Option<String>,
    /// Which of the setup's pauses it is, from 1; `None` for pauses that only switch the spindle or change the cutter.
    pub(super) number: Option<u32>,
}

/// A cutter put in.
#[derive(Clone, Debug)]
pub(super) struct ChangeEvent {
    pub(super) text: u16,
    pub(super) line: u64,
    pub(super) z: Option<f64>,
}

/// Something the reader or the collecting found wrong at once.
#[derive(Clone, Debug)]
pub(super) struct Wrong {
    pub(super) text: u16,
    pub(super) line: u64,
    pub(super) kind: WrongKind,
}

/// Kinds of wrong.
#[derive(Clone, Debug, PartialEq)]
pub(super) enum WrongKind {
    /// The reader's own.
    Fault(&'static str, String),
    /// Moved while an axis that matters was unknown.
    Unknown(String),
    /// Cuts without a feed.
    NoFeed,
    /// Cuts with a spindle that stands.
    NoSpindle,
    /// The spindle turns counter-clockwise.
    SpindleWay,
    /// The spindle or a wait.
    Wait(WrongWait),
    /// More moves than are looked at.
    TooManyMoves,
    /// |start − centre| against |end − centre| of an arc, mm.
    ArcRadius(f64),
    /// A number that is not finite.
    NotFinite,
    /// The bytes could not be read.
    Io(String),
    /// The text ends before its program does.
    NoEnd,
    /// A cutter.
    Cutter(WrongCutter),
    /// A pause in which a cutter goes in, or one that only seems to be such.
    Pause(WrongPause),
}

/// What is wrong with a cutter.
#[derive(Clone, Debug, PartialEq)]
pub(super) enum WrongCutter {
    /// A number that the shop does not have.
    Unknown(u32),
    /// Another than this program is for: number in the text, id expected.
    Other(u32, String),
    /// Neither the text nor the program's record says which.
    None,
}

/// What is wrong with a pause in which a cutter goes in.
#[derive(Clone, Debug, PartialEq)]
pub(super) enum WrongPause {
    /// That of the cutter of this id says something else: its message.
    Other(String, String),
    /// The text does not pause for the cutter of this id.
    Missing(String),
    /// It calls for a cutter where none is to go in: its message.
    Stray(String),
    /// Pauses without messages, in some of which cutters go in: how many, and how many of the program.
    WithoutWords(usize, usize),
}

impl WrongKind {
    /// The same complaint, whatever it says in particular.
    fn repeats(&self, other: &WrongKind) -> bool {
        use std::mem::discriminant as kind;
        match (self, other) {
            (WrongKind::Fault(..), _) => false,
            (WrongKind::Cutter(a), WrongKind::Cutter(b)) => kind(a) == kind(b),
            (WrongKind::Pause(a), WrongKind::Pause(b)) => kind(a) == kind(b),
            (WrongKind::Wait(a), WrongKind::Wait(b)) => kind(a) == kind(b),
            (a, b) => kind(a) == kind(b),
        }
    }
}

/// All texts of a setup, read.
#[derive(Clone, Debug, Default)]
pub(super) struct Recorded {
    pub(super) names: Vec<String>,
    pub(super) motions: Vec<Motion>,
    pub(super) pauses: Vec<PauseEvent>,
    /// What the pauses of each text are for, by its record.
    pub(super) planned_pauses: Vec<Vec<PauseFor>>,
    pub(super) changes: Vec<ChangeEvent>,
    pub(super) wrong: Vec<Wrong>,
    pub(super) tools: Vec<Tool>,
    pub(super) read: Vec<TextRead>,
    /// A text was not read to its end: what was recorded is no whole program.
    pub(super) broken: bool,
}

impl Recorded {
    /// The next text, and its number, from 0.
    fn begin(&mut self, name: &str) -> u16 {
        self.names.push(name.to_string());
        self.read.push(TextRead::default());
        self.names.len() as u16 - 1
    }
    /// The tool of a motion.
    pub(super) fn tool(&self, m: &Motion) -> Option<&Tool> {
        self.tools.get(usize::from(m.tool))
    }
    /// The name of a motion's text.
    pub(super) fn name(&self, text: u16) -> &str {
        self.names.get(usize::from(text)).map_or("", |n| n.as_str())
    }
    /// Numbers the pauses that are the setup's own: by what they say, in their order, since a person does what a message says and
    /// nothing else. In a language that shows no messages they are known by their places.
    pub(super) fn number_pauses(&mut self, setup: &Setup, shown: bool) {
        let wanted: Vec<(u32, &str)> = setup
            .order
            .iter()
            .filter_map(|e| match e {
                Entry::Pause { number, message } => Some((*number, message.as_str())),
                _ => None,
            })
            .collect();
        if !shown {
            return self.number_by_place(&wanted);
        }
        let mut next = 0;
        for p in self.pauses.iter_mut().filter(|p| p.cutter.is_none()) {
            let rest = &wanted[next..];
            let found = rest
                .iter()
                .position(|w| says(&p.message, w.1, Extent::Part));
            if let Some(i) = found {
                p.number = Some(rest[i].0);
                next += i + 1;
            }
        }
    }
    /// Where a hand switches the spindle, the text pauses for that as well: then the pauses are as many as the program's record has.
    fn number_by_place(&mut self, wanted: &[(u32, &str)]) {
        for (text, planned) in self.planned_pauses.iter().enumerate() {
            let own = |p: &&mut PauseEvent| usize::from(p.text) == text;
            let mut events: Vec<&mut PauseEvent> = self.pauses.iter_mut().filter(own).collect();
            if events.len() == planned.len() {
                for (p, planned) in events.iter_mut().zip(planned) {
                    if let PauseFor::Setup(number) = planned {
                        p.number = Some(*number);
                    }
                }
            }
        }
        if self.planned_pauses.iter().all(Vec::is_empty) {
            // Nothing is known of these texts.
            let events = self.pauses.iter_mut().filter(|p| p.cutter.is_none());
            for (p, w) in events.zip(wanted) {
                p.number = Some(w.0);
            }
        }
    }
    /// Which tool is meant by a number and an expectation.
    fn choose(
        &mut self,
        shop: &Shop,
        number: Option<u32>,
        expected: Option<&str>,
    ) -> Result<u16, WrongKind> {
        let id = match (number, expected) {
            (None, None) => return Err(WrongKind::Cutter(WrongCutter::None)),
            (None, Some(id)) => id.to_string(),
            (Some(n), Some(id)) if shop.cutters.get(id).is_some_and(|c| c.number == n) => {
                id.to_string()
            }
            (Some(n), _) => match shop.cutters.iter().find(|(_, c)| c.number == n) {
                Some((id, _)) => id.clone(),
                None => return Err(WrongKind::Cutter(WrongCutter::Unknown(n))),
            },
        };
        if let Some(i) = self.tools.iter().position(|t| t.id == id) {
            return Ok(i as u16);
        }
        let Some(cutter) = shop.cutters.get(&id) else {
            return Err(WrongKind::Cutter(WrongCutter::None));
        };
        self.tools.push(Tool::new(&id, cutter));
        Ok((self.tools.len() - 1) as u16)
    }
}

/// How texts are to be taken.
pub(super) struct Taking<'a> {
    pub(super) shop: &'a Shop,
    /// The spindle is switched by a hand, or the language cannot switch it.
    pub(super) spindle_by_hand: bool,
    /// The language shows the person what a pause is for.
    pub(super) shown: bool,
    /// The limits.
    pub(super) settled: &'a Settled,
    /// At or above this height nothing stands.
    pub(super) clear_z: f64,
    /// The highest face of the wood.
    pub(super) top: f64,
}

/// Reads one text onto what was read before. Position is unknown at its start. `hand` is what a person does at it, by the program's record.
pub(super) fn take(
    recorded: &mut Recorded,
    name: &str,
    hand: ByHand,
    reader: &dyn Reader,
    text: &mut dyn std::io::BufRead,
    taking: &Taking<'_>,
    hear: &mut dyn FnMut(&ReadMove),
) {
    let index = recorded.begin(name);
    let mut so_far = SoFar {
        text: index,
        expected: hand.first.as_deref(),
        planned: &hand.pauses,
        cut_since: None,
        tool: None,
        spinning: Spinning::default(),
        last_wrong: None,
        faults: 0,
    };
    let mut broken = false;
    let end = reader.read(text, &mut |m: ReadMove| {
        hear(&m);
        // What follows an illegal line has no meaning.
        broken = matches!(m.action, Action::Fault { .. });
        step(recorded, taking, m, &mut so_far);
        if recorded.motions.len() > MOST_MOTIONS {
            broken = true;
            recorded.wrong.push(Wrong {
                text: index,
                line: 0,
                kind: WrongKind::TooManyMoves,
            });
        }
        match broken {
            true => ControlFlow::Break(()),
            false => ControlFlow::Continue(()),
        }
    });
    if broken {
        recorded.planned_pauses.push(hand.pauses);
        recorded.broken = true;
        return;
    }
    let unpaused: Vec<WrongKind> = so_far
        .planned
        .iter()
        .filter_map(|p| match p {
            PauseFor::Cutter(id) => Some(WrongKind::Pause(WrongPause::Missing(id.clone()))),
            _ => None,
        })
        .collect();
    for (line, kind) in uncertain(&recorded.pauses, index, &hand.pauses, taking.shown) {
        recorded.wrong.push(Wrong {
            text: index,
            line,
            kind,
        });
    }
    recorded.planned_pauses.push(hand.pauses);
    let mut wrong = |kind| {
        recorded.wrong.push(Wrong {
            text: index,
            line: 0,
            kind,
        });
    };
    match end {
        ReadEnd::Complete { lines, ended } => {
            if !ended {
                wrong(WrongKind::NoEnd);
            }
            recorded.read[usize::from(index)].lines = lines;
        }
        ReadEnd::Stopped => wrong(WrongKind::NoEnd),
        ReadEnd::Io(why) => wrong(WrongKind::Io(why)),
    }
    unpaused.into_iter().for_each(wrong);
}

/// Most motions of a setup that are kept, so that no text uses up the memory: some 600 MB. The largest sample has 60,000.
const MOST_MOTIONS: usize = 4_000_000;

/// Faults kept of one text; more say nothing new.
const FAULTS_KEPT: usize = 20;

/// Where the reading of a text is.
struct SoFar<'a> {
    /// Which text, from 0.
    text: u16,
    /// The cutter that the person has put in.
    expected: Option<&'a str>,
    /// What the pauses still to come are for.
    planned: &'a [PauseFor],
    /// A cutter went in during the text, and it cut since.
    cut_since: Option<bool>,
    /// (number in force, tool) so that the shop is asked once a change.
    tool: Option<(Option<u32>, u16)>,
    spinning: Spinning,
    last_wrong: Option<WrongKind>,
    faults: usize,
}

impl SoFar<'_> {
    /// Takes down what is wrong; the same complaint line after line is said once.
    fn wrong(&mut self, recorded: &mut Recorded, line: u64, kind: WrongKind) {
        let repeats = self.last_wrong.as_ref().is_some_and(|l| kind.repeats(l));
        self.last_wrong = Some(kind.clone());
        self.faults += 1;
        if !repeats && self.faults <= FAULTS_KEPT {
            let text = self.text;
            recorded.wrong.push(Wrong { text, line, kind });
        }
    }
}

fn step(recorded: &mut Recorded, taking: &Taking<'_>, m: ReadMove, so_far: &mut SoFar<'_>) {
    let (spin_up, top) = (taking.settled.spin_up, taking.top);
    if !taking.spindle_by_hand
        && let Some(wait) = so_far.spinning.hear(&m, spin_up, top)
    {
        so_far.wrong(recorded, m.line, WrongKind::Wait(wait));
    }
    match m.action {
        Action::Fault { code, message } => {
            so_far.wrong(recorded, m.line, WrongKind::Fault(code, message));
        }
        Action::Pause { ref message } => pause(recorded, taking, &m, message, so_far),
        Action::CutterChange => {
            recorded.changes.push(ChangeEvent {
                text: so_far.text,
                line: m.line,
                z: m.from.z,
            });
            so_far.tool = None;
        }
        Action::Spindle => {
            if m.spindle.is_some_and(|s| !s.clockwise) {
                so_far.wrong(recorded, m.line, WrongKind::SpindleWay);
            }
        }
        Action::Step { number } => {
            let read = &mut recorded.read[usize::from(so_far.text)];
            read.starts.push((number, m.line));
        }
        Action::Dwell { .. } | Action::End => {}
        Action::RetractFull | Action::Rapid | Action::Line | Action::Arc { .. } => {
            recorded.read[usize::from(so_far.text)].moves += 1;
            movement(recorded, taking, &m, so_far);
        }
    }
}

fn pause(
    recorded: &mut Recorded,
    taking: &Taking<'_>,
    m: &ReadMove,
    message: &str,
    so_far: &mut SoFar<'_>,
) {
    let number = |id: &str| taking.shop.cutters.get(id).map(|c| c.number);
    let is_in = so_far.expected.map_or(m.cutter, number);
    let (meant, told) = meant(message, so_far.planned, number, is_in);
    if let Some(kind) = told {
        so_far.wrong(recorded, m.line, kind);
    }
    let cutter = match meant {
        Meant::Change(before, id) => {
            so_far.planned = &so_far.planned[before + 1..];
            (so_far.expected, so_far.tool) = (Some(id), None);
            so_far.cut_since = Some(false);
            Some(id.to_string())
        }
        Meant::Stays => {
            // Which of the two pauses it really goes in at matters when it cut in between.
            if so_far.cut_since == Some(true) {
                let stray = WrongPause::Stray(message.to_string());
                so_far.wrong(recorded, m.line, WrongKind::Pause(stray));
            }
            so_far.expected.map(str::to_string)
        }
        Meant::Other => {
            if let Some((PauseFor::Setup(_) | PauseFor::Spindle, rest)) =
                so_far.planned.split_first()
            {
                so_far.planned = rest;
            }
            None
        }
    };
    recorded.pauses.push(PauseEvent {
        at: recorded.motions.len(),
        text: so_far.text,
        line: m.line,
        spindle_on: m.spindle.is_some(),
        z: m.from.z,
        message: message.to_string(),
        cutter,
        number: None,
    });
}

fn movement(recorded: &mut Recorded, taking: &Taking<'_>, m: &ReadMove, so_far: &mut SoFar<'_>) {
    if !finite(m.from, true) || !finite(m.to, true) {
        so_far.wrong(recorded, m.line, WrongKind::NotFinite);
        return;
    }
    let cuts = matches!(m.action, Action::Line | Action::Arc { .. });
    so_far.cut_since = so_far.cut_since.map(|c| c || cuts);
    let tool = tool_of(recorded, taking, m, cuts, so_far);
    if cuts {
        if m.feed.is_none_or(|f| f <= 0.0) {
            so_far.wrong(recorded, m.line, WrongKind::NoFeed);
        }
        let turns = m.spindle.is_some_and(|s| s.rpm > 0.0);
        if !turns && !taking.spindle_by_hand {
            so_far.wrong(recorded, m.line, WrongKind::NoSpindle);
        }
    }
    if let Action::Arc {
        radius_mismatch, ..
    } = m.action
        && radius_mismatch > taking.settled.arc_radius
    {
        so_far.wrong(recorded, m.line, WrongKind::ArcRadius(radius_mismatch));
    }
    if let Some(what) = unknown(m, cuts, taking.clear_z) {
        so_far.wrong(recorded, m.line, WrongKind::Unknown(what.to_string()));
    }
    push(recorded, so_far.text, m, cuts, tool);
}

/// The tool that a move is made with; asked of the shop once a change.
fn tool_of(
    recorded: &mut Recorded,
    taking: &Taking<'_>,
    m: &ReadMove,
    cuts: bool,
    so_far: &mut SoFar<'_>,
) -> u16 {
    if let Some((number, tool)) = so_far.tool
        && number == m.cutter
    {
        return tool;
    }
    let tool = match recorded.choose(taking.shop, m.cutter, so_far.expected) {
        Ok(t) => {
            let id = &recorded.tools[usize::from(t)].id;
            if let (Some(n), Some(e)) = (m.cutter, so_far.expected)
                && id != e
            {
                let other = WrongCutter::Other(n, e.to_string());
                so_far.wrong(recorded, m.line, WrongKind::Cutter(other));
            }
            t
        }
        Err(kind) => {
            if cuts {
                so_far.wrong(recorded, m.line, kind);
            }
            NO_TOOL
        }
    };
    // Without a cutter the next cutting move asks again.
    so_far.tool = (tool != NO_TOOL).then_some((m.cutter, tool));
    tool
}

/// What a pause of a text is for.
enum Meant<'a> {
    /// This cutter goes in, which so many of the pauses still to come stand before.
    Change(usize, &'a str),
    /// The cutter that is in, once more.
    Stays,
    /// No cutter.
    Other,
}

/// What a pause is for, and what is wrong with it: a person does what its message says. One without a message is known by its place.
fn meant<'a>(
    message: &str,
    planned: &'a [PauseFor],
    number: impl Fn(&str) -> Option<u32>,
    is_in: Option<u32>,
) -> (Meant<'a>, Option<WrongKind>) {
    let called = called(message);
    let id = |p: &'a PauseFor| match p {
        PauseFor::Cutter(id) => Some(id.as_str()),
        _ => None,
    };
    let mut changes = planned.iter().enumerate();
    let comes = changes.find_map(|(i, p)| id(p).map(|id| (i, id)));
    let stays = called.iter().all(|n| Some(*n) == is_in);
    let other = |id: &str| WrongKind::Pause(WrongPause::Other(id.to_string(), message.to_string()));
    match comes {
        Some((i, id)) if called.iter().any(|n| Some(*n) == number(id)) => {
            let more = |n: &u32| Some(*n) != number(id) && Some(*n) != is_in;
            let told = called.iter().any(more).then(|| other(id));
            (Meant::Change(i, id), told)
        }
        Some((0, id)) if message.trim().is_empty() => (Meant::Change(0, id), None),
        Some((0, id)) if !stays => (Meant::Change(0, id), Some(other(id))),
        _ if !stays => {
            let told = WrongKind::Pause(WrongPause::Stray(message.to_string()));
            (Meant::Other, Some(told))
        }
        _ if !called.is_empty() => (Meant::Stays, None),
        _ => (Meant::Other, None),
    }
}

/// The numbers of the cutters that a message names.
fn called(message: &str) -> Vec<u32> {
    let lower = message.to_ascii_lowercase();
    let found = lower.match_indices("cutter").filter_map(|(at, word)| {
        // A "V-cutter" is a kind.
        let begins = !lower[..at].ends_with(|c: char| c.is_alphanumeric() || c == '-');
        let rest = lower[at + word.len()..].trim_start();
        let apart = rest.len() < lower.len() - at - word.len();
        let end = rest.find(|c: char| !c.is_ascii_digit());
        let digits = &rest[..end.unwrap_or(rest.len())];
        (begins && apart).then(|| digits.parse().ok()).flatten()
    });
    found.collect()
}

/// What only the whole text tells of the pauses in which cutters go in. In a language that shows no messages pauses count by their
/// places, so they must be as many as planned; in another the person does not know what to do where the message is missing.
fn uncertain(
    pauses: &[PauseEvent],
    text: u16,
    planned: &[PauseFor],
    shown: bool,
) -> Vec<(u64, WrongKind)> {
    if !planned.iter().any(|p| matches!(p, PauseFor::Cutter(_))) {
        return Vec::new();
    }
    let own: Vec<&PauseEvent> = pauses.iter().filter(|p| p.text == text).collect();
    let mute = |p: &&&PauseEvent| p.message.trim().is_empty();
    if !shown && own.iter().all(|p| mute(&p)) {
        let counts = WrongKind::Pause(WrongPause::WithoutWords(own.len(), planned.len()));
        return match own.len() == planned.len() {
            true => Vec::new(),
            false => vec![(0, counts)],
        };
    }
    let changes = own.iter().filter(mute).filter_map(|p| {
        let id = p.cutter.clone()?;
        Some((
            p.line,
            WrongKind::Pause(WrongPause::Other(id, String::new())),
        ))
    });
    changes.collect()
}

/// All known axes are finite numbers; z may be infinite where that means the machine's top.
fn finite(k: Known, top: bool) -> bool {
    k.x.is_none_or(f64::is_finite)
        && k.y.is_none_or(f64::is_finite)
        && k.z
            .is_none_or(|z| z.is_finite() || (top && z == f64::INFINITY))
}

/// What a move does that it may not do while a position is not known. With something unknown, only two things are safe: Z alone to a
/// height where nothing stands, and XY there.
fn unknown(m: &ReadMove, cuts: bool, clear_z: f64) -> Option<&'static str> {
    if m.from.point().is_some() || matches!(m.action, Action::RetractFull) {
        return None;
    }
    let moves_xy = m.from.x != m.to.x || m.from.y != m.to.y;
    let z_moves = m.from.z.is_none() || m.from.z != m.to.z;
    if cuts {
        Some("cuts")
    } else if m.to.z.is_none() {
        Some("moves sideways before any height is set")
    } else if moves_xy && z_moves {
        Some("moves sideways and in height at once")
    } else if m.to.z.is_none_or(|z| z < clear_z - 1e-6) {
        Some("goes below the height at which nothing stands")
    } else {
        None
    }
}

/// Takes a move down, as far as it is known.
fn push(recorded: &mut Recorded, text: u16, m: &ReadMove, cuts: bool, tool: u16) {
    let xy = |k: Known| k.x.zip(k.y).map(|(x, y)| Point { x, y });
    let (from, to) = (xy(m.from), xy(m.to));
    let Some(end) = to else {
        // XY unknown: `unknown` says all that can be said.
        return;
    };
    let (z0, z1) = match (m.from.z, m.to.z) {
        (Some(a), Some(b)) => (a, b),
        (None, Some(b)) => (b, b),
        (_, None) => return,
    };
    let start = from.unwrap_or(end);
    let path = match m.action {
        Action::Arc { centre, sweep, .. } => Segment::Arc {
            a: start,
            b: end,
            centre,
            radius: start.distance(centre),
            sweep,
        },
        _ => Segment::Line { a: start, b: end },
    };
    let base = Motion {
        text,
        line: m.line,
        cuts,
        path,
        z: [z0, z1],
        tool,
        feed: m.feed.unwrap_or(0.0),
        rpm: m.spindle.map_or(0.0, |s| s.rpm),
    };
    match path {
        Segment::Arc { sweep, .. } if sweep.abs() > TAU + 1e-9 => turns(recorded, base),
        _ => recorded.motions.push(base),
    }
}

/// More than one turn: one motion a turn, so that each is an arc of its own.
fn turns(recorded: &mut Recorded, whole: Motion) {
    let Segment::Arc {
        a,
        b,
        centre,
        radius,
        sweep,
    } = whole.path
    else {
        return;
    };
    let [z0, z1] = whole.z;
    let turns = (sweep.abs() / TAU).ceil();
    let n = turns as usize;
    let part = sweep / turns;
    let at = |k: usize| match k {
        0 => a,
        _ if k == n => b,
        _ => centre + (a - centre).rotated(part * k as f64),
    };
    let height = |k: usize| z0 + (z1 - z0) * k as f64 / turns;
    for i in 0..n {
        recorded.motions.push(Motion {
            path: Segment::Arc {
                a: at(i),
                b: at(i + 1),
                centre,
                radius,
                sweep: part,
            },
            z: [height(i), height(i + 1)],
            ..whole
        });
    }
}

#[cfg(test)]
mod tests {
    use super::called;

    #[test]
    fn cutters_that_a_message_names() {
        for (message, numbers) in [
            (
                "Put in cutter 2: 3.175 mm end mill, up-cut. Set Z zero anew.",
                &[2][..],
            ),
            ("SWITCH IT OFF. PUT IN CUTTER  12  6 MM END MILL", &[12]),
            ("Put in cutter 4: 12 mm V-cutter. Set Z zero anew.", &[4]),
            (
                "a V-cutter 12 mm wide, cutters, cutter7, the cutter is hot",
                &[],
            ),
            ("take cutter 1 out, cutter 3 in", &[1, 3]),
            ("cutter 99999999999", &[]),
            ("Ä cutter", &[]),
        ] {
            assert_eq!(called(message), numbers, "{message}");
        }
    }
}
