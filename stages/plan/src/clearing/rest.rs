//! Corners that a thick cutter left, cleared by a thinner one: its centre goes only where its disc touches wood that still stands.

use super::walk::{Node, Walk, tree};
use super::{Clearing, ENTRY_ABOVE_MM, SHORTEST_LOOP_MM};
use crate::entry;
use crate::reach::{self, SLOT_HALF_MM};
use grainway_geom::{Contour, Notes, Point, Region, SegmentIndex, difference, insets, offset_all};
use grainway_pipeline::motion::Move;
use grainway_pipeline::work::{CornerAnswer, SizedFeature, Variant};

/// Wood thinner than this at the ends of a fillet is taken for cleared, mm: the kernel's own error would keep it standing along
/// whole walls otherwise. A quarter of what verify allows.
const FEATHER_MM: f64 = 0.005;

impl Clearing<'_> {
    /// The moves that clear what a cutter of radius `thick` leaves in the corners answered with [`CornerAnswer::Rest`].
    pub(crate) fn rest(
        &self,
        variant: &Variant,
        feature: &SizedFeature,
        thick: f64,
        notes: &mut Notes,
    ) -> Vec<Move> {
        let room = reach::machining(variant, feature, thick, notes);
        let centres = reach::centres(&room, self.radius, notes);
        let thick = thick - SLOT_HALF_MM;
        let been = reach::centres(&room, thick, notes);
        let done = offset_all(&been, thick - self.radius + FEATHER_MM, notes);
        let mut moves = Vec::new();
        let mut left = difference(&centres, &done);
        left.retain(|r| r.bounds().width().max(r.bounds().height()) >= SHORTEST_LOOP_MM);
        for corner in &feature.corners {
            if !matches!(corner.answer, CornerAnswer::Rest { .. }) {
                continue;
            }
            // The centre comes this near to a corner between straight edges; between arcs it may stay a little farther away.
            let near = 2.0 * self.radius / (0.5 * corner.angle).sin();
            let (mine, others): (Vec<Region>, Vec<Region>) = left
                .into_iter()
                .partition(|r| r.contains(corner.at) || r.distance(corner.at) <= near);
            left = others;
            let Some(start) = turn_nearest(&been, corner.at) else {
                continue;
            };
            for region in &mine {
                let roots = tree(insets(region, 0.0, self.step, notes));
                self.rest_corner(&mut moves, &roots, &centres, start);
            }
        }
        moves
    }

    /// One corner, all passes, each from and back to a place that the thick cutter has cleared.
    fn rest_corner(&self, moves: &mut Vec<Move>, roots: &[Node], centres: &[Region], start: Point) {
        entry::approach(moves, start, self.approach);
        let mut walk = Walk {
            clearing: self,
            moves,
            centres,
            lobes: &[],
            at: None,
            z: 0.0,
            above: self.top,
            deep: false,
            beside_air: true,
            wood: None,
            airs: Vec::new(),
            walls: &SegmentIndex::new([]),
        };
        let mut above = self.top + ENTRY_ABOVE_MM;
        for &z in &self.passes {
            walk.down_in_air(start, z, above);
            for root in roots {
                walk.node(root, true);
            }
            walk.back_to(start);
            above = z;
        }
        walk.leave();
    }
}

/// The vertex of the regions nearest to a place: beside a corner, where the cutter turned that left its fillet.
fn turn_nearest(regions: &[Region], to: Point) -> Option<Point> {
    regions
        .iter()
        .flat_map(Region::contours)
        .flat_map(|c: &Contour| c.vertices.iter().map(|v| v.at))
        .min_by(|a, b| a.distance(to).total_cmp(&b.distance(to)))
}
