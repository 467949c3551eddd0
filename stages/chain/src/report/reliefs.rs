//! Details of the reliefs in inside corners: each shape of lobe once, with its measures and where it is cut.

use super::picture::{Anchor, CUT, INK, Mark, OPEN, Picture, WOOD};
use super::show::{Show, round3};
use grainway_geom::{Bounds, Contour, Point, Segment, point};
use grainway_pipeline::work::{Corner, CornerAnswer, SizedFeature, Variant, Work};

/// Width of a detail on paper, mm.
const CELL_MM: f64 = 54.0;
/// What a detail shows of the corner, in radii of the largest lobe to each side.
const AROUND: f64 = 3.2;
/// Room for the words under a detail, mm of paper, and the height of their lines.
const WORDS_MM: f64 = 23.0;
const LINE_MM: f64 = 3.6;
/// Size of letters, mm of paper.
const LETTERS_MM: f64 = 2.6;
/// Details side by side, and in one picture.
const A_ROW: usize = 3;
const A_PICTURE: usize = 6;
/// Features that are named under a detail; more are counted.
const NAMED: usize = 3;
/// A lobe that goes into an edge by less than this does not touch it, mm.
const LEAST_BITE_MM: f64 = 0.15;

/// A shape of lobe, with the corner at 0, one edge along X and the cutter's space to the left of it. Mirror images are one shape: a
/// T-bone goes into the edge along X.
#[derive(Clone, Debug)]
struct Detail {
    dog_bone: bool,
    radius: f64,
    centre: Point,
    from: Point,
    /// Directions of the two edges.
    edges: [Point; 2],
    /// `None` where it goes through.
    depth: Option<f64>,
    /// Features with the number of their corners that are relieved so.
    places: Vec<(String, usize)>,
}

impl Detail {
    fn of(variant: &Variant, f: &SizedFeature, corner: &Corner) -> Option<Detail> {
        let CornerAnswer::Lobe {
            dog_bone,
            centre,
            radius,
            from,
            ..
        } = corner.answer
        else {
            return None;
        };
        // The space lies within less than half a turn from the one edge to the other.
        let [first, last] = match corner.after.cross(corner.before) >= 0.0 {
            true => [corner.after, corner.before],
            false => [corner.before, corner.after],
        };
        let turn = -first.angle();
        let here = |p: Point| (p - corner.at).rotated(turn);
        let detail = Detail {
            dog_bone,
            radius,
            centre: here(centre),
            from: here(from),
            edges: [first.rotated(turn), last.rotated(turn)],
            depth: (!f.through).then(|| variant.z.depth_of(f.floor)),
            places: Vec::new(),
        };
        Some(match detail.bite(detail.edges[0]) {
            None => detail.mirrored(),
            Some(_) => detail,
        })
    }

    /// With the other edge along X.
    fn mirrored(self) -> Detail {
        let [first, last] = self.edges;
        let turn = -last.angle();
        let over = |p: Point| {
            let p = p.rotated(turn);
            point(p.x, -p.y)
        };
        Detail {
            centre: over(self.centre),
            from: over(self.from),
            edges: [over(last), over(first)],
            ..self
        }
    }

    /// Nobody could tell the two apart with a rule.
    fn is_like(&self, other: &Detail) -> bool {
        let near = |a: Point, b: Point| a.distance(b) < 0.02;
        let depths = match (self.depth, other.depth) {
            (Some(a), Some(b)) => (a - b).abs() < 0.02,
            (a, b) => a.is_none() && b.is_none(),
        };
        depths
            && self.dog_bone == other.dog_bone
            && (self.radius - other.radius).abs() < 0.02
            && near(self.centre, other.centre)
            && near(self.edges[1], other.edges[1])
    }

    /// How far it goes into an edge and how far along it from the corner, mm; `None` where it leaves the edge alone.
    fn bite(&self, edge: Point) -> Option<[f64; 2]> {
        let middle = self.edges[0] + self.edges[1];
        let square = edge.left() * edge.left().dot(middle).signum();
        let off = self.centre.dot(square);
        let into = self.radius - off;
        let half = (self.radius * self.radius - off * off).max(0.0).sqrt();
        let along = self.centre.dot(edge) + half;
        (into > LEAST_BITE_MM && along > LEAST_BITE_MM).then_some([into, along])
    }

    fn words(&self, show: Show) -> Vec<String> {
        let kind = if self.dog_bone { "Dog-bone" } else { "T-bone" };
        let depth = match self.depth {
            Some(depth) => format!("{} deep", show.with(round3(depth))),
            None => "through".to_string(),
        };
        let mut lines = vec![format!(
            "{kind}, radius {}, {depth}",
            show.with(round3(self.radius))
        )];
        let bites: Vec<[f64; 2]> = self.edges.iter().filter_map(|e| self.bite(*e)).collect();
        let say = |[into, along]: [f64; 2]| {
            let hundredths = |v: f64| show.with((100.0 * v).round() / 100.0);
            format!(
                "{} into it, {} along it",
                hundredths(into),
                hundredths(along)
            )
        };
        lines.extend(match bites.as_slice() {
            [] => None,
            [only] => Some(format!("One edge: {}", say(*only))),
            [first, ..] => Some(format!("Each edge: {}", say(*first))),
        });
        for (place, count) in self.places.iter().take(NAMED) {
            let corners = if *count == 1 { "corner" } else { "corners" };
            lines.push(format!("{place}: {count} {corners}"));
        }
        if self.places.len() > NAMED {
            let more = &self.places[NAMED..];
            let corners: usize = more.iter().map(|p| p.1).sum();
            lines.push(format!("{} more features: {corners} corners", more.len()));
        }
        lines
    }
}

/// Every shape of lobe of the job, in the order of parts and features.
fn details(work: &Work) -> Vec<Detail> {
    let mut details: Vec<Detail> = Vec::new();
    for variant in &work.variants {
        let part = work.part(&variant.part);
        let name = part.and_then(|p| p.name.as_deref());
        let name = name.unwrap_or(&variant.part);
        for f in &variant.features {
            for corner in &f.corners {
                let Some(detail) = Detail::of(variant, f, corner) else {
                    continue;
                };
                let place = format!("{name}, {}", f.key);
                let known = details.iter().position(|d| d.is_like(&detail));
                let at = known.unwrap_or(details.len());
                if known.is_none() {
                    details.push(detail);
                }
                let places = &mut details[at].places;
                match places.iter_mut().find(|p| p.0 == place) {
                    Some(known) => known.1 += 1,
                    None => places.push((place, 1)),
                }
            }
        }
    }
    details
}

/// The details in pictures of at most six; none where no corner has a lobe.
pub(super) fn of_reliefs(work: &Work, show: Show) -> Vec<Picture> {
    let details = details(work);
    let largest = details.iter().map(|d| d.radius).fold(0.0, f64::max);
    let unit = 2.0 * AROUND * largest / CELL_MM;
    let lots = details.chunks(A_PICTURE);
    lots.map(|lot| laid_out(lot, unit, show)).collect()
}

fn laid_out(details: &[Detail], unit: f64, show: Show) -> Picture {
    let cell = point(CELL_MM + 6.0, CELL_MM + WORDS_MM) * unit;
    let rows = details.len().div_ceil(A_ROW);
    let mut picture = Picture {
        bounds: Bounds {
            min: point(0.0, -(rows as f64) * cell.y),
            max: point(A_ROW as f64 * cell.x, 0.0),
        },
        unit,
        title: "Reliefs in inside corners".to_string(),
        marks: Vec::new(),
    };
    for (i, detail) in details.iter().enumerate() {
        let (row, column) = ((i / A_ROW) as f64, (i % A_ROW) as f64);
        let corner = point(column * cell.x, -row * cell.y);
        draw(&mut picture, detail, corner, show);
    }
    picture
}

/// The detail, whose left upper corner is given: the wood, what is cut, the lobe with its measures, and the words.
fn draw(picture: &mut Picture, detail: &Detail, corner: Point, show: Show) {
    let u = picture.unit;
    let half = 0.5 * CELL_MM * u;
    let middle = corner + point(half, -half);
    // The lobe in the middle of the detail.
    let here = |p: Point| middle + p - detail.centre;
    let frame = Bounds {
        min: middle - point(half, half),
        max: middle + point(half, half),
    };
    let line = (INK, 0.3);
    let shape = |contours, fill, stroke, dashed| Mark::Shape {
        contours,
        fill,
        stroke,
        dashed,
    };
    let square = Contour::rectangle(frame.min, frame.max, 0.0);
    picture
        .marks
        .push(shape(vec![square.clone()], Some(WOOD), None, false));
    let at = here(point(0.0, 0.0));
    let ends = detail.edges.map(|e| border(at, e, frame));
    picture
        .marks
        .push(shape(vec![wedge(at, ends, frame)], Some(OPEN), None, false));
    let lobe = stadium(here(detail.from), here(detail.centre), detail.radius);
    picture
        .marks
        .push(shape(vec![lobe], Some(OPEN), Some(line), false));
    for end in ends {
        let edge = Contour::open([at, end]);
        picture
            .marks
            .push(shape(vec![edge], None, Some((INK, 0.45)), true));
    }
    picture
        .marks
        .push(shape(vec![square], None, Some((INK, 0.15)), false));
    measures(picture, detail, &here, show);
    for (i, words) in detail.words(show).into_iter().enumerate() {
        picture.marks.push(Mark::Text {
            at: corner + point(0.0, -2.0 * half - (i as f64 + 1.0) * LINE_MM * u),
            size: LETTERS_MM,
            anchor: Anchor::Start,
            colour: INK,
            text: words,
        });
    }
}

/// The radius, and how far the lobe goes into each edge.
fn measures(picture: &mut Picture, detail: &Detail, here: &dyn Fn(Point) -> Point, show: Show) {
    let u = picture.unit;
    let out = (detail.centre - detail.from).normalized();
    let out = out.unwrap_or(point(0.0, -1.0));
    let hundredths = |v: f64| show.len((100.0 * v).round() / 100.0);
    let text = |at: Point, text: String| Mark::Text {
        at,
        size: LETTERS_MM,
        anchor: Anchor::Middle,
        colour: CUT,
        text,
    };
    // A T-bone's depth stands where its lobe points.
    let aside = match detail.dog_bone {
        true => out,
        false => out.rotated(0.9),
    };
    let tip = here(detail.centre + aside * detail.radius);
    picture.arrow(here(detail.centre), tip, (CUT, 0.25));
    let beyond = tip + aside * (4.0 * u) - point(0.0, 0.9 * u);
    let radius = format!("R {}", show.len(round3(detail.radius)));
    picture.marks.push(text(beyond, radius));
    let middle = detail.edges[0] + detail.edges[1];
    for edge in detail.edges {
        let Some([into, _]) = detail.bite(edge) else {
            continue;
        };
        let square = edge.left() * edge.left().dot(middle).signum();
        let foot = detail.centre - square * detail.centre.dot(square);
        let deepest = foot - square * into;
        picture.arrow(here(foot), here(deepest), (CUT, 0.25));
        let beside = here(deepest) - square * (3.5 * u) - point(0.0, 0.9 * u);
        picture.marks.push(text(beside, hundredths(into)));
    }
}

/// Where a ray from a place inside a frame meets its border.
fn border(from: Point, way: Point, frame: Bounds) -> Point {
    let reach = |v: f64, at: f64, low: f64, high: f64| match v {
        v if v > 1e-9 => (high - at) / v,
        v if v < -1e-9 => (low - at) / v,
        _ => f64::INFINITY,
    };
    let t = reach(way.x, from.x, frame.min.x, frame.max.x).min(reach(
        way.y,
        from.y,
        frame.min.y,
        frame.max.y,
    ));
    from + way * t
}

/// What lies between the two edges within the frame, counter-clockwise from the first one.
fn wedge(at: Point, [first, last]: [Point; 2], frame: Bounds) -> Contour {
    let turn = |p: Point| {
        let angle = (p - at).angle() - (first - at).angle();
        angle.rem_euclid(std::f64::consts::TAU)
    };
    let mut corners = vec![
        frame.min,
        point(frame.max.x, frame.min.y),
        frame.max,
        point(frame.min.x, frame.max.y),
    ];
    corners.retain(|c| turn(*c) < turn(last));
    corners.sort_by(|a, b| turn(*a).total_cmp(&turn(*b)));
    Contour::polygon([at, first].into_iter().chain(corners).chain([last]))
}

/// What a disc clears on its straight way from one place to another.
fn stadium(from: Point, to: Point, radius: f64) -> Contour {
    let Some(way) = (to - from).normalized() else {
        return Contour::circle(to, radius);
    };
    let side = way.left() * radius;
    let half_turn =
        |centre: Point, start: Point| Segment::arc_about(centre, start, std::f64::consts::PI);
    let line = |a: Point, b: Point| Segment::Line { a, b };
    Contour::from_segments(
        &[
            line(from - side, to - side),
            half_turn(to, to - side),
            line(to + side, from + side),
            half_turn(from, from + side),
        ],
        true,
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    fn corner_of(dog_bone: bool, centre: Point) -> Detail {
        Detail {
            dog_bone,
            radius: 3.0,
            centre,
            from: point(3.0, 3.0),
            edges: [point(1.0, 0.0), point(0.0, 1.0)],
            depth: Some(12.0),
            places: vec![("rail, m1".to_string(), 4)],
        }
    }

    /// By hand, in a square corner, radius 3: a dog-bone's centre lies 2.9 from the corner on the bisector, 2.0506 from both edges; a
    /// T-bone's on the edge that it goes into, 3 from the other.
    #[test]
    fn measures_are_those_of_the_geometry() {
        let half = 2.9 * std::f64::consts::FRAC_1_SQRT_2;
        let dog = corner_of(true, point(half, half));
        for edge in dog.edges {
            let [into, along] = dog.bite(edge).unwrap();
            assert!((into - (3.0 - half)).abs() < 1e-9);
            assert!((along - (half + (9.0 - half * half).sqrt())).abs() < 1e-9);
        }
        let other = corner_of(false, point(0.1, 3.0)).mirrored();
        let tee = corner_of(false, point(3.0, 0.1));
        assert!(other.is_like(&tee) && other.from.distance(tee.from) < 1e-9);
        assert_eq!(tee.bite(tee.edges[1]), None);
        let [into, along] = tee.bite(tee.edges[0]).unwrap();
        assert!((into - 2.9).abs() < 1e-9 && (along - 5.998).abs() < 1e-3);
        assert_eq!(
            tee.words(Show(grainway_pipeline::doc::Unit::Mm)),
            [
                "T-bone, radius 3 mm, 12 mm deep",
                "One edge: 2.9 mm into it, 6 mm along it",
                "rail, m1: 4 corners"
            ]
        );
    }
}
