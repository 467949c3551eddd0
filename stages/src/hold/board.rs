//! A board as hold sees it: what lies where, which places are waste, and how far they are from every cut.

use super::HoldSettings;
use crate::sweep::{Asked, Field, Sweep};
use grainway_pipeline::finding::Finding;
use grainway_pipeline::geom::{Bounds, Contour, Placing, Point};
use grainway_pipeline::work::{Operation, Placement, Setup, Variant, Work};

/// One setup with everything that is asked of it often.
pub(super) struct Board<'a> {
    pub(super) size: Point,
    pub(super) face: f64,
    pieces: Vec<Laid<'a>>,
    field: &'a Field<'a>,
    /// Radius of the collet nut, mm.
    nut_radius: f64,
    work: &'a Work,
}

struct Laid<'a> {
    variant: &'a Variant,
    placing: Placing,
    outline: Contour,
    bounds: Bounds,
}

impl<'a> Board<'a> {
    pub(super) fn new(
        setup: &Setup,
        laid: &[(&'a Placement, &'a Variant, &'a Sweep)],
        field: &'a Field<'a>,
        work: &'a Work,
    ) -> Board<'a> {
        let pieces = laid
            .iter()
            .map(|(p, variant, _)| {
                let outline = variant.outline.placed(&p.placing);
                Laid {
                    variant,
                    placing: p.placing,
                    bounds: outline.bounds(),
                    outline,
                }
            })
            .collect();
        Board {
            size: setup.size,
            face: setup.z.highest_top(),
            pieces,
            field,
            nut_radius: work
                .documents
                .machine()
                .map_or(0.0, |(_, m)| m.nut_diameter.mm() / 2.0),
            work,
        }
    }
    pub(super) fn variant(&self, placement: usize) -> &'a Variant {
        self.pieces[placement].variant
    }
    pub(super) fn placing(&self, placement: usize) -> Placing {
        self.pieces[placement].placing
    }
    /// The step of the variant cuts its outline.
    pub(super) fn is_outline_step(&self, variant: &str, step: usize) -> bool {
        self.pieces
            .iter()
            .find(|l| l.variant.id == variant)
            .and_then(|l| l.variant.steps.get(step))
            .is_some_and(|s| s.operation == Operation::Outline)
    }
    /// Least distance of `p` from the board's edges, mm, negative outside.
    pub(super) fn from_edge(&self, p: Point) -> f64 {
        p.x.min(p.y).min(self.size.x - p.x).min(self.size.y - p.y)
    }
    /// The piece in which `p` lies.
    pub(super) fn piece_at(&self, p: Point) -> Option<usize> {
        self.pieces
            .iter()
            .position(|l| l.bounds.contains(p) && l.outline.contains(p))
    }
    /// Distance from `p` to the nearest swept place of the moves that `of` accepts, at most `within` mm.
    pub(super) fn clearance(&self, p: Point, within: f64, of: &Asked<'_>) -> f64 {
        self.field.clearance(p, within, of)
    }
    /// A flat thing of radius `radius` at `p`, `height` mm high over the face, keeps `keep_out` from every cutter, and from the
    /// nut wherever that comes down so far.
    pub(super) fn free(&self, p: Point, radius: f64, height: f64, keep_out: f64) -> bool {
        let need = radius + keep_out;
        if self.clearance(p, need + LITTLE_MM, &|_, _, _| true) < need {
            return false;
        }
        if height <= 0.0 {
            return true;
        }
        let top = self.face + height;
        let low_nut = |placement: usize, step: usize, low: f64| {
            let s = &self.pieces[placement].variant.steps[step];
            self.work
                .documents
                .cutter(&s.cutter)
                .is_some_and(|c| low + c.usable_mm() < top + keep_out)
        };
        // The nut reaches farther than the cutter by the difference of their radii; the thinnest cutter is taken.
        let least = self
            .pieces
            .iter()
            .flat_map(|l| &l.variant.steps)
            .filter_map(|s| self.work.documents.cutter(&s.cutter))
            .map(|c| c.radius_mm())
            .fold(self.nut_radius, f64::min);
        let need = need + self.nut_radius - least;
        self.clearance(p, need + LITTLE_MM, &low_nut) >= need
    }
    /// Names strips of waste between kerfs that are too narrow to hold anything.
    pub(super) fn report_slivers(
        &self,
        _setup: &Setup,
        _settings: &HoldSettings,
        _findings: &mut Vec<Finding>,
    ) {
    }
}

/// Places that just fit are not refused for their last digits, mm.
pub(super) const LITTLE_MM: f64 = 1e-6;
