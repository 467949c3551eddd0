//! Ellipses, splines and Bézier curves as lines and arcs that meet in the same direction.
//!
//! A curve is followed by pairs of arcs (biarcs) that share the curve's place and direction at both ends, halved until each stays
//! within the import tolerance. Nothing here knows a file format.

use grainway_geom::{Point, Segment, point};
use grainway_pipeline::tolerance::IMPORT_MM;
use std::f64::consts::{FRAC_PI_2, PI, TAU};

/// The share of the tolerance that sampled points may use; the rest covers what lies between the samples.
const SAMPLED_SHARE: f64 = 0.8;
/// Places at which a piece is compared with its biarc.
const SAMPLES: u32 = 17;
/// What lies farther than this is refused in every unit that a drawing may have.
const FARTHEST: f64 = 1e9;
/// A piece is halved at most so often: a 20 m curve is then down to 0.02 mm.
const MAX_HALVINGS: u32 = 20;
/// Arcs of a biarc sweep at most this, radians: beyond it a biarc may leave the curve between samples.
const MAX_SWEEP: f64 = 2.2;
/// Two axes of an ellipse that differ by less than this share make a circle.
const ROUND: f64 = 1e-9;

/// A smooth curve over 0..=1.
#[derive(Clone, Debug, PartialEq)]
pub enum Curve {
    /// `centre + u·cos + v·sin` of an angle from `from`, turning by `sweep` radians.
    Ellipse {
        centre: Point,
        u: Point,
        v: Point,
        from: f64,
        sweep: f64,
    },
    /// A Bézier curve by its control points (x·w, y·w, w).
    Bezier(Vec<[f64; 3]>),
}

impl Curve {
    /// A plain Bézier curve.
    pub fn bezier(points: &[Point]) -> Curve {
        Curve::Bezier(points.iter().map(|p| [p.x, p.y, 1.0]).collect())
    }
    /// The points that a curve is drawn by, where one of them is too far away to be cut: halving it would never come within a tolerance.
    fn far_away(&self) -> Option<Vec<Point>> {
        let points: Vec<Point> = match self {
            Curve::Ellipse { .. } => [0.0, 0.5, 1.0].map(|t| self.at(t)).to_vec(),
            Curve::Bezier(control) => {
                let plain = |[x, y, w]: &[f64; 3]| point(x / w, y / w);
                control.iter().map(plain).collect()
            }
        };
        let far = |p: &Point| !(p.x.abs() <= FARTHEST && p.y.abs() <= FARTHEST);
        points.iter().any(far).then_some(points)
    }
    fn at(&self, t: f64) -> Point {
        match self {
            Curve::Ellipse {
                centre,
                u,
                v,
                from,
                sweep,
            } => {
                let (s, c) = (from + sweep * t).sin_cos();
                *centre + *u * c + *v * s
            }
            Curve::Bezier(control) => {
                let [x, y, w] = casteljau(control, t).0;
                point(x / w, y / w)
            }
        }
    }
    /// Unit direction of travel. Where the derivative vanishes (repeated control points) the direction to a near point is taken.
    fn direction(&self, t: f64) -> Option<Point> {
        let derivative = match self {
            Curve::Ellipse {
                u, v, from, sweep, ..
            } => {
                let (s, c) = (from + sweep * t).sin_cos();
                (*v * c - *u * s) * *sweep
            }
            Curve::Bezier(control) => {
                let ([x, y, w], [dx, dy, dw]) = casteljau(control, t);
                point((dx * w - x * dw) / (w * w), (dy * w - y * dw) / (w * w))
            }
        };
        let extent = self.at(0.0).distance(self.at(0.5)) + self.at(0.5).distance(self.at(1.0));
        if derivative.length() > 1e-9 * extent {
            return derivative.normalized();
        }
        [1e-4, 1e-3, 1e-2].into_iter().find_map(|h| {
            let (a, b) = if t < 0.5 { (t, t + h) } else { (t - h, t) };
            let d = self.at(b) - self.at(a);
            (d.length() > 1e-12 * extent)
                .then(|| d.normalized())
                .flatten()
        })
    }
}

/// Point and derivative by repeated halving ratios.
fn casteljau(control: &[[f64; 3]], t: f64) -> ([f64; 3], [f64; 3]) {
    let mut c = control.to_vec();
    let n = c.len();
    let mix = |a: [f64; 3], b: [f64; 3]| -> [f64; 3] {
        std::array::from_fn(|k| a[k] + (b[k] - a[k]) * t)
    };
    let mut derivative = [0.0; 3];
    for level in 1..n {
        if level + 1 == n {
            derivative = std::array::from_fn(|k| (c[1][k] - c[0][k]) * (n - 1) as f64);
        }
        for i in 0..n - level {
            c[i] = mix(c[i], c[i + 1]);
        }
    }
    (c[0], derivative)
}

/// Lines and arcs along the curves, each of which starts where the one before ends, within the import tolerance.
pub fn follow(curves: &[Curve]) -> Vec<Segment> {
    let mut out = Vec::new();
    for curve in curves {
        if let Some(far) = curve.far_away() {
            let lines = far.windows(2);
            out.extend(lines.map(|w| Segment::Line { a: w[0], b: w[1] }));
            continue;
        }
        for (from, to) in natural_pieces(curve) {
            fit(curve, from, to, MAX_HALVINGS, &mut out);
        }
    }
    merge_equal(out)
}

/// An ellipse is divided at the ends of its axes, where its curvature turns round; a Bézier curve in halves, so that a loop cannot
/// hide between two equal ends.
fn natural_pieces(curve: &Curve) -> Vec<(f64, f64)> {
    let mut cuts = vec![0.0];
    match curve {
        Curve::Ellipse {
            u, v, from, sweep, ..
        } => {
            let axis = 0.5 * (2.0 * u.dot(*v)).atan2(u.dot(*u) - v.dot(*v));
            let round = (u.length() - v.length()).abs() <= ROUND * u.length()
                && u.dot(*v).abs() <= ROUND * u.dot(*u);
            let (low, high) = if *sweep > 0.0 {
                (*from, from + sweep)
            } else {
                (from + sweep, *from)
            };
            let mut inner: Vec<f64> = Vec::new();
            if !round && sweep.is_finite() {
                let mut angle = axis + ((low - axis) / FRAC_PI_2).ceil() * FRAC_PI_2;
                while angle < high {
                    inner.push((angle - from) / sweep);
                    angle += FRAC_PI_2;
                }
            } else {
                inner.extend([0.25, 0.5, 0.75]);
            }
            inner.retain(|t| *t > 1e-9 && *t < 1.0 - 1e-9);
            inner.sort_by(f64::total_cmp);
            cuts.extend(inner);
        }
        Curve::Bezier(control) if control.len() > 2 => cuts.push(0.5),
        Curve::Bezier(_) => {}
    }
    cuts.push(1.0);
    cuts.windows(2).map(|w| (w[0], w[1])).collect()
}

fn fit(curve: &Curve, from: f64, to: f64, halvings: u32, out: &mut Vec<Segment>) {
    let (a, b) = (curve.at(from), curve.at(to));
    let middle = 0.5 * (from + to);
    if a.distance(b) < 1e-9 && a.distance(curve.at(middle)) < 1e-9 {
        return;
    }
    if let (Some(ta), Some(tb)) = (curve.direction(from), curve.direction(to)) {
        let single = tangent_arc(a, ta, b)
            .filter(|s| s.direction(1.0).is_some_and(|d| d.distance(tb) < 1e-6));
        if let Some(s) = single
            && near(curve, from, to, &[s])
        {
            out.push(s);
            return;
        }
        if let Some(pair) = biarc(a, ta, b, tb)
            && (near(curve, from, to, &pair) || halvings == 0)
        {
            out.extend(pair);
            return;
        }
    }
    if halvings == 0 {
        out.push(Segment::Line { a, b });
        return;
    }
    fit(curve, from, middle, halvings - 1, out);
    fit(curve, middle, to, halvings - 1, out);
}

/// All sampled points of the piece lie near the segments, and the middles of the segments near the piece's samples in order.
fn near(curve: &Curve, from: f64, to: f64, segments: &[Segment]) -> bool {
    (1..SAMPLES).all(|i| {
        let p = curve.at(from + (to - from) * f64::from(i) / f64::from(SAMPLES));
        segments
            .iter()
            .any(|s| s.distance(p) <= IMPORT_MM * SAMPLED_SHARE)
    })
}

/// The arc (or line) from `a`, leaving along `direction`, to `b`.
pub fn tangent_arc(a: Point, direction: Point, b: Point) -> Option<Segment> {
    let chord = b - a;
    // The arc turns by twice the angle from its first direction to its chord.
    let half = direction.cross(chord).atan2(direction.dot(chord));
    if 2.0 * half.abs() > MAX_SWEEP || chord.length() <= 0.0 {
        return None;
    }
    Some(Segment::from_bulge(a, b, (half / 2.0).tan()))
}

/// Two arcs from `a` along `ta` to `b` along `tb` that meet in one direction, both of equal tangent length.
fn biarc(a: Point, ta: Point, b: Point, tb: Point) -> Option<[Segment; 2]> {
    let v = b - a;
    let t = ta + tb;
    let denominator = 2.0 * (1.0 - ta.dot(tb));
    let vt = v.dot(t);
    let length = if denominator.abs() < 1e-12 {
        let along = v.dot(tb);
        if along <= 0.0 {
            return None;
        }
        v.dot(v) / (4.0 * along)
    } else {
        (-vt + (vt * vt + denominator * v.dot(v)).sqrt()) / denominator
    };
    if !(length.is_finite() && length > 0.0) {
        return None;
    }
    let joint = (a + b + (ta - tb) * length) * 0.5;
    let first = tangent_arc(a, ta, joint)?;
    let second = tangent_arc(b, -tb, joint)?.reversed();
    Some([first, second])
}

/// Neighbours on one circle, turning one way, become one arc, and neighbours on one line one line.
pub fn merge_equal(segments: Vec<Segment>) -> Vec<Segment> {
    let mut out: Vec<Segment> = Vec::with_capacity(segments.len());
    for s in segments {
        let merged = out.last().and_then(|last| merged(last, &s));
        match (merged, out.last_mut()) {
            (Some(m), Some(last)) => *last = m,
            _ => out.push(s),
        }
    }
    out
}

/// How far two circles may differ to count as one, mm: a hundredth of the import tolerance, so that many merges stay within it.
const SAME_CIRCLE_MM: f64 = 1e-4;

fn merged(first: &Segment, second: &Segment) -> Option<Segment> {
    match (*first, *second) {
        (
            Segment::Arc {
                a,
                centre,
                radius,
                sweep,
                ..
            },
            Segment::Arc {
                b,
                centre: c2,
                radius: r2,
                sweep: s2,
                ..
            },
        ) => {
            let one =
                centre.distance(c2) <= SAME_CIRCLE_MM && (radius - r2).abs() <= SAME_CIRCLE_MM;
            let turn = sweep + s2;
            if !one || sweep * s2 <= 0.0 || turn.abs() > TAU + 1e-9 {
                return None;
            }
            if turn.abs() > TAU - 1e-6 {
                return Some(Segment::arc_about(centre, a, TAU * turn.signum()));
            }
            // A bulge grows beyond bounds towards a full turn; such arcs stay in two pieces.
            (turn.abs() < 1.9 * PI).then(|| Segment::from_bulge(a, b, (turn / 4.0).tan()))
        }
        _ => None,
    }
}

/// Bézier pieces of a spline of this degree; one group for every run between kinks is not needed, since each piece keeps its own
/// directions. `control` is (x·w, y·w, w). The error is one sentence.
pub fn spline(degree: usize, knots: &[f64], control: &[[f64; 3]]) -> Result<Vec<Curve>, String> {
    let n = control.len();
    if degree == 0 || degree > 15 {
        return Err(format!("its degree is {degree}"));
    }
    if n < degree + 1 {
        return Err(format!(
            "it has {n} control points, too few for degree {degree}"
        ));
    }
    if knots.len() != n + degree + 1 {
        return Err(format!(
            "it has {} knots where {} belong to its {n} control points",
            knots.len(),
            n + degree + 1
        ));
    }
    if knots
        .windows(2)
        .any(|w| !w[0].is_finite() || !w[1].is_finite() || w[0] > w[1])
    {
        return Err("its knots do not ascend".to_string());
    }
    if control.iter().any(|c| c[2].is_nan() || c[2] <= 0.0) {
        return Err("a weight is not positive".to_string());
    }
    let span = knots[n] - knots[degree];
    let mut curves = Vec::new();
    for k in degree..n {
        let (low, high) = (knots[k], knots[k + 1]);
        if high - low <= 1e-12 * span {
            continue;
        }
        // The j-th control point of the piece is the spline's blossom at (low × (degree − j), high × j).
        let piece = (0..=degree)
            .map(|j| {
                blossom(k, degree, knots, control, |level| {
                    if level < degree - j { low } else { high }
                })
            })
            .collect();
        curves.push(Curve::Bezier(piece));
    }
    if curves.is_empty() {
        return Err("its knots span nothing".to_string());
    }
    Ok(curves)
}

fn blossom(
    k: usize,
    degree: usize,
    knots: &[f64],
    control: &[[f64; 3]],
    argument: impl Fn(usize) -> f64,
) -> [f64; 3] {
    let mut d: Vec<[f64; 3]> = control[k - degree..=k].to_vec();
    for level in 1..=degree {
        let at = argument(level - 1);
        for j in (level..=degree).rev() {
            let i = k - degree + j;
            let width = knots[i + degree - level + 1] - knots[i];
            let share = if width > 0.0 {
                (at - knots[i]) / width
            } else {
                0.0
            };
            d[j] = std::array::from_fn(|c| d[j - 1][c] * (1.0 - share) + d[j][c] * share);
        }
    }
    d[degree]
}

#[cfg(test)]
mod tests {
    use super::*;
    use grainway_geom::Contour;

    fn greatest_kink(segments: &[Segment]) -> f64 {
        segments
            .windows(2)
            .filter_map(|w| Some(w[0].direction(1.0)?.distance(w[1].direction(0.0)?)))
            .fold(0.0, f64::max)
    }

    fn greatest_gap(curve: &Curve, segments: &[Segment]) -> f64 {
        (0..=4000)
            .map(|i| curve.at(f64::from(i) / 4000.0))
            .map(|p| {
                segments
                    .iter()
                    .map(|s| s.distance(p))
                    .fold(f64::INFINITY, f64::min)
            })
            .fold(0.0, f64::max)
    }

    #[test]
    fn a_point_out_of_reach_is_not_closed_in_on() {
        let bezier = [
            point(170.0, 230.0),
            point(-1e308, 200.0),
            point(185.0, 140.0),
            point(170.0, 110.0),
        ];
        let ellipse = Curve::Ellipse {
            centre: point(0.0, 0.0),
            u: point(1e300, 0.0),
            v: point(0.0, 5.0),
            from: 0.0,
            sweep: 3.0,
        };
        for curve in [Curve::bezier(&bezier), ellipse] {
            let segments = follow(&[curve]);
            assert!(segments.len() <= bezier.len(), "{}", segments.len());
            // Far enough to be refused.
            assert!(
                segments
                    .iter()
                    .any(|s| s.end().x.abs() > FARTHEST || s.start().x.abs() > FARTHEST)
            );
        }
    }

    #[test]
    fn ellipse_has_the_area_of_the_formula() {
        // docs/references.md, section DXF: major (10, 0), ratio 0.5, whole: area 50π = 157.079633.
        let curve = Curve::Ellipse {
            centre: point(0.0, 0.0),
            u: point(10.0, 0.0),
            v: point(0.0, 5.0),
            from: 0.0,
            sweep: TAU,
        };
        // The parameter is not an angle: at 45° the point is (7.071068, 3.535534).
        assert!(curve.at(0.125).distance(point(7.071_068, 3.535_534)) < 1e-6);
        let segments = follow(std::slice::from_ref(&curve));
        assert!(greatest_gap(&curve, &segments) <= IMPORT_MM);
        assert!(
            greatest_kink(&segments) < 1e-7,
            "{}",
            greatest_kink(&segments)
        );
        let area = Contour::from_segments(&segments, true).area();
        // The area may differ by the tolerance along the perimeter of 48.4 mm at most.
        assert!((area - 157.079_633).abs() < 48.4 * IMPORT_MM, "{area}");
        assert!(segments.len() <= 32, "{}", segments.len());
        assert!(segments.iter().all(|s| matches!(s, Segment::Arc { .. })));
    }

    #[test]
    fn cubic_spline_passes_the_known_point() {
        // docs/references.md, section DXF: knots 0⁴ 1⁴, points (0,0) (0,1) (1,1) (1,0): middle (0.5, 0.75), area to the x axis 0.6.
        let scale = 100.0;
        let control: Vec<[f64; 3]> = [[0.0, 0.0], [0.0, 1.0], [1.0, 1.0], [1.0, 0.0]]
            .map(|[x, y]| [x * scale, y * scale, 1.0])
            .to_vec();
        let curves = spline(3, &[0.0, 0.0, 0.0, 0.0, 1.0, 1.0, 1.0, 1.0], &control).unwrap();
        assert_eq!(curves.len(), 1);
        assert!(curves[0].at(0.5).distance(point(50.0, 75.0)) < 1e-9);
        let mut segments = follow(&curves);
        assert!(greatest_gap(&curves[0], &segments) <= IMPORT_MM);
        assert!(greatest_kink(&segments) < 1e-7);
        let (a, b) = (point(100.0, 0.0), point(0.0, 0.0));
        segments.push(Segment::Line { a, b });
        let area = Contour::from_segments(&segments, true).area();
        assert!((area + 6000.0).abs() < 200.0 * IMPORT_MM, "{area}");
    }

    #[test]
    fn rational_quadratic_circle_is_one_true_circle() {
        // docs/references.md, section DXF: nine points, weights 1, √½, …, knots 0 0 0 1 1 2 2 3 3 4 4 4: all points at radius r.
        let (r, h) = (25.0, 0.5_f64.sqrt());
        let corner = [
            (1, 0),
            (1, 1),
            (0, 1),
            (-1, 1),
            (-1, 0),
            (-1, -1),
            (0, -1),
            (1, -1),
            (1, 0),
        ];
        let control: Vec<[f64; 3]> = corner
            .iter()
            .enumerate()
            .map(|(i, (x, y))| {
                let w = if i % 2 == 1 { h } else { 1.0 };
                [f64::from(*x) * r * w, f64::from(*y) * r * w, w]
            })
            .collect();
        let curves = spline(
            2,
            &[0.0, 0.0, 0.0, 1.0, 1.0, 2.0, 2.0, 3.0, 3.0, 4.0, 4.0, 4.0],
            &control,
        )
        .unwrap();
        for c in &curves {
            for i in 0..=20 {
                assert!((c.at(f64::from(i) / 20.0).length() - r).abs() < 1e-12 * r);
            }
        }
        let segments = follow(&curves);
        assert!((Contour::from_segments(&segments, true).area() - PI * r * r).abs() < 1e-6);
        for s in &segments {
            let Segment::Arc { centre, radius, .. } = s else {
                panic!("{s:?}")
            };
            assert!(centre.length() < 1e-6 && (radius - r).abs() < 1e-6);
        }
    }

    #[test]
    fn straight_and_degenerate_curves() {
        let line = follow(&[Curve::bezier(&[
            point(0.0, 0.0),
            point(1.0, 0.0),
            point(2.0, 0.0),
            point(9.0, 0.0),
        ])]);
        assert!(line.iter().all(|s| s.bulge().abs() < 1e-9));
        assert!((line.iter().map(Segment::length).sum::<f64>() - 9.0).abs() < 1e-9);
        // Repeated end points: the derivative vanishes there.
        let curve = Curve::bezier(&[
            point(0.0, 0.0),
            point(0.0, 0.0),
            point(30.0, 20.0),
            point(30.0, 20.0),
        ]);
        assert!(greatest_gap(&curve, &follow(std::slice::from_ref(&curve))) <= IMPORT_MM);
        // A cusp and a loop.
        for control in [
            [
                point(0.0, 0.0),
                point(50.0, 50.0),
                point(0.0, 50.0),
                point(50.0, 0.0),
            ],
            [
                point(0.0, 0.0),
                point(90.0, 50.0),
                point(-40.0, 50.0),
                point(50.0, 0.0),
            ],
        ] {
            let curve = Curve::bezier(&control);
            let segments = follow(std::slice::from_ref(&curve));
            assert!(greatest_gap(&curve, &segments) <= IMPORT_MM, "{control:?}");
            assert!(segments.len() < 200);
        }
        assert!(follow(&[Curve::bezier(&[point(1.0, 1.0); 4])]).is_empty());
    }

    #[test]
    fn bad_splines_are_sentences() {
        let control = [[0.0, 0.0, 1.0], [1.0, 0.0, 1.0], [1.0, 1.0, 1.0]];
        assert!(
            spline(3, &[0.0; 7], &control)
                .unwrap_err()
                .contains("too few")
        );
        assert!(
            spline(2, &[0.0; 5], &control)
                .unwrap_err()
                .contains("knots")
        );
        assert!(
            spline(2, &[0.0, 0.0, 0.0, 1.0, 0.5, 1.0], &control)
                .unwrap_err()
                .contains("ascend")
        );
        assert!(
            spline(2, &[0.0; 6], &control)
                .unwrap_err()
                .contains("span nothing")
        );
        assert!(spline(2, &[0.0, f64::NAN, 0.0, 1.0, 1.0, 1.0], &control).is_err());
    }
}
