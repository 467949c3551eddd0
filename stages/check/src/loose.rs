//! Layer 6: when each piece, slug and sliver comes free, and whether something holds it then.
//!
//! The board is a grid of cells; each cell knows the first move that cut it through (or so thin that it no longer holds). Going
//! backwards through the moves, cells come back and join: where two regions of wood join, that move is the one that parted them. A
//! region that holds no screw, clamp or stop at that time is loose. Necks of tabs, which a grid measures badly, are measured along
//! the edge of each piece by the swept discs themselves.

use super::curves::around;
use super::figures::{Said, at_line, mm};
use super::motions::Motion;
use super::{Piece, Scene, layer};
use grainway_geom::{Bounds, Contour, Point, Segment, point};
use grainway_pipeline::doc::FeatureKind;
use grainway_pipeline::finding::{Finding, code};
use grainway_pipeline::work::{HoldKind, SetupKind};
use std::collections::BTreeMap;

/// Cells of the grid at most; larger boards get larger cells.
const CELLS_MOST: f64 = 1_500_000.0;
/// Cells are not made smaller than this, mm.
const CELL_LEAST_MM: f64 = 0.5;
/// Along an edge, tabs are looked for in steps of this, mm.
const STEP_MM: f64 = 0.5;
/// All tabs within less than this much of the way round (degrees of gap) make a hinge.
const HINGE_GAP_DEGREES: f64 = 240.0;

pub(super) fn check(scene: &Scene<'_>) -> Said {
    let mut said = Said::default();
    let level = through_level(scene);
    let through: Vec<usize> = scene
        .recorded
        .motions
        .iter()
        .enumerate()
        .filter(|(i, m)| *i >= scene.wood_from && m.cuts && m.low() < level)
        .map(|(i, _)| i)
        .collect();
    if scene.setup.kind == SetupKind::Board && scene.setup.holds.is_empty() {
        said.find(
            None,
            Finding::new(
                &code::VERIFY_LOOSE,
                "nothing holds the board before the first cut.",
            )
            .setup(&scene.setup.id),
        );
    }
    if through.is_empty() {
        return said;
    }
    grid_check(scene, level, &through, &mut said);
    if scene.setup.skin <= 0.0 {
        for piece in &scene.pieces {
            if !piece.model.dimensioned {
                tabs_hold(scene, piece, level, &mut said);
            }
        }
    }
    let tab_level = scene.setup.z.highest_underside() + scene.settled.tab_height - 1e-3;
    slugs(scene, tab_level, &mut said);
    said
}

/// Wood lower than this above the underside does not hold: less than a tab's height in the thinnest wood, or, where a skin holds,
/// less than a skin's.
fn through_level(scene: &Scene<'_>) -> f64 {
    let z = &scene.setup.z;
    let least = if scene.setup.skin > 0.0 {
        scene.settled.skin.min(scene.setup.skin)
    } else {
        scene.settled.tab_height
    };
    z.highest_underside() + least - 1e-3
}

struct Grid {
    min: Point,
    cell: f64,
    nx: usize,
    ny: usize,
    /// Index of the first through motion, or `NEVER`.
    cut: Vec<u32>,
}

const NEVER: u32 = u32::MAX;

impl Grid {
    fn new(scene: &Scene<'_>) -> Grid {
        let b = scene.board();
        let area = (b.width() * b.height()).max(1.0);
        let cell = (area / CELLS_MOST).sqrt().max(CELL_LEAST_MM);
        let nx = ((b.width() / cell).ceil() as usize).max(1);
        let ny = ((b.height() / cell).ceil() as usize).max(1);
        Grid {
            min: b.min,
            cell,
            nx,
            ny,
            cut: vec![NEVER; nx * ny],
        }
    }
    fn centre(&self, i: usize) -> Point {
        let (x, y) = ((i % self.nx) as f64, (i / self.nx) as f64);
        self.min + point((x + 0.5) * self.cell, (y + 0.5) * self.cell)
    }
    fn at(&self, p: Point) -> Option<usize> {
        let x = (p.x - self.min.x) / self.cell;
        let y = (p.y - self.min.y) / self.cell;
        if x < 0.0 || y < 0.0 {
            return None;
        }
        let (x, y) = (x as usize, y as usize);
        (x < self.nx && y < self.ny).then(|| y * self.nx + x)
    }
    /// Marks the cells whose middle the disc sweeps.
    fn sweep(&mut self, path: &Segment, radius: f64, motion: u32) {
        let b = path.bounds().grown(radius);
        let row = |y: f64| (y - self.min.y) / self.cell - 0.5;
        let from = row(b.min.y).ceil().max(0.0) as usize;
        let to = row(b.max.y).floor();
        if to < 0.0 {
            return;
        }
        let to = (to as usize).min(self.ny - 1);
        for y in from..=to {
            let yc = self.min.y + (y as f64 + 0.5) * self.cell;
            // Where the row can be touched at all: a line's span in this row is found from the path's box in x.
            let (x0, x1) = row_span(path, radius, yc, b);
            let column = |x: f64| (x - self.min.x) / self.cell - 0.5;
            let from = column(x0).ceil().max(0.0) as usize;
            let to = column(x1).floor();
            if to < 0.0 {
                continue;
            }
            let to = (to as usize).min(self.nx - 1);
            for x in from..=to {
                let i = y * self.nx + x;
                if self.cut[i] == NEVER && path.distance(self.centre(i)) <= radius {
                    self.cut[i] = motion;
                }
            }
        }
    }
}

/// Bounds in x of what a capsule can cover in the row at `y`.
fn row_span(path: &Segment, radius: f64, y: f64, b: Bounds) -> (f64, f64) {
    match *path {
        Segment::Line { a, b: e } => {
            // The stretch of the line within `radius` of the row, then grown by the radius.
            let d = e - a;
            if d.y.abs() < 1e-9 {
                return (b.min.x, b.max.x);
            }
            let t0 = ((y - radius - a.y) / d.y).clamp(0.0, 1.0);
            let t1 = ((y + radius - a.y) / d.y).clamp(0.0, 1.0);
            let (xa, xb) = (a.x + d.x * t0, a.x + d.x * t1);
            (xa.min(xb) - radius, xa.max(xb) + radius)
        }
        Segment::Arc { .. } => (b.min.x, b.max.x),
    }
}

/// Regions of wood that join backwards in time.
struct Joining {
    parent: Vec<u32>,
    size: Vec<u32>,
    /// Latest pause-independent time before which no hold is in it: the motion from which a hold holds, or `NEVER`.
    held_from: Vec<u32>,
    /// The move that cut it away wholly, or `NEVER` when it is there at the end.
    gone: Vec<u32>,
    /// Greatest it ever was, cells.
    cells: Vec<u32>,
}

impl Joining {
    fn find(&mut self, mut i: u32) -> u32 {
        while self.parent[i as usize] != i {
            let up = self.parent[self.parent[i as usize] as usize];
            self.parent[i as usize] = up;
            i = up;
        }
        i
    }
}

/// A region that was parted from everything held.
struct Freed {
    by: u32,
    cell: usize,
    cells: u32,
    gone: u32,
}

fn grid_check(scene: &Scene<'_>, level: f64, through: &[usize], said: &mut Said) {
    let mut grid = Grid::new(scene);
    for i in through {
        let m = &scene.recorded.motions[*i];
        if let (Some(path), Some(tool)) = (m.path_below(level), scene.recorded.tool(m)) {
            let radius = if tool.is_flat() {
                tool.radius
            } else {
                tool.radius_at(level - m.low())
            };
            grid.sweep(&path, radius, *i as u32);
        }
    }
    let freed = freed(scene, &grid);
    let mut worst = 0.0_f64;
    let mut seen: BTreeMap<(String, String), ()> = BTreeMap::new();
    for f in &freed {
        let area = f64::from(f.cells) * grid.cell * grid.cell;
        if area < scene.settled.loose_area {
            continue;
        }
        worst = worst.max(area);
        let m = &scene.recorded.motions[f.by as usize];
        let at = grid.centre(f.cell);
        let (name, part, feature) = describe(scene, at);
        if seen
            .insert((name.clone(), feature.clone().unwrap_or_default()), ())
            .is_some()
            && freed.len() > 50
        {
            continue;
        }
        let later = if f.gone == NEVER {
            ""
        } else {
            " before it is cut away"
        };
        let mut finding = at_line(
            scene.recorded,
            &scene.setup.id,
            m.text,
            m.line,
            &code::VERIFY_LOOSE,
            format!(
                "{name} ({} mm2) comes free at this cut{later}, and nothing holds it.",
                mm(area.round())
            ),
        )
        .at(at);
        if let Some(part) = part {
            finding = finding.part(part);
        }
        if let Some(feature) = feature {
            finding = finding.feature(feature);
        }
        said.find(Some(m.text), finding);
    }
    said.figure(
        layer::LOOSE,
        "largest bit of wood that comes free unheld",
        worst,
        "mm2",
        Some(scene.settled.loose_area),
        false,
    );
}

/// What lies at a place: a piece, the waste of a feature, or other waste.
fn describe(scene: &Scene<'_>, at: Point) -> (String, Option<String>, Option<String>) {
    match scene.piece_at(at) {
        Some((piece, None)) => (format!("the piece {piece}"), Some(piece.to_string()), None),
        Some((piece, Some(feature))) => (
            format!("the waste of {feature}"),
            Some(piece.to_string()),
            Some(feature.to_string()),
        ),
        None => {
            // Waste between pieces belongs to none; the nearest piece tells where it is.
            let near = scene
                .pieces
                .iter()
                .map(|p| {
                    let b = p.bounds;
                    let d = (at.x - at.x.clamp(b.min.x, b.max.x))
                        .hypot(at.y - at.y.clamp(b.min.y, b.max.y));
                    (d, p.name)
                })
                .min_by(|a, b| a.0.total_cmp(&b.0));
            (
                "a bit of waste".to_string(),
                near.map(|n| n.1.to_string()),
                None,
            )
        }
    }
}

fn freed(scene: &Scene<'_>, grid: &Grid) -> Vec<Freed> {
    let n = grid.cut.len();
    let mut joining = Joining {
        parent: (0..n as u32).collect(),
        size: vec![1; n],
        held_from: vec![NEVER; n],
        gone: grid.cut.clone(),
        cells: vec![1; n],
    };
    holds_into(scene, grid, &mut joining);
    // Cells in order of the time at which they are cut, latest first; those never cut come first of all.
    let (mut order, mut cut): (Vec<u32>, Vec<u32>) =
        (0..n as u32).partition(|i| grid.cut[*i as usize] == NEVER);
    cut.sort_by_key(|i| (std::cmp::Reverse(grid.cut[*i as usize]), *i));
    order.append(&mut cut);
    let mut there = vec![false; n];
    let mut out = Vec::new();
    let mut i = 0;
    while i < n {
        let time = grid.cut[order[i] as usize];
        let mut j = i;
        while j < n && grid.cut[order[j] as usize] == time {
            there[order[j] as usize] = true;
            j += 1;
        }
        for c in &order[i..j] {
            let c = *c as usize;
            let (x, y) = (c % grid.nx, c / grid.nx);
            let mut join = |other: usize| {
                if there[other] {
                    unite(&mut joining, c as u32, other as u32, time, &mut out);
                }
            };
            if x > 0 {
                join(c - 1);
            }
            if x + 1 < grid.nx {
                join(c + 1);
            }
            if y > 0 {
                join(c - grid.nx);
            }
            if y + 1 < grid.ny {
                join(c + grid.nx);
            }
        }
        i = j;
    }
    // Regions that never join anything held: the board as a whole, when nothing holds it. That is said elsewhere.
    out.sort_by_key(|f| (f.by, f.cell));
    out
}

fn unite(joining: &mut Joining, a: u32, b: u32, time: u32, out: &mut Vec<Freed>) {
    let (a, b) = (joining.find(a), joining.find(b));
    if a == b {
        return;
    }
    // Both were there after the move: it parted them. A cell that comes back only now parts nothing.
    let after = |j: &Joining, r: u32| j.gone[r as usize] > time;
    if time != NEVER && after(joining, a) && after(joining, b) {
        for (one, other) in [(a, b), (b, a)] {
            let held = joining.held_from[one as usize] <= time;
            let smaller = (joining.size[one as usize], one) < (joining.size[other as usize], other);
            // When neither is held, the larger stays with what comes before it.
            if !held && (joining.held_from[other as usize] <= time || smaller) {
                out.push(Freed {
                    by: time,
                    cell: one as usize,
                    cells: joining.cells[one as usize],
                    gone: joining.gone[one as usize],
                });
            }
        }
    }
    let (root, leaf) = if joining.size[a as usize] >= joining.size[b as usize] {
        (a, b)
    } else {
        (b, a)
    };
    let (r, l) = (root as usize, leaf as usize);
    joining.parent[l] = root;
    joining.size[r] += joining.size[l];
    joining.cells[r] = joining.size[r];
    joining.held_from[r] = joining.held_from[r].min(joining.held_from[l]);
    joining.gone[r] = joining.gone[r].max(joining.gone[l]);
}

/// Which cells hold something, and from which motion on.
fn holds_into(scene: &Scene<'_>, grid: &Grid, joining: &mut Joining) {
    for hold in &scene.setup.holds {
        let from = match hold.after_pause {
            None => 0,
            Some(n) => scene.pause(n).map_or(NEVER, |p| p.at as u32),
        };
        if from == NEVER {
            continue;
        }
        // A screw holds what its head presses on, around the pilot that was drilled through; clamps and stops hold whatever lies
        // under their foot or against them.
        let reach = match hold.kind {
            HoldKind::Clamp | HoldKind::Stop => hold.head_radius + 2.0,
            _ => hold.head_radius.max(hold.shaft),
        };
        let r = (reach / grid.cell).ceil() as i64;
        for dy in -r..=r {
            for dx in -r..=r {
                let p = hold.at + point(dx as f64 * grid.cell, dy as f64 * grid.cell);
                if p.distance(hold.at) <= reach + 1e-9
                    && let Some(c) = grid.at(p)
                {
                    joining.held_from[c] = joining.held_from[c].min(from);
                }
            }
        }
    }
    if scene.setup.kind == SetupKind::Blank {
        // A blank is held as a whole by its stops and clamps, wherever they stand beside it: where none touches a cell, the
        // cell nearest each of them stands for it.
        let touched = joining.held_from.contains(&0);
        if !touched && !scene.setup.holds.is_empty() {
            for hold in &scene.setup.holds {
                let b = scene.board();
                let p = point(
                    hold.at.x.clamp(b.min.x + 0.1, b.max.x - 0.1),
                    hold.at.y.clamp(b.min.y + 0.1, b.max.y - 0.1),
                );
                if let Some(c) = grid.at(p) {
                    joining.held_from[c] = 0;
                }
            }
        }
    }
}

/// A tab as the text leaves it.
#[derive(Clone, Copy, Debug)]
struct MeasuredTab {
    /// Middle, board's frame.
    at: Point,
    /// Least width between the swept discs, mm.
    neck: f64,
    /// Least height over the underside of the thinnest wood, mm.
    height: f64,
    anchored: bool,
}

/// Tabs of a piece, measured along its outline.
fn measured_tabs(
    scene: &Scene<'_>,
    piece: &Piece<'_>,
    outline: &Contour,
    level: f64,
) -> (Vec<MeasuredTab>, bool) {
    let kerf = kerf_width(scene, piece, level);
    if kerf <= 0.0 {
        return (Vec::new(), false);
    }
    let length = outline.length();
    let n = (length / STEP_MM).ceil().max(8.0) as usize;
    let points: Vec<(Point, Point)> = walk(outline, n);
    let covered = |p: Point| through_at(scene, p, level);
    // Standing anywhere across the kerf's middle: candidates.
    let open: Vec<bool> = points
        .iter()
        .map(|(p, out)| {
            let q = *p + *out * (kerf * 0.5);
            // In an inside corner the middle of one side's kerf lies beside the other side; that says nothing about tabs.
            !covered(piece.placing.point(q)) && outline.distance(q) > kerf * 0.5 - 0.05
        })
        .collect();
    if open.iter().all(|o| *o) {
        return (Vec::new(), false);
    }
    let mut tabs = Vec::new();
    let start = open.iter().position(|o| !*o).unwrap_or(0);
    let mut i = 0;
    while i < n {
        let k = (start + i) % n;
        if !open[k] {
            i += 1;
            continue;
        }
        let mut run = 0;
        while run < n && open[(k + run) % n] {
            run += 1;
        }
        i += run;
        // Least run across the kerf, in finer steps, around the candidate.
        let fine = 8usize;
        let pad = ((kerf * 1.5) / STEP_MM).ceil() as usize + 1;
        let from = k as f64 - pad as f64;
        let count = (run + 2 * pad) * fine;
        let step = length / n as f64 / fine as f64;
        let mut neck = f64::INFINITY;
        for across in [0.1, 0.3, 0.5, 0.7, 0.9] {
            let mut longest = 0usize;
            let mut now = 0usize;
            for j in 0..count {
                let along = (from * fine as f64 + j as f64) * step;
                let along = along.rem_euclid(length);
                let Some((p, d)) = outline.at_length(along) else {
                    continue;
                };
                let q = piece.placing.point(p + -d.left() * (kerf * across));
                if covered(q) {
                    now = 0;
                } else {
                    now += 1;
                    longest = longest.max(now);
                }
            }
            neck = neck.min(longest as f64 * step);
        }
        let middle = (k as f64 + run as f64 / 2.0) * length / n as f64;
        let Some((p, d)) = outline.at_length(middle.rem_euclid(length)) else {
            continue;
        };
        let out = -d.left();
        let at = piece.placing.point(p + out * (kerf * 0.5));
        // Beyond the kerf wood stands as far as a frame must be wide to hold.
        let wide = scene.settled.frame_width;
        let anchored = [0.5, 0.5 * wide, wide].into_iter().all(|beyond| {
            let q = piece.placing.point(p + out * (kerf + beyond));
            scene.board().contains(q) && !covered(q)
        });
        tabs.push(MeasuredTab {
            at,
            neck,
            height: height_at(scene, at) - scene.setup.z.highest_underside(),
            anchored,
        });
    }
    (tabs, true)
}

/// Points along a closed contour at equal steps, with the unit normal outwards.
fn walk(outline: &Contour, n: usize) -> Vec<(Point, Point)> {
    let length = outline.length();
    let step = length / n as f64;
    let mut out = Vec::with_capacity(n);
    let mut before = 0.0;
    let mut k = 0usize;
    for s in outline.segments() {
        let l = s.length();
        while k < n && k as f64 * step < before + l {
            let t = (k as f64 * step - before) / l.max(1e-12);
            if let Some(d) = s.direction(t) {
                out.push((s.at(t), -d.left()));
            } else {
                out.push((s.start(), point(0.0, 0.0)));
            }
            k += 1;
        }
        before += l;
    }
    while out.len() < n {
        out.push(out.last().copied().unwrap_or_default());
    }
    out
}

/// Width of the kerf around a piece: the diameter of the smallest cutter that goes through along its edge.
fn kerf_width(scene: &Scene<'_>, piece: &Piece<'_>, level: f64) -> f64 {
    let mut least = f64::INFINITY;
    scene
        .motion_boxes
        .visit(piece.bounds.grown(0.05), usize::MAX, &mut |i| {
            let m = &scene.recorded.motions[i];
            if m.cuts && m.low() < level && m.sideways() {
                let middle = piece.placing.inverse_point(m.path.at(0.5));
                if !piece.model.outline.contains(middle)
                    && let Some(t) = scene.recorded.tool(m)
                {
                    least = least.min(2.0 * t.radius);
                }
            }
            true
        });
    if least.is_finite() { least } else { 0.0 }
}

/// The text cuts through at `p`.
fn through_at(scene: &Scene<'_>, p: Point, level: f64) -> bool {
    let mut hit = false;
    scene
        .motion_boxes
        .visit(around(p, 1e-6), usize::MAX, &mut |i| {
            let m = &scene.recorded.motions[i];
            if m.cuts
                && m.low() < level
                && let (Some(path), Some(t)) = (m.path_below(level), scene.recorded.tool(m))
            {
                hit = path.distance(p) <= t.radius;
            }
            !hit
        });
    hit
}

/// The height of what stands at `p` at the end.
fn height_at(scene: &Scene<'_>, p: Point) -> f64 {
    let mut height = scene.setup.z.highest_top();
    scene
        .motion_boxes
        .visit(around(p, 1e-6), usize::MAX, &mut |i| {
            let m = &scene.recorded.motions[i];
            if m.cuts
                && m.low() < height
                && let Some(t) = scene.recorded.tool(m)
                && m.path.distance(p) <= t.radius
            {
                height = height.min(lowest_within(m, p, t.radius));
            }
            true
        });
    height
}

/// The lowest height of a motion while its disc covers `p`.
fn lowest_within(m: &Motion, p: Point, radius: f64) -> f64 {
    if (m.z[0] - m.z[1]).abs() < 1e-9 || !m.z[0].is_finite() || !m.z[1].is_finite() {
        return m.low();
    }
    // Conservative on a slope: in steps of the path.
    let n = 16;
    (0..=n)
        .map(|i| f64::from(i) / f64::from(n))
        .filter(|t| m.path.at(*t).distance(p) <= radius)
        .map(|t| m.z[0] + (m.z[1] - m.z[0]) * t)
        .fold(f64::INFINITY, f64::min)
}

/// A piece cut free all round must have tabs of enough height and width, on more than one side.
fn tabs_hold(scene: &Scene<'_>, piece: &Piece<'_>, level: f64, said: &mut Said) {
    let Some(variant) = scene.work.variant(&piece.model.id) else {
        return;
    };
    let (tabs, cut) = measured_tabs(scene, piece, &variant.outline, level);
    if !cut {
        return;
    }
    let s = scene.settled;
    let good: Vec<&MeasuredTab> = tabs
        .iter()
        .filter(|t| t.neck >= s.tab_neck - 0.15 && t.height >= s.tab_height - 0.02 && t.anchored)
        .collect();
    let screws = scene
        .setup
        .holds
        .iter()
        .filter(|h| {
            h.kind != HoldKind::Stop
                && piece
                    .model
                    .outline
                    .contains(piece.placing.inverse_point(h.at))
        })
        .count();
    let neck = tabs.iter().map(|t| t.neck).fold(f64::INFINITY, f64::min);
    let height = tabs.iter().map(|t| t.height).fold(f64::INFINITY, f64::min);
    said.figure(
        layer::LOOSE,
        format!("tabs of {} that hold", piece.name),
        good.len() as f64,
        "tabs",
        Some(2.0),
        false,
    );
    said.figure(
        layer::LOOSE,
        format!("narrowest tab of {}", piece.name),
        neck,
        "mm",
        Some(s.tab_neck),
        false,
    );
    said.figure(
        layer::LOOSE,
        format!("lowest tab of {} in the thinnest wood", piece.name),
        height,
        "mm",
        Some(s.tab_height),
        false,
    );
    // The last through cut beside the piece is where the lack shows.
    let mut last = None;
    scene
        .motion_boxes
        .visit(piece.bounds.grown(0.1), usize::MAX, &mut |i| {
            let m = &scene.recorded.motions[i];
            if m.cuts && m.low() < level {
                last = Some(i);
            }
            true
        });
    let find = |said: &mut Said, at: Option<Point>, message: String| {
        let m = last.map(|i| &scene.recorded.motions[i]);
        let mut finding = at_line(
            scene.recorded,
            &scene.setup.id,
            m.map_or(0, |m| m.text),
            m.map_or(0, |m| m.line),
            &code::VERIFY_LOOSE,
            message,
        )
        .part(piece.name)
        .feature(super::model::OUTLINE);
        if let Some(at) = at {
            finding = finding.at(at);
        }
        said.find(m.map(|m| m.text), finding);
    };
    for t in tabs.iter().filter(|t| !good.iter().any(|g| g.at == t.at)) {
        let why = if !t.anchored {
            "does not end in standing wood".to_string()
        } else if t.height < s.tab_height - 0.02 {
            format!(
                "is {} mm high in the thinnest wood; {} are asked",
                mm(t.height),
                mm(s.tab_height)
            )
        } else {
            format!(
                "is {} mm wide at its neck; {} are asked",
                mm(t.neck),
                mm(s.tab_neck)
            )
        };
        find(said, Some(t.at), format!("a tab of {} {why}.", piece.name));
    }
    if good.len() + screws < 2 {
        find(
            said,
            None,
            format!(
                "{} is cut free all round and held by {} tabs; at least two are needed.",
                piece.name,
                good.len()
            ),
        );
        return;
    }
    if screws >= 1 {
        return;
    }
    let middle = piece.bounds.centre();
    let gap = widest_gap(good.iter().map(|t| t.at), middle);
    said.figure(
        layer::LOOSE,
        format!(
            "widest gap between tabs of {} seen from its middle",
            piece.name
        ),
        gap,
        "degrees",
        Some(HINGE_GAP_DEGREES),
        true,
    );
    if gap > HINGE_GAP_DEGREES {
        find(
            said,
            None,
            format!(
                "all tabs of {} lie on one side (a gap of {} degrees): it would swing as on a hinge.",
                piece.name,
                mm(gap.round())
            ),
        );
    }
}

/// The widest angle, degrees, seen from `middle` in which there is none of the points.
fn widest_gap(points: impl Iterator<Item = Point>, middle: Point) -> f64 {
    let mut angles: Vec<f64> = points.map(|p| (p - middle).angle()).collect();
    angles.sort_by(f64::total_cmp);
    let mut widest = 0.0_f64;
    for (i, a) in angles.iter().enumerate() {
        let next = if i + 1 < angles.len() {
            angles[i + 1]
        } else {
            angles[0] + std::f64::consts::TAU
        };
        widest = widest.max(next - a);
    }
    widest.to_degrees()
}

/// Slugs of cutouts that stay in one bit: held by two screws, or one and a tab, when longer than three times their width.
fn slugs(scene: &Scene<'_>, level: f64, said: &mut Said) {
    for piece in &scene.pieces {
        let Some(variant) = scene.work.variant(&piece.model.id) else {
            continue;
        };
        for f in &variant.features {
            if f.kind != FeatureKind::Cutout {
                continue;
            }
            // What stands inside at the end, by a few places within.
            let b = f.shape.bounds();
            let Some(kerf) = cutout_kerf(scene, piece, &f.shape, level) else {
                continue;
            };
            let (w, h) = (b.width() - 2.0 * kerf, b.height() - 2.0 * kerf);
            if w <= 0.0 || h <= 0.0 {
                continue;
            }
            let region = f.region();
            let mut stands = 0usize;
            for i in 0..7 {
                for j in 0..7 {
                    let p = point(
                        b.min.x + kerf + w * (f64::from(i) + 0.5) / 7.0,
                        b.min.y + kerf + h * (f64::from(j) + 0.5) / 7.0,
                    );
                    let inside = region.contains(p) && f.shape.distance(p) > kerf;
                    stands +=
                        usize::from(inside && !through_at(scene, piece.placing.point(p), level));
                }
            }
            if stands < 3 {
                continue;
            }
            let (long, short) = (w.max(h), w.min(h));
            let screws = scene
                .setup
                .holds
                .iter()
                .filter(|hold| {
                    let p = piece.placing.inverse_point(hold.at);
                    hold.after_pause.is_none_or(|n| scene.pause(n).is_some())
                        && region.contains(p)
                        && f.shape.distance(p) > kerf + hold.shaft
                })
                .count();
            let tabs = slug_tabs(scene, piece, &f.shape, kerf, level);
            let needed = if long > 3.0 * short { 2 } else { 1 };
            let held = screws + tabs.min(2);
            said.figure(
                layer::LOOSE,
                format!("holds of the waste of {} of {}", f.key, piece.name),
                held as f64,
                "screws and tabs",
                Some(f64::from(needed)),
                false,
            );
            let only_tabs = screws == 0 && tabs == 1;
            if held < needed as usize || only_tabs {
                let mut last = None;
                let placed = f.shape.placed(&piece.placing).bounds();
                scene.motion_boxes.visit(placed, usize::MAX, &mut |i| {
                    let m = &scene.recorded.motions[i];
                    if m.cuts && m.low() < level {
                        last = Some(i);
                    }
                    true
                });
                let m = last.map(|i| &scene.recorded.motions[i]);
                said.find(
                    m.map(|m| m.text),
                    at_line(
                        scene.recorded,
                        &scene.setup.id,
                        m.map_or(0, |m| m.text),
                        m.map_or(0, |m| m.line),
                        &code::VERIFY_LOOSE,
                        format!(
                            "the waste of {} of {} ({} x {} mm) is held by {screws} screws and {tabs} tabs; {} are needed.",
                            f.key,
                            piece.name,
                            mm(long),
                            mm(short),
                            if only_tabs {
                                "a screw or two tabs on opposite sides"
                            } else if needed == 2 {
                                "two screws, or one and a tab,"
                            } else {
                                "a screw or tabs"
                            }
                        ),
                    )
                    .part(piece.name)
                    .feature(&f.key)
                    .at(piece.placing.point(b.centre())),
                );
            }
        }
    }
}

/// The diameter of the cutter that goes through along the inside of a cutout.
fn cutout_kerf(scene: &Scene<'_>, piece: &Piece<'_>, shape: &Contour, level: f64) -> Option<f64> {
    let placed = shape.placed(&piece.placing).bounds();
    let mut least = f64::INFINITY;
    scene.motion_boxes.visit(placed, usize::MAX, &mut |i| {
        let m = &scene.recorded.motions[i];
        if m.cuts && m.low() < level && m.sideways() {
            let p = piece.placing.inverse_point(m.path.at(0.5));
            if let Some(t) = scene.recorded.tool(m)
                && shape.contains(p)
                && shape.distance(p) < t.radius + 1.0
            {
                least = least.min(2.0 * t.radius);
            }
        }
        true
    });
    least.is_finite().then_some(least)
}

/// Tabs between a slug and its part: bridges across the kerf of enough height and neck.
fn slug_tabs(
    scene: &Scene<'_>,
    piece: &Piece<'_>,
    shape: &Contour,
    kerf: f64,
    level: f64,
) -> usize {
    let n = (shape.length() / STEP_MM).ceil().max(8.0) as usize;
    let step = shape.length() / n as f64;
    let clockwise = shape.area() < 0.0;
    let open: Vec<bool> = walk(shape, n)
        .into_iter()
        .map(|(p, out)| {
            let inwards = if clockwise { out } else { -out };
            let q = p + inwards * (kerf * 0.5);
            !through_at(scene, piece.placing.point(q), level)
                && shape.distance(q) > kerf * 0.5 - 0.05
        })
        .collect();
    let Some(start) = open.iter().position(|o| !*o) else {
        return 0;
    };
    let (mut tabs, mut run) = (0, 0usize);
    for i in 0..=n {
        if i < n && open[(start + i) % n] {
            run += 1;
        } else {
            tabs += usize::from(run as f64 * step >= scene.settled.tab_neck - 0.5);
            run = 0;
        }
    }
    tabs
}
