//! What holds before the first cut, and the screws in the frame between parts.

use super::board::{Board, LITTLE_MM};
use super::{FirstHold, HoldSettings};
use grainway_geom::{Bounds, Point, point};
use grainway_pipeline::finding::{Finding, code};
use grainway_pipeline::work::{Hold, HoldKind, Setup, SetupKind};

/// Screws or clamps that a board needs at least.
const BOARD_HOLDS: usize = 4;
/// Clamps that a blank needs at least, besides its stops.
const BLANK_CLAMPS: usize = 2;
/// Places for a screw are tried in steps of this, mm.
const STEP_MM: f64 = 2.0;
/// How far inwards from the board's edge a margin screw is looked for, mm.
const DEEPEST_MM: f64 = 80.0;
/// Room beyond the keep-out that is worth moving a screw for, mm.
const EASE_MM: f64 = 5.0;
/// Gaps beyond the wanted spacing that are named in a finding, as a factor.
const GAP_FACTOR: f64 = 1.34;
/// Places for clamps are tried in steps of this along the edge, mm.
const CLAMP_STEP_MM: f64 = 10.0;
/// A clamp reaches over the wood by at least this, mm.
const LEAST_REACH_MM: f64 = 6.0;
/// Places for frame screws are tried on a grid of this, mm.
const FRAME_STEP_MM: f64 = 10.0;

/// Plans the first hold of a setup.
pub(super) fn plan(
    board: &Board<'_>,
    setup: &Setup,
    settings: &HoldSettings,
    holds: &mut Vec<Hold>,
    findings: &mut Vec<Finding>,
) {
    match (setup.kind, settings.first) {
        // A piece on its end was given a clamp with its uprights.
        (SetupKind::Blank, _) if setup.side.is_end() => {}
        (SetupKind::Blank, FirstHold::Screws | FirstHold::Clamps) => {
            clamps(board, setup, settings, BLANK_CLAMPS, holds, findings);
        }
        (SetupKind::Board, FirstHold::Clamps) => {
            clamps(board, setup, settings, BOARD_HOLDS, holds, findings);
        }
        (SetupKind::Board, FirstHold::Screws) => {
            margin_screws(board, setup, settings, holds, findings);
        }
        (SetupKind::Lines, _) => {}
        (_, FirstHold::Other) => findings.push(
            Finding::new(
                &code::HELD_OTHERWISE,
                "Nothing is planned that holds the wood before the first cut; the person at the machine vouches for it.",
            )
            .setup(&setup.id),
        ),
    }
}

pub(super) fn screw(settings: &HoldSettings, kind: HoldKind, at: Point) -> Hold {
    Hold {
        kind,
        at: tenth(at),
        head_radius: settings.head_radius(),
        shaft: settings.screw_diameter.mm(),
        head_above: settings.head_above(),
        after_pause: None,
        of: None,
    }
}

/// People measure tenths of a millimetre.
pub(super) fn tenth(p: Point) -> Point {
    point((p.x * 10.0).round() / 10.0, (p.y * 10.0).round() / 10.0)
}

/// Screws round the board's margin: at its corners and between them no farther apart than the spacing.
fn margin_screws(
    board: &Board<'_>,
    setup: &Setup,
    settings: &HoldSettings,
    holds: &mut Vec<Hold>,
    findings: &mut Vec<Finding>,
) {
    let edge = settings.screw_edge();
    let clear = settings.screw_clear();
    let spacing = settings.spacing.mm();
    let mut found: Vec<Point> = Vec::new();
    for side in &wanted_places(board.size, edge, settings.screw_end(), spacing) {
        // Nearer to an end than wanted a screw gets a pilot.
        let at = [settings.screw_end(), edge]
            .into_iter()
            .find_map(|end| side.place(board, settings, [end, edge], spacing / 3.0, &found));
        found.extend(at);
    }
    if found.len() < BOARD_HOLDS || !steady(&found, board.size) {
        findings.push(no_room_for_screws(board, setup, found.len(), edge, clear));
    } else {
        findings.extend(open_corners(&found, board.size, setup));
    }
    findings.extend(gaps(&found, board.size, spacing, setup));
    holds.extend(
        found
            .into_iter()
            .map(|p| screw(settings, HoldKind::MarginScrew, p)),
    );
}

/// The places that screws are wanted at: evenly along all four sides.
fn wanted_places(size: Point, edge: f64, end: f64, spacing: f64) -> Vec<Side> {
    // Evenly along a side of length `l`, both ends included, `from` away from the corners.
    let even = |l: f64, from: f64| -> Vec<f64> {
        let free = (l - 2.0 * from).max(0.0);
        let n = (free / spacing).ceil().max(1.0) as usize;
        (0..=n).map(|i| from + free * i as f64 / n as f64).collect()
    };
    let (xs, ys) = (even(size.x, end), even(size.y, edge));
    let deepest_y = DEEPEST_MM.min(size.y / 2.0);
    let deepest_x = DEEPEST_MM.min(size.x / 2.0);
    let mut wanted: Vec<Side> = Vec::new();
    for &x in &xs {
        for far in [false, true] {
            wanted.push(Side {
                along_x: true,
                far,
                at: x,
                deepest: deepest_y,
            });
        }
    }
    for &y in ys.iter().take(ys.len().saturating_sub(1)).skip(1) {
        for far in [false, true] {
            wanted.push(Side {
                along_x: false,
                far,
                at: y,
                deepest: deepest_x,
            });
        }
    }
    wanted
}

/// The quarters of a board by their corners: right of the middle, behind it.
const CORNERS: [(&str, bool, bool); 4] = [
    ("near left", false, false),
    ("near right", true, false),
    ("far left", false, true),
    ("far right", true, true),
];
/// Screws reach over at least this share of the board's length and of its width. Common practice, no source.
const REACH_SHARE: f64 = 0.5;

/// Screws in one quarter of the board.
fn in_quarter(found: &[Point], size: Point, right: bool, far: bool) -> bool {
    let is = |p: &Point| (p.x > size.x / 2.0) == right && (p.y > size.y / 2.0) == far;
    found.iter().any(is)
}

/// The board cannot turn or tip about its screws: they stand in three quarters at least and reach over half of each side.
fn steady(found: &[Point], size: Point) -> bool {
    let held = CORNERS.iter().filter(|c| in_quarter(found, size, c.1, c.2));
    let b = found.iter().fold(Bounds::EMPTY, |b, p| b.with(*p));
    held.count() >= 3 && b.width() >= REACH_SHARE * size.x && b.height() >= REACH_SHARE * size.y
}

/// Says in which corners no screw finds room, and how far the nearest is from there.
fn open_corners(found: &[Point], size: Point, setup: &Setup) -> Vec<Finding> {
    let open = CORNERS
        .iter()
        .filter(|c| !in_quarter(found, size, c.1, c.2));
    let told = open.map(|(name, right, far)| {
        let along = |there: bool, l: f64| if there { l } else { 0.0 };
        let corner = point(along(*right, size.x), along(*far, size.y));
        let nearest = found.iter().map(|p| p.distance(corner)).fold(f64::INFINITY, f64::min);
        Finding::new(
            &code::HOLD_CORNER_OPEN,
            format!(
                "No screw finds room at the {name} corner of {}; the nearest holds {nearest:.0} mm from it.",
                setup.id
            ),
        )
        .setup(&setup.id)
    });
    told.collect()
}

/// Says what room screws need in the margin.
fn no_room_for_screws(
    board: &Board<'_>,
    setup: &Setup,
    found: usize,
    edge: f64,
    clear: f64,
) -> Finding {
    let kerf = widest_kerf(board, setup);
    Finding::new(
        &code::NO_ROOM_FOR_FIRST_HOLD,
        format!(
            "The margin of {} has room for {found} screw{} only, and they do not hold it steady. Between the outermost outline and the board's edge a screw needs {:.1} mm: {:.1} mm to the edge, {:.1} mm to the kerf, and the kerf's {:.1} mm.",
            setup.id,
            if found == 1 { "" } else { "s" },
            edge + clear + kerf,
            edge,
            clear,
            kerf
        ),
    )
    .setup(&setup.id)
}

/// Says where screws along the near and the far edge stand too far apart.
fn gaps(found: &[Point], size: Point, spacing: f64, setup: &Setup) -> Vec<Finding> {
    let mut findings = Vec::new();
    for (name, far) in [("near", false), ("far", true)] {
        let mut side: Vec<f64> = found
            .iter()
            .filter(|p| (p.y > size.y / 2.0) == far)
            .map(|p| p.x)
            .collect();
        side.sort_by(f64::total_cmp);
        let gap = side.windows(2).map(|w| w[1] - w[0]).fold(0.0, f64::max);
        if gap > spacing * GAP_FACTOR {
            findings.push(
                Finding::new(
                    &code::HOLD_GAP,
                    format!(
                        "Along the {name} edge of {} no screw finds room for {gap:.0} mm; {spacing:.0} mm is the wanted spacing.",
                        setup.id
                    ),
                )
                .setup(&setup.id),
            );
        }
    }
    findings
}

/// A wanted place on one side of the board.
struct Side {
    along_x: bool,
    far: bool,
    at: f64,
    deepest: f64,
}

impl Side {
    fn point(&self, size: Point, along: f64, deep: f64) -> Point {
        let across = |l: f64| if self.far { l - deep } else { deep };
        if self.along_x {
            point(along, across(size.y))
        } else {
            point(across(size.x), along)
        }
    }
    /// The free place nearest to the wanted one, with some room around it where that can be had, `from` the board's ends and edges.
    fn place(
        &self,
        board: &Board<'_>,
        settings: &HoldSettings,
        from: [f64; 2],
        reach: f64,
        taken: &[Point],
    ) -> Option<Point> {
        let clear = settings.screw_clear();
        let edge = from[usize::from(self.along_x)];
        // How much farther than asked a place lies from the nearest end or edge.
        let inside = |p: Point| {
            let (x, y) = (p.x.min(board.size.x - p.x), p.y.min(board.size.y - p.y));
            (x - from[0]).min(y - from[1])
        };
        let apart = 4.0 * settings.head_diameter.mm();
        let shifts = (reach / STEP_MM).floor() as i32;
        let depths = ((self.deepest - edge) / STEP_MM).floor().max(0.0) as i32;
        let mut best: Option<(f64, Point)> = None;
        for k in 0..=shifts {
            // No farther place can win any more.
            let shift = f64::from(k) * STEP_MM;
            if best
                .as_ref()
                .is_some_and(|(cost, _)| shift - EASE_MM > *cost)
            {
                break;
            }
            let both: &[f64] = if k == 0 { &[0.0] } else { &[1.0, -1.0] };
            for sign in both {
                for d in 0..=depths {
                    let deep = edge + f64::from(d) * STEP_MM;
                    let p = tenth(self.point(board.size, self.at + sign * shift, deep));
                    if inside(p) < -LITTLE_MM
                        || taken.iter().any(|t| t.distance(p) < apart)
                        || board.piece_at(p).is_some()
                    {
                        continue;
                    }
                    let room = board.clearance(p, clear + EASE_MM, &|_, _, _| true) - clear;
                    if room < -LITTLE_MM {
                        continue;
                    }
                    // Near the wanted place, near the edge, but not at the very limit of either.
                    let ease = room.min(inside(p)).clamp(0.0, EASE_MM);
                    let cost = shift + 0.2 * (deep - edge) - ease;
                    if best.as_ref().is_none_or(|(c, _)| cost < *c - LITTLE_MM) {
                        best = Some((cost, p));
                    }
                }
            }
        }
        best.map(|(_, p)| p)
    }
}

/// The widest kerf of the board's outlines, mm.
fn widest_kerf(board: &Board<'_>, setup: &Setup) -> f64 {
    (0..setup.placements.len())
        .flat_map(|i| super::outline_cuts(board.variant(i)))
        .map(|(_, cut)| cut.cutter_diameter)
        .fold(0.0, f64::max)
}

/// Clamps over the edges, far apart, clear of everything that is cut.
fn clamps(
    board: &Board<'_>,
    setup: &Setup,
    settings: &HoldSettings,
    least: usize,
    holds: &mut Vec<Hold>,
    findings: &mut Vec<Finding>,
) {
    let half = settings.clamp_size.mm() / 2.0;
    // The square footprint may lie any way round: its circumscribed circle is kept free.
    let radius = half * std::f64::consts::SQRT_2;
    let height = settings.clamp_height.mm();
    let free = clamp_places(board, settings, holds);
    let chosen = spread(&free, &[], least, settings.spacing.mm(), 2.0 * radius);
    if chosen.len() < least {
        findings.push(
            Finding::new(
                &code::NO_ROOM_FOR_FIRST_HOLD,
                format!(
                    "Only {} clamp{} of {:.0} × {:.0} mm, {height:.0} mm high, find room at the edges of {} beside the cuts, their run-outs and the nut; {least} are needed.",
                    chosen.len(),
                    if chosen.len() == 1 { "" } else { "s" },
                    2.0 * half,
                    2.0 * half,
                    setup.id
                ),
            )
            .setup(&setup.id),
        );
    }
    holds.extend(chosen.into_iter().map(|at| Hold {
        kind: HoldKind::Clamp,
        at,
        head_radius: radius,
        shaft: 0.0,
        head_above: height,
        after_pause: None,
        of: None,
    }));
}

/// All places over the edges where a clamp stands clear of cuts, nut and stops.
fn clamp_places(board: &Board<'_>, settings: &HoldSettings, holds: &[Hold]) -> Vec<Point> {
    let half = settings.clamp_size.mm() / 2.0;
    let radius = half * std::f64::consts::SQRT_2;
    let height = settings.clamp_height.mm();
    let keep_out = settings.keep_out.mm();
    let reaches: Vec<f64> = {
        let most = settings.clamp_reach.mm();
        let n = ((most - LEAST_REACH_MM) / 3.0).floor().max(0.0) as usize;
        (0..=n)
            .map(|i| most - 3.0 * i as f64)
            .filter(|r| *r >= LEAST_REACH_MM.min(most))
            .collect()
    };
    let size = board.size;
    let mut free: Vec<Point> = Vec::new();
    let sides = [(true, true), (false, true), (true, false), (false, false)];
    for (along_x, far) in sides {
        let length = if along_x { size.x } else { size.y };
        let n = (length / CLAMP_STEP_MM).floor().max(1.0) as usize;
        for i in 0..=n {
            let along = length * i as f64 / n as f64;
            // Not over a corner: half of the footprint lies on the edge.
            if along < half.min(length / 2.0) || along > length - half.min(length / 2.0) {
                continue;
            }
            let place = reaches.iter().find_map(|reach| {
                let deep = reach - half;
                let side = Side {
                    along_x,
                    far,
                    at: along,
                    deepest: 0.0,
                };
                let p = tenth(side.point(size, along, deep));
                let stops = holds
                    .iter()
                    .any(|h| h.at.distance(p) < h.head_radius + radius);
                (!stops && board.free(p, radius, height, keep_out)).then_some(p)
            });
            free.extend(place);
        }
    }
    free
}

/// Picks places far from each other: at least `least`, and on until none is farther than `spacing` from a picked one; never
/// nearer than `apart` to one.
pub(super) fn spread(
    free: &[Point],
    taken: &[Point],
    least: usize,
    spacing: f64,
    apart: f64,
) -> Vec<Point> {
    let mut chosen: Vec<Point> = Vec::new();
    let distance = |p: Point, chosen: &[Point]| {
        chosen
            .iter()
            .chain(taken)
            .map(|c| c.distance(p))
            .fold(f64::INFINITY, f64::min)
    };
    loop {
        // Of equally far places the first.
        let next = if chosen.is_empty() && taken.is_empty() {
            // From the two that are farthest apart start with the first.
            farthest_pair(free).map(|(a, _)| (a, f64::INFINITY))
        } else {
            free.iter().map(|&p| (p, distance(p, &chosen))).fold(
                None,
                |best: Option<(Point, f64)>, c| match best {
                    Some(b) if b.1 >= c.1 => Some(b),
                    _ => Some(c),
                },
            )
        };
        let Some((p, d)) = next else { return chosen };
        let enough = chosen.len() >= least && d <= spacing;
        if enough || d < apart {
            return chosen;
        }
        chosen.push(p);
    }
}

fn farthest_pair(points: &[Point]) -> Option<(Point, Point)> {
    let mut best: Option<(Point, Point)> = points.first().map(|p| (*p, *p));
    for (i, &a) in points.iter().enumerate() {
        for &b in &points[i + 1..] {
            if best.is_none_or(|(p, q)| a.distance(b) > p.distance(q) + LITTLE_MM) {
                best = Some((a, b));
            }
        }
    }
    best
}

/// Screws in the waste between parts that is far from every other hold.
pub(super) fn frame_screws(
    board: &Board<'_>,
    setup: &Setup,
    settings: &HoldSettings,
    holds: &mut Vec<Hold>,
) {
    if settings.first == FirstHold::Other || setup.placements.is_empty() {
        return;
    }
    let edge = settings.screw_edge();
    let clear = settings.screw_clear();
    let spacing = settings.frame_spacing.mm();
    // Screws in the waste of openings hold that waste only.
    let taken: Vec<Point> = holds
        .iter()
        .filter(|h| h.kind != HoldKind::WasteScrew)
        .map(|h| h.at)
        .collect();
    let mut free = Vec::new();
    let (nx, ny) = (
        ((board.size.x - 2.0 * edge) / FRAME_STEP_MM)
            .floor()
            .max(0.0) as usize,
        ((board.size.y - 2.0 * edge) / FRAME_STEP_MM)
            .floor()
            .max(0.0) as usize,
    );
    for i in 0..=nx {
        for j in 0..=ny {
            let p = point(
                edge + FRAME_STEP_MM * i as f64,
                edge + FRAME_STEP_MM * j as f64,
            );
            if taken.iter().any(|t| t.distance(p) <= spacing)
                || board.edge_distance(p) < edge
                || board.piece_at(p).is_some()
                || board.clearance(p, clear + LITTLE_MM, &|_, _, _| true) < clear
            {
                continue;
            }
            free.push(tenth(p));
        }
    }
    let chosen = spread(&free, &taken, 0, spacing, spacing);
    holds.extend(
        chosen
            .into_iter()
            .map(|p| screw(settings, HoldKind::FrameScrew, p)),
    );
}
