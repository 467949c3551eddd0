//! What a blank lies or stands against: its stops touch it and stand apart, and a piece that stands upright on an end finds room at the
//! machine, wood to bear on, and a clamp that presses it to its uprights.

use super::figures::mm;
use grainway_geom::{Point, point};
use grainway_pipeline::doc::{Depth, FeatureKind, Side};
use grainway_pipeline::work::{Documents, Feature, Hold, HoldKind, Part, Setup};

/// Places that differ by less than this are the same, mm.
const SAME_MM: f64 = 1e-4;
/// An upright bears on the piece so far to either side of its middle, mm.
const BEARS_MM: f64 = 4.0;
/// Of the upper and of the lower half of a piece's height at least this share bears on an upright. Less than planning asks for, so that both
/// may count in other steps.
const LEAST_SHARE: f64 = 0.45;
/// Heights at which the bearing is looked at in each half: others than planning's.
const HEIGHTS: u32 = 64;

/// What is wrong with the stops of a blank that lies or stands against some. `stop`: their radius, mm.
pub(super) fn against_stops(
    setup: &Setup,
    part: &Part,
    documents: &Documents,
    stop: f64,
) -> Vec<String> {
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
    match setup.side.is_end() {
        true => wrong.extend(upright(setup, part, documents, stop)),
        false if clamps().next().is_some() => {
            wrong.push("has a clamp from the side although it stands on no end".to_string());
        }
        false => {}
    }
    wrong
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
    for hold in of(HoldKind::Stop).chain(of(HoldKind::SideClamp)) {
        let touch = point(hold.at.x.clamp(0.0, size.x), hold.at.y.clamp(0.0, size.y));
        if !has_wood(setup, part, touch) {
            wrong.push(format!(
                "finds too little wood to bear on at the {} at ({}, {})",
                hold.kind.word(),
                mm(hold.at.x),
                mm(hold.at.y)
            ));
        }
    }
    wrong
}

/// Wood stands there over enough of the piece's height, whatever its sides lose and in whatever order.
fn has_wood(setup: &Setup, part: &Part, touch: Point) -> bool {
    let far = part.outline.bounds().max;
    let size = [far.x, far.y, setup.size.y];
    let on_face = touch.y <= SAME_MM || touch.y >= setup.size.y - SAME_MM;
    let beside = match on_face {
        true => point(BEARS_MM, 0.0),
        false => point(0.0, BEARS_MM),
    };
    let stands = |x: f64| {
        [-1.0, 0.0, 1.0].iter().all(|by| {
            let p = touch + beside * *by;
            let across = if setup.side == Side::RightEnd {
                far.y - p.x
            } else {
                p.x
            };
            let inside = |v: f64, most: f64| v.clamp(0.1, most - 0.1);
            let place = [x, inside(across, far.y), inside(p.y, size[2])];
            !part.features.iter().any(|f| takes(f, place, size))
        })
    };
    let step = 0.5 * far.x / f64::from(HEIGHTS);
    let half = |from: f64| {
        let heights = (0..HEIGHTS).map(|k| from + (f64::from(k) + 0.5) * step);
        heights.filter(|x| stands(*x)).count() as f64 / f64::from(HEIGHTS)
    };
    half(0.0) >= LEAST_SHARE && half(0.5 * far.x) >= LEAST_SHARE
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
            against_stops(&setup, &part, &work.documents, RADIUS)
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
            let found = against_stops(&setup, &part, &work.documents, RADIUS);
            assert_eq!(found.is_empty(), fine, "{found:?}");
            assert!(fine || found[0].contains("stands upright, 400 mm high"));
        }
    }

    /// Seen with the right end up, what lies left is the far edge: a recess there is found where it is.
    #[test]
    fn wood_is_looked_for_on_the_edge_that_lies_left() {
        let (work, mut setup, mut part) = standing();
        let deep = Contour::rectangle(point(10.0, 1.0), point(390.0, 17.0), 0.0);
        part.features[0].shape = deep;
        part.features[0].side = Side::Far;
        assert_eq!(
            against_stops(&setup, &part, &work.documents, RADIUS),
            [""; 0]
        );
        setup.side = Side::RightEnd;
        let found = against_stops(&setup, &part, &work.documents, RADIUS);
        assert!(
            found.iter().any(|w| w.contains("stop at (-8, 9)")),
            "{found:?}"
        );
    }
}
