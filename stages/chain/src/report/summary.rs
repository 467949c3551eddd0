//! The work, summed up: the rows of the report, from which sheets and lists are printed too.

use super::bound::Bounds;
use super::document::{
    BalanceRow, ClosingRow, Counts, CutRow, CutterRow, FigureRow, FurnitureRow, HandWorkRow,
    HoldRow, JointRow, MEANS, MEANS_UNVERIFIED, MachineRow, OrderRow, PartRow, PlacementRow,
    ProgramRow, REPORT_FORMAT, ReportDocument, ScrewRow, SetupRow, StoodRow, TimesRow, VerdictRow,
    WoodRow,
};
use super::furniture::letter;
use super::show::{Show, round3, tenth};
use super::times::{Clock, Drive, Seconds};
use super::{ReportSettings, release};
use grainway_geom::Point;
use grainway_pipeline::doc::{Machine, Side, SpindleSwitch};
use grainway_pipeline::finding::Finding;
use grainway_pipeline::motion::{Move, SAFE_Z};
use grainway_pipeline::stage::Dialects;
use grainway_pipeline::work::{
    Balance, Entry, Furniture, HandWork, Hold, HoldKind, JointVerdict, PieceHold, Placement,
    Program, Setup, SetupKind, StepView, Variant, Verdict, Work, step_view,
};
use grainway_plan::feeds;
use grainway_plan::hold::{Pilot, Screw};
use grainway_plan::program_items::{Can, Changes};
use grainway_plan::restarts::Restarts;
use std::collections::BTreeMap;

/// A machine that goes no farther than this stays where it is, mm.
const SAME_PLACE_MM: f64 = 1e-6;

/// Widens a least-and-greatest pair.
fn widen(range: &mut [f64; 2], v: f64) {
    range[0] = range[0].min(v);
    range[1] = range[1].max(v);
}

/// The report of the work. Files and their checksums are filled in last, by whoever writes them.
pub(super) fn report(
    work: &Work,
    dialects: &Dialects,
    settings: &ReportSettings,
) -> ReportDocument {
    let clearance = settings.nut_clearance.mm();
    let least = grainway_geom::point(settings.offcut_length.mm(), settings.offcut_width.mm());
    let verdict = release::verdict(work);
    let machine = work.documents.machine();
    let can = machine.and_then(|(_, m)| {
        let dialect = dialects.get(&m.dialect)?;
        Some(Can::of(Some(m), dialect.about()))
    });
    let show = Show::of(work);
    let mut seconds_of = BTreeMap::new();
    let mut bounds = Bounds::new(work);
    let setups: Vec<SetupRow> = work
        .setups
        .iter()
        .map(|s| setup_row(work, s, can, clearance, least, &mut seconds_of, &mut bounds))
        .collect();
    let times = all_times(&setups);
    let told = work
        .findings
        .iter()
        .map(|f| told_in_job(work, f).told_in(show.0));
    let findings = grainway_pipeline::finding::gather(told.collect());
    let programs = program_rows(work, verdict, &seconds_of);
    ReportDocument {
        night: super::night::row(work, &setups, &programs),
        format: REPORT_FORMAT.to_string(),
        grainway: env!("CARGO_PKG_VERSION").to_string(),
        job: work.documents.job.name.clone(),
        documents: work.documents.hash.clone(),
        code: work.documents.code(),
        verdict,
        means: if work.programs.iter().any(|p| p.unverified) {
            MEANS_UNVERIFIED
        } else {
            MEANS
        }
        .to_string(),
        counts: Counts::of(&findings),
        findings,
        machine: machine.map(machine_row),
        plugins: Vec::new(),
        lengths: lengths(work),
        parts: work
            .parts
            .iter()
            .map(|p| part_row(work, p, settings.rough()))
            .collect(),
        wood: wood_rows(work, &setups),
        setups,
        programs,
        hand_work: work
            .hand_work
            .iter()
            .map(|h| hand_work_row(show, h))
            .collect(),
        joints: work.joints.iter().map(|j| joint_row(work, j)).collect(),
        furniture: work.furniture.iter().map(furniture_row).collect(),
        drawings: work.balances.iter().map(balance_row).collect(),
        times,
        bound: bounds.row(),
        costs: None,
        files: BTreeMap::new(),
    }
}

/// Of a night, what is told of a place of the one job is told of that place in the job's own file.
fn told_in_job(work: &Work, finding: &Finding) -> Finding {
    let night = work.documents.night.as_ref();
    let there = night.zip(finding.pointer.as_ref()).and_then(|(n, p)| {
        let (job, own) = n.origin(p)?;
        Some(own.of(&n.jobs.get(job)?.file))
    });
    let mut finding = finding.clone();
    finding.pointer = there.or(finding.pointer);
    finding
}

fn lengths(work: &Work) -> BTreeMap<String, f64> {
    let lengths = work.documents.job.lengths.iter();
    lengths
        .map(|(name, length)| (name.clone(), length.mm()))
        .collect()
}

fn machine_row((id, m): (&str, &Machine)) -> MachineRow {
    MachineRow {
        id: id.to_string(),
        dialect: m.dialect.clone(),
        program_unit: m.program_unit,
        z_zero: m.z_zero,
        spindle: m.spindle,
    }
}

/// The times of all setups, each as often as it is cut, to a tenth of a second.
fn all_times(setups: &[SetupRow]) -> TimesRow {
    let mut times = TimesRow::default();
    for setup in setups {
        let times_each = f64::from(setup.repeats.max(1));
        times.cutting += times_each * setup.times.cutting;
        times.rapid += times_each * setup.times.rapid;
        times.spin_up += times_each * setup.times.spin_up;
        times.changes += times_each * setup.times.changes;
        times.total += times_each * setup.times.total;
        times.pauses += setup.repeats.max(1) * setup.times.pauses;
    }
    for t in [
        &mut times.cutting,
        &mut times.rapid,
        &mut times.spin_up,
        &mut times.changes,
        &mut times.total,
    ] {
        *t = tenth(*t);
    }
    times
}

fn hand_work_row(show: Show, h: &HandWork) -> HandWorkRow {
    HandWorkRow {
        part: h.part.clone(),
        count: h.count,
        feature: h.feature.clone(),
        at: h.at.map(|p| [round3(p.x), round3(p.y)]),
        what: show.text(&h.what),
        why: show.text(&h.why),
        pieces: h.pieces.clone(),
    }
}

fn joint_row(work: &Work, j: &JointVerdict) -> JointRow {
    let mut joints = work.documents.job.joints.iter();
    let kind = joints.find(|d| d.id == j.joint).map(|d| d.joint.word());
    let span = |s: [f64; 2]| s.map(round3);
    JointRow {
        joint: j.joint.clone(),
        kind: kind.unwrap_or_default().to_string(),
        goes: j.goes.clone(),
        into: j.into.clone(),
        fit: j.fit.word().to_string(),
        cheeks: j.cheeks.map(span),
        ends: j.ends.map(span),
        open: round3(j.open),
        visible: j.visible.map(|v| (v * 10.0).round() / 10.0),
        root: j.root.map(|r| (r * 1000.0).round() / 1000.0),
    }
}

fn furniture_row(f: &Furniture) -> FurnitureRow {
    let letters = |all: &[usize]| all.iter().map(|i| letter(*i)).collect();
    let pieces = f.pieces.iter().enumerate().map(|(i, p)| StoodRow {
        letter: letter(i),
        part: p.part.clone(),
        number: p.number,
        axes: p.pose.axes.map(|axis| axis.map(round3)),
        at: p.pose.at.map(round3),
    });
    let steps = f.steps.iter().map(|s| ClosingRow {
        moved: letters(&s.moved),
        onto: letters(&s.onto),
        along: s.along.map(round3),
        joints: s.joints.clone(),
    });
    FurnitureRow {
        count: f.count,
        pieces: pieces.collect(),
        steps: steps.collect(),
    }
}

fn balance_row(b: &Balance) -> BalanceRow {
    BalanceRow {
        drawing: b.drawing.clone(),
        file: b.file.clone(),
        read: b.read,
        used: b.used,
        ignored: b.ignored,
        warned: b.warned,
        layers: b.layers.clone(),
    }
}

fn part_row(work: &Work, part: &grainway_pipeline::work::Part, rough: [f64; 3]) -> PartRow {
    let bounds = part.outline.bounds();
    let stock = work.documents.stock(&part.stock);
    let thickness = round3(stock.map_or(0.0, |s| s.readings_mm().1));
    let size = [round3(bounds.width()), round3(bounds.height())];
    let finished = [size[0], size[1], thickness];
    PartRow {
        id: part.id.clone(),
        name: match (&part.name, part.mirrored) {
            (Some(name), true) => Some(format!("{name}, mirrored")),
            (name, _) => name.clone(),
        },
        count: part.count,
        stock: part.stock.clone(),
        wood: stock.map(|s| s.wood.clone()).unwrap_or_default(),
        size,
        thickness,
        rough: part
            .dimensioned
            .then(|| std::array::from_fn(|i| round3(finished[i] + rough[i]))),
        features: part
            .features
            .iter()
            .map(|f| (f.key.clone(), f.kind.word().to_string()))
            .collect(),
        variants: work
            .variants
            .iter()
            .filter(|v| v.part == part.id)
            .map(|v| v.id.clone())
            .collect(),
    }
}

/// The program of a setup that holds the entry with this index.
fn program_at<'a>(work: &'a Work, setup: &Setup, entry: usize) -> Option<&'a Program> {
    work.programs
        .iter()
        .find(|p| p.setup == setup.id && p.entries.0 <= entry && entry < p.entries.1)
}

fn setup_row<'w>(
    work: &'w Work,
    setup: &'w Setup,
    can: Option<Can>,
    clearance: f64,
    least: grainway_geom::Point,
    seconds_of: &mut BTreeMap<&'w str, f64>,
    bounds: &mut Bounds<'w>,
) -> SetupRow {
    let Run {
        order,
        cutters,
        times,
    } = Run::of(work, setup, can, clearance, seconds_of, bounds);
    let area = setup.size.x * setup.size.y;
    let pieces: f64 = pieces_area(work, setup);
    let wood = match setup.kind {
        SetupKind::Lines => None,
        _ => work.documents.stock(&setup.stock),
    };
    SetupRow {
        id: setup.id.clone(),
        code: work.documents.night.is_some().then(|| work.code_of(setup)),
        kind: match setup.kind {
            SetupKind::Board => "board",
            SetupKind::Blank => "blank",
            SetupKind::Lines => "lines",
        }
        .to_string(),
        stock: match setup.kind {
            SetupKind::Lines => String::new(),
            _ => setup.stock.clone(),
        },
        board: setup.board.clone(),
        wood: wood.map(|s| s.wood.clone()).unwrap_or_default(),
        thickness: [
            round3(setup.z.thinnest),
            round3(setup.z.mean),
            round3(setup.z.thickest),
        ],
        size: [round3(setup.size.x), round3(setup.size.y)],
        z_zero: setup.z.zero,
        safe_z: round3(setup.safe_z),
        touch_off: setup.touch_off.map(|p| [round3(p.x), round3(p.y)]),
        repeats: setup.repeats,
        lines: setup.lines.clone(),
        turned: super::turning::turned(work, setup),
        yield_percent: percent(pieces, area),
        offcuts: super::offcuts::offcuts(work, setup, least),
        placements: setup.placements.iter().map(placement_row).collect(),
        holds: setup
            .holds
            .iter()
            .enumerate()
            .map(|(i, h)| hold_row(work, setup, i + 1, h))
            .collect(),
        cutters,
        order,
        times,
    }
}

fn placement_row(p: &Placement) -> PlacementRow {
    PlacementRow {
        piece: p.piece.clone(),
        variant: p.variant.clone(),
        at: [round3(p.placing.at.x), round3(p.placing.at.y)],
        angle: round3(p.placing.angle.to_degrees()),
        tabs: p.tabs.len() + p.waste.iter().map(|w| w.tabs.len()).sum::<usize>(),
        hold: p.hold.word().to_string(),
        skin: p.hold.skin(),
        bridges_to: match &p.hold {
            PieceHold::Bridges(to) => to.clone(),
            _ => Vec::new(),
        },
    }
}

fn hold_row(work: &Work, setup: &Setup, number: usize, h: &Hold) -> HoldRow {
    HoldRow {
        number,
        what: setup.called(h).to_string(),
        at: [round3(h.at.x), round3(h.at.y)],
        above: round3(h.head_above.max(0.0)),
        at_most: matches!(h.kind, HoldKind::Stop | HoldKind::SideClamp)
            .then(|| round3(setup.z.thinnest + h.head_above)),
        after_pause: h.after_pause,
        of: h.of.as_ref().map(|(piece, f)| format!("{piece} / {f}")),
        screw: Screw::of(work, setup, h).map(|s| screw_row(work, &s)),
    }
}

fn screw_row(work: &Work, screw: &Screw) -> ScrewRow {
    let (pilot, words) = match screw.pilot {
        Pilot::None => ("none", "no pilot"),
        Pilot::Drilled => ("drilled", "pilot drilled by the program"),
        Pilot::ByHand => ("by-hand", "drill a pilot by hand"),
    };
    ScrewRow {
        diameter: screw.shaft,
        length: screw.length.map(round3),
        pilot: pilot.to_string(),
        words: format!("{}; {words}", screw.size(Show::of(work).0)),
    }
}

/// A setup's entries run through in order: their rows, the cutters they use, and how long they take.
struct Run {
    order: Vec<OrderRow>,
    cutters: Vec<CutterRow>,
    times: TimesRow,
}

impl Run {
    /// Adds each entry's seconds to its program's in `seconds_of`. `clearance` is the room asked for under the nut, mm.
    fn of<'w>(
        work: &'w Work,
        setup: &'w Setup,
        can: Option<Can>,
        clearance: f64,
        seconds_of: &mut BTreeMap<&'w str, f64>,
        bounds: &mut Bounds<'w>,
    ) -> Run {
        let machine = work.documents.machine().map(|(_, m)| m);
        let by = can.map_or(Changes::Before, |c| c.changes);
        let standing = setup.holds.iter().map(|h| h.head_above).fold(0.0, f64::max);
        let mut timing = Timing::new(machine, can.is_some_and(|c| c.two_heights));
        let mut sum = Seconds::default();
        let mut run = Run {
            order: Vec::new(),
            cutters: Vec::new(),
            times: TimesRow::default(),
        };
        let mut number = 0;
        for (i, entry) in setup.order.iter().enumerate() {
            let program = program_at(work, setup, i);
            let mut took = match entry {
                Entry::Cutter(id) => {
                    run.change(work, id, by, program, i);
                    let change = machine.map_or(0.0, |m| m.change_seconds);
                    run.times.changes += change;
                    change + timing.stops()
                }
                Entry::Pause { number, message } => {
                    run.times.pauses += 1;
                    run.order.push(OrderRow::Pause {
                        number: *number,
                        message: message.clone(),
                        program: program.map(|p| p.name.clone()),
                    });
                    timing.stops()
                }
                Entry::Step(step) => {
                    number += 1;
                    let Some(step) = step_view(work, setup, *step) else {
                        continue;
                    };
                    let timed = timing.step(work, setup, &step, bounds);
                    sum += timed.seconds;
                    let deepest = (setup.z.highest_top() - step.lowest(work)).max(0.0);
                    let room = standing + clearance;
                    let cutters = &mut run.cutters;
                    note_cutter(work, setup, cutters, &step, deepest, room, timed.seconds);
                    let row = cut_row(work, setup, &step, number, &timed, program);
                    run.order.push(OrderRow::Cut(row));
                    timed.seconds.total() + timed.waits
                }
            };
            if let Some(p) = program {
                if p.entries.1 == i + 1 {
                    took += timing.stops();
                }
                *seconds_of.entry(p.name.as_str()).or_insert(0.0) += took;
            }
        }
        run.times.cutting = tenth(sum.cutting);
        run.times.rapid = tenth(sum.rapid);
        run.times.spin_up = tenth(timing.waited);
        // The sum of what is told, which a reader may add up.
        let told = run.times.cutting + run.times.rapid + run.times.spin_up;
        run.times.total = tenth(told + run.times.changes);
        for c in &mut run.cutters {
            c.deepest = round3(c.deepest);
            c.stick_out = round3(c.stick_out);
            c.seconds.cutting = tenth(c.seconds.cutting);
            c.seconds.rapid = tenth(c.seconds.rapid);
        }
        run
    }

    /// The row of a cutter change, the entry with this index.
    fn change(
        &mut self,
        work: &Work,
        id: &str,
        by: Changes,
        program: Option<&Program>,
        entry: usize,
    ) {
        let cutter = work.documents.cutter(id);
        // The one that a program begins with is in before it starts.
        let in_pause = by == Changes::Pause && program.is_some_and(|p| p.entries.0 < entry);
        self.times.pauses += u32::from(in_pause);
        self.order.push(OrderRow::Cutter {
            cutter: id.to_string(),
            number: cutter.map_or(0, |c| c.number),
            label: label(work, id),
            by_hand: by != Changes::Machine,
            in_pause,
            program: program.map(|p| p.name.clone()),
        });
    }
}

/// Times the steps of a setup and the waits for its spindle.
struct Timing {
    clock: Option<Clock>,
    restarts: Restarts,
    /// Seconds from start to full speed, and to a stop.
    spin_up: f64,
    by_hand: bool,
    /// The machine knows two heights, up and down.
    two_heights: bool,
    turns: bool,
    /// Seconds waited so far.
    waited: f64,
}

/// A step as it is run in its place.
struct Timed {
    seconds: Seconds,
    /// Seconds waited for the spindle.
    waits: f64,
    /// It begins with a line at which a stopped run can be taken up.
    begins: bool,
}

impl Timing {
    fn new(machine: Option<&Machine>, two_heights: bool) -> Timing {
        Timing {
            clock: machine.map(Drive::of).map(Clock::new),
            restarts: Restarts::of(machine, two_heights),
            spin_up: machine.map_or(0.0, |m| m.spin_up_seconds),
            by_hand: machine.is_some_and(|m| m.spindle == SpindleSwitch::Hand),
            two_heights,
            turns: false,
            waited: 0.0,
        }
    }

    /// The spindle stops, for a pause, a cutter or the program's end: seconds until it stands.
    fn stops(&mut self) -> f64 {
        self.restarts.interrupted();
        if let Some(clock) = &mut self.clock {
            clock.stop();
        }
        let waits = if self.turns { self.spin_up } else { 0.0 };
        self.turns = false;
        self.waited += waits;
        waits
    }

    /// How long a step's moves take, and the waits for the spindle at its restart lines.
    fn step(
        &mut self,
        work: &Work,
        setup: &Setup,
        step: &StepView<'_>,
        bounds: &mut Bounds<'_>,
    ) -> Timed {
        let top = setup.z.highest_top();
        let moves = match self.two_heights {
            true => up_and_down(&work.moves(step.moves)),
            false => work.moves(step.moves),
        };
        let made = self.restarts.step(step, moves, top);
        let lines = usize::from(made.begins) + made.levels.len();
        // Switched by hand, it turns on until it is switched off.
        let waits = match self.by_hand {
            true => usize::from(!self.turns),
            false => lines,
        };
        let waits = waits as f64 * self.spin_up;
        self.turns = true;
        self.waited += waits;
        let timed = |seconds| Timed {
            seconds,
            waits,
            begins: made.begins,
        };
        let Some(clock) = &mut self.clock else {
            return timed(Seconds::default());
        };
        let mut levels = made.levels.iter().copied().peekable();
        for (i, m) in made.moves.iter().enumerate() {
            if levels.next_if_eq(&i).is_some() {
                clock.stop();
            }
            clock.run(&m.placed(&step.placing, setup.safe_z));
        }
        let each = clock.take_each();
        bounds.add(setup, step, &made.moves, &each);
        timed(each.into_iter().sum())
    }
}

/// What a machine with two heights makes of moves: whatever is at feed is down at the step's floor, everything else is up, and in between it
/// goes straight up and down.
fn up_and_down(moves: &[Move]) -> Vec<Move> {
    let floor = grainway_pipeline::motion::lowest(moves);
    let mut made = Vec::with_capacity(moves.len());
    let mut at: Option<Point> = None;
    let mut down = false;
    for m in moves {
        let from = at.unwrap_or_default();
        let to = m.end(from.at_z(floor)).xy();
        let cuts = !matches!(m, Move::Rapid { .. } | Move::Hole { .. });
        if let Some(at) = at.filter(|_| cuts != down) {
            made.push(Move::rapid(at.at_z(if cuts { floor } else { SAFE_Z })));
        }
        let moved = at.is_none_or(|at| at.distance(to) > SAME_PLACE_MM);
        match *m {
            Move::Rapid { .. } if moved => made.push(Move::rapid(to.at_z(SAFE_Z))),
            Move::Line { feed, .. } if moved => made.push(Move::line(to.at_z(floor), feed)),
            Move::Arc {
                centre,
                sweep,
                feed,
                ..
            } => made.push(Move::Arc {
                centre,
                sweep,
                dz: 0.0,
                feed,
            }),
            Move::Hole { .. } => made.push(*m),
            Move::Rapid { .. } | Move::Line { .. } => {}
        }
        (at, down) = (Some(to), cuts);
    }
    made
}

/// The row of a step, the `number`th of its setup.
fn cut_row(
    work: &Work,
    setup: &Setup,
    step: &StepView<'_>,
    number: u32,
    timed: &Timed,
    program: Option<&Program>,
) -> CutRow {
    let restarts = program.map_or(&[][..], |p| &p.written.restarts);
    let mut own = restarts.iter().filter(|(n, _)| *n == number);
    let line = match timed.begins {
        true => own.next(),
        // A short cut has no line of its own.
        false => restarts.iter().rfind(|(n, _)| *n < number),
    };
    CutRow {
        number,
        piece: step.placement.map(|p| p.piece.clone()),
        part: step
            .placement
            .and_then(|p| work.variant(&p.variant))
            .map(|v| v.part.clone()),
        feature: step.feature.to_string(),
        operation: step.operation.word().to_string(),
        cutter: step.cutter.to_string(),
        depth: round3(setup.z.depth_of(step.lowest(work))),
        seconds: tenth(timed.seconds.total()),
        program: program.map(|p| p.name.clone()),
        line: line.map(|(_, line)| *line),
        level_lines: own.map(|(_, line)| *line).collect(),
    }
}

/// A share in percent, one decimal; 0 of nothing.
fn percent(part: f64, whole: f64) -> f64 {
    if whole > 0.0 {
        (1000.0 * part / whole).round() / 10.0 + 0.0
    } else {
        0.0
    }
}

fn pieces_area(work: &Work, setup: &Setup) -> f64 {
    setup
        .placements
        .iter()
        .filter_map(|p| work.variant(&p.variant))
        .map(|v| v.outline.area().abs())
        .sum()
}

/// The words for a cutter, in the unit of the sheet.
fn label(work: &Work, id: &str) -> String {
    match work.documents.cutter(id) {
        Some(c) => Show::of(work).text(&c.label()),
        None => id.to_string(),
    }
}

fn note_cutter(
    work: &Work,
    setup: &Setup,
    cutters: &mut Vec<CutterRow>,
    step: &StepView<'_>,
    deepest: f64,
    room: f64,
    seconds: Seconds,
) {
    // Texts say whole millimetres a minute, or coarser.
    let [feed, plunge] = grainway_pipeline::motion::feeds(&work.moves(step.moves)).map(f64::round);
    let at = match cutters.iter().position(|c| c.id == step.cutter) {
        Some(at) => at,
        None => {
            let cutter = work.documents.cutter(step.cutter);
            cutters.push(CutterRow {
                id: step.cutter.to_string(),
                number: cutter.map_or(0, |c| c.number),
                label: label(work, step.cutter),
                diameter: cutter.map_or(0.0, |c| c.diameter.mm()),
                deepest: 0.0,
                stick_out: 0.0,
                usable: cutter.map_or(0.0, |c| c.usable_mm()),
                rpm: [step.rpm; 2],
                feed: [feed; 2],
                plunge: [plunge; 2],
                reasons: Vec::new(),
                seconds: Seconds::default(),
            });
            cutters.len() - 1
        }
    };
    let row = &mut cutters[at];
    row.deepest = row.deepest.max(deepest);
    row.stick_out = row.stick_out.max(deepest + room);
    widen(&mut row.rpm, step.rpm);
    widen(&mut row.feed, feed);
    widen(&mut row.plunge, plunge);
    row.seconds += seconds;
    if step.placement.is_none() {
        return;
    }
    let documents = &work.documents;
    let reason = feeds::reason(documents, &setup.stock, step.cutter, step.operation, feed);
    let reason = reason.map(|r| Show::of(work).text(&r));
    if let Some(reason) = reason.filter(|r| !row.reasons.contains(r)) {
        row.reasons.push(reason);
    }
}

fn program_rows(
    work: &Work,
    verdict: super::JobVerdict,
    seconds_of: &BTreeMap<&str, f64>,
) -> Vec<ProgramRow> {
    let row = |p: &Program| {
        let seconds = seconds_of.get(p.name.as_str()).copied().unwrap_or(0.0);
        program_row(p, verdict, seconds)
    };
    work.programs.iter().map(row).collect()
}

fn program_row(program: &Program, verdict: super::JobVerdict, seconds: f64) -> ProgramRow {
    let release = release::release(program, verdict);
    ProgramRow {
        number: program.number,
        file: release::file_name(program, release),
        setup: program.setup.clone(),
        release,
        sha256: program.sha256.clone(),
        lines: program.written.lines,
        moves: program.written.moves,
        rounding: program.as_planned.as_ref().map_or(0.0, off),
        cutter: program.cutter.clone(),
        seconds: tenth(seconds),
        restarts: program.written.restarts.clone(),
        as_planned: program.as_planned.as_ref().map(verdict_row),
        safe: program.safe.as_ref().map(verdict_row),
    }
}

/// How far the text lies from its plan at most, mm.
fn off(verdict: &Verdict) -> f64 {
    let mut figures = verdict.figures.iter().filter(|f| f.unit == "mm");
    figures.find(|f| f.limit.is_some()).map_or(0.0, |f| f.value)
}

fn verdict_row(verdict: &Verdict) -> VerdictRow {
    VerdictRow {
        passed: verdict.passed,
        figures: verdict
            .figures
            .iter()
            .map(|f| FigureRow {
                layer: f.layer.clone(),
                what: f.what.clone(),
                value: f.value.is_finite().then_some(f.value),
                unit: f.unit.clone(),
                limit: f.limit.filter(|l| l.is_finite()),
                exact: f.exact,
            })
            .collect(),
    }
}

/// The setup lays wood that no other setup laid before. A piece that lies turned was counted with the board that it came from, or as a
/// blank with the first of its sides up.
pub(super) fn brings_wood(work: &Work, setup: &Setup) -> bool {
    let other_side = setup.side != Side::Face
        && setup.placements.iter().all(|p| {
            let part = work.variant(&p.variant).map(|v| v.part.as_str());
            let own = |v: &&Variant| Some(v.part.as_str()) == part;
            work.variants
                .iter()
                .filter(own)
                .any(|v| v.side < setup.side)
        });
    setup.kind != SetupKind::Lines && !other_side
}

fn wood_rows(work: &Work, setups: &[SetupRow]) -> Vec<WoodRow> {
    let mut rows: BTreeMap<&str, WoodRow> = BTreeMap::new();
    // What stands on an edge or an end takes the wood of the part as it is described.
    let standing = |s: &Setup| {
        let placed = s.placements.first().filter(|_| !s.side.is_flat())?;
        let part = work.part(&work.variant(&placed.variant)?.part)?;
        let thickness = work.documents.stock(&part.stock)?.readings_mm().1;
        Some((part.outline.bounds().max, thickness, part.outline.area()))
    };
    let rows_of = work.setups.iter().zip(setups);
    for (setup, row) in rows_of.filter(|(s, _)| brings_wood(work, s)) {
        let entry = rows.entry(&setup.stock).or_insert_with(|| WoodRow {
            stock: setup.stock.clone(),
            wood: row.wood.clone(),
            boards: 0,
            area: 0.0,
            litres: 0.0,
            parts_area: 0.0,
            yield_percent: 0.0,
        });
        let times = f64::from(setup.repeats.max(1));
        let flat = || (setup.size, setup.z.mean, pieces_area(work, setup));
        let (size, thickness, parts_area) = standing(setup).unwrap_or_else(flat);
        let area = size.x * size.y / 1e6;
        entry.boards += setup.repeats.max(1);
        entry.area += times * area;
        entry.litres += times * area * thickness;
        entry.parts_area += times * parts_area / 1e6;
    }
    let mut rows: Vec<WoodRow> = rows.into_values().collect();
    for r in &mut rows {
        r.yield_percent = percent(r.parts_area, r.area);
        r.area = round3(r.area);
        r.litres = round3(r.litres);
        r.parts_area = round3(r.parts_area);
    }
    rows
}
