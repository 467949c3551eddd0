//! Pictures of joints, put together from what the programs cut, seen from the side where the mate goes in.

use super::picture::{FASTEN, OPEN, PIECE, Picture};
use super::pieces::{Figure, Layer, laid_out};
use grainway_geom::Point;
use grainway_pipeline::work::{JointVerdict, Work};

/// Figures side by side.
const A_ROW: usize = 4;
/// Room for a figure; each has a scale of its own.
const CELL: Point = Point { x: 100.0, y: 60.0 };

/// All joints of the job; `None` where it names none.
pub(super) fn of_joints(work: &Work) -> Option<Picture> {
    let figures = work.joints.iter().map(|j| figure(j).fitted(CELL));
    let figures: Vec<Figure> = figures.collect();
    (!figures.is_empty()).then(|| laid_out("Joints".to_string(), figures, A_ROW))
}

/// What is cut grey, the mate white over it, what covers it dashed, and what stays open to the eye red.
fn figure(j: &JointVerdict) -> Figure {
    let layer = |contours: &[_], fill, line, dashed| Layer {
        contours: contours.to_vec(),
        fill,
        line,
        dashed,
    };
    let layers = vec![
        layer(&j.figure.cavity, Some(OPEN), 0.2, false),
        layer(&j.figure.mate, Some(PIECE), 0.3, false),
        layer(&j.figure.open, Some(FASTEN), 0.1, false),
        layer(&j.figure.cover, None, 0.2, true),
    ];
    Figure::new(format!("{}\nin {}", j.joint, j.into), layers)
}
