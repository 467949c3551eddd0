//! Path data.

use super::path::{Path, Piece};
use crate::curves::Curve;
use grainway_geom::{Point, Segment, point};
use std::f64::consts::TAU;
use svgtypes::{PathParser, PathSegment};

/// The runs of path data.
pub(super) fn runs(data: &str) -> Result<Vec<Path>, String> {
    let mut pen = Pen::default();
    for segment in PathParser::from(data) {
        let segment = segment.map_err(|e| format!("has path data that cannot be read: {e}"))?;
        pen.follow(segment);
    }
    pen.lift();
    Ok(pen.runs)
}

/// Where the data has come to.
#[derive(Default)]
struct Pen {
    runs: Vec<Path>,
    now: Path,
    at: Point,
    /// Where the run starts.
    start: Point,
    /// The last control point of the curve before, which a smooth one reflects; `None` where none of its kind came before.
    cubic: Option<Point>,
    quadratic: Option<Point>,
}

impl Pen {
    /// Ends the run.
    fn lift(&mut self) {
        let run = std::mem::take(&mut self.now);
        if !run.pieces.is_empty() {
            self.runs.push(run);
        }
    }
    fn line(&mut self, to: Point) -> Point {
        if self.at.distance(to) > 0.0 {
            self.now.pieces.push(Piece::line(self.at, to));
        }
        to
    }
    fn curve(&mut self, control: &[Point]) {
        self.now.pieces.push(Piece::Curved(Curve::bezier(control)));
    }
    fn follow(&mut self, segment: PathSegment) {
        let at = self.at;
        let base = match segment.is_abs() {
            true => Point::default(),
            false => at,
        };
        let there = |x: f64, y: f64| base + point(x, y);
        let (cubic, quadratic) = (self.cubic.take(), self.quadratic.take());
        self.at = match segment {
            PathSegment::MoveTo { x, y, .. } => {
                self.lift();
                self.start = there(x, y);
                self.start
            }
            PathSegment::ClosePath { .. } => {
                self.line(self.start);
                self.now.closed = true;
                self.lift();
                self.start
            }
            PathSegment::LineTo { x, y, .. } => self.line(there(x, y)),
            PathSegment::HorizontalLineTo { x, .. } => self.line(point(base.x + x, at.y)),
            PathSegment::VerticalLineTo { y, .. } => self.line(point(at.x, base.y + y)),
            PathSegment::CurveTo {
                x1,
                y1,
                x2,
                y2,
                x,
                y,
                ..
            } => self.cubic(there(x1, y1), there(x2, y2), there(x, y)),
            PathSegment::SmoothCurveTo { x2, y2, x, y, .. } => {
                let first = cubic.map_or(at, |c| at * 2.0 - c);
                self.cubic(first, there(x2, y2), there(x, y))
            }
            PathSegment::Quadratic { x1, y1, x, y, .. } => {
                self.quadratic(there(x1, y1), there(x, y))
            }
            PathSegment::SmoothQuadratic { x, y, .. } => {
                let control = quadratic.map_or(at, |c| at * 2.0 - c);
                self.quadratic(control, there(x, y))
            }
            PathSegment::EllipticalArc {
                rx,
                ry,
                x_axis_rotation,
                large_arc,
                sweep,
                x,
                y,
                ..
            } => {
                let (to, turn) = (there(x, y), x_axis_rotation.to_radians());
                let piece = arc(at, to, [rx, ry], turn, large_arc, sweep);
                self.now.pieces.extend(piece);
                to
            }
        };
    }
    fn cubic(&mut self, first: Point, second: Point, to: Point) -> Point {
        self.curve(&[self.at, first, second, to]);
        self.cubic = Some(second);
        to
    }
    fn quadratic(&mut self, control: Point, to: Point) -> Point {
        self.curve(&[self.at, control, to]);
        self.quadratic = Some(control);
        to
    }
}

/// An elliptical arc from its end points (SVG 2, appendix B.2.4). `None` when it has no length.
fn arc(a: Point, b: Point, radii: [f64; 2], turn: f64, large: bool, sweep: bool) -> Option<Piece> {
    let straight = Piece::line(a, b);
    if a.distance(b) <= 0.0 {
        return None;
    }
    let [mut rx, mut ry] = radii.map(f64::abs);
    if rx <= 0.0 || ry <= 0.0 {
        return Some(straight);
    }
    let half = ((a - b) * 0.5).rotated(-turn);
    let too_small = (half.x / rx).powi(2) + (half.y / ry).powi(2);
    if too_small > 1.0 {
        rx *= too_small.sqrt();
        ry *= too_small.sqrt();
    }
    let (x2, y2) = (half.x * half.x, half.y * half.y);
    let under = (rx * rx * ry * ry - rx * rx * y2 - ry * ry * x2) / (rx * rx * y2 + ry * ry * x2);
    let k = under.max(0.0).sqrt() * if large == sweep { -1.0 } else { 1.0 };
    let centre_own = point(k * rx * half.y / ry, -k * ry * half.x / rx);
    let centre = centre_own.rotated(turn) + a.lerp(b, 0.5);
    let angle = |p: Point| (p.y / ry).atan2(p.x / rx);
    let from = angle(half - centre_own);
    let to = angle(-half - centre_own);
    let mut swept = (to - from).rem_euclid(TAU);
    if !sweep {
        swept -= TAU;
    }
    if swept.abs() < 1e-12 {
        return Some(straight);
    }
    Some(if (rx - ry).abs() <= 1e-9 * rx {
        Piece::Straight(Segment::from_bulge(a, b, (swept / 4.0).tan()))
    } else {
        Piece::Curved(Curve::Ellipse {
            centre,
            u: point(rx, 0.0).rotated(turn),
            v: point(0.0, ry).rotated(turn),
            from,
            sweep: swept,
        })
    })
}
