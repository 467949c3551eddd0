//! Pictures of whole pieces of furniture, together and taken apart, and the order in which they are put together.

use super::picture::Picture;
use super::pieces::{Figure, Layer, laid_out};
use super::solid::{Place, Solid, TOWARDS, projected};
use grainway_geom::{Contour, Point};
use grainway_pipeline::work::{Furniture, Pose, Stood, Work};
use rayon::prelude::*;

/// Taken apart, pieces stand so far from their mates, as a share of the furniture's greatest extent.
const APART: f64 = 0.14;

/// The furniture together and taken apart, with a letter on each piece.
pub(super) fn of_furniture(work: &Work, furniture: &Furniture) -> Option<Picture> {
    let solids: Option<Vec<Solid>> = furniture
        .pieces
        .iter()
        .map(|p| Solid::of(work, work.parts.iter().find(|q| q.id == p.part)?))
        .collect();
    let solids = solids?;
    let together: Vec<Pose> = furniture.pieces.iter().map(|p| p.pose).collect();
    let figures = vec![
        figure(&solids, &together, "Together", false),
        figure(
            &solids,
            &apart(furniture, &solids, &together),
            "Taken apart",
            true,
        ),
    ];
    Some(laid_out("Put together".to_string(), figures, 2))
}

/// A piece's letter: A to Z, then AA, AB and on.
pub(super) fn letter(index: usize) -> String {
    let last = char::from(b'A' + (index % 26) as u8);
    match index / 26 {
        0 => last.to_string(),
        more => format!("{}{last}", letter(more - 1)),
    }
}

fn apart(furniture: &Furniture, solids: &[Solid], together: &[Pose]) -> Vec<Pose> {
    let corners = solids.iter().zip(together).flat_map(|(s, p)| {
        let far = s.size();
        [p.place([0.0; 3]), p.place(far)]
    });
    let corners: Vec<Place> = corners.collect();
    let extent = (0..3).map(|i| {
        let along = corners.iter().map(|c| c[i]);
        let most = along.clone().fold(f64::NEG_INFINITY, f64::max);
        most - along.fold(f64::INFINITY, f64::min)
    });
    let by = APART * extent.fold(0.0, f64::max);
    // What comes later stands farther off than what it is brought to.
    let dot = |a: Place, b: Place| -> f64 { (0..3).map(|i| a[i] * b[i]).sum() };
    let mut shifts: Vec<Place> = vec![[0.0; 3]; together.len()];
    for step in &furniture.steps {
        let away = step.along.map(|v| -v);
        let of = |pieces: &[usize]| -> Vec<f64> {
            pieces.iter().map(|p| dot(shifts[*p], away)).collect()
        };
        let farthest = of(&step.onto).into_iter().fold(0.0, f64::max);
        let nearest = of(&step.moved).into_iter().fold(f64::INFINITY, f64::min);
        let far = by + farthest - nearest;
        for p in &step.moved {
            shifts[*p] = std::array::from_fn(|i| shifts[*p][i] + away[i] * far);
        }
    }
    let poses = together.iter().zip(shifts);
    poses.map(|(p, shift)| p.moved(shift)).collect()
}

/// `hidden_too`: a piece whose middle is hidden has its letter beside one of its lines.
fn figure(solids: &[Solid], poses: &[Pose], words: &str, hidden_too: bool) -> Figure {
    let seen = |p: Place| {
        let hidden = solids.iter().zip(poses).any(|(solid, pose)| {
            let towards = pose
                .axes
                .map(|axis| (0..3).map(|i| axis[i] * TOWARDS[i]).sum());
            solid.hides(pose.inverse(p), towards)
        });
        !hidden
    };
    let of_piece = |(i, (solid, pose)): (usize, (&Solid, &Pose))| {
        let lines = solid.lines_where(&|p| seen(pose.place(p)), &|p| projected(pose.place(p)));
        let others = if hidden_too { &lines[..] } else { &[] };
        let at = label(solid, *pose, others, &seen);
        (lines, at.map(|at| (at, letter(i))))
    };
    let pieces: Vec<_> = solids.iter().zip(poses).enumerate().collect();
    let (lines, labels): (Vec<Vec<Contour>>, Vec<_>) = pieces.into_par_iter().map(of_piece).unzip();
    let lines = lines.concat();
    let labels = labels.into_iter().flatten().collect();
    let layer = Layer {
        contours: lines,
        fill: None,
        line: 0.2,
        dashed: false,
    };
    Figure::new(words.to_string(), vec![layer]).with_labels(labels)
}

/// Where a piece's letter stands: on its middle where that is seen, else at the nearest of these lines.
fn label(
    solid: &Solid,
    pose: Pose,
    lines: &[Contour],
    seen: &dyn Fn(Place) -> bool,
) -> Option<Point> {
    let middle = pose.place(solid.size().map(|v| v / 2.0));
    let at = projected(middle);
    let towards = pose.inverse_direction(TOWARDS);
    // Where the way to the viewer leaves the piece's box.
    let out = (0..3).map(|i| solid.size()[i] / 2.0 / towards[i].abs());
    let out = out.fold(f64::INFINITY, f64::min);
    if seen(std::array::from_fn(|i| middle[i] + TOWARDS[i] * out)) {
        return Some(at);
    }
    let places = lines.iter().flat_map(|l| l.vertices.iter().map(|v| v.at));
    places.min_by(|a, b| a.distance(at).total_cmp(&b.distance(at)))
}

/// What a piece is called beside the picture.
pub(super) fn called(work: &Work, furniture: &Furniture, index: usize) -> String {
    let piece: &Stood = &furniture.pieces[index];
    let part = work.parts.iter().find(|p| p.id == piece.part);
    let name = part.map_or_else(|| piece.part.clone(), super::pieces::named);
    let copies = furniture.pieces.iter().filter(|p| p.part == piece.part);
    match copies.count() {
        1 => format!("{name} ({})", letter(index)),
        _ => format!("{name} {} ({})", piece.number, letter(index)),
    }
}
