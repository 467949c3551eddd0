//! Layer 5: what is asked of the cutter: cutting length, shank and nut, depth and width of each cut against a full slot one pass
//! deep, plunging, chip load, the feed at the wall inside arcs.
//!
//! Depth and width are sampled across the path at places along it, against what earlier moves left; the figures are estimates and
//! say so.

use super::Scene;
use super::curves::around;
use super::figures::{Said, mm};
use super::motions::{Motion, Tool};
use grainway_geom::{Bounds, Point, Segment};
use grainway_pipeline::doc::CutterKind;
use grainway_pipeline::finding::{CodeInfo, Severity, code};
use rayon::prelude::*;
use std::collections::BTreeMap;

/// Samples across the cutter's width.
const ACROSS: usize = 11;
/// Places along all the cuts of a setup at which the cut is sampled, at most.
const PLACES_MOST: f64 = 30_000.0;
/// Places lie at least this far from each other, mm.
const PLACE_STEP_MM: f64 = 2.0;
/// A cut this many times a full slot of one pass is more than rough handling.
const REFUSE_TIMES: f64 = 2.6;
/// A text's third decimal makes a pass deeper by less than this share: a pass as deep as the plan may make it is not told.
const ROUNDED_SHARE: f64 = 0.001;
/// A slope steeper than this (rise over run) is a plunge.
const PLUNGE_SLOPE: f64 = 1.0;

pub(super) fn check(scene: &Scene<'_>) -> Said {
    let mut said = Said::of("load");
    lengths(scene, &mut said);
    depths(scene, &mut said);
    pecks(scene, scene.setup.z.top(), &mut said);
    chips(scene, &mut said);
    said
}

fn find(
    scene: &Scene<'_>,
    m: &Motion,
    at: Point,
    code: &'static CodeInfo,
    severity: Severity,
    message: String,
    said: &mut Said,
) {
    let mut finding = scene
        .at_line(m.text, m.line, code, message)
        .at(at)
        .severity(severity);
    if let Some((piece, feature)) = scene.piece_at(at) {
        finding = finding.part(piece);
        if let Some(feature) = feature {
            finding = finding.feature(feature);
        }
    }
    said.find(Some(m.text), finding);
}

/// Cutting length, shank and nut.
fn lengths(scene: &Scene<'_>, said: &mut Said) {
    let top = scene.setup.z.highest_top();
    // The deepest move of each cutter says it all.
    let mut deepest: BTreeMap<u16, usize> = BTreeMap::new();
    for (i, m) in scene.recorded.motions.iter().enumerate() {
        let wood = i >= scene.wood_from;
        if wood && m.cuts && m.low() < top && scene.recorded.tool(m).is_some() {
            let slot = deepest.entry(m.tool).or_insert(i);
            if m.low() < scene.recorded.motions[*slot].low() - 1e-9 {
                *slot = i;
            }
        }
    }
    for i in deepest.into_values() {
        let m = &scene.recorded.motions[i];
        let Some(tool) = scene.recorded.tool(m) else {
            continue;
        };
        let underside = scene.setup.z.lowest_underside();
        // Below the wood only the spoilboard is cut; the flutes must span the wood and that.
        let depth = top - m.low();
        let cutting = tool.cutter.cutting_length.mm();
        said.exact(
            format!("greatest depth of {}", tool.id),
            depth,
            "mm",
            cutting,
        );
        // The point of a drill and the bit that goes into the spoilboard need no flutes above the wood's face.
        let in_wood = top - m.low().max(underside);
        if in_wood > cutting + 0.01 && tool.cutter.shank_mm() > 2.0 * tool.radius - 0.1 {
            find(
                scene,
                m,
                m.path.end(),
                &code::VERIFY_LOAD,
                Severity::Error,
                format!(
                    "{} cuts {} mm deep, but its cutting length is {} mm and its shank is no thinner.",
                    tool.id,
                    mm(in_wood),
                    mm(cutting)
                ),
                said,
            );
        }
        let usable = tool.cutter.usable_mm().max(cutting);
        if depth > usable + 0.01
            && around(m.path.end(), scene.settled.nut_radius).touches(scene.board())
        {
            find(
                scene,
                m,
                m.path.end(),
                &code::VERIFY_LOAD,
                Severity::Error,
                format!(
                    "{} goes {} mm below the face, but stands only {} mm out of its nut.",
                    tool.id,
                    mm(depth),
                    mm(usable)
                ),
                said,
            );
        }
    }
    nut_and_holds(scene, top, said);
}

/// The nut against heads and clamps.
fn nut_and_holds(scene: &Scene<'_>, top: f64, said: &mut Said) {
    let nut = scene.settled.nut_radius;
    for hold in &scene.setup.holds {
        if hold.head_above <= 0.0 {
            continue;
        }
        let from = match hold.after_pause {
            None => 0,
            Some(n) => scene.pause(n).map_or(usize::MAX, |p| p.at),
        };
        let mut hit: Option<usize> = None;
        let query = around(hold.at, hold.head_radius + nut);
        scene.motion_boxes.visit(query, usize::MAX, &mut |i| {
            let m = &scene.recorded.motions[i];
            let Some(tool) = scene.recorded.tool(m) else {
                return true;
            };
            let usable = tool.cutter.usable_mm().max(tool.cutter.cutting_length.mm());
            let low = m.low() + usable < top + hold.head_above;
            if i >= from && low && m.path.distance(hold.at) < hold.head_radius + nut {
                hit = Some(i);
            }
            hit.is_none()
        });
        if let Some(i) = hit {
            let m = &scene.recorded.motions[i];
            find(
                scene,
                m,
                hold.at,
                &code::VERIFY_LOAD,
                Severity::Error,
                format!(
                    "the collet nut comes down onto the hold at ({}, {}).",
                    mm(hold.at.x),
                    mm(hold.at.y)
                ),
                said,
            );
        }
    }
}

/// A place at which the cut is sampled.
#[derive(Clone, Copy)]
struct Sampled {
    motion: usize,
    share: f64,
}

/// How much a cut takes at a place.
#[derive(Clone, Copy, Debug, Default)]
struct Taken {
    /// Greatest depth over the cutter's width, mm.
    depth: f64,
    /// Area across, as a share of a full slot one pass deep.
    times: f64,
    /// Width engaged, as a share of the diameter.
    width: f64,
}

/// The places at which the cuts are sampled, evenly along all of them.
fn sampled_places(scene: &Scene<'_>, top: f64) -> Vec<Sampled> {
    let motions = &scene.recorded.motions;
    let cutting = |m: &Motion| m.cuts && m.low() < top && m.tool != super::motions::NO_TOOL;
    let total: f64 = motions
        .iter()
        .filter(|m| cutting(m))
        .map(|m| m.path.length())
        .sum();
    let step = (total / PLACES_MOST).max(PLACE_STEP_MM);
    let mut places = Vec::new();
    let mut carried = step / 2.0;
    for (i, m) in motions.iter().enumerate() {
        if !cutting(m) || i < scene.wood_from {
            continue;
        }
        let length = m.path.length();
        if length <= 1e-9 {
            if m.z[1] < m.z[0] {
                places.push(Sampled {
                    motion: i,
                    share: 1.0,
                });
            }
            continue;
        }
        while carried < length {
            places.push(Sampled {
                motion: i,
                share: carried / length,
            });
            carried += step;
        }
        carried -= length;
    }
    places
}

/// The worst of what each cutter takes, each with the place.
#[derive(Default)]
struct Takes {
    /// Against a full slot, sideways.
    sideways: BTreeMap<u16, (Taken, Sampled)>,
    /// Straight down with a cutter that does not cut in its centre, mm.
    plunge: BTreeMap<u16, (f64, Sampled)>,
    /// Depth, mm.
    deepest: BTreeMap<u16, f64>,
    /// Depth beyond the cutting length, mm.
    too_long: BTreeMap<u16, (f64, Sampled)>,
}

impl Takes {
    fn add(&mut self, m: &Motion, tool: &Tool, place: Sampled, t: Taken) {
        let deeper = |all: &mut BTreeMap<u16, (f64, Sampled)>| {
            let e = all.entry(m.tool).or_insert((0.0, place));
            if t.depth > e.0 {
                *e = (t.depth, place);
            }
        };
        let d = self.deepest.entry(m.tool).or_default();
        *d = d.max(t.depth);
        if t.depth > tool.cutter.cutting_length.mm() + 0.01 {
            deeper(&mut self.too_long);
        }
        let drill = tool.cutter.kind == CutterKind::Drill;
        let down = m.z[0] - m.z[1];
        if down > 1e-6 && down > PLUNGE_SLOPE * m.path.length() {
            if t.depth > 0.05 && !tool.cutter.centre_cutting && !drill {
                deeper(&mut self.plunge);
            }
        } else if !drill {
            let e = self.sideways.entry(m.tool);
            let e = e.or_insert((Taken::default(), place));
            if t.times > e.0.times {
                *e = (t, place);
            }
        }
    }
}

fn depths(scene: &Scene<'_>, said: &mut Said) {
    let top = scene.setup.z.top();
    let places = sampled_places(scene, top);
    let earlier = Earlier::of(scene, top);
    let taken: Vec<Taken> = places
        .par_iter()
        .map(|p| sample(scene, &earlier, *p, top))
        .collect();
    let mut takes = Takes::default();
    for (p, t) in places.iter().zip(&taken) {
        let m = &scene.recorded.motions[p.motion];
        if let Some(tool) = scene.recorded.tool(m) {
            takes.add(m, tool, *p, *t);
        }
    }
    for (tool, (t, place)) in &takes.sideways {
        sideways(scene, *tool, *t, *place, said);
    }
    let mut refuse = |place: Sampled, message: String| {
        let m = &scene.recorded.motions[place.motion];
        let at = m.path.at(place.share);
        find(
            scene,
            m,
            at,
            &code::VERIFY_LOAD,
            Severity::Error,
            message,
            said,
        );
    };
    for (tool, (depth, place)) in &takes.too_long {
        let tool = &scene.recorded.tools[usize::from(*tool)];
        let message = format!(
            "{} takes {} mm in one pass, more than its cutting length of {} mm.",
            tool.id,
            mm(*depth),
            mm(tool.cutter.cutting_length.mm())
        );
        refuse(*place, message);
    }
    for (tool, (depth, place)) in &takes.plunge {
        let message = format!(
            "{} goes straight down {} mm into wood, but does not cut in its centre.",
            scene.recorded.tools[usize::from(*tool)].id,
            mm(*depth)
        );
        refuse(*place, message);
    }
    for (tool, d) in takes.deepest {
        let id = &scene.recorded.tools[usize::from(tool)].id;
        said.about(format!("greatest depth of one cut of {id}"), d, "mm", None);
    }
}

/// The greatest cut of a cutter sideways, against a full slot of its depth of pass.
fn sideways(scene: &Scene<'_>, tool: u16, t: Taken, place: Sampled, said: &mut Said) {
    let tool = &scene.recorded.tools[usize::from(tool)];
    let pass = pass_depth(tool);
    said.about(
        format!(
            "greatest cut of {} against a full slot of {} mm",
            tool.id,
            mm(pass)
        ),
        t.times,
        "times",
        scene.settled.pass_warn,
    );
    if t.times <= scene.settled.pass_warn * (1.0 + ROUNDED_SHARE) {
        return;
    }
    let m = &scene.recorded.motions[place.motion];
    let severity = if t.times > REFUSE_TIMES {
        Severity::Error
    } else {
        Severity::Warning
    };
    find(
        scene,
        m,
        m.path.at(place.share),
        &code::VERIFY_LOAD,
        severity,
        format!(
            "{} takes {} mm deep over {} % of its width: {} times a full slot of its depth of pass, {} mm.",
            tool.id,
            mm(t.depth),
            mm((t.width * 100.0).round()),
            mm((t.times * 100.0).round() / 100.0),
            mm(pass)
        ),
        said,
    );
}

/// A drill that goes deeper at once than this times its diameter packs its flutes with chips; practice is 1 to 1.5.
const PECK_DIAMETERS: f64 = 1.5;
/// Pilots of screws are narrow and may be rough (common practice, no source).
const PILOT_PECK_DIAMETERS: f64 = 3.0;
/// A pilot lies within this of its screw, mm.
const PILOT_MM: f64 = 0.5;
/// Rounding of heights in a text, mm.
const PECK_ROUNDING_MM: f64 = 0.01;

/// A hole that is being drilled.
struct Drilling {
    at: Point,
    /// Height reached before the drill was lifted out last.
    from: f64,
    reached: f64,
    lifted: bool,
}

/// Drills come up out of the wood often enough to clear their chips.
fn pecks(scene: &Scene<'_>, top: f64, said: &mut Said) {
    let mut hole: Option<Drilling> = None;
    let mut worst: BTreeMap<(u16, bool), (f64, usize)> = BTreeMap::new();
    for (i, m) in scene.recorded.motions.iter().enumerate() {
        let drill = |t: &&Tool| t.cutter.kind == CutterKind::Drill;
        if scene.recorded.tool(m).filter(drill).is_none() {
            hole = None;
            continue;
        }
        if !(m.cuts && m.z[1] < m.z[0] && m.z[1] < top) {
            if let Some(h) = &mut hole {
                h.lifted |= m.z[1] >= top;
            }
            continue;
        }
        let at = m.path.end();
        let mut h = match hole.take().filter(|h| h.at.distance(at) < PILOT_MM) {
            Some(h) => h,
            None => Drilling {
                at,
                from: top,
                reached: top,
                lifted: false,
            },
        };
        if std::mem::take(&mut h.lifted) {
            h.from = h.reached;
        }
        h.reached = h.reached.min(m.z[1]);
        let pilot = scene
            .setup
            .holds
            .iter()
            .any(|s| s.at.distance(at) < PILOT_MM);
        let e = worst.entry((m.tool, pilot)).or_insert((0.0, i));
        if h.from - h.reached > e.0 {
            *e = (h.from - h.reached, i);
        }
        hole = Some(h);
    }
    for ((tool, pilot), (deep, i)) in worst {
        let tool = &scene.recorded.tools[usize::from(tool)];
        let (times, what) = match pilot {
            true => (PILOT_PECK_DIAMETERS, "pilots"),
            false => (PECK_DIAMETERS, "holes"),
        };
        let limit = times * 2.0 * tool.radius;
        said.exact(
            format!("greatest depth that {} drills at once in {what}", tool.id),
            deep,
            "mm",
            limit,
        );
        if deep > limit + PECK_ROUNDING_MM {
            let m = &scene.recorded.motions[i];
            find(
                scene,
                m,
                m.path.end(),
                &code::VERIFY_LOAD,
                Severity::Error,
                format!(
                    "{} drills {} mm without coming out of the wood; its chips need that every {} mm.",
                    tool.id,
                    mm(deep),
                    mm(limit)
                ),
                said,
            );
        }
    }
}

fn pass_depth(tool: &Tool) -> f64 {
    tool.cutter.pass_depth_mm().max(1e-3)
}

/// The area across its way of a full slot of this cutter, one pass deep, mm².
fn full_section(tool: &Tool) -> f64 {
    match tool.cutter.kind {
        CutterKind::VCutter | CutterKind::BallNose => tool.cutter.section_mm2(pass_depth(tool)),
        CutterKind::EndMill | CutterKind::Drill => 2.0 * tool.radius * pass_depth(tool),
    }
}

/// The motions that take wood, in order, each with the box of what its cutter sweeps and its lowest height; eight of them together
/// above, and so on.
struct Earlier {
    motions: Vec<usize>,
    levels: Vec<Vec<(Bounds, f64)>>,
}

/// So many boxes lie in one above them.
const FAN: usize = 8;

impl Earlier {
    fn of(scene: &Scene<'_>, top: f64) -> Earlier {
        let all = scene.recorded.motions.iter().enumerate();
        let takes = |m: &Motion| m.cuts && m.low() < top;
        let reach = |(i, m): (usize, &Motion)| {
            let tool = scene.recorded.tool(m).filter(|_| takes(m))?;
            Some((i, (m.bounds().grown(tool.radius + 1e-6), m.low())))
        };
        let (motions, leaves): (Vec<_>, Vec<_>) = all.filter_map(reach).unzip();
        let mut levels = vec![leaves];
        while levels[levels.len() - 1].len() > FAN {
            let join = |c: &[(Bounds, f64)]| {
                let none = (Bounds::EMPTY, f64::INFINITY);
                let both =
                    |(b, low): (Bounds, f64), (c, l): &(Bounds, f64)| (b.union(*c), low.min(*l));
                c.iter().fold(none, both)
            };
            let above = levels[levels.len() - 1].chunks(FAN).map(join).collect();
            levels.push(above);
        }
        Earlier { motions, levels }
    }
    /// From the last motion before `end` backwards those that reach into `query` below `high`; `see` lowers `high` to below which the next
    /// ones matter.
    fn back(
        &self,
        query: Bounds,
        end: usize,
        high: &mut f64,
        see: &mut impl FnMut(usize, &mut f64),
    ) {
        let top = self.levels.len() - 1;
        for i in (0..self.levels[top].len()).rev() {
            self.walk((top, i), query, end, high, see);
        }
    }
    fn walk(
        &self,
        (level, i): (usize, usize),
        query: Bounds,
        end: usize,
        high: &mut f64,
        see: &mut impl FnMut(usize, &mut f64),
    ) {
        let (bounds, low) = self.levels[level][i];
        if i * FAN.pow(level as u32) >= end || low >= *high || !bounds.touches(query) {
            return;
        }
        if level == 0 {
            return see(self.motions[i], high);
        }
        let below = self.levels[level - 1].len();
        for j in (i * FAN..((i + 1) * FAN).min(below)).rev() {
            self.walk((level - 1, j), query, end, high, see);
        }
    }
}

fn sample(scene: &Scene<'_>, earlier: &Earlier, place: Sampled, top: f64) -> Taken {
    let m = &scene.recorded.motions[place.motion];
    let Some(tool) = scene.recorded.tool(m) else {
        return Taken::default();
    };
    let at = m.path.at(place.share);
    let z = m.z[0] + (m.z[1] - m.z[0]) * place.share;
    let across = m
        .path
        .direction(place.share)
        .map_or(Point { x: 1.0, y: 0.0 }, Point::left);
    let board = scene.board();
    let mut points = Vec::with_capacity(ACROSS);
    for i in 0..ACROSS {
        let off = ((i as f64 + 0.5) / ACROSS as f64 * 2.0 - 1.0) * tool.radius;
        let p = at + across * off;
        if board.contains(p) {
            points.push((p, z + tool.cutter.lift_mm(off), top));
        }
    }
    // Earlier moves, latest first: only what is lower than all that still stands at one of the places can take more.
    let end = earlier.motions.partition_point(|i| *i < place.motion);
    let mut high = top;
    let query = around(at, tool.radius);
    earlier.back(query, end, &mut high, &mut |j, high| {
        let e = &scene.recorded.motions[j];
        let Some(t) = scene.recorded.tool(e) else {
            return;
        };
        // Too far for every one of the places.
        if e.path.distance(at) > tool.radius + t.radius + 1e-6 {
            return;
        }
        *high = f64::NEG_INFINITY;
        for (p, edge, surface) in &mut points {
            if *surface > *edge + 1e-6 && e.low() < *surface {
                let (q, share) = e.path.nearest(*p);
                let off = q.distance(*p);
                if off <= t.radius {
                    // On a slope the nearest place is not the lowest; for an estimate it is near enough.
                    let tip = e.z[0] + (e.z[1] - e.z[0]) * share;
                    *surface = surface.min(tip + t.cutter.lift_mm(off));
                }
            }
            if *surface > *edge + 1e-6 {
                *high = high.max(*surface);
            }
        }
    });
    let mut taken = Taken::default();
    let mut area = 0.0;
    for (_, edge, surface) in points {
        let depth = (surface - edge).max(0.0);
        // Below the underside there is spoilboard, which is softer and counts as well.
        if depth > 1e-6 {
            taken.depth = taken.depth.max(depth);
            taken.width += 1.0 / ACROSS as f64;
            area += depth * 2.0 * tool.radius / ACROSS as f64;
        }
    }
    taken.times = area / full_section(tool);
    taken
}

/// For a cutter: the length that each chip load runs over (in 0.0001 mm), with a motion that has it.
type ByChip = BTreeMap<i64, (f64, usize)>;

/// Chip load of each cutter: floor and ceiling, and at the wall inside arcs.
fn chips(scene: &Scene<'_>, said: &mut Said) {
    let top = scene.setup.z.highest_top();
    // For each cutter: the chip loads of its level cuts, and the greatest at a wall.
    let mut lengths: BTreeMap<u16, ByChip> = BTreeMap::new();
    let mut walls: BTreeMap<u16, (f64, usize)> = BTreeMap::new();
    for (i, m) in scene.recorded.motions.iter().enumerate() {
        let Some(tool) = scene.recorded.tool(m) else {
            continue;
        };
        let sloped = (m.z[0] - m.z[1]).abs() > 1e-6;
        if !m.cuts || m.rpm <= 0.0 || m.low() >= top || tool.cutter.kind == CutterKind::Drill {
            continue;
        }
        let chip = m.feed / (m.rpm * f64::from(tool.cutter.edges.max(1)));
        // Inside an arc the cutter cuts at the wall, where it is faster than its centre.
        let at_wall = match m.path {
            Segment::Arc { radius, .. } if radius > 1e-6 => chip * (radius + tool.radius) / radius,
            _ => chip,
        };
        if !sloped && m.sideways() {
            let entry = lengths
                .entry(m.tool)
                .or_default()
                .entry((at_wall * 1e4).round() as i64)
                .or_insert((0.0, i));
            entry.0 += m.path.length();
        }
        let e = walls.entry(m.tool).or_insert((0.0, i));
        if at_wall > e.0 {
            *e = (at_wall, i);
        }
    }
    for (tool, by_chip) in lengths {
        chip_floor(scene, tool, &by_chip, said);
    }
    for (tool, (chip, i)) in walls {
        chip_ceiling(scene, tool, chip, &scene.recorded.motions[i], said);
    }
}

/// The chip load that a cutter runs at for the longest way.
fn chip_floor(scene: &Scene<'_>, tool: u16, by_chip: &ByChip, said: &mut Said) {
    let floor = scene.settled.chip_floor;
    let id = &scene.recorded.tools[usize::from(tool)].id;
    let Some((chip, (_, i))) = by_chip
        .iter()
        .max_by(|a, b| a.1.0.total_cmp(&b.1.0).then(b.0.cmp(a.0)))
    else {
        return;
    };
    let chip = *chip as f64 / 1e4;
    said.exact(
        format!("chip load of {id} in most of its cuts"),
        chip,
        "mm",
        floor,
    );
    if chip < floor - 1e-9 {
        let m = &scene.recorded.motions[*i];
        find(
            scene,
            m,
            m.path.start(),
            &code::VERIFY_CHIP_LOAD,
            Severity::Warning,
            format!(
                "{id} runs at {} mm a tooth in most of its cuts; below {} mm it rubs and burns.",
                mm(chip),
                mm(floor)
            ),
            said,
        );
    }
}

/// The greatest chip load of a cutter at a wall, and the motion that has it.
fn chip_ceiling(scene: &Scene<'_>, tool: u16, chip: f64, m: &Motion, said: &mut Said) {
    let ceiling = scene.settled.chip_ceiling;
    let id = &scene.recorded.tools[usize::from(tool)].id;
    said.exact(
        format!("greatest chip load of {id} at a wall"),
        chip,
        "mm",
        ceiling,
    );
    if chip > ceiling {
        find(
            scene,
            m,
            m.path.start(),
            &code::VERIFY_CHIP_LOAD,
            Severity::Warning,
            format!(
                "{id} takes {} mm a tooth at the wall here; above {} mm it tears.",
                mm(chip),
                mm(ceiling)
            ),
            said,
        );
    }
}
