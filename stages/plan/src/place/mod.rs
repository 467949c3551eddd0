//! Lays variants on boards and blanks on the machine.
//!
//! Three kinds of pieces: those of a drawing that keep their drawn places, those cut from boards, laid close together along the grain,
//! and blanks that are already dimensioned and get a clamping each. What holds them is the business of a later stage; only what a
//! blank is laid against belongs here.

mod against;
mod blanks;
mod chosen;
mod drawn;
mod free;
mod kept;
mod lines;
mod room;
mod upright;
mod wood;

use grainway_geom::{Bounds, Contour, Placing, Point, point};
use grainway_pipeline::doc::{Length, Side};
use grainway_pipeline::finding::{Finding, code};
use grainway_pipeline::motion::Move;
use grainway_pipeline::stage::{Cx, Description, Stop, TypedStage};
use grainway_pipeline::work::{
    Documents, Part, Placement, Setup, SetupKind, Variant, Work, ZFrame,
};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// How a dimensioned blank finds its place on the machine.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Locate {
    /// Against stops at its left and near edges.
    #[default]
    Stops,
    /// Inside shallow lines that a program of their own cuts into the spoilboard first, once for all blanks of a size.
    Lines,
}

/// Places are rounded to this, mm: finer than any kerf is cut, and shorter to read.
const PLACE_MM: f64 = 0.01;
/// The name of this stage.
const PLACE: &str = "place";

/// Settings of the place stage.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case", deny_unknown_fields, default)]
pub struct PlaceSettings {
    /// Left unused at the two ends of a board (across the grain), and around the parts of a drawn layout that names no board. A length.
    pub margin: Length,
    /// Left unused along the two long edges of a board, so that screws find room there. Where the parts find no place otherwise,
    /// only the kerf and `strip` are left. A length.
    pub side_margin: Length,
    /// Waste that stays between the kerfs of neighbours, and at least between a kerf and the board's edge: a narrower strip across
    /// the grain snaps. A length.
    pub strip: Length,
    /// Waste that may stay in place of `strip` between the kerfs of neighbours where the parts find no place otherwise, or where it
    /// saves a third of the boards. Where it is too narrow for tabs, pieces are held otherwise. A length.
    pub strip_least: Length,
    /// Between the outlines of neighbours; the width of both kerfs and `strip` when not given. A length.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub spacing: Option<Length>,
    /// Work spent on a closer layout, in steps for each piece; a step takes about ten microseconds. 0 takes the first that is found.
    /// A number.
    pub steps: u32,
    /// How dimensioned blanks find their place.
    pub locate: Locate,
    /// Radius that a stop takes up on the bed. A length.
    pub stop_radius: Length,
    /// How far stops stay below the blank's face. A length.
    pub stop_below: Length,
    /// How deep locating lines go into the spoilboard. A length.
    pub line_depth: Length,
}

impl Default for PlaceSettings {
    fn default() -> Self {
        PlaceSettings {
            margin: Length::from_mm(30.0),
            side_margin: Length::from_mm(30.0),
            strip: Length::from_mm(14.0),
            strip_least: Length::from_mm(6.0),
            spacing: None,
            steps: 400,
            locate: Locate::Stops,
            stop_radius: Length::from_mm(8.0),
            stop_below: Length::from_mm(3.0),
            // 1/16 in: deep enough to feel, common practice.
            line_depth: Length::from_mm(1.5875),
        }
    }
}

/// The place stage.
#[derive(Clone, Copy, Debug, Default)]
pub struct Place;

/// One piece to lay down.
#[derive(Clone, Debug)]
struct Piece {
    /// The part's id, `#2`, `#3` … for copies.
    id: String,
    /// The variant.
    variant: String,
    /// The part.
    part: String,
    /// Box of its outline, variant's frame.
    bounds: Bounds,
    /// Box of all that its cutters sweep, variant's frame.
    swept: Bounds,
    /// Width of the kerf round its outline, mm.
    kerf: f64,
    /// It may also lie turned by a quarter.
    any_grain: bool,
}

impl TypedStage for Place {
    type Settings = PlaceSettings;
    fn describe(&self) -> Description {
        Description {
            name: PLACE,
            version: 4,
            summary: "Lays variants on boards and blanks on the machine.",
            needs: &["variants", "steps"],
            gives: &["placed"],
            spoils: &["held", "ordered", "programs", "verified", "reported"],
        }
    }
    fn run(&self, work: &mut Work, settings: &Self::Settings, cx: &Cx<'_>) -> Result<(), Stop> {
        work.setups.clear();
        let mut findings = check(&work.documents, settings);
        let Some(travel) = travel(work) else {
            work.findings.append(&mut findings);
            return Ok(());
        };
        if !findings.is_empty() {
            work.findings.append(&mut findings);
            return Ok(());
        }
        let mut boards = Vec::new();
        cx.check()?;
        drawn::lay(work, settings, travel, &mut boards, &mut findings);
        cx.check()?;
        free::lay(work, settings, travel, cx, &mut boards, &mut findings)?;
        for (i, setup) in boards.iter_mut().enumerate() {
            setup.id = format!("board-{}", i + 1);
        }
        for (setup, found) in neighbours(work, &boards, cx)? {
            findings.push(found.setup(setup));
        }
        let mut blanks = Vec::new();
        let lines = blanks::lay(work, settings, travel, &mut blanks, &mut findings);
        for (i, setup) in blanks.iter_mut().enumerate() {
            setup.id = format!("blank-{}", i + 1);
        }
        boards.extend(lines::before_their_blanks(work, lines, blanks));
        kept::names(work, &mut boards);
        work.setups = boards;
        work.findings.append(&mut findings);
        Ok(())
    }
}

/// Settings that cannot be.
fn check(documents: &Documents, settings: &PlaceSettings) -> Vec<Finding> {
    [
        ("margin", settings.margin),
        ("side-margin", settings.side_margin),
        ("strip", settings.strip),
        ("strip-least", settings.strip_least),
        ("spacing", settings.spacing.unwrap_or_default()),
        ("stop-below", settings.stop_below),
        ("stop-radius", settings.stop_radius),
        ("line-depth", settings.line_depth),
    ]
    .into_iter()
    .filter(|(_, length)| !(length.mm() >= 0.0 && length.mm() < 10_000.0))
    .map(|(name, length)| {
        Finding::new(
            &code::BAD_NUMBER,
            format!(
                "The place stage's `{name}` is {} mm; it must be between 0 and 10 m.",
                length.mm()
            ),
        )
        .pointer(documents.setting("place", &[name]))
    })
    .collect()
}

/// Travel along x and y, mm.
fn travel(work: &Work) -> Option<Point> {
    let (_, machine) = work.documents.machine()?;
    Some(point(machine.travel[0].mm(), machine.travel[1].mm()))
}

/// The variant of each copy of a part, with this side up: where a part has several, the first copies take one each and the rest the last.
fn variants_of<'w>(work: &'w Work, part: &Part, side: Side) -> Vec<&'w Variant> {
    let all = work.variants.iter();
    all.filter(|v| v.part == part.id && v.side == side)
        .collect()
}

/// The name of a copy, from 0.
fn copy_name(part: &str, copy: u32) -> String {
    if copy == 0 {
        part.to_string()
    } else {
        format!("{part}#{}", copy + 1)
    }
}

/// What the placing of a variant must know of it.
fn measure(work: &Work, part: &Part, variant: &Variant) -> Piece {
    let bounds = variant.outline.bounds();
    // All loops of the outline: allowances and widened kerfs reach farther than the cutter's diameter.
    let kerf = variant
        .steps
        .iter()
        .filter_map(|s| s.profile.as_ref().filter(|p| p.keeps_inside))
        .flat_map(|cut| {
            cut.loops.iter().map(|l| {
                let out = l.path.bounds();
                let beside = [
                    bounds.min.x - out.min.x,
                    bounds.min.y - out.min.y,
                    out.max.x - bounds.max.x,
                    out.max.y - bounds.max.y,
                ];
                beside.into_iter().fold(0.0, f64::max) + cut.cutter_diameter / 2.0
            })
        })
        .fold(0.0, f64::max);
    // A part whose outline no step cuts is in error already; it is placed as if by a common cutter so that the rest can go on.
    let kerf = if kerf > 0.0 { kerf } else { COMMON_CUTTER };
    let grown = if variant.dimensioned { 0.0 } else { kerf };
    let swept = variant.steps.iter().fold(bounds.grown(grown), |all, step| {
        let radius = work
            .documents
            .cutter(&step.cutter)
            .map_or(0.0, |c| c.radius_mm());
        let path = path_bounds(&work.moves(&step.moves));
        if path.is_empty() {
            all
        } else {
            all.union(path.grown(radius))
        }
    });
    Piece {
        id: part.id.clone(),
        variant: variant.id.clone(),
        part: part.id.clone(),
        bounds,
        swept,
        kerf,
        any_grain: part.grain == grainway_pipeline::work::Grain::Any,
    }
}

/// Diameter that is assumed where nothing says how an outline is cut, mm.
const COMMON_CUTTER: f64 = 6.0;

/// The box of what the cutter's centre runs over.
fn path_bounds(moves: &[Move]) -> Bounds {
    let mut at = point(0.0, 0.0).at_z(0.0);
    let mut bounds = Bounds::EMPTY;
    let mut placed = false;
    for m in moves {
        if let Move::Arc { centre, sweep, .. } = m {
            let arc = grainway_geom::Segment::arc_about(
                *centre,
                at.xy(),
                sweep.clamp(-std::f64::consts::TAU, std::f64::consts::TAU),
            );
            bounds = bounds.union(arc.bounds());
        }
        let before = at;
        at = m.end(at);
        // Where the moves start from is not known before the first of them.
        if placed {
            bounds = bounds.with(before.xy());
        }
        placed = true;
        bounds = bounds.with(at.xy());
    }
    bounds
}

/// A board or blank with nothing on it yet.
fn empty_setup(kind: SetupKind, stock: &str, size: Point, z: ZFrame) -> Setup {
    Setup {
        id: String::new(),
        kind,
        side: Side::Face,
        stock: stock.to_string(),
        board: None,
        size,
        z,
        placements: Vec::new(),
        holds: Vec::new(),
        safe_z: z.highest_top() + FIRST_SAFE_HEIGHT,
        own_steps: Vec::new(),
        order: Vec::new(),
        repeats: 1,
        lines: None,
        touch_off: None,
    }
}

/// Safe height over the face until the holds are planned, mm (docs/practice.md, section Heights).
const FIRST_SAFE_HEIGHT: f64 = 15.0;

/// A piece that lies somewhere.
fn placement(piece: &Piece, id: String, placing: Placing) -> Placement {
    Placement {
        piece: id,
        variant: piece.variant.clone(),
        placing,
        tabs: Vec::new(),
        waste: Vec::new(),
        tabbed: Vec::new(),
        replaced: Vec::new(),
        hold: Default::default(),
    }
}

/// The box of a box after placing by quarter turns.
fn placed_bounds(bounds: Bounds, placing: &Placing) -> Bounds {
    Bounds::of(
        [
            bounds.min,
            point(bounds.max.x, bounds.min.y),
            bounds.max,
            point(bounds.min.x, bounds.max.y),
        ]
        .map(|p| placing.point(p)),
    )
}

/// Pieces that lie too near each other, or in each other, board by board.
fn neighbours(work: &Work, boards: &[Setup], cx: &Cx<'_>) -> Result<Vec<(String, Finding)>, Stop> {
    let measured: BTreeMap<&str, Piece> = work
        .variants
        .iter()
        .filter_map(|v| Some((v.id.as_str(), measure(work, work.part(&v.part)?, v))))
        .collect();
    let mut found = Vec::new();
    for setup in boards {
        cx.check()?;
        let laid: Vec<Laid> = setup
            .placements
            .iter()
            .filter_map(|p| {
                let piece = measured.get(p.variant.as_str())?;
                let outline = work.variant(&p.variant)?.outline.placed(&p.placing);
                Some(Laid {
                    id: &p.piece,
                    part: &piece.part,
                    bounds: outline.bounds(),
                    outline,
                    kerf: piece.kerf,
                })
            })
            .collect();
        // Sorted along x, so that only pieces whose boxes come near are compared.
        let mut order: Vec<usize> = (0..laid.len()).collect();
        order.sort_by(|&a, &b| {
            laid[a]
                .bounds
                .min
                .x
                .total_cmp(&laid[b].bounds.min.x)
                .then(a.cmp(&b))
        });
        for (k, &i) in order.iter().enumerate() {
            for &j in &order[k + 1..] {
                let gap = laid[i].kerf.max(laid[j].kerf);
                if laid[j].bounds.min.x > laid[i].bounds.max.x + gap {
                    break;
                }
                if let Some(finding) = too_close(&laid[i.min(j)], &laid[i.max(j)], gap) {
                    found.push((setup.id.clone(), finding));
                }
            }
        }
    }
    Ok(found)
}

/// A piece on its board.
struct Laid<'a> {
    id: &'a str,
    part: &'a str,
    bounds: Bounds,
    outline: Contour,
    kerf: f64,
}

/// Says that two pieces lie nearer than `gap` mm, or one in the other.
fn too_close(a: &Laid<'_>, b: &Laid<'_>, gap: f64) -> Option<Finding> {
    if !a.bounds.grown(gap).touches(b.bounds) {
        return None;
    }
    let (at, distance) = nearest(&a.outline, &b.outline, gap)?;
    let inside =
        |x: &Laid<'_>, y: &Laid<'_>| x.outline.start().is_some_and(|p| y.outline.contains(p));
    if inside(a, b) || inside(b, a) {
        let message = format!(
            "Parts {} and {} lie in one another on the board; the waste between them could not be held.",
            a.id, b.id
        );
        return Some(
            Finding::new(&code::PARTS_TOO_CLOSE, message)
                .part(a.part)
                .at(at),
        );
    }
    // Rounding of the drawing's coordinates does not make a fault of a gap of exactly one cutter.
    (distance < gap - grainway_pipeline::tolerance::IMPORT_MM).then(|| {
        let message = format!(
            "Parts {} and {} lie {:.2} mm apart; the kerf of their outlines is {:.2} mm wide.",
            a.id, b.id, distance, gap
        );
        Finding::new(&code::PARTS_TOO_CLOSE, message)
            .part(a.part)
            .at(at)
    })
}

/// The place on `a` nearest to `b`, and the distance, for distances up to `within` mm or one in the other; else `None`.
fn nearest(a: &Contour, b: &Contour, within: f64) -> Option<(Point, f64)> {
    // Chords within this of their arcs: well below any gap of interest.
    const CHORD: f64 = 0.01;
    let side = |x: &Contour, y: &Contour| {
        let window = y.bounds().grown(within);
        x.flattened(CHORD)
            .into_iter()
            .filter(|p| window.contains(*p))
            .filter_map(|p| y.nearest(p).map(|(q, _)| (p, p.distance(q))))
            .min_by(|l, r| l.1.total_cmp(&r.1))
    };
    let crossing = || {
        // Edges that cross without a corner of either near the other.
        let (pa, pb) = (a.flattened(CHORD), b.flattened(CHORD));
        let edges = |p: &[Point]| -> Vec<(Point, Point)> {
            (0..p.len()).map(|i| (p[i], p[(i + 1) % p.len()])).collect()
        };
        let eb = edges(&pb);
        edges(&pa).into_iter().find_map(|(p, q)| {
            eb.iter().find_map(|&(r, s)| {
                let d = (q - p).cross(s - r);
                if d.abs() < 1e-12 {
                    return None;
                }
                let t = (r - p).cross(s - r) / d;
                let u = (r - p).cross(q - p) / d;
                ((0.0..=1.0).contains(&t) && (0.0..=1.0).contains(&u)).then(|| (p.lerp(q, t), 0.0))
            })
        })
    };
    let best = [side(a, b), side(b, a)]
        .into_iter()
        .flatten()
        .min_by(|l, r| l.1.total_cmp(&r.1));
    crossing().or(best)
}

/// The machine cannot reach so far.
fn beyond_travel(id: &str, what: &str, needed: Point, travel: Point) -> Finding {
    Finding::new(
        &code::PART_TOO_LARGE,
        format!(
            "{what} needs {:.1} × {:.1} mm of travel; the machine has {:.1} × {:.1} mm.",
            needed.x, needed.y, travel.x, travel.y
        ),
    )
    .part(id)
}

#[cfg(test)]
mod tests;
