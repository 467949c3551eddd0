//! What is left of a board in rectangles that are worth keeping: no cut goes through them.

use super::document::OffcutRow;
use super::show::round3;
use grainway_geom::{Bounds, Point, point};
use grainway_pipeline::work::{Placement, Setup, SetupKind, Variant, Work};

/// So many are listed of a board at most.
const MOST: usize = 3;
/// Outlines are taken in so many slices across the grain, so that what lies beside a slanted edge counts.
const SLICES: usize = 4;
/// Outlines that fill this share of their box are taken for it.
const BOX_SHARE: f64 = 0.95;
/// Chords of outlines, mm.
const CHORD_MM: f64 = 0.1;

/// The largest first. `least` is the least length and width of one that is listed, mm.
pub(super) fn offcuts(work: &Work, setup: &Setup, least: Point) -> Vec<OffcutRow> {
    if setup.kind != SetupKind::Board {
        return Vec::new();
    }
    let mut taken: Vec<Bounds> = setup
        .placements
        .iter()
        .filter_map(|p| Some((p, work.variant(&p.variant)?)))
        .flat_map(|(p, variant)| slices(p, variant))
        .collect();
    let mut rows = Vec::new();
    while rows.len() < MOST {
        let Some(free) = largest(&taken, setup.size, least) else {
            break;
        };
        let screws = setup.holds.iter().filter(|h| free.contains(h.at));
        rows.push(OffcutRow {
            at: [round3(free.min.x), round3(free.min.y)],
            size: [round3(free.width()), round3(free.height())],
            screw_holes: screws.filter(|h| h.shaft > 0.0).count(),
        });
        taken.push(free);
    }
    rows
}

/// Boxes that hold a piece with its kerf.
fn slices(placement: &Placement, variant: &Variant) -> Vec<Bounds> {
    let outline = variant.outline.placed(&placement.placing);
    let (whole, kerf) = (outline.bounds(), kerf(variant));
    if outline.area().abs() >= BOX_SHARE * whole.width() * whole.height() {
        return vec![whole.grown(kerf)];
    }
    let ring = outline.flattened(CHORD_MM);
    let step = whole.width() / SLICES as f64;
    let slice = |k: usize| {
        let (from, to) = (
            whole.min.x + step * k as f64,
            whole.min.x + step * (k + 1) as f64,
        );
        let edges = (0..ring.len()).map(|i| (ring[i], ring[(i + 1) % ring.len()]));
        let inside = edges.filter_map(|(a, b)| {
            let (a, b) = if a.x <= b.x { (a, b) } else { (b, a) };
            let at = |x: f64| a.lerp(b, (x - a.x) / (b.x - a.x).max(f64::MIN_POSITIVE));
            (a.x <= to && b.x >= from).then(|| {
                let start = if a.x < from { at(from) } else { a };
                let end = if b.x > to { at(to) } else { b };
                [start, end]
            })
        });
        Bounds::of(inside.flatten()).grown(kerf + CHORD_MM)
    };
    (0..SLICES).map(slice).collect()
}

/// How far the cuts of its outline reach beyond it, mm.
fn kerf(variant: &Variant) -> f64 {
    let own = variant.outline.bounds();
    let cuts = variant.steps.iter().filter_map(|s| s.profile.as_ref());
    cuts.filter(|cut| cut.keeps_inside)
        .flat_map(|cut| {
            cut.loops.iter().map(|l| {
                let path = l.path.bounds();
                let out = [
                    own.min.x - path.min.x,
                    own.min.y - path.min.y,
                    path.max.x - own.max.x,
                    path.max.y - own.max.y,
                ];
                out.into_iter().fold(0.0, f64::max) + cut.cutter_diameter / 2.0
            })
        })
        .fold(0.0, f64::max)
}

/// The largest rectangle of a board that is free of the boxes and as large as `least`.
fn largest(taken: &[Bounds], size: Point, least: Point) -> Option<Bounds> {
    let mut lefts: Vec<f64> = taken.iter().map(|b| b.max.x).chain([0.0]).collect();
    let mut rights: Vec<f64> = taken.iter().map(|b| b.min.x).chain([size.x]).collect();
    for edges in [&mut lefts, &mut rights] {
        edges.retain(|x| (0.0..=size.x).contains(x));
        edges.sort_by(f64::total_cmp);
        edges.dedup();
    }
    let mut best: Option<(f64, Bounds)> = None;
    for &left in &lefts {
        for &right in &rights {
            let length = right - left;
            let most = length * size.y;
            if length < least.x || best.is_some_and(|(area, _)| most <= area) {
                continue;
            }
            let mut between: Vec<(f64, f64)> = taken
                .iter()
                .filter(|b| b.min.x < right && b.max.x > left)
                .map(|b| (b.min.y, b.max.y))
                .chain([(size.y, size.y)])
                .collect();
            between.sort_by(|a, b| a.0.total_cmp(&b.0));
            let mut low = 0.0_f64;
            for (from, to) in between {
                let width = from - low;
                let area = length * width;
                if width >= least.y && best.is_none_or(|(most, _)| area > most) {
                    let (min, max) = (point(left, low), point(right, from));
                    best = Some((area, Bounds { min, max }));
                }
                low = low.max(to);
            }
        }
    }
    best.map(|(_, bounds)| bounds)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn of(x: f64, y: f64, to_x: f64, to_y: f64) -> Bounds {
        Bounds {
            min: point(x, y),
            max: point(to_x, to_y),
        }
    }

    #[test]
    fn the_largest_free_rectangle_is_found() {
        let size = point(1000.0, 400.0);
        let least = point(200.0, 80.0);
        // Nothing lies there; a piece at the left; one more above it.
        assert_eq!(largest(&[], size, least), Some(of(0.0, 0.0, 1000.0, 400.0)));
        let left = of(30.0, 30.0, 600.0, 200.0);
        assert_eq!(
            largest(&[left], size, least),
            Some(of(0.0, 200.0, 1000.0, 400.0))
        );
        let above = of(30.0, 210.0, 700.0, 370.0);
        assert_eq!(
            largest(&[left, above], size, least),
            Some(of(700.0, 0.0, 1000.0, 400.0))
        );
        // 190 mm are too short to be kept.
        let longer = of(30.0, 210.0, 810.0, 370.0);
        assert_eq!(
            largest(&[left, longer], size, least),
            Some(of(600.0, 0.0, 1000.0, 210.0))
        );
        assert_eq!(largest(&[of(0.0, 0.0, 1000.0, 400.0)], size, least), None);
    }
}
