//! Shapes described in the job, and blanks with tenons, as contours. Every number is checked; every problem is a finding with its
//! JSON Pointer.

use crate::entity::FARTHEST_MM;
use grainway_geom::{Bounds, Contour, Placing, Point, Vertex, point};
use grainway_pipeline::doc::{
    BlankDoc, ContourPoint, ContourShape, Edge, End, Length, Pointer, RectangleShape, Shape,
    SlotShape, Tenon,
};
use grainway_pipeline::finding::{CodeInfo, Finding, code};

/// Collects findings about a document.
#[derive(Debug, Default)]
pub struct Problems {
    /// In the order in which they were found.
    pub findings: Vec<Finding>,
    /// The part they concern.
    pub part: Option<String>,
}

impl Problems {
    /// Adds a finding about the place in the document.
    pub fn say(&mut self, info: &'static CodeInfo, pointer: &Pointer, message: impl Into<String>) {
        let mut f = Finding::new(info, message).pointer(pointer.clone());
        f.part.clone_from(&self.part);
        self.findings.push(f);
    }
    /// A length above zero that a workshop can mean.
    pub fn positive(&mut self, length: Length, pointer: &Pointer, what: &str) -> Option<f64> {
        let mm = length.mm();
        if mm.is_finite() && mm > 0.0 && mm <= FARTHEST_MM {
            return Some(mm);
        }
        let range = format!("it must be above 0 and at most {} m", FARTHEST_MM / 1000.0);
        self.say(
            &code::BAD_NUMBER,
            pointer,
            format!("The {what} is {}; {range}.", show(mm)),
        );
        None
    }
    /// A length of zero or more.
    pub fn not_negative(&mut self, length: Length, pointer: &Pointer, what: &str) -> Option<f64> {
        let mm = length.mm();
        if mm.is_finite() && (0.0..=FARTHEST_MM).contains(&mm) {
            return Some(mm);
        }
        let range = format!(
            "it must be 0 or more and at most {} m",
            FARTHEST_MM / 1000.0
        );
        self.say(
            &code::BAD_NUMBER,
            pointer,
            format!("The {what} is {}; {range}.", show(mm)),
        );
        None
    }
    /// A coordinate.
    fn coordinate(&mut self, length: Length, pointer: &Pointer) -> Option<f64> {
        let mm = length.mm();
        if mm.is_finite() && mm.abs() <= FARTHEST_MM {
            return Some(mm);
        }
        let range = format!("it must lie within {} m of zero", FARTHEST_MM / 1000.0);
        self.say(
            &code::BAD_NUMBER,
            pointer,
            format!("A coordinate is {}; {range}.", show(mm)),
        );
        None
    }
    /// A point within reach of the origin.
    pub fn place(&mut self, at: [Length; 2], pointer: &Pointer) -> Option<Point> {
        let x = self.coordinate(at[0], &pointer.step(0));
        let y = self.coordinate(at[1], &pointer.step(1));
        Some(point(x?, y?))
    }
    fn plain_number(
        &mut self,
        value: f64,
        pointer: &Pointer,
        what: &str,
        most: f64,
    ) -> Option<f64> {
        if value.is_finite() && value.abs() <= most {
            return Some(value);
        }
        self.say(
            &code::BAD_NUMBER,
            pointer,
            format!("The {what} is {value}; it must be a number of at most {most} either way."),
        );
        None
    }
}

/// A length for people: "12.7 mm".
pub fn show(mm: f64) -> String {
    format!("{} mm", (mm * 1000.0).round() / 1000.0 + 0.0)
}

/// The contours of a shape: one, or several circles. Empty when something is wrong with it, which is then a finding.
///
/// `part` is the box of the part, over whose edge bands run out by `run_out` mm.
pub fn contours(
    shape: &Shape,
    part: Bounds,
    run_out: f64,
    pointer: &Pointer,
    problems: &mut Problems,
) -> Vec<Contour> {
    let made = match shape {
        Shape::Circles(s) => {
            let diameter = problems.positive(
                s.diameter,
                &pointer.step("circles").step("diameter"),
                "diameter",
            );
            if s.at.is_empty() {
                problems.say(
                    &code::DOCUMENT_INVALID,
                    &pointer.step("circles").step("at"),
                    "There is no centre in the list.",
                );
            }
            let centres: Vec<Option<Point>> =
                s.at.iter()
                    .enumerate()
                    .map(|(i, at)| problems.place(*at, &pointer.step("circles").step("at").step(i)))
                    .collect();
            match (
                diameter,
                centres.into_iter().collect::<Option<Vec<Point>>>(),
            ) {
                (Some(d), Some(centres)) => centres
                    .into_iter()
                    .map(|c| Contour::circle(c, d / 2.0))
                    .collect(),
                _ => Vec::new(),
            }
        }
        other => single(other, part, run_out, pointer, problems)
            .into_iter()
            .collect(),
    };
    made.into_iter().map(|c| c.oriented(true)).collect()
}

fn single(
    shape: &Shape,
    part: Bounds,
    run_out: f64,
    pointer: &Pointer,
    problems: &mut Problems,
) -> Option<Contour> {
    match shape {
        Shape::Rectangle(s) => rectangle(s, &pointer.step("rectangle"), problems),
        Shape::Circle(s) => {
            let at = problems.place(s.at, &pointer.step("circle").step("at"));
            let d = problems.positive(
                s.diameter,
                &pointer.step("circle").step("diameter"),
                "diameter",
            );
            Some(Contour::circle(at?, d? / 2.0))
        }
        Shape::Circles(_) => None,
        Shape::Slot(s) => slot(s, &pointer.step("slot"), problems),
        Shape::Contour(s) => contour(s, &pointer.step("contour"), problems),
        Shape::Across(s) => {
            let p = pointer.step("across");
            let (low, high) = band(problems, s.at, s.width, &p)?;
            let limits = (part.min.y - run_out, part.max.y + run_out);
            let (from, to) = stretch(problems, s.from, s.to, limits, &p)?;
            Some(Contour::rectangle(point(low, from), point(high, to), 0.0))
        }
        Shape::Along(s) => {
            let p = pointer.step("along");
            let (low, high) = band(problems, s.at, s.width, &p)?;
            let limits = (part.min.x - run_out, part.max.x + run_out);
            let (from, to) = stretch(problems, s.from, s.to, limits, &p)?;
            Some(Contour::rectangle(point(from, low), point(to, high), 0.0))
        }
        Shape::AtEnd(s) => {
            let length =
                problems.positive(s.length, &pointer.step("at-end").step("length"), "length")?;
            let (low, high) = match s.end {
                End::Left => (part.min.x - run_out, part.min.x + length),
                End::Right => (part.max.x - length, part.max.x + run_out),
            };
            Some(Contour::rectangle(
                point(low, part.min.y - run_out),
                point(high, part.max.y + run_out),
                0.0,
            ))
        }
        Shape::AtEdge(s) => {
            let width =
                problems.positive(s.width, &pointer.step("at-edge").step("width"), "width")?;
            let (low, high) = match s.edge {
                Edge::Near => (part.min.y - run_out, part.min.y + width),
                Edge::Far => (part.max.y - width, part.max.y + run_out),
            };
            Some(Contour::rectangle(
                point(part.min.x - run_out, low),
                point(part.max.x + run_out, high),
                0.0,
            ))
        }
    }
}

fn rectangle(s: &RectangleShape, pointer: &Pointer, problems: &mut Problems) -> Option<Contour> {
    let at = problems.place(s.at, &pointer.step("at"));
    let x = problems.positive(s.size[0], &pointer.step("size").step(0), "size along x");
    let y = problems.positive(s.size[1], &pointer.step("size").step(1), "size along y");
    let corner = problems.not_negative(s.corner, &pointer.step("corner"), "corner radius");
    let angle = problems.plain_number(s.angle, &pointer.step("angle"), "angle", 360.0);
    let (at, x, y, corner, angle) = (at?, x?, y?, corner?, angle?);
    if corner > 0.5 * x.min(y) + 1e-9 {
        let message = format!(
            "The corner radius {} is more than half of the rectangle's lesser side.",
            show(corner)
        );
        problems.say(&code::BAD_NUMBER, &pointer.step("corner"), message);
        return None;
    }
    let flat = Contour::rectangle(point(0.0, 0.0), point(x, y), corner);
    Some(flat.placed(&Placing {
        at,
        angle: angle.to_radians(),
    }))
}

fn slot(s: &SlotShape, pointer: &Pointer, problems: &mut Problems) -> Option<Contour> {
    let from = problems.place(s.from, &pointer.step("from"));
    let to = problems.place(s.to, &pointer.step("to"));
    let width = problems.positive(s.width, &pointer.step("width"), "width");
    let (from, to, width) = (from?, to?, width?);
    let Some(along) = (to - from).normalized() else {
        problems.say(
            &code::BAD_NUMBER,
            &pointer.step("to"),
            "The slot's two ends are one point; give a circle instead.",
        );
        return None;
    };
    let side = along.left() * (width / 2.0);
    let v = |at: Point, bulge: f64| Vertex { at, bulge };
    let vertices = vec![
        v(from - side, 0.0),
        v(to - side, 1.0),
        v(to + side, 0.0),
        v(from + side, 1.0),
    ];
    Some(Contour {
        vertices,
        closed: true,
    })
}

fn band(
    problems: &mut Problems,
    at: Length,
    width: Length,
    pointer: &Pointer,
) -> Option<(f64, f64)> {
    let at = problems.coordinate(at, &pointer.step("at"));
    let width = problems.positive(width, &pointer.step("width"), "width");
    let (at, width) = (at?, width?);
    Some((at - width / 2.0, at + width / 2.0))
}

fn stretch(
    problems: &mut Problems,
    from: Option<Length>,
    to: Option<Length>,
    limits: (f64, f64),
    pointer: &Pointer,
) -> Option<(f64, f64)> {
    let from = match from {
        Some(l) => problems.coordinate(l, &pointer.step("from"))?,
        None => limits.0,
    };
    let to = match to {
        Some(l) => problems.coordinate(l, &pointer.step("to"))?,
        None => limits.1,
    };
    if to - from <= 0.0 {
        problems.say(
            &code::BAD_NUMBER,
            pointer,
            format!(
                "The band starts at {} and stops at {}.",
                show(from),
                show(to)
            ),
        );
        return None;
    }
    Some((from, to))
}

/// A corner of a described contour: where, bulge of the piece after it, rounding radius in mm.
type Corner = (Point, f64, f64);

fn corners(s: &ContourShape, pointer: &Pointer, problems: &mut Problems) -> Option<Vec<Corner>> {
    let full: Vec<(Option<Point>, f64, f64)> = s
        .points
        .iter()
        .enumerate()
        .map(|(i, p)| {
            let here = pointer.step("points").step(i);
            match p {
                ContourPoint::Plain(at) => (problems.place(*at, &here), 0.0, 0.0),
                ContourPoint::Full(p) => {
                    let at = problems.place(p.at, &here.step("at"));
                    // A bulge of 57 is an arc of 356°; more is a drawing fault.
                    let bulge = problems.plain_number(p.bulge, &here.step("bulge"), "bulge", 57.0);
                    let round =
                        problems.not_negative(p.round, &here.step("round"), "rounding radius");
                    (
                        at.filter(|_| bulge.is_some() && round.is_some()),
                        p.bulge,
                        p.round.mm(),
                    )
                }
            }
        })
        .collect();
    full.iter()
        .map(|(at, b, r)| at.map(|at| (at, *b, *r)))
        .collect()
}

/// The vertices of a contour whose corners are rounded where they say so.
fn rounded(
    points: &[Corner],
    closed: bool,
    pointer: &Pointer,
    problems: &mut Problems,
) -> Option<Vec<Vertex>> {
    let n = points.len();
    let mut vertices = Vec::with_capacity(n + 4);
    // How much of each edge the roundings at its two ends take.
    let mut taken = vec![0.0; n];
    for i in 0..n {
        let (at, bulge, round) = points[i];
        let here = pointer.step("points").step(i).step("round");
        if round <= 0.0 {
            vertices.push(Vertex { at, bulge });
            continue;
        }
        let last = i + 1 == n;
        let before = points[(i + n - 1) % n];
        let after = points[(i + 1) % n];
        let at_open_end = !closed && (i == 0 || last);
        if at_open_end || bulge.abs() > 0.0 || before.1.abs() > 0.0 {
            problems.say(
                &code::DOCUMENT_INVALID,
                &here,
                "Only a corner between two straight lines can be rounded.",
            );
            return None;
        }
        let (Some(din), Some(dout)) = ((at - before.0).normalized(), (after.0 - at).normalized())
        else {
            problems.say(
                &code::DOCUMENT_INVALID,
                &here,
                "A rounded corner lies on its neighbour.",
            );
            return None;
        };
        let turn = din.cross(dout).atan2(din.dot(dout));
        let tangent = round * (turn.abs() / 2.0).tan();
        if turn.abs() < 1e-9 {
            vertices.push(Vertex { at, bulge: 0.0 });
            continue;
        }
        taken[(i + n - 1) % n] += tangent;
        taken[i] += tangent;
        if !tangent.is_finite()
            || taken[(i + n - 1) % n] > at.distance(before.0) + 1e-9
            || tangent > at.distance(after.0) + 1e-9
            || (last && taken[i] > at.distance(after.0) + 1e-9)
        {
            problems.say(
                &code::BAD_NUMBER,
                &here,
                format!(
                    "The rounding radius {} does not fit its corner's edges.",
                    show(round)
                ),
            );
            return None;
        }
        vertices.push(Vertex {
            at: at - din * tangent,
            bulge: (turn / 4.0).tan(),
        });
        vertices.push(Vertex {
            at: at + dout * tangent,
            bulge: 0.0,
        });
    }
    Some(vertices)
}

fn contour(s: &ContourShape, pointer: &Pointer, problems: &mut Problems) -> Option<Contour> {
    let points = corners(s, pointer, problems)?;
    let least = match (s.closed, points.iter().any(|p| p.1.abs() > 0.0)) {
        (true, false) => 3,
        _ => 2,
    };
    if points.len() < least {
        problems.say(
            &code::DOCUMENT_INVALID,
            &pointer.step("points"),
            format!(
                "The contour has {} points; {least} are the fewest.",
                points.len()
            ),
        );
        return None;
    }
    let vertices = rounded(&points, s.closed, pointer, problems)?;
    let made = Contour {
        vertices,
        closed: s.closed,
    }
    .without_repeats(1e-9);
    if let Some(at) = crate::join::crossing(&made) {
        let mut f = Finding::new(&code::CONTOUR_SELF_CROSSING, "The contour crosses itself.")
            .pointer(pointer.clone())
            .at(at);
        f.part.clone_from(&problems.part);
        problems.findings.push(f);
        return None;
    }
    if made.is_empty() || (s.closed && made.area().abs() < 1e-6) {
        problems.say(
            &code::DOCUMENT_INVALID,
            &pointer.step("points"),
            "The contour encloses nothing.",
        );
        return None;
    }
    Some(made)
}

/// The outline of a blank: its rectangle, narrowed to the tenons at its ends. `by_joint` says where the tenons after the blank's own are
/// given.
pub fn blank(
    doc: &BlankDoc,
    pointer: &Pointer,
    by_joint: &[Pointer],
    problems: &mut Problems,
) -> Option<Contour> {
    let length = problems.positive(doc.length, &pointer.step("length"), "length");
    let width = problems.positive(doc.width, &pointer.step("width"), "width");
    if doc.dimensioned && !doc.tenons.is_empty() {
        let message =
            "A dimensioned blank has its outline already, so it cannot get tenons from it.";
        let at = by_joint.first().cloned();
        let at = at.unwrap_or_else(|| pointer.step("tenons"));
        problems.say(&code::DOCUMENT_INVALID, &at, message);
        return None;
    }
    let mut ends: [Vec<Cut>; 2] = [Vec::new(), Vec::new()];
    let mut fine = true;
    for (i, t) in doc.tenons.iter().enumerate() {
        let own = doc.tenons.len() - by_joint.len();
        let here = match i.checked_sub(own) {
            Some(k) => by_joint[k].clone(),
            None => pointer.step("tenons").step(i),
        };
        match tenon(t, width, &here, problems) {
            Some(cuts) => ends[usize::from(t.end == End::Right)].extend(cuts),
            None => fine = false,
        }
    }
    let (length, width) = (length?, width?);
    if !fine {
        return None;
    }
    for list in &mut ends {
        list.sort_by(|a, b| a.low.total_cmp(&b.low));
        for pair in list.windows(2) {
            let own = pair[0].joined == Some(Edge::Far) && pair[1].joined == Some(Edge::Near);
            if pair[1].low < pair[0].high + 1e-9 && !own {
                let message = format!(
                    "Two tenons of one end touch at {} from the near edge.",
                    show(pair[1].low)
                );
                problems.say(&code::BAD_NUMBER, &pair[1].pointer, message);
                fine = false;
            }
        }
    }
    let longest = |list: &[Cut]| list.iter().map(|c| c.length).fold(0.0, f64::max);
    let (left, right) = (longest(&ends[0]), length - longest(&ends[1]));
    if right - left <= 1e-6 {
        problems.say(
            &code::BAD_NUMBER,
            &pointer.step("length"),
            "The tenons take the whole length.",
        );
        fine = false;
    }
    if !fine {
        return None;
    }
    Some(narrowed(left, right, width, &ends))
}

/// A rectangle between two shoulders with tenons at its ends.
fn narrowed(left: f64, right: f64, width: f64, ends: &[Vec<Cut>; 2]) -> Contour {
    let mut points = vec![point(left, 0.0), point(right, 0.0)];
    points.extend(steps(&ends[1]).map(|(y, reach)| point(right + reach, y)));
    points.extend([point(right, width), point(left, width)]);
    let back: Vec<(f64, f64)> = steps(&ends[0]).collect();
    points.extend(back.iter().rev().map(|(y, reach)| point(left - reach, *y)));
    without_straight_corners(&Contour::polygon(points).without_repeats(1e-9))
}

/// Where an end with tenons has its corners, from the near edge on: y, and how far they stand before the shoulder.
fn steps(cuts: &[Cut]) -> impl Iterator<Item = (f64, f64)> + '_ {
    cuts.iter().enumerate().flat_map(|(i, c)| {
        let touches = |other: Option<&Cut>, y: f64| {
            other.is_some_and(|o| (o.low - y).abs() < 1e-9 || (o.high - y).abs() < 1e-9)
        };
        let before = i.checked_sub(1).and_then(|k| cuts.get(k));
        let from = (!touches(before, c.low)).then_some((c.low, 0.0));
        let to = (!touches(cuts.get(i + 1), c.high)).then_some((c.high, 0.0));
        let own = [(c.low, c.length), (c.high, c.length)];
        from.into_iter().chain(own).chain(to)
    })
}

/// A tenon or its haunch, which a blank's outline goes round.
struct Cut {
    low: f64,
    high: f64,
    length: f64,
    /// Which of its edges the other touches.
    joined: Option<Edge>,
    pointer: Pointer,
}

/// A tenon, and its haunch where it has one.
fn tenon(
    t: &Tenon,
    width: Option<f64>,
    pointer: &Pointer,
    problems: &mut Problems,
) -> Option<Vec<Cut>> {
    let length = problems.positive(t.length, &pointer.step("length"), "tenon's length");
    let own = problems.positive(t.width, &pointer.step("width"), "tenon's width");
    let offset = match t.offset {
        Some(o) => Some(problems.not_negative(o, &pointer.step("offset"), "tenon's offset")?),
        None => None,
    };
    let (length, own, width) = (length?, own?, width?);
    let low = offset.unwrap_or((width - own) / 2.0);
    let mut cuts = vec![Cut {
        low,
        high: low + own,
        length,
        joined: t.haunch.map(|h| h.edge),
        pointer: pointer.clone(),
    }];
    if let Some(h) = t.haunch {
        let pointer = pointer.step("haunch");
        let short = problems.positive(h.length, &pointer.step("length"), "haunch's length")?;
        let wide = problems.positive(h.width, &pointer.step("width"), "haunch's width")?;
        if short > length - 1e-9 {
            let message = format!(
                "The haunch is {} long, and its tenon {}; it must be shorter.",
                show(short),
                show(length)
            );
            problems.say(&code::BAD_NUMBER, &pointer.step("length"), message);
            return None;
        }
        let (from, joined) = match h.edge {
            Edge::Near => (low - wide, Edge::Far),
            Edge::Far => (low + own, Edge::Near),
        };
        cuts.push(Cut {
            low: from,
            high: from + wide,
            length: short,
            joined: Some(joined),
            pointer,
        });
    }
    for c in &cuts {
        if c.low < -1e-9 || c.high > width + 1e-9 {
            let message = format!(
                "The tenon reaches from {} to {} of a piece {} wide.",
                show(c.low),
                show(c.high),
                show(width)
            );
            problems.say(&code::BAD_NUMBER, &c.pointer, message);
            return None;
        }
    }
    Some(cuts)
}

/// A polygon without corners that its two edges run straight through.
fn without_straight_corners(c: &Contour) -> Contour {
    let n = c.vertices.len();
    let vertices = (0..n)
        .filter(|i| {
            let (a, b, d) = (
                c.vertices[(i + n - 1) % n].at,
                c.vertices[*i].at,
                c.vertices[(i + 1) % n].at,
            );
            (b - a).cross(d - b).abs() > 1e-9
        })
        .map(|i| c.vertices[i])
        .collect();
    Contour {
        vertices,
        closed: true,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::{Value, json};

    fn make(shape: Value) -> (Vec<Contour>, Problems) {
        let shape: Shape = serde_json::from_value(shape).unwrap();
        let mut problems = Problems::default();
        let part = Bounds {
            min: point(0.0, 0.0),
            max: point(300.0, 100.0),
        };
        let made = contours(&shape, part, 8.0, &Pointer::from("/shape"), &mut problems);
        (made, problems)
    }

    #[track_caller]
    fn area(shape: Value, expected: f64) {
        let (made, problems) = make(shape);
        assert!(problems.findings.is_empty(), "{:?}", problems.findings);
        let area: f64 = made.iter().map(Contour::area).sum();
        assert!(
            (area - expected).abs() < 1e-6,
            "{area} instead of {expected}"
        );
    }

    #[test]
    fn areas_of_all_shapes() {
        // docs/references.md, section Geometry: w·h − (4−π)r²; slot 2rL + πr² with L 30, r 5: 378.539816.
        area(
            json!({ "rectangle": { "at": [5, 5], "size": [100, 50], "corner": 10, "angle": 30 } }),
            4_914.159_265_359,
        );
        area(
            json!({ "slot": { "from": [10, 10], "to": [40, 10], "width": 10 } }),
            378.539_816_340,
        );
        area(
            json!({ "circle": { "at": [50, 50], "diameter": 20 } }),
            314.159_265_359,
        );
        area(
            json!({ "circles": { "at": [[50, 50], [90, 50]], "diameter": 20 } }),
            628.318_530_718,
        );
        area(
            json!({ "contour": { "points": [[0, 0], { "at": [100, 0], "round": 10 }, [100, 50], [0, 50]] } }),
            5000.0 - 100.0 * (1.0 - std::f64::consts::FRAC_PI_4),
        );
        area(
            json!({ "contour": { "points": [{ "at": [0, 0], "bulge": 1 }, { "at": [20, 0], "bulge": 1 }] } }),
            314.159_265_359,
        );
        // Clockwise comes out counter-clockwise.
        area(
            json!({ "contour": { "points": [[0, 0], [0, 10], [10, 10], [10, 0]] } }),
            100.0,
        );
        area(
            json!({ "across": { "at": 150, "width": 20 } }),
            20.0 * 116.0,
        );
        area(
            json!({ "across": { "at": 150, "width": 20, "from": 30 } }),
            20.0 * 78.0,
        );
        area(
            json!({ "along": { "at": 50, "width": 6, "from": 20, "to": 280 } }),
            6.0 * 260.0,
        );
        area(
            json!({ "at-end": { "end": "right", "length": 40 } }),
            48.0 * 116.0,
        );
        area(
            json!({ "at-edge": { "edge": "near", "width": 12 } }),
            20.0 * 316.0,
        );
    }

    #[test]
    fn bad_numbers_are_findings_with_their_pointers() {
        for (shape, pointer) in [
            (
                json!({ "rectangle": { "at": [0, 0], "size": [0, 5] } }),
                "/shape/rectangle/size/0",
            ),
            (
                json!({ "rectangle": { "at": [0, 0], "size": [10, 5], "corner": 3 } }),
                "/shape/rectangle/corner",
            ),
            (
                json!({ "rectangle": { "at": [0, 1e12], "size": [10, 5] } }),
                "/shape/rectangle/at/1",
            ),
            (
                json!({ "circle": { "at": [0, 0], "diameter": -1 } }),
                "/shape/circle/diameter",
            ),
            (
                json!({ "circles": { "at": [], "diameter": 1 } }),
                "/shape/circles/at",
            ),
            (
                json!({ "slot": { "from": [1, 1], "to": [1, 1], "width": 3 } }),
                "/shape/slot/to",
            ),
            (
                json!({ "contour": { "points": [[0, 0], [1, 1]] } }),
                "/shape/contour/points",
            ),
            (
                json!({ "contour": { "points": [[0, 0], [10, 10], [10, 0], [0, 10]] } }),
                "/shape/contour",
            ),
            (
                json!({ "contour": { "points": [[0, 0], { "at": [10, 0], "round": 30 }, [10, 10]] } }),
                "/shape/contour/points/1/round",
            ),
            (
                json!({ "contour": { "points": [{ "at": [0, 0], "bulge": 1 }, { "at": [10, 0], "round": 3 }, [10, 10]] } }),
                "/shape/contour/points/1/round",
            ),
            (
                json!({ "across": { "at": 5, "width": 3, "from": 9, "to": 2 } }),
                "/shape/across",
            ),
            (
                json!({ "at-end": { "end": "left", "length": 0 } }),
                "/shape/at-end/length",
            ),
        ] {
            let (made, problems) = make(shape.clone());
            assert!(made.is_empty(), "{shape}");
            let places: Vec<_> = problems
                .findings
                .iter()
                .map(|f| f.pointer.clone().unwrap())
                .collect();
            assert_eq!(
                places,
                [Pointer::from(pointer)],
                "{shape} {:?}",
                problems.findings
            );
        }
    }

    #[test]
    fn tenons_narrow_the_ends() {
        let doc: BlankDoc =
            serde_json::from_value(json!({ "length": 400, "width": 100, "tenons": [
            { "end": "left", "length": 30, "width": 40 },
            { "end": "right", "length": 20, "width": 30, "offset": 0 },
            { "end": "right", "length": 20, "width": 30, "offset": 60 },
        ] }))
            .unwrap();
        let mut problems = Problems::default();
        let c = blank(&doc, &Pointer::from("/blank"), &[], &mut problems).unwrap();
        assert!(problems.findings.is_empty());
        assert!((c.area() - (350.0 * 100.0 + 30.0 * 40.0 + 2.0 * 20.0 * 30.0)).abs() < 1e-9);
        let b = c.bounds();
        assert!(
            b.min.distance(point(0.0, 0.0)) < 1e-9 && b.max.distance(point(400.0, 100.0)) < 1e-9
        );
        // Body 2 lower corners become one where the first right tenon starts at the near edge.
        assert_eq!(c.vertices.len(), 14);
        assert!(crate::join::crossing(&c).is_none());
    }

    #[test]
    fn bad_tenons_are_findings() {
        for (doc, pointer) in [
            (
                json!({ "length": 400, "width": 100, "dimensioned": true, "tenons": [{ "end": "left", "length": 30, "width": 40 }] }),
                "/blank/tenons",
            ),
            (
                json!({ "length": 400, "width": 100, "tenons": [{ "end": "left", "length": 30, "width": 140 }] }),
                "/blank/tenons/0",
            ),
            (
                json!({ "length": 400, "width": 100, "tenons": [{ "end": "left", "length": 400, "width": 40 }] }),
                "/blank/length",
            ),
            (
                json!({ "length": 400, "width": 100, "tenons": [{ "end": "left", "length": 30, "width": 40 }, { "end": "left", "length": 30, "width": 40, "offset": 60 }] }),
                "/blank/tenons/1",
            ),
            (json!({ "length": 0, "width": 100 }), "/blank/length"),
        ] {
            let doc: BlankDoc = serde_json::from_value(doc).unwrap();
            let mut problems = Problems::default();
            assert!(blank(&doc, &Pointer::from("/blank"), &[], &mut problems).is_none());
            let places: Vec<_> = problems
                .findings
                .iter()
                .map(|f| f.pointer.clone().unwrap())
                .collect();
            assert_eq!(places, [pointer]);
        }
    }
}
