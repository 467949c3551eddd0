//! `grainway.shop/1`: what seldom changes.

use super::{LabelSheet, Length, Prices, Stock, Unit};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use serde_json::Value;
use std::collections::BTreeMap;

/// The format word of this version of the shop document.
pub const SHOP_FORMAT: &str = "grainway.shop/1";

/// A shop: machines, cutters, stocks, and the practice it works by.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct Shop {
    /// Where an editor finds the JSON Schema of this document (`grainway schema shop` prints it); grainway itself ignores it.
    #[serde(rename = "$schema", default, skip_serializing_if = "super::ignored")]
    pub schema: Option<String>,
    /// Always "grainway.shop/1".
    pub format: String,
    /// The unit of plain numbers in this document.
    #[serde(default)]
    pub unit: Unit,
    /// The machines, by id.
    pub machines: BTreeMap<String, Machine>,
    /// The cutters, by id.
    pub cutters: BTreeMap<String, Cutter>,
    /// The stocks, by id. A job may add its own or replace one by its id.
    #[serde(default)]
    pub stocks: BTreeMap<String, Stock>,
    /// Woods that the built-in table lacks, or figures of the shop's own, by name.
    #[serde(default)]
    pub woods: BTreeMap<String, WoodFigures>,
    /// What wood and time cost, for costs and quotes; none are told without it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub prices: Option<Prices>,
    /// The sheet that labels for pieces are printed on; a sheet of our own sizes when not given.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub labels: Option<LabelSheet>,
    /// Settings of stages, by stage name; a job's settings go over them. `grainway stages` prints every setting.
    #[serde(default)]
    pub settings: BTreeMap<String, Value>,
    /// The stages in order, when not the built-in chain.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub chain: Option<Vec<String>>,
    /// Which text is accepted although its dialect cannot be read back: names of dialects. Their programs go to
    /// programs-unverified/. Leave it empty unless somebody proves every program at the machine.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub accept_unverified: Vec<String>,
}

/// Where Z is zero.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum ZZero {
    /// On the spoilboard: heights are of the machine, whatever the wood's thickness.
    Bed,
    /// On the upper face of the wood: depths are of the face.
    Top,
}

/// How a spindle is switched.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum SpindleSwitch {
    /// By the program.
    #[default]
    Program,
    /// By a hand; the program pauses and the sheet says when.
    Hand,
}

/// How a cutter is changed.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum CutterChangeBy {
    /// By the machine, in the program. Needs a dialect that can say so.
    Machine,
    /// By a hand while the program pauses, where Z zero is set anew. Needs a dialect with pauses, and a controller that lets the axes
    /// be moved and zeroed in a pause.
    Pause,
    /// By a hand: one program a cutter, re-zeroed in between.
    #[default]
    Hand,
}

/// A three-axis router.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct Machine {
    /// The dialect its controller reads; `grainway dialects` lists them with the properties each asks for.
    pub dialect: String,
    /// The unit of its programs.
    #[serde(default)]
    pub program_unit: Unit,
    /// Travel along x, y and z.
    pub travel: [Length; 3],
    /// The longest piece that stands upright under the spindle to be cut in its end: from where its foot stands, on the bed or below the
    /// machine's open front, to where a cutter still goes over its upper end. Without it nothing is cut from an end.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub end_height: Option<Length>,
    /// Where Z is zero.
    pub z_zero: ZZero,
    /// Largest cutting feed, per minute (a length a minute).
    pub max_feed: Length,
    /// Largest feed downwards, per minute.
    pub max_plunge: Length,
    /// Speed of rapid moves, per minute; for times only.
    pub rapid: Length,
    /// Acceleration of each axis, length per second squared; for times only.
    pub acceleration: Length,
    /// How far the controller rounds corners off (path deviation allowed at full speed); for times only.
    #[serde(default = "default_corner_deviation")]
    pub corner_deviation: Length,
    /// Least spindle speed, rev/min.
    pub min_rpm: f64,
    /// Largest spindle speed, rev/min.
    pub max_rpm: f64,
    /// How the spindle is switched.
    #[serde(default)]
    pub spindle: SpindleSwitch,
    /// Seconds from start to full speed.
    #[serde(default = "default_spin_up")]
    pub spin_up_seconds: f64,
    /// Seconds of cutting after which the next cut or pass level begins with a line at which a stopped run can be taken up; whoever
    /// takes it up cuts at most about so long again. Each such line waits for the spindle, and within a cut the cutter goes up and
    /// comes down again. 0 gives every cut and every pass level its own.
    #[serde(default = "default_restart")]
    pub restart_seconds: f64,
    /// How cutters are changed.
    #[serde(default)]
    pub cutter_change: CutterChangeBy,
    /// Seconds that a cutter change takes; for times only.
    #[serde(default = "default_change")]
    pub change_seconds: f64,
    /// Where the machine stands in a pause, x and y from the board's zero.
    #[serde(default)]
    pub park: [Length; 2],
    /// Thickness of the spoilboard; screws, pilots and locating lines are checked against it.
    pub spoilboard: Length,
    /// Blocks a second the controller keeps up with, when other than its dialect says.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub blocks_per_second: Option<f64>,
    /// Diameter of the collet nut, for clearance to standing wood and screws.
    #[serde(default = "default_nut")]
    pub nut_diameter: Length,
}

fn default_corner_deviation() -> Length {
    Length::from_mm(0.05)
}
fn default_spin_up() -> f64 {
    4.0
}
/// Common practice, no source.
fn default_restart() -> f64 {
    240.0
}
fn default_change() -> f64 {
    60.0
}
fn default_nut() -> Length {
    Length::from_mm(45.0)
}

/// The kinds of cutter.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum CutterKind {
    /// Flat end mill, see `flutes`.
    EndMill,
    /// Half-sphere end.
    BallNose,
    /// Twist or brad-point drill.
    Drill,
    /// Pointed; `angle` is the included angle.
    VCutter,
}

/// Which way an end mill's flutes lift the chips.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Flutes {
    /// Lifts chips and wood.
    #[default]
    UpCut,
    /// Presses chips and wood down.
    DownCut,
    /// Up-cut at the tip, down-cut above.
    Compression,
    /// Neither.
    Straight,
}

/// A cutter. The properties are those of ISO 13399 under plain names (its codes in brackets).
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct Cutter {
    /// What it is.
    pub kind: CutterKind,
    /// For end mills: which way the flutes lift.
    #[serde(default)]
    pub flutes: Flutes,
    /// Number by which the controller knows it.
    pub number: u32,
    /// Cutting diameter as measured (DC).
    pub diameter: Length,
    /// Cutting edges (ZEFP).
    #[serde(default = "default_edges")]
    pub edges: u32,
    /// Length that cuts (APMX).
    pub cutting_length: Length,
    /// For a compression cutter: the length of its up-cut tip.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub up_cut_length: Option<Length>,
    /// Length free below the nut when held (LU). Taken as the cutting length when not given.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub usable_length: Option<Length>,
    /// Shank diameter (DCON). Taken as the cutting diameter when not given.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub shank_diameter: Option<Length>,
    /// Cuts in its centre, so it may go straight down (CCC).
    #[serde(default = "default_true")]
    pub centre_cutting: bool,
    /// Included angle of a V-cutter's point, or a drill's point angle (SIG), degrees.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub angle: Option<f64>,
    /// Largest speed marked on it, rev/min (RPMX).
    pub max_rpm: f64,
    /// Feed per tooth of the shop's own, instead of the one computed from the wood.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub feed_per_tooth: Option<Length>,
    /// Speed of the shop's own, rev/min.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub rpm: Option<f64>,
    /// Greatest depth of one pass, instead of half the diameter (of a V-cutter a quarter).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub pass_depth: Option<Length>,
}

fn default_edges() -> u32 {
    2
}
fn default_true() -> bool {
    true
}

impl Cutter {
    /// Radius, mm.
    pub fn radius_mm(&self) -> f64 {
        self.diameter.mm() / 2.0
    }
    /// Length free below the nut, mm.
    pub fn usable_mm(&self) -> f64 {
        self.usable_length.unwrap_or(self.cutting_length).mm()
    }
    /// Shank diameter, mm.
    pub fn shank_mm(&self) -> f64 {
        self.shank_diameter.unwrap_or(self.diameter).mm()
    }
    /// How far above its tip its edge lies at a distance from its axis, mm: nothing for a flat end, and for a V-cutter that does not
    /// say its angle.
    pub fn lift_mm(&self, off_axis: f64) -> f64 {
        let off = off_axis.abs().min(self.radius_mm());
        match (self.kind, self.angle) {
            (CutterKind::VCutter, Some(angle)) => off / (0.5 * angle).to_radians().tan(),
            (CutterKind::BallNose, _) => {
                let r = self.radius_mm();
                r - (r * r - off * off).max(0.0).sqrt()
            }
            _ => 0.0,
        }
    }
    /// The area that it sweeps across its way when its tip is `depth` mm deep, mm².
    pub fn section_mm2(&self, depth: f64) -> f64 {
        const SLICES: u32 = 200;
        let width = 2.0 * self.radius_mm() / f64::from(SLICES);
        (0..SLICES)
            .map(|i| {
                let off = (f64::from(i) + 0.5) * width - self.radius_mm();
                width * (depth - self.lift_mm(off)).max(0.0)
            })
            .sum()
    }
    /// Greatest depth of its first pass in standing wood, mm: the shop's own, else half its diameter, and of a V-cutter, whose head
    /// is wider than its shank, a quarter. Common practice, no source.
    pub fn pass_depth_mm(&self) -> f64 {
        let share = match self.kind {
            CutterKind::VCutter => 0.25,
            _ => 0.5,
        };
        self.pass_depth
            .map_or(share * self.diameter.mm(), |d| d.mm())
    }
    /// One line for people: "6 mm end mill, up-cut".
    pub fn label(&self) -> String {
        let kind = match self.kind {
            CutterKind::EndMill => match self.flutes {
                Flutes::UpCut => "end mill, up-cut",
                Flutes::DownCut => "end mill, down-cut",
                Flutes::Compression => "end mill, compression",
                Flutes::Straight => "end mill, straight",
            },
            CutterKind::BallNose => "ball nose",
            CutterKind::Drill => "drill",
            CutterKind::VCutter => "V-cutter",
        };
        format!(
            "{} mm {kind}",
            (self.diameter.mm() * 1000.0).round() / 1000.0
        )
    }
}

/// Figures of a wood.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct WoodFigures {
    /// Specific gravity at 12 % moisture.
    pub density: f64,
    /// Side hardness, newtons.
    pub hardness: f64,
    /// Change of width of a flat sawn board, a share for each percent of moisture (dimensional change coefficient C_T), from 0.0005 to
    /// 0.006. Movement of its joints is not looked at when left out.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub movement: Option<f64>,
    /// Where the figures come from.
    #[serde(default)]
    pub source: String,
}
