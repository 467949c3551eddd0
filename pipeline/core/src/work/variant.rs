//! What is really cut.

use super::{BlobId, ZFrame};
use crate::doc::{FeatureKind, IfUnreachable, Relief, Side, Waste};
use grainway_geom::{Contour, Point, Region};
use serde::{Deserialize, Serialize};

/// One side of a part as it will be cut: part, stock, side (and, where joints are fitted, mates). Made once, placed many times. XY as in
/// its part, turned with it for the back; Z is the machine's.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Variant {
    /// Unique; the part's id, followed by `~2`, `~3` … where a part has several, and by `~back`, `~near`, `~far`, `~left-end` or
    /// `~right-end` for another side than its face.
    pub id: String,
    /// The part's id.
    pub part: String,
    /// The side that lies up.
    #[serde(default, skip_serializing_if = "Side::is_face")]
    pub side: Side,
    /// How the piece was turned to bring its back up.
    #[serde(default, skip_serializing_if = "Turn::is_over_edge")]
    pub turn: Turn,
    /// The stock's id.
    pub stock: String,
    /// Heights of its wood.
    pub z: ZFrame,
    /// Its own edge as it will be, counter-clockwise, reliefs not in it.
    pub outline: Contour,
    /// Nothing cuts its outline.
    pub dimensioned: bool,
    /// What is cut into it, sorted by key; the outline is among them (kind outline, key `outline`) unless dimensioned.
    pub features: Vec<SizedFeature>,
    /// How: filled by drill, pocket, profile and so on, in the order of the chain.
    pub steps: Vec<Workingstep>,
}

impl Variant {
    /// SHA-256 (hex) over all of it but where its features stand in documents: where it is the same, the piece is cut by the same motions.
    pub fn sum(&self) -> String {
        let mut cut = self.clone();
        for feature in &mut cut.features {
            feature.source = super::Source::default();
        }
        // A variant holds numbers, texts and lists, which JSON can write.
        super::sha256_hex(&serde_json::to_vec(&cut).unwrap_or_default())
    }
}

/// How a piece is turned so that its back lies up.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Turn {
    /// About its long edge: left stays left, what lay far lies near.
    #[default]
    OverEdge,
    /// About its end: near stays near, what lay right lies left.
    OverEnd,
}

impl Turn {
    /// Both, the usual one first.
    pub const ALL: [Turn; 2] = [Turn::OverEdge, Turn::OverEnd];

    /// Nothing needs to be said of it.
    pub fn is_over_edge(&self) -> bool {
        *self == Turn::OverEdge
    }
    /// A contour of a piece of this size as it lies after the turn.
    pub fn contour(self, contour: &Contour, size: Point) -> Contour {
        match self {
            Turn::OverEdge => contour.mirrored_across(size.y),
            Turn::OverEnd => contour.mirrored_along(size.x),
        }
    }
}

/// A feature with its true size and depth.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct SizedFeature {
    /// Unique in the variant.
    pub key: String,
    /// What it is.
    pub kind: FeatureKind,
    /// Its boundary without reliefs: closed, counter-clockwise; open or closed for an engraving.
    pub shape: Contour,
    /// Islands inside that stay, clockwise.
    pub islands: Vec<Contour>,
    /// The circle, when the shape is exactly one: centre and diameter, mm.
    pub circle: Option<(Point, f64)>,
    /// The wanted floor, in the machine's Z: the face of what stays. For a through feature, the bottom the cutter is to reach.
    pub floor: f64,
    /// Goes right through.
    pub through: bool,
    /// What the user asked for in its inside corners; the stage's setting when `None`.
    pub relief: Option<Relief>,
    /// Its inside corners with what was decided; filled by relief. Corners that are not listed are not inside corners.
    pub corners: Vec<Corner>,
    /// What to do with what no cutter reaches.
    pub if_unreachable: IfUnreachable,
    /// How much wood may stay, mm, besides the fillets of corners without relief; `None`: nothing.
    pub leave: Option<f64>,
    /// The cutter asked for.
    pub cutter_wanted: Option<String>,
    /// The cutter that finishes its walls, by id; set by the stage that decides (relief decides it for features with corners).
    pub cutter: Option<String>,
    /// What becomes of a cutout's waste, as asked.
    pub waste: Option<Waste>,
    /// The layer or pointer it comes from, for findings.
    pub source: super::Source,
}

impl SizedFeature {
    /// The area inside its shape, less its islands.
    pub fn region(&self) -> Region {
        Region {
            outer: self.shape.clone().oriented(true),
            holes: self.islands.clone(),
        }
    }
}

/// An inside corner and what was decided for it.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Corner {
    /// Where.
    pub at: Point,
    /// Inside angle, radians, less than π: the angle of the space that the cutter is to reach into.
    pub angle: f64,
    /// Unit direction from the corner along the edge before it (back along the contour).
    pub before: Point,
    /// Unit direction from the corner along the edge after it.
    pub after: Point,
    /// Length of the shorter straight edge available before and after, mm.
    pub lengths: [f64; 2],
    /// What was decided.
    pub answer: CornerAnswer,
}

/// What is done about an inside corner.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", tag = "kind")]
pub enum CornerAnswer {
    /// The fillet of the cutter stays.
    Fillet,
    /// The fillet of the cutter stays, and what the feature is joined with leaves it room.
    Covered,
    /// Squared by hand.
    ByHand,
    /// A thinner cutter goes over the corner after the feature's own; its fillet stays.
    Rest {
        /// The thinner cutter, by id.
        cutter: String,
    },
    /// A lobe: a disc that the cutter clears besides the feature's own region.
    Lobe {
        /// `true`: dog-bone on the bisector; `false`: T-bone into one edge.
        dog_bone: bool,
        /// For a T-bone: the lobe goes into the edge before the corner (else the one after).
        into_before: bool,
        /// Centre of the disc.
        centre: Point,
        /// Radius of the disc: the cutter's measured radius.
        radius: f64,
        /// Where the cutter's centre comes from and goes back to, straight: the centre of the corner's fillet. The cutter clears
        /// the straight band between the two discs besides them.
        from: Point,
    },
}

/// The kinds of workingstep.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Operation {
    /// Engraved lines, numbers and marks.
    Engrave,
    /// A drilled or helically milled hole.
    Drill,
    /// Clearing of a recess; the reliefs of its corners included.
    Clear,
    /// Thin finishing of a recess's walls.
    FinishWall,
    /// Corners of a recess that its cutter was too thick for, with a thinner one.
    Rest,
    /// A cutout, on its contour.
    Cutout,
    /// The outline.
    Outline,
    /// A setup's own: pilots for hold-down screws.
    Pilot,
    /// A setup's own: lines in the spoilboard to place a blank by.
    LocatingLine,
}

impl Operation {
    /// On paper and in lists.
    pub fn word(self) -> &'static str {
        match self {
            Operation::Engrave => "engrave",
            Operation::Drill => "drill",
            Operation::Clear => "clear",
            Operation::FinishWall => "finish walls",
            Operation::Rest => "clear corners",
            Operation::Cutout => "cut out",
            Operation::Outline => "cut outline",
            Operation::Pilot => "drill pilots",
            Operation::LocatingLine => "locating line",
        }
    }
}

/// One step with one cutter (ISO 14649's word).
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Workingstep {
    /// The stage that made it; no other stage takes it away.
    pub stage: String,
    /// The feature's key.
    pub feature: String,
    /// What is done.
    pub operation: Operation,
    /// Cutter, by id.
    pub cutter: String,
    /// rev/min.
    pub rpm: f64,
    /// Feed in the cut, mm/min (corners and entries may be slower, see the moves).
    pub feed: f64,
    /// Feed downwards, mm/min.
    pub plunge: f64,
    /// The lowest Z of its moves.
    pub lowest: f64,
    /// Its moves, in the variant's XY: a rapid to XY at safe height first, a rapid to safe height last. For cutouts and outlines
    /// these are the moves without tabs; hold makes those with tabs.
    pub moves: BlobId,
    /// For cutouts and outlines: the cut as passes on a closed path, from which hold makes the moves with tabs.
    pub profile: Option<ProfileCut>,
}

/// A cut along a closed path in passes.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct ProfileCut {
    /// Paths of the cutter's centre, each with its passes: a loop that only widens the kerf, the one that roughs, the one that finishes.
    pub loops: Vec<CutLoop>,
    /// The diameter of the cutter, mm.
    pub cutter_diameter: f64,
    /// Feed, mm/min.
    pub feed: f64,
    /// Feed straight down, mm/min; slopes go no faster downwards.
    pub plunge: f64,
    /// Ramp angle, radians; a quarter turn goes straight down.
    pub ramp: f64,
    /// Where tabs may sit on the last loop's path: spans by length along it. A tab's neck lies within a span; the cutter's radius
    /// beyond its ends is free as well.
    pub tab_spans: Vec<TabSpan>,
    /// The piece inside the path is what is kept (an outline); otherwise what is inside is waste (a cutout).
    pub keeps_inside: bool,
    /// Overlap of closed passes, mm.
    pub overlap: f64,
}

/// One closed path and the heights it is run at.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct CutLoop {
    /// The centre's path, closed, in the direction of cutting, starting where entry is best.
    pub path: Contour,
    /// Floors of the passes, downwards, machine Z.
    pub passes: Vec<f64>,
    /// A finishing pass: takes the allowance off at full depth.
    pub finishing: bool,
    /// This loop goes through, so it is lifted over tabs.
    pub through: bool,
}

/// A span of a path where a tab may sit, or does.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct TabSpan {
    /// From this length along the path, mm.
    pub from: f64,
    /// To this length, mm; more than the path's length when it runs over the start.
    pub to: f64,
    /// The edge runs along the grain (tabs there are weak and get a longer neck).
    pub long_grain: bool,
}

/// A tab (bridge) that is left.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Tab {
    /// Middle, by length along the last loop's path, mm.
    pub along: f64,
    /// Width of the neck, mm; the cutter is lifted for neck + its diameter.
    pub neck: f64,
    /// Upper side, machine Z.
    pub top: f64,
}

/// The waste inside a cutout and how it is dealt with; decided by hold, checked by verify.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct WasteRecord {
    /// The feature's key.
    pub feature: String,
    /// How.
    pub by: crate::doc::WasteBy,
    /// Screws, in the variant's frame.
    pub screws: Vec<Point>,
    /// Tabs on the cutout's path.
    pub tabs: Vec<Tab>,
}

/// Something left for hands.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub struct HandWork {
    /// The part.
    pub part: String,
    /// How many copies need it.
    pub count: u32,
    /// The feature.
    pub feature: Option<String>,
    /// Where, in the part's frame.
    pub at: Option<Point>,
    /// One sentence: "square 4 corners of mortise m1 to 22 mm depth".
    pub what: String,
    /// Why the machine did not.
    pub why: String,
    /// The pieces that need it, by name, where not all copies do; else empty.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub pieces: Vec<String>,
}
