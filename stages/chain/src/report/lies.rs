//! Pictures of turned pieces as they lie on the machine: which side is up, and which two lie against the stops.

use super::picture::Picture;
use super::pieces::{Figure, Layer, laid_out};
use super::solid::{Place, Solid, TOWARDS, projected};
use grainway_geom::Contour;
use grainway_pipeline::doc::Side;
use grainway_pipeline::work::{Hold, HoldKind, Pose, Setup, Turn, Work};

/// The piece of a setup as it lies; `None` where its face is up.
pub(super) fn of_setup(work: &Work, setup: &Setup) -> Option<Picture> {
    if setup.side == Side::Face {
        return None;
    }
    let variant = work.variant(&setup.placements.first()?.variant)?;
    let part = work.part(&variant.part)?;
    let solid = Solid::of(work, part)?;
    let size = solid.size();
    let pose = lying(setup.side, variant.turn, size);
    let towards = pose.inverse_direction(TOWARDS);
    let lines = solid.lines_where(&|p| !solid.hides(p, towards), &|p| projected(pose.place(p)));
    let layer = |contours, dashed| Layer {
        contours,
        fill: None,
        line: 0.2,
        dashed,
    };
    let stops: Vec<Contour> = match setup.lines {
        Some(_) => Vec::new(),
        None => setup
            .holds
            .iter()
            .filter_map(|h| post(h, setup.z.thinnest))
            .collect(),
    };
    let [near, left] = against(setup.side, variant.turn);
    let labels = [(setup.side, "A"), (near, "B"), (left, "C")].map(|(side, letter)| {
        (
            projected(pose.place(middle(side, size))),
            letter.to_string(),
        )
    });
    let stops_are = if setup.side.is_end() {
        "uprights"
    } else {
        "stops"
    };
    let words = format!(
        "{}, as it lies: {} up (A); {} (B) and {} (C) against the {stops_are}",
        super::pieces::named(part),
        setup.side.word(),
        near.word(),
        left.word()
    );
    let figure = Figure::new(words, vec![layer(lines, false), layer(stops, true)]);
    Some(laid_out(
        "As it lies".to_string(),
        vec![figure.with_labels(labels.to_vec())],
        1,
    ))
}

/// The sides that lie near and left while another is up.
pub(super) fn against(up: Side, turn: Turn) -> [Side; 2] {
    match (up, turn) {
        (Side::Face, _) => [Side::Near, Side::LeftEnd],
        (Side::Back, Turn::OverEdge) => [Side::Far, Side::LeftEnd],
        (Side::Back, Turn::OverEnd) => [Side::Near, Side::RightEnd],
        (Side::Near, _) => [Side::Back, Side::LeftEnd],
        (Side::Far, _) => [Side::Face, Side::LeftEnd],
        (Side::LeftEnd, _) => [Side::Face, Side::Near],
        (Side::RightEnd, _) => [Side::Face, Side::Far],
    }
}

/// Out of a side, in the piece's own frame: along, across, and up from its back.
fn out(side: Side) -> Place {
    match side {
        Side::Face => [0.0, 0.0, 1.0],
        Side::Back => [0.0, 0.0, -1.0],
        Side::Near => [0.0, -1.0, 0.0],
        Side::Far => [0.0, 1.0, 0.0],
        Side::LeftEnd => [-1.0, 0.0, 0.0],
        Side::RightEnd => [1.0, 0.0, 0.0],
    }
}

fn middle(side: Side, size: Place) -> Place {
    let out = out(side);
    std::array::from_fn(|i| size[i] * (0.5 + 0.5 * out[i]))
}

/// Where a piece of this size stands with this side up, its corner at zero.
fn lying(up: Side, turn: Turn, size: Place) -> Pose {
    let [near, left] = against(up, turn);
    // Its own directions that come to point to the right, away and up.
    let ways = [out(left.opposite()), out(near.opposite()), out(up)];
    let axes = std::array::from_fn(|k| std::array::from_fn(|i| ways[i][k]));
    let pose = Pose { axes, at: [0.0; 3] };
    let (a, b) = (pose.place([0.0; 3]), pose.place(size));
    pose.moved(std::array::from_fn(|i| -a[i].min(b[i])))
}

/// A stop or a clamp from the side as a square post, by its contour as it is seen.
fn post(hold: &Hold, high: f64) -> Option<Contour> {
    if !matches!(hold.kind, HoldKind::Stop | HoldKind::SideClamp) {
        return None;
    }
    let (r, top) = (hold.head_radius, high + hold.head_above);
    let at = |[x, y, z]: Place| projected([hold.at.x + x * r, hold.at.y + y * r, z * top]);
    let corners = [
        [-1.0, 1.0, 0.0],
        [-1.0, -1.0, 0.0],
        [1.0, -1.0, 0.0],
        [1.0, -1.0, 1.0],
        [1.0, 1.0, 1.0],
        [-1.0, 1.0, 1.0],
        [-1.0, 1.0, 0.0],
    ];
    Some(Contour::open(corners.map(at)))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Every way of lying is a turn: nothing is mirrored, and the side that is said to be up is up.
    #[test]
    fn pieces_are_turned_and_never_mirrored() {
        let size = [400.0, 80.0, 20.0];
        for up in Side::ALL {
            for turn in Turn::ALL {
                let pose = lying(up, turn, size);
                let [a, b, c] = pose.axes;
                let cross = [
                    a[1] * b[2] - a[2] * b[1],
                    a[2] * b[0] - a[0] * b[2],
                    a[0] * b[1] - a[1] * b[0],
                ];
                let apart = (0..3).map(|i| (cross[i] - c[i]).abs());
                assert!(apart.fold(0.0, f64::max) < 1e-12, "{up:?} {turn:?}");
                let top = pose.place(middle(up, size));
                let high = match up {
                    Side::Face | Side::Back => 20.0,
                    Side::Near | Side::Far => 80.0,
                    Side::LeftEnd | Side::RightEnd => 400.0,
                };
                assert!((top[2] - high).abs() < 1e-9, "{up:?} {turn:?}");
                let [near, left] = against(up, turn);
                assert!(pose.place(middle(near, size))[1].abs() < 1e-9);
                assert!(pose.place(middle(left, size))[0].abs() < 1e-9);
            }
        }
    }
}
