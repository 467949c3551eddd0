//! Tabs of pieces, as the text leaves them.

use super::cuts::{STEP_MM, height_at, through_at, walk};
use crate::figures::{Said, at_line, mm};
use crate::motions::Motion;
use crate::{Piece, Scene, layer};
use grainway_geom::{Contour, Point};
use grainway_pipeline::finding::code;
use grainway_pipeline::work::HoldKind;

/// All tabs within less than this much of the way round (degrees of gap) make a hinge.
const HINGE_GAP_DEGREES: f64 = 240.0;

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

/// Tabs of a piece, measured along its outline. `None` where the text does not cut the outline, or leaves all of it standing.
fn measured_tabs(
    scene: &Scene<'_>,
    piece: &Piece<'_>,
    outline: &Contour,
    level: f64,
) -> Option<Vec<MeasuredTab>> {
    let kerf = kerf_width(scene, piece, level);
    if kerf <= 0.0 {
        return None;
    }
    let edge = Edge {
        scene,
        piece,
        outline,
        kerf,
        level,
    };
    let open = edge.open();
    let start = open.iter().position(|o| !*o)?;
    let n = open.len();
    let mut tabs = Vec::new();
    let mut i = 0;
    while i < n {
        let first = (start + i) % n;
        let run = (0..n).take_while(|r| open[(first + r) % n]).count();
        tabs.extend((run > 0).then(|| edge.tab(first, run, n)).flatten());
        i += run.max(1);
    }
    Some(tabs)
}

/// The edge of a piece, with the kerf along it.
struct Edge<'a> {
    scene: &'a Scene<'a>,
    piece: &'a Piece<'a>,
    outline: &'a Contour,
    kerf: f64,
    level: f64,
}

impl Edge<'_> {
    /// The text cuts through there; `p` in the piece's frame.
    fn covered(&self, p: Point) -> bool {
        through_at(self.scene, self.piece.placing.point(p), self.level)
    }
    /// Where the middle of the kerf stands, in even steps along the outline.
    fn open(&self) -> Vec<bool> {
        let n = (self.outline.length() / STEP_MM).ceil().max(8.0) as usize;
        walk(self.outline, n)
            .into_iter()
            .map(|(p, out)| {
                let q = p + out * (self.kerf * 0.5);
                // In an inside corner the middle of one side's kerf lies beside the other side; that says nothing about tabs.
                !self.covered(q) && self.outline.distance(q) > self.kerf * 0.5 - 0.05
            })
            .collect()
    }
    /// The tab at `run` of `n` steps, from step `first` on.
    fn tab(&self, first: usize, run: usize, n: usize) -> Option<MeasuredTab> {
        let length = self.outline.length();
        let middle = (first as f64 + run as f64 / 2.0) * length / n as f64;
        let (p, way) = self.outline.at_length(middle.rem_euclid(length))?;
        let out = -way.left();
        let at = self.piece.placing.point(p + out * (self.kerf * 0.5));
        Some(MeasuredTab {
            at,
            neck: self.neck(first, run, n),
            height: height_at(self.scene, at) - self.scene.setup.z.highest_underside(),
            anchored: self.anchored(p, out),
        })
    }
    /// The least width between the swept discs anywhere across the kerf, in finer steps.
    fn neck(&self, first: usize, run: usize, n: usize) -> f64 {
        let length = self.outline.length();
        let fine = 8usize;
        let pad = ((self.kerf * 1.5) / STEP_MM).ceil() as usize + 1;
        let from = first as f64 - pad as f64;
        let step = length / n as f64 / fine as f64;
        let mut neck = f64::INFINITY;
        for across in [0.1, 0.3, 0.5, 0.7, 0.9] {
            let (mut longest, mut now) = (0usize, 0usize);
            for j in 0..(run + 2 * pad) * fine {
                let along = ((from * fine as f64 + j as f64) * step).rem_euclid(length);
                let Some((p, way)) = self.outline.at_length(along) else {
                    continue;
                };
                let cut = self.covered(p - way.left() * (self.kerf * across));
                now = if cut { 0 } else { now + 1 };
                longest = longest.max(now);
            }
            neck = neck.min(longest as f64 * step);
        }
        neck
    }
    /// Beyond the kerf wood stands as far as a frame must be wide to hold.
    fn anchored(&self, p: Point, out: Point) -> bool {
        let wide = self.scene.settled.frame_width;
        [0.5, 0.5 * wide, wide].into_iter().all(|beyond| {
            let q = p + out * (self.kerf + beyond);
            self.scene.board().contains(self.piece.placing.point(q)) && !self.covered(q)
        })
    }
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

/// A piece cut free all round must have tabs of enough height and width, on more than one side.
pub(super) fn check(scene: &Scene<'_>, piece: &Piece<'_>, level: f64, said: &mut Said) {
    let Some(variant) = scene.work.variant(&piece.model.id) else {
        return;
    };
    let Some(tabs) = measured_tabs(scene, piece, &variant.outline, level) else {
        return;
    };
    let (good, bad): (Vec<MeasuredTab>, Vec<MeasuredTab>) =
        tabs.iter().partition(|t| too_weak(scene, t).is_none());
    figures(scene, piece, &tabs, good.len(), said);
    let screws = screws_within(scene, piece);
    let last = last_cut_beside(scene, piece, level);
    let find = |said: &mut Said, at: Option<Point>, message: String| {
        let finding = at_line(
            scene.recorded,
            &scene.setup.id,
            last.map_or(0, |m| m.text),
            last.map_or(0, |m| m.line),
            &code::VERIFY_LOOSE,
            message,
        )
        .part(piece.name)
        .feature(crate::model::OUTLINE);
        said.find(
            last.map(|m| m.text),
            match at {
                Some(at) => finding.at(at),
                None => finding,
            },
        );
    };
    for t in &bad {
        let why = too_weak(scene, t).unwrap_or_default();
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
    let gap = widest_gap(good.iter().map(|t| t.at), piece.bounds.centre());
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

/// Why a tab does not hold; `None` when it does.
fn too_weak(scene: &Scene<'_>, t: &MeasuredTab) -> Option<String> {
    let s = scene.settled;
    if !t.anchored {
        Some("does not end in standing wood".to_string())
    } else if t.height < s.tab_height - 0.02 {
        Some(format!(
            "is {} mm high in the thinnest wood; {} are asked",
            mm(t.height),
            mm(s.tab_height)
        ))
    } else if t.neck < s.tab_neck - 0.15 {
        Some(format!(
            "is {} mm wide at its neck; {} are asked",
            mm(t.neck),
            mm(s.tab_neck)
        ))
    } else {
        None
    }
}

/// Screws and clamps within the outline of a piece.
fn screws_within(scene: &Scene<'_>, piece: &Piece<'_>) -> usize {
    let within = |at| {
        piece
            .model
            .outline
            .contains(piece.placing.inverse_point(at))
    };
    scene
        .setup
        .holds
        .iter()
        .filter(|h| h.kind != HoldKind::Stop && within(h.at))
        .count()
}

/// The last through cut beside a piece: there a lack of tabs shows.
fn last_cut_beside<'a>(scene: &'a Scene<'_>, piece: &Piece<'_>, level: f64) -> Option<&'a Motion> {
    let mut last = None;
    scene
        .motion_boxes
        .visit(piece.bounds.grown(0.1), usize::MAX, &mut |i| {
            let m = &scene.recorded.motions[i];
            if m.cuts && m.low() < level {
                last = Some(m);
            }
            true
        });
    last
}

fn figures(
    scene: &Scene<'_>,
    piece: &Piece<'_>,
    tabs: &[MeasuredTab],
    good: usize,
    said: &mut Said,
) {
    let s = scene.settled;
    let least = |of: fn(&MeasuredTab) -> f64| tabs.iter().map(of).fold(f64::INFINITY, f64::min);
    let mut figure = |what: String, value: f64, unit: &str, limit: f64| {
        said.figure(layer::LOOSE, what, value, unit, Some(limit), false);
    };
    figure(
        format!("tabs of {} that hold", piece.name),
        good as f64,
        "tabs",
        2.0,
    );
    figure(
        format!("narrowest tab of {}", piece.name),
        least(|t| t.neck),
        "mm",
        s.tab_neck,
    );
    figure(
        format!("lowest tab of {} in the thinnest wood", piece.name),
        least(|t| t.height),
        "mm",
        s.tab_height,
    );
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
