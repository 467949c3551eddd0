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
        figure(&solids, &together, "Together"),
        figure(
            &solids,
            &apart(furniture, &solids, &together),
            "Taken apart",
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
    let moved = |i: usize| {
        let steps = furniture.steps.iter().filter(|s| s.moved.contains(&i));
        steps.fold([0.0; 3], |sum: Place, s| {
            std::array::from_fn(|k| sum[k] - s.along[k] * by)
        })
    };
    let poses = together.iter().enumerate();
    poses.map(|(i, p)| p.moved(moved(i))).collect()
}

fn figure(solids: &[Solid], poses: &[Pose], words: &str) -> Figure {
    let seen = |p: Place| {
        let hidden = solids.iter().zip(poses).any(|(solid, pose)| {
            let towards = pose
                .axes
                .map(|axis| (0..3).map(|i| axis[i] * TOWARDS[i]).sum());
            solid.hides(pose.inverse(p), towards)
        });
        !hidden
    };
    let lines: Vec<Contour> = solids
        .par_iter()
        .zip(poses)
        .flat_map_iter(|(solid, pose)| {
            solid.lines_where(&|p| seen(pose.place(p)), &|p| projected(pose.place(p)))
        })
        .collect();
    let labels = solids.iter().zip(poses).enumerate().map(|(i, (s, pose))| {
        let middle = s.size().map(|v| v / 2.0);
        (projected(pose.place(middle)), letter(i))
    });
    let labels: Vec<(Point, String)> = labels.collect();
    let layer = Layer {
        contours: lines,
        fill: None,
        line: 0.2,
        dashed: false,
    };
    Figure::new(words.to_string(), vec![layer]).with_labels(labels)
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
