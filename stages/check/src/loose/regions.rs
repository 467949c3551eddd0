//! What comes free while nothing holds it.
//!
//! The board is a grid of cells; each cell knows the first move that cut it through (or so thin that it no longer holds). Going
//! backwards through the moves, cells come back and join, whole [`Runs`] of them at once: where two regions of wood join, that move is
//! the one that parted them. A region that holds no screw, clamp or stop at that time is loose.

use super::runs::Runs;
use crate::Scene;
use crate::figures::{Said, mm};
use grainway_geom::{Bounds, Point, Segment, point};
use grainway_pipeline::finding::code;
use grainway_pipeline::work::{Hold, HoldKind, SetupKind};
use std::collections::BTreeMap;

/// Cells of the grid at most; larger boards get larger cells.
const CELLS_MOST: f64 = 1_500_000.0;
/// Cells are not made smaller than this, mm.
const CELL_LEAST_MM: f64 = 0.5;

/// The board in cells.
pub(super) struct Grid {
    min: Point,
    pub(super) cell: f64,
    nx: usize,
    ny: usize,
    /// Index of the first through motion, or `NEVER`.
    pub(super) cut: Vec<u32>,
}

/// Not at any motion.
pub(super) const NEVER: u32 = u32::MAX;

impl Grid {
    /// The board, cut through by these motions, each below its level.
    pub(super) fn new(scene: &Scene<'_>, through: &[(usize, f64)]) -> Grid {
        let mut grid = Grid::uncut(scene);
        for (i, level) in through {
            let (i, level) = (i, *level);
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
        grid
    }
    /// Its cells in runs that one motion cut, or none.
    pub(super) fn runs(&self) -> Runs {
        Runs::new(&self.cut, self.nx)
    }
    /// Its cells in runs of those that are `open`, and those that are not.
    pub(super) fn runs_of(&self, open: &[bool]) -> Runs {
        Runs::new(open, self.nx)
    }
    fn uncut(scene: &Scene<'_>) -> Grid {
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
    fn at_edge(&self, i: usize) -> bool {
        let (x, y) = (i % self.nx, i / self.nx);
        x == 0 || y == 0 || x + 1 == self.nx || y + 1 == self.ny
    }
    fn centre(&self, i: usize) -> Point {
        let (x, y) = ((i % self.nx) as f64, (i / self.nx) as f64);
        self.min + point((x + 0.5) * self.cell, (y + 0.5) * self.cell)
    }
    pub(super) fn at(&self, p: Point) -> Option<usize> {
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
    /// In it; while regions are searched, a run of it.
    cell: usize,
    cells: u32,
    gone: u32,
}

/// Finds what comes free with nothing holding it.
pub(super) fn check(scene: &Scene<'_>, grid: &Grid, said: &mut Said) {
    let freed = freed(scene, grid);
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
        let mut finding = scene
            .at_line(
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
    said.about(
        "largest bit of wood that comes free unheld",
        worst,
        "mm2",
        scene.settled.loose_area,
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
    let runs = grid.runs();
    let n = runs.count();
    let cut = |run: u32| grid.cut[runs.cells(run as usize).start];
    let sizes: Vec<u32> = (0..n).map(|r| runs.cells(r).len() as u32).collect();
    let mut joining = Joining {
        parent: (0..n as u32).collect(),
        size: sizes.clone(),
        held_from: vec![NEVER; n],
        gone: (0..n as u32).map(cut).collect(),
        cells: sizes,
    };
    for (cell, from) in hold_cells(scene, grid) {
        let run = runs.of(cell);
        joining.held_from[run] = joining.held_from[run].min(from);
    }
    // Runs in order of the time at which they are cut, latest first; those never cut come first of all.
    let mut order: Vec<u32> = (0..n as u32).collect();
    order.sort_by_key(|r| (std::cmp::Reverse(cut(*r)), *r));
    let mut there = vec![false; n];
    let mut out = Vec::new();
    for together in order.chunk_by(|a, b| cut(*a) == cut(*b)) {
        for run in together {
            there[*run as usize] = true;
        }
        for run in together {
            runs.beside(*run as usize, |other| {
                if there[other] {
                    unite(&mut joining, *run, other as u32, cut(*run), &mut out);
                }
            });
        }
    }
    for freed in &mut out {
        let cells = runs.cells(freed.cell);
        freed.cell = cells.start + cells.len() / 2;
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

/// The motion from which a hold holds, or [`NEVER`].
pub(super) fn from(scene: &Scene<'_>, hold: &Hold) -> u32 {
    match hold.after_pause {
        None => 0,
        Some(n) => scene.pause(n).map_or(NEVER, |p| p.at as u32),
    }
}

/// A screw holds what its head presses on, around the pilot that was drilled through; clamps and stops hold whatever lies under
/// their foot or against them. From the middle, mm.
pub(super) fn reach(hold: &Hold) -> f64 {
    match hold.kind {
        HoldKind::Clamp | HoldKind::Stop | HoldKind::SideClamp => hold.head_radius + 2.0,
        _ => hold.head_radius.max(hold.shaft),
    }
}

/// Cells that are held, and from which motion on.
pub(super) fn hold_cells(scene: &Scene<'_>, grid: &Grid) -> Vec<(usize, u32)> {
    let mut cells = Vec::new();
    for hold in &scene.setup.holds {
        let from = from(scene, hold);
        if from == NEVER {
            continue;
        }
        let reach = reach(hold);
        let r = (reach / grid.cell).ceil() as i64;
        for dy in -r..=r {
            for dx in -r..=r {
                let p = hold.at + point(dx as f64 * grid.cell, dy as f64 * grid.cell);
                if p.distance(hold.at) <= reach + 1e-9 {
                    cells.extend(grid.at(p).map(|c| (c, from)));
                }
            }
        }
    }
    // A blank is held as a whole by its stops and clamps, wherever they stand beside it: where none touches a cell, the cell
    // nearest each of them stands for it.
    let touched = cells.iter().any(|(_, from)| *from == 0);
    if scene.setup.kind == SetupKind::Blank && !touched {
        let b = scene.board();
        cells.extend(scene.setup.holds.iter().filter_map(|hold| {
            let p = point(
                hold.at.x.max(b.min.x + 0.1).min(b.max.x - 0.1),
                hold.at.y.max(b.min.y + 0.1).min(b.max.y - 0.1),
            );
            grid.at(p).map(|c| (c, 0))
        }));
    }
    if scene.held_otherwise {
        cells.extend(frame_cell(grid).map(|c| (c, 0)));
    }
    cells
}

/// A cell at the board's edge in the greatest bit of wood that reaches the edge and stands at the end. What a person vouches for holds
/// the board: that bit, and nothing else that is parted from it.
fn frame_cell(grid: &Grid) -> Option<usize> {
    let runs = grid.runs_of(&grid.cut.iter().map(|c| *c == NEVER).collect::<Vec<_>>());
    let stands = |run: usize| grid.cut[runs.cells(run).start] == NEVER;
    let mut seen: Vec<bool> = (0..runs.count()).map(|r| !stands(r)).collect();
    let mut best: Option<(usize, usize)> = None;
    for first in 0..seen.len() {
        let edge = runs.cells(first).find(|c| grid.at_edge(*c));
        let Some(cell) = edge.filter(|_| !seen[first]) else {
            continue;
        };
        let mut stack = vec![first];
        let mut cells = 0;
        seen[first] = true;
        while let Some(run) = stack.pop() {
            cells += runs.cells(run).len();
            runs.beside(run, |n| {
                if !std::mem::replace(&mut seen[n], true) {
                    stack.push(n);
                }
            });
        }
        if best.is_none_or(|(most, _)| cells > most) {
            best = Some((cells, cell));
        }
    }
    best.map(|(_, cell)| cell)
}
