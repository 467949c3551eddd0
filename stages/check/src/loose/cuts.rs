//! Where the text cuts through, and what it leaves standing, at a place or along an edge.

use crate::Scene;
use crate::curves::around;
use crate::motions::Motion;
use grainway_geom::{Contour, Point, point};

/// Along an edge, tabs are looked for in steps of this, mm.
pub(super) const STEP_MM: f64 = 0.5;

/// Points along a closed contour at equal steps, with the unit normal outwards.
pub(crate) fn walk(outline: &Contour, n: usize) -> Vec<(Point, Point)> {
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

/// The text cuts through at `p`.
pub(super) fn through_at(scene: &Scene<'_>, p: Point, level: f64) -> bool {
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
pub(super) fn height_at(scene: &Scene<'_>, p: Point) -> f64 {
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
pub(crate) fn lowest_within(m: &Motion, p: Point, radius: f64) -> f64 {
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
