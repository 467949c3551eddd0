//! What putting joints together shows.

use crate::doc::Fit;
use grainway_geom::Contour;
use serde::{Deserialize, Serialize};

/// A joint put together from its parts as the programs' texts cut them.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub struct JointVerdict {
    /// The joint's id.
    pub joint: String,
    /// The part that goes in, or the stock of a loose tenon.
    pub goes: String,
    /// The part that takes it.
    pub into: String,
    /// The fit that the job asks for.
    pub fit: Fit,
    /// Room between the cheeks, both sides together, mm: of the thickest mate where it is tightest, and of the thinnest where it is
    /// widest. `None` where the joint has no cheeks.
    pub cheeks: Option<[f64; 2]>,
    /// Room at a closed end, mm, the least and the greatest. `None` where none is closed.
    pub ends: Option<[f64; 2]>,
    /// The mate stops so far before the joint is closed, mm; 0 when it closes.
    pub open: f64,
    /// What a corner, a lobe or a mouth leaves open to the eye, mm²: where the mate goes in, where it comes out, and at the shoulder of a
    /// tenon, seen on the face of its part.
    pub visible: [f64; 3],
    /// The share of its bending section that a tenon keeps at its root.
    pub root: Option<f64>,
    /// How it looks from the side where the mate goes in.
    pub figure: JointFigure,
}

/// A joint seen from the side where the mate goes in, in the frame of that side of the part.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub struct JointFigure {
    /// What is cut there.
    pub cavity: Vec<Contour>,
    /// The mate's section.
    pub mate: Vec<Contour>,
    /// What the mate and its shoulders cover.
    pub cover: Vec<Contour>,
    /// What stays open to the eye, where the mate goes in or comes out.
    pub open: Vec<Contour>,
}
