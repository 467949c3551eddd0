//! `grainway.job/1`: what is made.

use super::{
    Depth, Edge, End, Haunch, Joint, JointDoc, Length, Relief, SeenSides, Side, Stock,
    ThicknessReading, Unit,
};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use serde_json::Value;
use std::collections::BTreeMap;

/// The format word of this version of the job document.
pub const JOB_FORMAT: &str = "grainway.job/1";

/// A job: parts, where they come from, and what they are cut from.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct Job {
    /// Where an editor finds the JSON Schema of this document (`grainway schema job` prints it); grainway itself ignores it.
    #[serde(rename = "$schema", default, skip_serializing_if = "super::ignored")]
    pub schema: Option<String>,
    /// Always "grainway.job/1".
    pub format: String,
    /// What people call it.
    pub name: String,
    /// The unit of plain numbers in this document.
    #[serde(default)]
    pub unit: Unit,
    /// The shop document, a file name relative to the job's folder.
    pub shop: String,
    /// The machine of the shop to use; may be left out when the shop has only one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub machine: Option<String>,
    /// Names for lengths, on which the lengths of this document may count: `"top": "1200mm", "leg": "top / 20"`. `docs/lengths.md` has the
    /// rules.
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    pub lengths: BTreeMap<String, Length>,
    /// Stocks of this job, added to the shop's; the same id replaces.
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    pub stocks: BTreeMap<String, Stock>,
    /// How many times the whole job is made, 1 to 10000: 12 benches are one bench and 12 sets. Every count is multiplied, and joints go
    /// together within each set; the first set has the lowest numbers of each part, `seat#1`, `leg#1` to `leg#4`. 1 when not given.
    #[serde(default = "one", skip_serializing_if = "is_one")]
    pub sets: u32,
    /// Drawings whose contours become parts.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub drawings: Vec<Drawing>,
    /// Parts described here.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub parts: Vec<PartDoc>,
    /// Which parts go together, and how: the joints make the features of both.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub joints: Vec<JointDoc>,
    /// Make only these parts, by id, and so many of each: a spoiled part is made again without the rest. Everything when left out.
    /// `sets` multiplies these counts too; to make one piece again, take `sets` out.
    /// Parts of a drawing with layout as-drawn keep their place on the board and can be made once.
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    pub only: BTreeMap<String, u32>,
    /// Settings of stages, by stage name; they go over the shop's. `grainway stages` prints every setting.
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    pub settings: BTreeMap<String, Value>,
    /// The stages in order, when not the shop's or the built-in chain.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub chain: Option<Vec<String>>,
}

impl Job {
    /// The blank of a part as it lies at hand, with the tenons that joints give it.
    pub fn blank_of(&self, part: &PartDoc) -> Option<BlankDoc> {
        let mut blank = part.blank.as_ref()?.at_hand();
        let whole = blank.width.mm();
        let tenons = self.tenons_by_joints(&part.id, whole);
        blank.tenons.extend(tenons.map(|(_, t)| t));
        Some(blank)
    }
    /// The tenons that joints give a part of this width, mm, with the place of each joint in the list.
    pub fn tenons_by_joints(&self, part: &str, whole: f64) -> impl Iterator<Item = (usize, Tenon)> {
        let joints = self.joints.iter().enumerate();
        let own = joints.filter_map(move |(i, j)| match &j.joint {
            Joint::MortiseAndTenon(j) if j.tenon.part == part => Some((i, &j.tenon)),
            _ => None,
        });
        let placed = own.flat_map(move |(i, t)| {
            let ends = t.end.ends().iter();
            ends.flat_map(move |end| t.places(whole).into_iter().map(move |at| (i, t, *end, at)))
        });
        placed.map(|(i, t, end, at)| {
            let tenon = Tenon {
                end,
                length: t.length,
                width: t.width,
                // A tenon that is too wide is told by its own place.
                offset: (t.offset.is_some() || t.count > 1).then(|| Length::from_mm(at)),
                haunch: t.haunch,
            };
            (i, tenon)
        })
    }
}

/// How the parts of a drawing come onto boards.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Layout {
    /// Where the drawing has them, one board a sheet of the drawing.
    AsDrawn,
    /// Placed by the place stage.
    #[default]
    Free,
}

/// A drawing and what its layers mean.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct Drawing {
    /// Id; its parts are called `id/number` (`id-sheet/number` where the drawing has several sheets), numbered by position from
    /// the lower left, unless `parts` names them.
    pub id: String,
    /// File name (.dxf or .svg), relative to the job's folder and inside it.
    pub file: String,
    /// The unit of the drawing's coordinates, where the drawing does not say. Must agree with the drawing where it does.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub unit: Option<Unit>,
    /// Which sheets to make, counted from 1 by position, left to right and bottom to top; all when left out.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub sheets: Option<Vec<u32>>,
    /// Contours of parts farther apart than this belong to different sheets; by default the whole drawing is one sheet.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub sheet_gap: Option<Length>,
    /// Only contours that lie wholly in this window are read; the others count as ignored.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub window: Option<Window>,
    /// Single contours to leave out.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub leave_out: Vec<LeaveOut>,
    /// What layers mean, first match wins. A layer that matches no rule is an error when it holds closed contours, else a warning when
    /// it holds anything.
    pub layers: Vec<LayerRule>,
    /// The stock that its parts are cut from.
    pub stock: String,
    /// Where its parts come to lie.
    #[serde(default)]
    pub layout: Layout,
    /// The board for layout as-drawn: its size, and where the drawing's lower left part corner comes to lie on it. By default the
    /// board is the drawn parts' extent and a margin (setting `margin` of the place stage).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub board: Option<DrawnBoard>,
    /// Names, counts and extra features for its parts, by the id that they would have.
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    pub parts: BTreeMap<String, DrawnPart>,
    /// Ends nearer than this are joined; by default the import tolerance of 0.01 mm.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub join: Option<Length>,
    /// How many copies of the whole drawing; 1 when not given.
    #[serde(default = "one", skip_serializing_if = "is_one")]
    pub copies: u32,
}

fn one() -> u32 {
    1
}
fn is_zero(n: &u32) -> bool {
    *n == 0
}
fn is_one(n: &u32) -> bool {
    *n == 1
}

/// A rectangle of a drawing.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct Window {
    /// Its lower left corner, in the drawing's coordinates.
    pub at: [Length; 2],
    /// Along x and along y.
    pub size: [Length; 2],
}

/// A contour of a drawing, by its layer and a place on it.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct LeaveOut {
    /// The whole name of its layer.
    pub layer: String,
    /// A place in the drawing's coordinates; the contour that passes nearest is meant, at most 1 mm away.
    pub at: [Length; 2],
}

/// The board under a drawn layout.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct DrawnBoard {
    /// Along x.
    pub length: Length,
    /// Along y.
    pub width: Length,
    /// Where the lower left corner of the sheet's parts comes to lie, from the board's lower left corner.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub parts_at: Option<[Length; 2]>,
}

/// What a part of a drawing is called and how many are made.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct DrawnPart {
    /// Its id from here on.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub id: Option<String>,
    /// How many; 1 when not given. With layout as-drawn only 1 is possible.
    #[serde(default = "one")]
    pub count: u32,
    /// How many more of it, mirrored across the grain: the other hand. It is called `id~mirrored`. Not with layout as-drawn.
    #[serde(default, skip_serializing_if = "is_zero")]
    pub mirrored: u32,
    /// What people call it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub name: Option<String>,
    /// Its edges are rounded by hand, or with a guided router, to at least this radius before it is joined: what goes into or against
    /// it needs no relief for fillets up to that radius. A line of the hand-work list says so.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub eased: Option<Length>,
    /// How much its sides are seen, for what becomes of the corners of its joints.
    #[serde(default, skip_serializing_if = "SeenSides::are_shown")]
    pub seen: SeenSides,
    /// Features beyond the drawn ones, in the part's frame.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub features: Vec<FeatureDoc>,
    /// Hold-down screws may go through it where tabs find no room and no skin can be left; their holes stay.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub screws_through: bool,
}

/// A place that the maker chooses for a part.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct PlaceDoc {
    /// Id of a board of the part's stock.
    pub board: String,
    /// Where the lower left corner of its bounding box comes to lie, its grain along that of the board; for one piece alone. Left out, it
    /// lies anywhere on the board.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub at: Option<[Length; 2]>,
}

/// What the contours on some layers mean.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct LayerRule {
    /// Regular expression for the whole layer name. Named groups `depth` and `diameter` capture numbers in the drawing's unit:
    /// `^POCKET_(?P<depth>[0-9.]+)$`.
    pub layer: String,
    /// Ignore everything on these layers; they are counted in the report. Nothing else may be said then.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub ignore: bool,
    /// What the contours become.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub make: Option<FeatureKind>,
    /// The side that they are cut from, face or back. They are drawn as seen from the face, through the wood. What goes through is cut
    /// from the face whatever is said.
    #[serde(default, skip_serializing_if = "Side::is_face")]
    pub side: Side,
    /// How deep, when the layer's name does not say. A captured depth that reaches the stock's thickness (within 0.05 mm) is
    /// "through".
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub depth: Option<Depth>,
    /// Wood that stays under it, instead of a depth.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub left: Option<Length>,
    /// Make a band of this width that runs outside along each closed contour and leaves its inside standing, as a lowered border round a
    /// panel: all places at most so far from it, round at its outer corners. For kinds that are cleared, with a depth that is not
    /// through. A length.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub band_outside: Option<Length>,
    /// What happens in its inside corners.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub relief: Option<Relief>,
    /// What to do with what no cutter reaches.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub if_unreachable: Option<IfUnreachable>,
    /// The cutter to use, by id, instead of the one chosen.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub cutter: Option<String>,
}

/// A part described in the job.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct PartDoc {
    /// Id, unique in the job: letters, digits, `-`, `_`, `.`, at most 80.
    pub id: String,
    /// What people call it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub name: Option<String>,
    /// How many; 1 when not given, 0 where all of it is `mirrored`.
    #[serde(default = "one")]
    pub count: u32,
    /// How many more of it, mirrored across the grain: the other hand. It is called `id~mirrored`, also in `only`.
    #[serde(default, skip_serializing_if = "is_zero")]
    pub mirrored: u32,
    /// The stock it is cut from, or, for a blank, made of.
    pub stock: String,
    /// Its own edge, cut from a board. Give this or `blank`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub outline: Option<Shape>,
    /// A piece of wood of length and width. Give this or `outline`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub blank: Option<BlankDoc>,
    /// What is cut into it, in its own frame: x along the grain, y across, lower left corner of its bounding box at (0, 0) when a
    /// blank, and as drawn when an outline.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub features: Vec<FeatureDoc>,
    /// What happens in the inside corners of its outline.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub relief: Option<Relief>,
    /// Its edges are rounded by hand, or with a guided router, to at least this radius before it is joined: what goes into or against
    /// it needs no relief for fillets up to that radius. A line of the hand-work list says so.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub eased: Option<Length>,
    /// How much its sides are seen, for what becomes of the corners of its joints.
    #[serde(default, skip_serializing_if = "SeenSides::are_shown")]
    pub seen: SeenSides,
    /// Hold-down screws may go through it where tabs find no room and no skin can be left; their holes stay. Not for dimensioned
    /// blanks, which are clamped.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub screws_through: bool,
    /// The board that it is cut from, and where it lies there, chosen by eye for grain or figure. Left out, it lies where it fits best.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub place: Option<PlaceDoc>,
}

/// A parametric piece: a rectangle along the grain with tenons at its ends.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct BlankDoc {
    /// Along the grain, over all, tenons included.
    pub length: Length,
    /// Across the grain.
    pub width: Length,
    /// Already dimensioned: it is laid on the machine as it is and only machined; nothing cuts its outline. Otherwise it is cut
    /// from a board of its stock.
    #[serde(default)]
    pub dimensioned: bool,
    /// What the piece at hand measures, where that is not its planned size (only when it is already dimensioned). Features move with the
    /// edge, end or middle that they count from.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub measured: Option<MeasuredSize>,
    /// Tenons at its ends, made by the outline (only when it is cut from a board).
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub tenons: Vec<Tenon>,
}

/// What a dimensioned piece measures.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct MeasuredSize {
    /// Along the grain; as planned when left out.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub length: Option<Length>,
    /// Across the grain; as planned when left out.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub width: Option<Length>,
    /// Its own thickness, one reading or several; that of its stock when left out.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub thickness: Vec<ThicknessReading>,
}

impl BlankDoc {
    /// The blank with the size that it has: as measured where it was.
    pub fn at_hand(&self) -> BlankDoc {
        let measured = self.measured.clone().unwrap_or_default();
        BlankDoc {
            length: measured.length.unwrap_or(self.length),
            width: measured.width.unwrap_or(self.width),
            ..self.clone()
        }
    }
}

/// Where a place along a piece counts from when the piece measures other than planned.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum AlongFrom {
    /// The left end.
    #[default]
    Left,
    /// The middle of the length.
    Middle,
    /// The right end.
    Right,
}

/// Where a place across a piece counts from when the piece measures other than planned.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum AcrossFrom {
    /// The near edge.
    #[default]
    Near,
    /// The middle of the width.
    Middle,
    /// The far edge.
    Far,
}

impl AlongFrom {
    /// Nothing needs to be said of it.
    pub fn is_left(&self) -> bool {
        *self == AlongFrom::Left
    }
}

impl AcrossFrom {
    /// Nothing needs to be said of it.
    pub fn is_near(&self) -> bool {
        *self == AcrossFrom::Near
    }
}

/// A tenon: the piece is narrowed at its end.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct Tenon {
    /// Which end.
    pub end: End,
    /// From its tip to the shoulder.
    pub length: Length,
    /// Across the grain.
    pub width: Length,
    /// From the near edge (y = 0) to the tenon's near edge; centred when left out.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub offset: Option<Length>,
    /// A short piece beside it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub haunch: Option<Haunch>,
}

/// The kinds of feature.
#[derive(
    Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, JsonSchema,
)]
#[serde(rename_all = "kebab-case")]
pub enum FeatureKind {
    /// A recess.
    Pocket,
    /// The hole for a tenon, blind or through.
    Mortise,
    /// A recess across a face (dado).
    Housing,
    /// A recess along an edge (rabbet).
    Rebate,
    /// A recess along the grain, near an edge.
    Groove,
    /// Half of a halved joint.
    Lap,
    /// A round hole.
    Hole,
    /// An opening through the part.
    Cutout,
    /// The part's own edge.
    Outline,
    /// A line cut into the face with the cutter's centre on it.
    Engraving,
}

impl FeatureKind {
    /// The word in documents.
    pub const fn word(self) -> &'static str {
        match self {
            FeatureKind::Pocket => "pocket",
            FeatureKind::Mortise => "mortise",
            FeatureKind::Housing => "housing",
            FeatureKind::Rebate => "rebate",
            FeatureKind::Groove => "groove",
            FeatureKind::Lap => "lap",
            FeatureKind::Hole => "hole",
            FeatureKind::Cutout => "cutout",
            FeatureKind::Outline => "outline",
            FeatureKind::Engraving => "engraving",
        }
    }
    /// Cleared over its whole area.
    pub const fn is_cleared(self) -> bool {
        !matches!(
            self,
            FeatureKind::Hole | FeatureKind::Cutout | FeatureKind::Outline | FeatureKind::Engraving
        )
    }
}

/// What to do with what no given cutter reaches.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum IfUnreachable {
    /// Refuse the job.
    #[default]
    Refuse,
    /// List it as hand work.
    Hand,
}

/// Something cut into a part.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct FeatureDoc {
    /// Id, unique in the part. Made from kind and place when left out.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub id: Option<String>,
    /// What it is.
    pub kind: FeatureKind,
    /// The side that it is cut from. For the back its place is given as seen from the face, through the wood. For an edge (of a
    /// rectangular piece only) x counts along the piece from its left end, and y across its thickness from the face. For an end (of a
    /// rectangular piece only) x counts across the piece from its near edge, and y across its thickness from the face. A depth counts from
    /// its own side. What goes through is cut from the face, the near edge or the left end, whatever is said.
    #[serde(default, skip_serializing_if = "Side::is_face")]
    pub side: Side,
    /// Where its place along the piece counts from when a dimensioned piece measures other than planned. Places are always given as in
    /// the planned piece. Of what is cut from an end nothing counts along.
    #[serde(default, skip_serializing_if = "AlongFrom::is_left")]
    pub along_from: AlongFrom,
    /// The same across the piece; of what is cut from an edge nothing counts across.
    #[serde(default, skip_serializing_if = "AcrossFrom::is_near")]
    pub across_from: AcrossFrom,
    /// Its shape in the part's frame.
    pub shape: Shape,
    /// Islands inside the shape that stay at full height; closed shapes, for cleared kinds only.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub islands: Vec<Shape>,
    /// Depth below the face, or "through". Give this or `left`; cutouts go through without saying.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub depth: Option<Depth>,
    /// Wood that stays under it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub left: Option<Length>,
    /// What happens in its inside corners; the shop's or job's `relief` setting when left out.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub relief: Option<Relief>,
    /// What to do with what no cutter reaches.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub if_unreachable: Option<IfUnreachable>,
    /// How far from a wanted inside corner wood may stay, where no relief takes it: by default the fillet that the cutter leaves
    /// is allowed in corners, and nothing elsewhere.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub leave: Option<Length>,
    /// The cutter to use, by id, instead of the one chosen.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub cutter: Option<String>,
    /// How the waste of a cutout is held or got rid of; decided by its size when left out.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub waste: Option<Waste>,
}

impl FeatureDoc {
    /// The feature where it comes to lie on the piece at hand.
    pub fn at_hand(&self, blank: Option<&BlankDoc>) -> FeatureDoc {
        let Some(blank) = blank.filter(|b| b.measured.is_some()) else {
            return self.clone();
        };
        let own = blank.at_hand();
        let grown = |own: Length, planned: Length| own.mm() - planned.mm();
        let along = grown(own.length, blank.length)
            * match self.along_from {
                AlongFrom::Left => 0.0,
                AlongFrom::Middle => 0.5,
                AlongFrom::Right => 1.0,
            };
        let across = grown(own.width, blank.width)
            * match self.across_from {
                AcrossFrom::Near => 0.0,
                AcrossFrom::Middle => 0.5,
                AcrossFrom::Far => 1.0,
            };
        // An edge counts along the piece alone, and an end across it, by its own x.
        let (along, across) = match self.side {
            Side::Face | Side::Back => (along, across),
            Side::Near | Side::Far => (along, 0.0),
            Side::LeftEnd | Side::RightEnd => (across, 0.0),
        };
        FeatureDoc {
            shape: self.shape.shifted(along, across),
            islands: self
                .islands
                .iter()
                .map(|i| i.shifted(along, across))
                .collect(),
            waste: self.waste.clone().map(|w| Waste {
                screws_at: w
                    .screws_at
                    .iter()
                    .map(|p| moved(*p, along, across))
                    .collect(),
                ..w
            }),
            ..self.clone()
        }
    }
}

fn moved([x, y]: [Length; 2], along: f64, across: f64) -> [Length; 2] {
    [longer(x, along), longer(y, across)]
}

fn longer(length: Length, by: f64) -> Length {
    Length::from_mm(length.mm() + by)
}

impl Shape {
    /// The shape so many mm farther along and across. Bands keep what they have from the part's edges: only the places that were given
    /// move.
    fn shifted(&self, along: f64, across: f64) -> Shape {
        let mut shape = self.clone();
        let to = |p: &mut [Length; 2]| *p = moved(*p, along, across);
        let by = |l: &mut Length, mm: f64| *l = longer(*l, mm);
        let maybe = |l: &mut Option<Length>, mm: f64| *l = l.map(|l| longer(l, mm));
        match &mut shape {
            Shape::Rectangle(s) => to(&mut s.at),
            Shape::Circle(s) => to(&mut s.at),
            Shape::Circles(s) => s.at.iter_mut().for_each(to),
            Shape::Slot(s) => {
                to(&mut s.from);
                to(&mut s.to);
            }
            Shape::Contour(s) => {
                for point in &mut s.points {
                    match point {
                        ContourPoint::Plain(at) => to(at),
                        ContourPoint::Full(p) => to(&mut p.at),
                    }
                }
            }
            Shape::Across(s) => {
                by(&mut s.at, along);
                maybe(&mut s.from, across);
                maybe(&mut s.to, across);
            }
            Shape::Along(s) => {
                by(&mut s.at, across);
                maybe(&mut s.from, along);
                maybe(&mut s.to, along);
            }
            Shape::AtEnd(_) | Shape::AtEdge(_) => {}
        }
        shape
    }
}

/// What becomes of the waste inside a cutout.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct Waste {
    /// How.
    pub by: WasteBy,
    /// Where the screws go, in the part's frame, instead of computed places.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub screws_at: Vec<[Length; 2]>,
}

/// Ways to keep waste from flying.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum WasteBy {
    /// Hold-down screws driven into it in a pause.
    Screws,
    /// Tabs to the part.
    Tabs,
    /// Nothing is left loose: all of it becomes chips.
    Chips,
}

/// A shape of the plane, in the part's frame.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub enum Shape {
    /// A rectangle.
    Rectangle(RectangleShape),
    /// A circle.
    Circle(CircleShape),
    /// Several circles of one diameter; each becomes a feature `id.1`, `id.2` …
    Circles(CirclesShape),
    /// A slot with round ends.
    Slot(SlotShape),
    /// Points, joined by lines and arcs.
    Contour(ContourShape),
    /// A band across the whole part, or stopped: housings.
    Across(AcrossShape),
    /// A band along the whole part, or stopped: grooves.
    Along(AlongShape),
    /// All of the part within a length of one end: laps.
    AtEnd(AtEndShape),
    /// All of the part within a width of one long edge: rebates.
    AtEdge(AtEdgeShape),
}

/// A rectangle.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct RectangleShape {
    /// Lower left corner before turning.
    pub at: [Length; 2],
    /// Extent along x and y before turning.
    pub size: [Length; 2],
    /// Corner radius.
    #[serde(default)]
    pub corner: Length,
    /// Turned counter-clockwise about `at`, degrees.
    #[serde(default)]
    pub angle: f64,
}

/// A circle.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct CircleShape {
    /// Centre.
    pub at: [Length; 2],
    /// Diameter.
    pub diameter: Length,
}

/// Several circles.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct CirclesShape {
    /// Centres.
    pub at: Vec<[Length; 2]>,
    /// Diameter of each.
    pub diameter: Length,
}

/// A slot with round ends.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct SlotShape {
    /// Centre of one round end.
    pub from: [Length; 2],
    /// Centre of the other.
    pub to: [Length; 2],
    /// Width.
    pub width: Length,
}

/// Points joined by lines and arcs.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct ContourShape {
    /// The corners.
    pub points: Vec<ContourPoint>,
    /// The last point joins the first; true when left out. Engravings may be open.
    #[serde(default = "yes")]
    pub closed: bool,
}

fn yes() -> bool {
    true
}

/// A corner of a contour.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(untagged)]
pub enum ContourPoint {
    /// A corner: a straight line goes on to the next.
    Plain([Length; 2]),
    /// A corner with more to say.
    Full(FullPoint),
}

/// A corner with more to say.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct FullPoint {
    /// Where.
    pub at: [Length; 2],
    /// The contour goes on to the next point along an arc: tan of a quarter of its included angle, negative clockwise.
    #[serde(default)]
    pub bulge: f64,
    /// The corner is rounded by this radius (only between straight lines).
    #[serde(default)]
    pub round: Length,
}

/// A band across the part.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct AcrossShape {
    /// x of its middle.
    pub at: Length,
    /// Along x.
    pub width: Length,
    /// y where it starts, when it does not run out over the near edge.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub from: Option<Length>,
    /// y where it stops, when it does not run out over the far edge.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub to: Option<Length>,
}

/// A band along the part.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct AlongShape {
    /// y of its middle.
    pub at: Length,
    /// Along y.
    pub width: Length,
    /// x where it starts, when it does not run out over the left end.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub from: Option<Length>,
    /// x where it stops, when it does not run out over the right end.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub to: Option<Length>,
}

/// All within a length of one end.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct AtEndShape {
    /// Which end.
    pub end: End,
    /// From the end along x.
    pub length: Length,
}

/// All within a width of one long edge.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct AtEdgeShape {
    /// Which edge.
    pub edge: Edge,
    /// From the edge along y.
    pub width: Length,
}
