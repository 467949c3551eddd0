//! Parts as drawn.

use crate::doc::{Depth, FeatureKind, IfUnreachable, Relief, Side, Waste};
use grainway_geom::{Contour, Point};
use serde::{Deserialize, Serialize};

/// Where a part or feature was read from.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Source {
    /// The drawing's id; `None` for parts described in the job.
    pub drawing: Option<String>,
    /// The sheet of the drawing, from 1.
    pub sheet: u32,
    /// The layer.
    pub layer: Option<String>,
    /// Where the part's own origin lies in the drawing (after import, mm); a feature's, where its first point lies.
    pub at: Point,
    /// JSON Pointer into the job, for parts and features described there.
    pub pointer: Option<crate::doc::Pointer>,
}

/// What a drawing held and what became of it: read = used + ignored + warned.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub struct Balance {
    /// The drawing's id.
    pub drawing: String,
    /// Its file.
    pub file: String,
    /// Entities read, those inside blocks counted at each insertion.
    pub read: u64,
    /// Became parts or features.
    pub used: u64,
    /// Ignored by a rule of the job (or by the format's own: frozen, off, paper space).
    pub ignored: u64,
    /// Named in a finding and not used.
    pub warned: u64,
    /// The same by layer: (layer, read, used, ignored, warned), sorted by layer.
    pub layers: Vec<(String, u64, u64, u64, u64)>,
}

/// The grain against the part's own x.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Grain {
    /// The grain runs along the part's x: on a board it may lie as it is or turned by a half turn.
    #[default]
    AlongX,
    /// It does not matter (plywood with no face).
    Any,
}

/// A part in its own coordinates: lower left corner of its outline's box at (0, 0), x along the grain, face up.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Part {
    /// Unique.
    pub id: String,
    /// What people call it.
    pub name: Option<String>,
    /// The other hand of the part whose id stands before `~`.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub mirrored: bool,
    /// How many.
    pub count: u32,
    /// Stock it is cut from or made of.
    pub stock: String,
    /// Against its own x.
    pub grain: Grain,
    /// Its own edge, closed, counter-clockwise.
    pub outline: Contour,
    /// Inside corners of the outline.
    pub outline_relief: Option<Relief>,
    /// Already dimensioned: nothing cuts its outline; it is laid on the machine as it is.
    pub dimensioned: bool,
    /// What is cut into it, sorted by key. The outline is not among them.
    pub features: Vec<Feature>,
    /// The cutter asked for to cut the outline.
    pub outline_cutter: Option<String>,
    /// Where it was read.
    pub source: Source,
    /// It keeps the place it has in the drawing: (drawing, sheet) share one board.
    pub as_drawn: bool,
}

impl Part {
    /// What follows a part's id in that of its other hand.
    pub const MIRRORED: &str = "~mirrored";
}

/// A feature as drawn, in its part's coordinates.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Feature {
    /// Unique in the part; from the job, or made from kind and place so that it survives a redrawn part.
    pub key: String,
    /// What it is.
    pub kind: FeatureKind,
    /// The side that it is cut from. On face and back its place is seen from the face; on an edge x counts along the piece, on an end
    /// across it from the near edge, and y counts from the face.
    #[serde(default, skip_serializing_if = "Side::is_face")]
    pub side: Side,
    /// Its boundary: closed, counter-clockwise; open or closed for an engraving. A hole is a circle.
    pub shape: Contour,
    /// Islands inside that stay, clockwise.
    pub islands: Vec<Contour>,
    /// The circle, when the shape is exactly one: centre and diameter, mm.
    pub circle: Option<(Point, f64)>,
    /// As given.
    pub depth: Option<Depth>,
    /// Wood that stays, mm, instead of a depth.
    pub left: Option<f64>,
    /// Inside corners, as given; the relief stage's setting when `None`.
    pub relief: Option<Relief>,
    /// What to do with what no cutter reaches.
    pub if_unreachable: Option<IfUnreachable>,
    /// How much wood may stay, mm.
    pub leave: Option<f64>,
    /// The cutter asked for.
    pub cutter: Option<String>,
    /// What becomes of a cutout's waste, as given.
    pub waste: Option<Waste>,
    /// The joint that it belongs to.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub mating: Option<Mating>,
    /// Where it was read.
    pub source: Source,
}

/// What a rectangular feature of a joint has between its walls: its shape is as large as the mate, without room.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Mating {
    /// The joint's id.
    pub joint: String,
    /// Its walls at the left, the right, near and far.
    pub walls: [Wall; 4],
    /// The thickest mate is so thick between the cheeks, mm.
    pub mate: f64,
    /// The thinnest mate is so much thinner than the thickest, mm.
    pub spread: f64,
    /// The share of the room for glue that is left under the mate's tip.
    pub glue: f64,
    /// It takes a haunch, and lies round the deeper mortise of the tenon.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub haunch: bool,
    /// The radius of the mate's own corners, mm.
    #[serde(default, skip_serializing_if = "is_zero")]
    pub corner: f64,
    /// It is a slot that a screw moves in along the part: how far from it the parts keep their places, mm, and the part that moves.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub slides: Option<(f64, String)>,
}

fn is_zero(v: &f64) -> bool {
    *v == 0.0
}

/// A wall of a feature of a joint.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Wall {
    /// It fits its mate.
    Cheek,
    /// It stands free of its mate.
    End,
    /// The bottom of a slot, which stands a little free of its mate.
    Bottom,
    /// There is none: the cutter runs out.
    Open,
}

impl Mating {
    /// The same in the other hand of the part.
    pub fn mirrored_across(&self) -> Mating {
        let [left, right, near, far] = self.walls;
        Mating {
            walls: [left, right, far, near],
            ..self.clone()
        }
    }
    /// The same in an end of the other hand, whose x counts across the part.
    pub fn mirrored_along(&self) -> Mating {
        let [left, right, near, far] = self.walls;
        Mating {
            walls: [right, left, near, far],
            ..self.clone()
        }
    }
}
