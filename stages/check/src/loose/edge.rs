//! The edge of a piece as the text leaves it: where the kerf is cut through, and the tabs between.

use super::cuts::{Known, STEP_MM, Through, height_at, walk};
use crate::figures::mm;
use crate::{Piece, Scene};
use grainway_geom::{Contour, Point};
use std::cell::Cell;

/// Along an edge, skins are looked at in steps of this, mm.
const SKIN_STEP_MM: f64 = 8.0;

/// A tab as the text leaves it; places in the board's frame.
#[derive(Clone, Debug)]
pub(super) struct MeasuredTab {
    /// Middle.
    pub(super) at: Point,
    /// Unit direction away from the piece.
    pub(super) out: Point,
    /// Least width between the swept discs, mm.
    pub(super) neck: f64,
    /// Least height over the underside of the thinnest wood, mm.
    pub(super) height: f64,
    /// Why it holds nothing.
    pub(super) weak: Option<String>,
    /// Just within the piece.
    pub(super) inner: Point,
    /// From beyond the kerf outwards.
    pub(super) outer: Vec<Point>,
    /// Places all over it.
    pub(super) bridge: Vec<Point>,
}

/// The edge of a piece as the text leaves it; places in the board's frame.
pub(super) struct Measured {
    pub(super) tabs: Vec<MeasuredTab>,
    /// Places in the kerf that are cut through.
    pub(super) cut: Vec<Point>,
    /// Places just within the edge.
    pub(super) within: Vec<Point>,
}

/// The edge of a piece, measured along its outline. `None` where the text does not cut the outline, or leaves all of it standing.
pub(super) fn measured(
    scene: &Scene<'_>,
    piece: &Piece<'_>,
    outline: &Contour,
    (level, through): (f64, &Through),
    cell: f64,
) -> Option<Measured> {
    let edge = Edge::new(scene, piece, outline, (level, through), cell)?;
    let n = (edge.length / STEP_MM).ceil().max(8.0) as usize;
    let steps = walk(outline, n);
    let open = edge.open(&steps);
    let start = open.iter().position(|o| !*o)?;
    let mut tabs = Vec::new();
    let mut i = 0;
    while i < n {
        let first = (start + i) % n;
        let run = (0..n).take_while(|r| open[(first + r) % n]).count();
        tabs.extend((run > 0).then(|| edge.tab(first, run, n)).flatten());
        i += run.max(1);
    }
    let placed = |p: Point| piece.placing.point(p);
    let closed = steps.iter().zip(&open).filter(|(_, o)| !**o);
    Some(Measured {
        tabs,
        cut: closed
            .map(|((p, out), _)| placed(*p + *out * (edge.kerf * 0.5)))
            .collect(),
        within: steps
            .iter()
            .map(|(p, out)| placed(*p - *out * (2.0 * cell)))
            .collect(),
    })
}

/// The edge of a piece that has a skin, as tabs side by side wherever the skin stands: `skinned` is cut
/// so deep that it does not hold. `None` where the text does not cut the outline below `level`.
pub(super) fn measured_skin(
    scene: &Scene<'_>,
    piece: &Piece<'_>,
    outline: &Contour,
    level: f64,
    skinned: &Through,
    cell: f64,
) -> Option<Measured> {
    let edge = Edge::new(scene, piece, outline, (level, skinned), cell)?;
    let n = (edge.length / SKIN_STEP_MM).ceil().max(8.0) as usize;
    let steps = walk(outline, n);
    let placed = |p: Point| piece.placing.point(p);
    let middle = |p: Point, out: Point| p + out * (edge.kerf * 0.5);
    let (cut, stands): (Vec<usize>, Vec<usize>) =
        (0..n).partition(|k| edge.covered(middle(steps[*k].0, steps[*k].1)));
    Some(Measured {
        tabs: stands.iter().map(|k| edge.skin(steps[*k], *k, n)).collect(),
        cut: cut
            .iter()
            .map(|k| placed(middle(steps[*k].0, steps[*k].1)))
            .collect(),
        within: steps
            .iter()
            .map(|(p, out)| placed(*p - *out * (2.0 * cell)))
            .collect(),
    })
}

/// The edge of a piece, with the kerf along it.
struct Edge<'a> {
    scene: &'a Scene<'a>,
    piece: &'a Piece<'a>,
    outline: &'a Contour,
    lengths: grainway_geom::Measured,
    length: f64,
    kerf: f64,
    /// What is cut so deep that it does not hold.
    through: &'a Through,
    /// What was found at the place that was asked about last.
    last: Cell<Known>,
    /// Width of the grid's cells, mm.
    cell: f64,
}

impl<'a> Edge<'a> {
    /// `None` where the text does not cut the outline below the level.
    fn new(
        scene: &'a Scene<'a>,
        piece: &'a Piece<'a>,
        outline: &'a Contour,
        (level, through): (f64, &'a Through),
        cell: f64,
    ) -> Option<Edge<'a>> {
        let kerf = kerf_width(scene, piece, level);
        (kerf > 0.0).then(|| Edge {
            scene,
            piece,
            outline,
            lengths: outline.measured(),
            length: outline.length(),
            kerf,
            through,
            last: Cell::default(),
            cell,
        })
    }
    /// The text cuts through there; `p` in the piece's frame.
    fn covered(&self, p: Point) -> bool {
        self.through.along(self.piece.placing.point(p), &self.last)
    }
    /// Where the middle of the kerf stands.
    fn open(&self, steps: &[(Point, Point)]) -> Vec<bool> {
        steps
            .iter()
            .map(|(p, out)| {
                let q = *p + *out * (self.kerf * 0.5);
                // In an inside corner the middle of one side's kerf lies beside the other side; that says nothing about tabs.
                !self.covered(q) && self.outline.distance(q) > self.kerf * 0.5 - 0.05
            })
            .collect()
    }
    /// The tab at `run` of `n` steps, from step `first` on.
    fn tab(&self, first: usize, run: usize, n: usize) -> Option<MeasuredTab> {
        let length = self.length;
        let middle = (first as f64 + run as f64 / 2.0) * length / n as f64;
        let (p, way) = self.lengths.at_length(middle.rem_euclid(length))?;
        let out = -way.left();
        let placed = |p: Point| self.piece.placing.point(p);
        let at = placed(p + out * (self.kerf * 0.5));
        let wide = self.scene.settled.frame_width;
        let mut tab = MeasuredTab {
            at,
            out: placed(p + out) - placed(p),
            neck: self.neck(first, run, n),
            height: height_at(self.scene, at) - self.scene.setup.z.highest_underside(),
            weak: None,
            inner: placed(p - out * (2.0 * self.cell)),
            outer: self.outwards(p, out, self.kerf + 0.5 * wide),
            bridge: self.bridge(first, run, n),
        };
        tab.weak = too_weak(self.scene, &tab, self.anchored(p, out));
        Some(tab)
    }
    /// Places from `from` mm beside the edge outwards, as far as the far side of a neighbour's kerf may be, as close as the grid's cells.
    fn outwards(&self, p: Point, out: Point, from: f64) -> Vec<Point> {
        let wide = self.scene.settled.frame_width;
        let n = ((self.kerf + wide) / self.cell).ceil() as usize + 2;
        (0..=n)
            .map(|k| p + out * (from + k as f64 * self.cell))
            .map(|q| self.piece.placing.point(q))
            .collect()
    }
    /// A step of a skin as a tab of that width.
    fn skin(&self, (p, out): (Point, Point), first: usize, n: usize) -> MeasuredTab {
        let placed = |p: Point| self.piece.placing.point(p);
        let at = placed(p + out * (self.kerf * 0.5));
        MeasuredTab {
            at,
            out: placed(p + out) - placed(p),
            neck: self.length / n as f64,
            height: height_at(self.scene, at) - self.scene.setup.z.highest_underside(),
            weak: None,
            inner: placed(p - out * (2.0 * self.cell)),
            outer: self.outwards(p, out, self.kerf + self.cell),
            bridge: self.bridge(first, 1, n),
        }
    }
    /// Places all over a tab, as close as the grid's cells.
    fn bridge(&self, first: usize, run: usize, n: usize) -> Vec<Point> {
        let length = self.length;
        let step = length / n as f64;
        let fine = 0.4 * self.cell;
        let (along, across) = (
            ((run + 2) as f64 * step / fine).ceil() as usize,
            (self.kerf / fine).ceil() as usize,
        );
        let mut places = Vec::new();
        for i in 0..=along {
            let at = (first as f64 - 1.0) * step + i as f64 * fine;
            if let Some((p, way)) = self.lengths.at_length(at.rem_euclid(length)) {
                places.extend((0..=across).map(|k| {
                    let out = (k as f64 * fine).min(self.kerf);
                    self.piece.placing.point(p - way.left() * out)
                }));
            }
        }
        places
    }
    /// The least width between the swept discs anywhere across the kerf, in finer steps.
    fn neck(&self, first: usize, run: usize, n: usize) -> f64 {
        let length = self.length;
        let fine = 8usize;
        let pad = ((self.kerf * 1.5) / STEP_MM).ceil() as usize + 1;
        let from = first as f64 - pad as f64;
        let step = length / n as f64 / fine as f64;
        let mut neck = f64::INFINITY;
        for across in [0.1, 0.3, 0.5, 0.7, 0.9] {
            let (mut longest, mut now) = (0usize, 0usize);
            for j in 0..(run + 2 * pad) * fine {
                let along = ((from * fine as f64 + j as f64) * step).rem_euclid(length);
                let Some((p, way)) = self.lengths.at_length(along) else {
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

/// Why a tab does not hold; `None` when it does, even in the thinnest wood with the zero set low.
fn too_weak(scene: &Scene<'_>, t: &MeasuredTab, anchored: bool) -> Option<String> {
    let s = scene.settled;
    if !anchored {
        Some("does not end in standing wood".to_string())
    } else if t.height < s.tab_height + s.z_error - 0.02 {
        Some(format!(
            "is {} mm high in the thinnest wood with the zero {} mm low; {} are asked",
            mm(t.height - s.z_error),
            mm(s.z_error),
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
