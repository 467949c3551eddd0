//! What a blank lies or stands against: its stops touch it, stand apart and find wood to bear on, whatever its sides lose; it fills its
//! lines; and a piece that stands upright on an end finds room at the machine, and a clamp that presses it to its uprights.

use super::figures::mm;
use grainway_geom::{Point, point};
use grainway_pipeline::doc::{Depth, FeatureKind, Side};
use grainway_pipeline::work::{Documents, Feature, Hold, HoldKind, Part, Setup, Turn};

/// Places that differ by less than this are the same, mm.
const SAME_MM: f64 = 1e-4;
/// An upright bears on the piece so far to either side of its middle, mm.
const BEARS_MM: f64 = 4.0;
/// Of the upper and of the lower half of a piece's height at least this share bears on an upright. Less than planning asks for, as below, so
/// that both may count in other steps.
const LEAST_SHARE: f64 = 0.45;
/// A stop bears on so much of a lying piece's height, mm, or on [`LEAST_SHARE`] of its own height where that is less.
const LEAST_MM: f64 = 4.5;
/// Heights at which the bearing is looked at in each stretch: others than planning's.
const HEIGHTS: u32 = 64;
/// Places at which an edge in a line is looked at.
const ALONG: u32 = 32;

/// The size of a thing that holds, mm.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct HoldSize {
    /// Of its head, its foot or its body, seen from above.
    pub radius: f64,
    /// Diameter of a screw's shaft; 0 for what has none.
    pub shaft: f64,
    /// How high it stands over the face; less than 0 below it.
    pub above: f64,
}

/// What is wrong with the stops of a blank that lies or stands against some.
pub(super) fn against_stops(
    setup: &Setup,
    part: &Part,
    turn: Turn,
    documents: &Documents,
    stop: HoldSize,
) -> Vec<String> {
    let wood = Wood::new(setup, part, turn);
    let high = setup.z.thinnest + stop.above;
    let stop = stop.radius;
    let all = &setup.holds;
    let stops: Vec<&Hold> = all.iter().filter(|h| h.kind == HoldKind::Stop).collect();
    let (near, left): (Vec<&Hold>, Vec<&Hold>) = stops.iter().partition(|h| h.at.y < 0.0);
    let mut wrong = Vec::new();
    if near.len() < 2 || !left.iter().any(|h| h.at.x < 0.0) {
        wrong.push(format!(
            "lies against {} stops at its near edge and {} at its left; two and one are needed",
            near.len(),
            left.len()
        ));
    }
    for hold in &stops {
        if !touches(hold.at, setup.size, stop) {
            wrong.push(format!(
                "does not touch the stop at ({}, {})",
                mm(hold.at.x),
                mm(hold.at.y)
            ));
        }
    }
    let clamps = || all.iter().filter(|h| h.kind == HoldKind::SideClamp);
    let standing: Vec<&Hold> = stops.iter().copied().chain(clamps()).collect();
    for (i, a) in standing.iter().enumerate() {
        let beside = |b: &&&Hold| a.at.distance(b.at) < 2.0 * stop - SAME_MM;
        if let Some(b) = standing[i + 1..].iter().find(beside) {
            wrong.push(format!(
                "has a {} and a {} in one place, at ({}, {})",
                a.kind.word(),
                b.kind.word(),
                mm(a.at.x),
                mm(a.at.y)
            ));
        }
    }
    let bears = |hold: &&Hold| match setup.side.is_end() {
        true => wood.bears_upright(wood.touched_by(hold)),
        false => wood.bears_on_stop(wood.touched_by(hold), high),
    };
    for hold in standing.iter().filter(|h| !bears(h)) {
        wrong.push(format!(
            "finds too little wood to bear on at the {} at ({}, {})",
            hold.kind.word(),
            mm(hold.at.x),
            mm(hold.at.y)
        ));
    }
    match setup.side.is_end() {
        true => wrong.extend(upright(setup, part, documents, stop)),
        false if clamps().next().is_some() => {
            wrong.push("has a clamp from the side although it stands on no end".to_string());
        }
        false => {}
    }
    wrong
}

/// What is wrong with a blank that lies in lines of this depth, mm: along its near edge in two places and along its left end in one its
/// lowest wood is all there.
pub(super) fn in_lines(setup: &Setup, part: &Part, turn: Turn, depth: f64) -> Option<String> {
    let wood = Wood::new(setup, part, turn);
    let fills = |at: Point| wood.share(at, 0.0, depth) >= 1.0;
    let along = |from: f64, to: f64| {
        (0..=ALONG).map(move |k| from + (to - from) * f64::from(k) / f64::from(ALONG))
    };
    let near = |from: f64, to: f64| {
        let mut places = along(from, to);
        places.any(|s| fills(point(s * setup.size.x, 0.0)))
    };
    let lies = near(0.05, 0.45)
        && near(0.55, 0.95)
        && along(0.05, 0.95).any(|s| fills(point(0.0, s * setup.size.y)));
    (!lies).then(|| {
        "does not fill its lines: what its sides lose leaves no wood there at two places of the near edge and one of the left".to_string()
    })
}

/// A round stop touches the near edge or the left one.
fn touches(at: Point, size: Point, radius: f64) -> bool {
    let on = |v: f64| (v + radius).abs() <= SAME_MM;
    let within = |v: f64, most: f64| (0.0..=most).contains(&v);
    on(at.y) && within(at.x, size.x) || on(at.x) && within(at.y, size.y)
}

/// What is wrong with a piece that stands on its end.
fn upright(setup: &Setup, part: &Part, documents: &Documents, radius: f64) -> Vec<String> {
    let mut wrong = Vec::new();
    let size = setup.size;
    let length = part.outline.bounds().max.x;
    let most = documents.machine().and_then(|(_, m)| m.end_height);
    if most.is_none_or(|most| length > most.mm() + SAME_MM) {
        wrong.push(format!(
            "stands upright, {} mm high; the machine leaves {} mm for such a piece",
            mm(length),
            mm(most.map_or(0.0, |m| m.mm()))
        ));
    }
    let of = |kind| setup.holds.iter().filter(move |h| h.kind == kind);
    let near: Vec<f64> = of(HoldKind::Stop)
        .filter(|h| h.at.y < 0.0)
        .map(|h| h.at.x)
        .collect();
    let first = near.iter().copied().fold(f64::INFINITY, f64::min);
    let last = near.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let presses =
        |h: &Hold| (h.at.y - size.y - radius).abs() <= SAME_MM && (first..=last).contains(&h.at.x);
    if of(HoldKind::SideClamp).count() != 1 || !of(HoldKind::SideClamp).all(presses) {
        wrong.push("is not pressed to its uprights by one clamp between them".to_string());
    }
    wrong
}

/// What stands of a piece, whatever its sides lose and in whatever order, seen as it lies in a setup.
struct Wood<'a> {
    setup: &'a Setup,
    part: &'a Part,
    turn: Turn,
    /// Length, width and thickness, mm.
    size: [f64; 3],
}

impl Wood<'_> {
    fn new<'a>(setup: &'a Setup, part: &'a Part, turn: Turn) -> Wood<'a> {
        let far = part.outline.bounds().max;
        let thick = match setup.side {
            Side::Face | Side::Back => setup.z.mean,
            _ => setup.size.y,
        };
        Wood {
            setup,
            part,
            turn,
            size: [far.x, far.y, thick],
        }
    }
    fn touched_by(&self, hold: &Hold) -> Point {
        let size = self.setup.size;
        let within = |v: f64, most: f64| v.min(most).max(0.0);
        point(within(hold.at.x, size.x), within(hold.at.y, size.y))
    }
    fn bears_upright(&self, touch: Point) -> bool {
        let half = 0.5 * self.size[0];
        self.share(touch, 0.0, half) >= LEAST_SHARE
            && self.share(touch, half, 2.0 * half) >= LEAST_SHARE
    }
    /// `high`: how high the stop stands over the bed, mm.
    fn bears_on_stop(&self, touch: Point, high: f64) -> bool {
        self.share(touch, 0.0, high) * high >= LEAST_MM.min(LEAST_SHARE * high)
    }
    /// The share of these heights over the bed, mm, at which wood stands on all the width that bears.
    fn share(&self, touch: Point, low: f64, high: f64) -> f64 {
        let on_long_edge = touch.y <= SAME_MM || touch.y >= self.setup.size.y - SAME_MM;
        let beside = match on_long_edge {
            true => point(BEARS_MM, 0.0),
            false => point(0.0, BEARS_MM),
        };
        let stands = |height: f64| {
            [-1.0, 0.0, 1.0].iter().all(|by| {
                let place = self.place(touch + beside * *by, height);
                let mut features = self.part.features.iter();
                !features.any(|f| takes(f, place, self.size))
            })
        };
        let step = (high - low) / f64::from(HEIGHTS);
        let heights = (0..HEIGHTS).map(|k| low + (f64::from(k) + 0.5) * step);
        heights.filter(|h| stands(*h)).count() as f64 / f64::from(HEIGHTS)
    }
    /// A place of the setup in the part: along it, across it, and below its face, a little inside.
    fn place(&self, p: Point, height: f64) -> [f64; 3] {
        let [length, width, thick] = self.size;
        // Seen with the face up and with the far edge or the left end up the part lies as it is described.
        let (x, y, below) = match self.setup.side {
            Side::Face => (p.x, p.y, thick - height),
            Side::Back if self.turn == Turn::OverEdge => (p.x, width - p.y, height),
            Side::Back => (length - p.x, p.y, height),
            Side::Far => (p.x, height, p.y),
            Side::Near => (p.x, width - height, thick - p.y),
            Side::LeftEnd => (length - height, p.x, p.y),
            Side::RightEnd => (height, width - p.x, p.y),
        };
        let inside = |v: f64, most: f64| v.min(most - 0.1).max(0.1);
        [inside(x, length), inside(y, width), inside(below, thick)]
    }
}

/// The feature takes the wood at a place: along the part, across it, and below its face.
fn takes(f: &Feature, [x, y, below]: [f64; 3], [length, width, thick]: [f64; 3]) -> bool {
    if f.kind == FeatureKind::Engraving {
        return false;
    }
    // Where it lies in the side's own frame, how far below that side, and how much there is.
    let (seen, deep, whole) = match f.side {
        Side::Face => (point(x, y), below, thick),
        Side::Back => (point(x, y), thick - below, thick),
        Side::Near => (point(x, below), y, width),
        Side::Far => (point(x, below), width - y, width),
        Side::LeftEnd => (point(y, below), x, length),
        Side::RightEnd => (point(y, below), length - x, length),
    };
    let floor = match (f.depth, f.left) {
        (Some(Depth::Below(d)), _) => d.mm(),
        (Some(Depth::Through) | None, None) => whole,
        (_, Some(left)) => whole - left,
    };
    let in_island = || f.islands.iter().any(|i| i.contains(seen));
    deep < floor && f.shape.contains(seen) && !in_island()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::tests::{feature, wanted_by, work};
    use grainway_geom::Contour;
    use grainway_pipeline::doc::Length;
    use grainway_pipeline::work::Work;

    const RADIUS: f64 = 8.0;
    const STOP: HoldSize = HoldSize {
        radius: RADIUS,
        shaft: 0.0,
        above: -3.0,
    };

    fn hold(kind: HoldKind, x: f64, y: f64) -> Hold {
        Hold {
            kind,
            at: point(x, y),
            head_radius: RADIUS,
            shaft: 0.0,
            head_above: -3.0,
            after_pause: None,
            of: None,
        }
    }

    /// A piece of 400 × 60 × 18 mm on its right end, held as it should be, with a pocket 6 mm deep along its face. The machine leaves 400 mm.
    fn standing() -> (Work, Setup, Part) {
        let pocket = Contour::rectangle(point(10.0, 26.0), point(390.0, 34.0), 0.0);
        let sized = feature("hollow", FeatureKind::Pocket, pocket, 12.1, false);
        let mut work = work(vec![sized], true, point(400.0, 60.0), point(400.0, 60.0));
        for machine in work.documents.shop.machines.values_mut() {
            machine.end_height = Some(Length::from_mm(400.0));
        }
        let part = wanted_by(&work).parts.remove(0);
        let setup = Setup {
            side: Side::LeftEnd,
            size: point(60.0, 18.1),
            holds: vec![
                hold(HoldKind::Stop, 9.0, -RADIUS),
                hold(HoldKind::Stop, 51.0, -RADIUS),
                hold(HoldKind::Stop, -RADIUS, 9.0),
                hold(HoldKind::SideClamp, 30.0, 18.1 + RADIUS),
            ],
            ..work.setups[0].clone()
        };
        (work, setup, part)
    }

    /// Each fault by itself is told, and told as what it is.
    #[test]
    fn what_a_piece_on_its_end_stands_against_is_examined() {
        let told = |change: &dyn Fn(&mut Setup)| {
            let (work, mut setup, part) = standing();
            change(&mut setup);
            against_stops(&setup, &part, Turn::OverEdge, &work.documents, STOP)
        };
        assert_eq!(told(&|_| {}), [""; 0]);
        type Change<'a> = (&'a str, &'a dyn Fn(&mut Setup));
        let faults: [Change<'_>; 9] = [
            ("two and one are needed", &|s| {
                s.holds.remove(1);
            }),
            ("two and one are needed", &|s| {
                s.holds.remove(2);
            }),
            ("does not touch the stop at (9, -9)", &|s| {
                s.holds[0].at.y = -9.0
            }),
            ("in one place", &|s| s.holds[1].at.x = 20.0),
            ("not pressed to its uprights", &|s| {
                s.holds.remove(3);
            }),
            ("not pressed to its uprights", &|s| s.holds[3].at.x = 5.0),
            ("not pressed to its uprights", &|s| s.holds[3].at.y += 1.0),
            ("too little wood to bear on at the stop", &|s| {
                s.holds[0].at.x = 26.0
            }),
            ("too little wood to bear on at the stop", &|s| {
                s.holds[1].at.x = 31.0
            }),
        ];
        for (words, change) in faults {
            let found = told(change);
            assert!(
                found.iter().any(|w| w.contains(words)),
                "{words}: {found:?}"
            );
        }
        // A clamp from the side is for a piece on its end alone.
        let flat = told(&|s| s.side = Side::Face);
        assert!(flat[0].contains("stands on no end"), "{flat:?}");
    }

    /// Check asks the documents by itself how long an upright piece may be.
    #[test]
    fn a_piece_longer_than_the_machine_leaves_is_refused() {
        for (most, fine) in [(Some(400.0), true), (Some(399.0), false), (None, false)] {
            let (mut work, setup, part) = standing();
            for machine in work.documents.shop.machines.values_mut() {
                machine.end_height = most.map(Length::from_mm);
            }
            let found = against_stops(&setup, &part, Turn::OverEdge, &work.documents, STOP);
            assert_eq!(found.is_empty(), fine, "{found:?}");
            assert!(fine || found[0].contains("stands upright, 400 mm high"));
        }
    }

    /// Stops stand 15.1 mm high over the bed beside a piece of 18.1 mm; its face, where it is turned, lies below.
    #[test]
    fn a_lying_piece_needs_wood_at_its_stops_and_in_its_lines() {
        let told = |side: Side, turn: Turn, [low, high]: [f64; 2], deep: f64| {
            let (work, mut setup, mut part) = standing();
            let rebate = &mut part.features[0];
            rebate.shape = Contour::rectangle(point(0.0, low), point(400.0, high), 0.0);
            rebate.depth = Some(Depth::Below(Length::from_mm(deep)));
            setup.side = side;
            setup.size = point(400.0, 60.0);
            setup.holds = [(60.0, -RADIUS), (340.0, -RADIUS), (-RADIUS, 30.0)]
                .map(|(x, y)| hold(HoldKind::Stop, x, y))
                .into();
            let stops = against_stops(&setup, &part, turn, &work.documents, STOP);
            (stops.len(), in_lines(&setup, &part, turn, 1.6).is_some())
        };
        let (edge, end) = (Turn::OverEdge, Turn::OverEnd);
        let (near, far) = ([-1.0, 8.0], [52.0, 61.0]);
        // With the face up a rebate lies above the lines, and above most of the stops.
        assert_eq!(told(Side::Face, edge, near, 9.0), (0, false));
        assert_eq!(told(Side::Face, edge, near, 17.0), (2, true));
        // Over its long edge the far edge comes to lie near, over its end the near edge does.
        assert_eq!(told(Side::Back, edge, far, 9.0), (0, true));
        assert_eq!(told(Side::Back, edge, far, 11.0), (2, true));
        assert_eq!(told(Side::Back, edge, near, 11.0), (0, false));
        assert_eq!(told(Side::Back, end, near, 11.0), (2, true));
        assert_eq!(told(Side::Back, end, far, 11.0), (0, false));
    }

    /// Seen with the right end up, what lies left is the far edge: a recess there is found where it is.
    #[test]
    fn wood_is_looked_for_on_the_edge_that_lies_left() {
        let (work, mut setup, mut part) = standing();
        let deep = Contour::rectangle(point(10.0, 1.0), point(390.0, 17.0), 0.0);
        part.features[0].shape = deep;
        part.features[0].side = Side::Far;
        assert_eq!(
            against_stops(&setup, &part, Turn::OverEdge, &work.documents, STOP),
            [""; 0]
        );
        setup.side = Side::RightEnd;
        let found = against_stops(&setup, &part, Turn::OverEdge, &work.documents, STOP);
        assert!(
            found.iter().any(|w| w.contains("stop at (-8, 9)")),
            "{found:?}"
        );
    }
}
