//! An example of a native stage: which zones of a vacuum bed to open for each setup.
//!
//! The bed is a grid of zones, lettered along x and numbered along y, its corner at the board's zero. A zone is opened when pieces
//! lie over it and the board covers enough of it to hold a vacuum. Pieces that no open zone holds are warned of, and so are zones
//! that through cuts run over, since they leak once they are cut. The stage only adds findings; it touches no motion.

use grainway_sdk::{
    Description, Patch, Plugin, Stage, StageAbout, StageFinding, StageHost, Stop, Value, json,
};
use serde::Deserialize;
use std::collections::{BTreeMap, BTreeSet};

/// Name of the stage.
const NAME: &str = "vacuum-zones";

/// Settings, lengths in mm.
#[derive(Clone, Debug, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
struct VacuumZones {
    bed_length: f64,
    bed_width: f64,
    columns: u32,
    rows: u32,
    least_cover: f64,
}

// The parts of the work that the stage looks at.

#[derive(Deserialize)]
struct Work {
    variants: Vec<Variant>,
    setups: Vec<Setup>,
}

#[derive(Deserialize)]
struct Variant {
    id: String,
    part: String,
    outline: Outline,
    z: ZFrame,
    steps: Vec<Step>,
}

#[derive(Deserialize)]
struct Outline {
    /// x, y and bulge of each corner in turn.
    xyb: Vec<f64>,
}

#[derive(Deserialize)]
struct ZFrame {
    zero: String,
    thickest: f64,
}

#[derive(Deserialize)]
struct Step {
    lowest: f64,
    moves: String,
}

#[derive(Deserialize)]
struct Setup {
    id: String,
    size: [f64; 2],
    placements: Vec<Placement>,
}

#[derive(Deserialize)]
struct Placement {
    piece: String,
    variant: String,
    placing: Placing,
    /// Moves with tabs, by the number of the variant's step.
    tabbed: Vec<(usize, String)>,
    /// Steps that another takes the place of.
    replaced: Vec<(usize, Value)>,
}

#[derive(Clone, Copy, Deserialize)]
struct Placing {
    at: [f64; 2],
    angle: f64,
}

impl Placing {
    fn point(&self, x: f64, y: f64) -> [f64; 2] {
        let (s, c) = self.angle.sin_cos();
        [x * c - y * s + self.at[0], x * s + y * c + self.at[1]]
    }
}

/// A box: least x and y, greatest x and y, mm.
#[derive(Clone, Copy)]
struct Bounds([f64; 4]);

impl Bounds {
    const NONE: Bounds = Bounds([f64::MAX, f64::MAX, f64::MIN, f64::MIN]);
    fn with(self, p: [f64; 2]) -> Bounds {
        let [a, b, c, d] = self.0;
        Bounds([a.min(p[0]), b.min(p[1]), c.max(p[0]), d.max(p[1])])
    }
    /// Area in common with `other`, mm².
    fn common(&self, other: &Bounds) -> f64 {
        let (a, b) = (self.0, other.0);
        let x = a[2].min(b[2]) - a[0].max(b[0]);
        let y = a[3].min(b[3]) - a[1].max(b[1]);
        if x > 0.0 && y > 0.0 { x * y } else { 0.0 }
    }
    fn area(&self) -> f64 {
        (self.0[2] - self.0[0]) * (self.0[3] - self.0[1])
    }
    fn holds(&self, p: [f64; 2]) -> bool {
        p[0] >= self.0[0] && p[0] <= self.0[2] && p[1] >= self.0[1] && p[1] <= self.0[3]
    }
}

/// The box round an outline as it lies: corners and the middles of arcs, which for zones of a bed is near enough.
fn lies(outline: &Outline, placing: &Placing) -> Bounds {
    let corners: Vec<&[f64]> = outline.xyb.chunks_exact(3).collect();
    let mut bounds = Bounds::NONE;
    for (i, c) in corners.iter().enumerate() {
        bounds = bounds.with(placing.point(c[0], c[1]));
        let next = corners[(i + 1) % corners.len()];
        // The middle of an arc lies |bulge| × half its chord beside the chord.
        let (dx, dy) = (next[0] - c[0], next[1] - c[1]);
        let out = c[2] / 2.0;
        let middle = [
            (c[0] + next[0]) / 2.0 + dy * out,
            (c[1] + next[1]) / 2.0 - dx * out,
        ];
        bounds = bounds.with(placing.point(middle[0], middle[1]));
    }
    bounds
}

/// Places where moves cut at or below `underside`, as they lie.
fn through(columns: &[f64], underside: f64, placing: &Placing) -> Vec<[f64; 2]> {
    let mut found = Vec::new();
    let mut at = [0.0f64; 3];
    for row in columns.chunks_exact(7) {
        let (x, y, z, a) = (row[1], row[2], row[3], row[4]);
        let from = at;
        match row[0] as i64 {
            2 => {
                // About (x, y) by `a` radians, `z` higher at the end; looked at every 15 degrees.
                let n = (a.abs() / 0.26).ceil().clamp(1.0, 10_000.0);
                for k in 1..=n as u32 {
                    let t = f64::from(k) / n;
                    let (s, c) = (a * t).sin_cos();
                    let (dx, dy) = (from[0] - x, from[1] - y);
                    at = [x + dx * c - dy * s, y + dx * s + dy * c, from[2] + z * t];
                    if at[2] <= underside {
                        found.push(placing.point(at[0], at[1]));
                    }
                }
            }
            3 => {
                if a <= underside {
                    found.push(placing.point(x, y));
                }
                at = [x, y, z];
            }
            kind => {
                at = [x, y, z];
                if kind == 1 && z <= underside {
                    found.push(placing.point(x, y));
                }
            }
        }
    }
    found
}

impl VacuumZones {
    fn read(settings: &Value) -> Result<VacuumZones, Stop> {
        let read = VacuumZones::deserialize(settings)
            .map_err(|e| Stop::refused("", format!("the settings cannot be read: {e}")))?;
        for (key, value) in [
            ("bed-length", read.bed_length),
            ("bed-width", read.bed_width),
        ] {
            if !(value > 0.0 && value <= 20_000.0) {
                return Err(Stop::refused(
                    format!("/{key}"),
                    format!("{value} mm is no length of a bed"),
                ));
            }
        }
        for (key, value) in [("columns", read.columns), ("rows", read.rows)] {
            if !(1..=26).contains(&value) {
                return Err(Stop::refused(format!("/{key}"), "1 to 26 zones are known"));
            }
        }
        if !(0.0..=1.0).contains(&read.least_cover) {
            return Err(Stop::refused("/least-cover", "a share is from 0 to 1"));
        }
        Ok(read)
    }

    /// Zones by name.
    fn zones(&self) -> BTreeMap<String, Bounds> {
        let (w, h) = (
            self.bed_length / f64::from(self.columns),
            self.bed_width / f64::from(self.rows),
        );
        let mut all = BTreeMap::new();
        for i in 0..self.columns {
            for k in 0..self.rows {
                let letter = char::from(b'A' + i as u8);
                let (x, y) = (w * f64::from(i), h * f64::from(k));
                all.insert(format!("{letter}{}", k + 1), Bounds([x, y, x + w, y + h]));
            }
        }
        all
    }

    fn setup(
        &self,
        setup: &Setup,
        variants: &BTreeMap<&str, &Variant>,
        host: &StageHost<'_>,
        findings: &mut Vec<Value>,
    ) -> Result<(), Stop> {
        let zones = self.zones();
        let board = Bounds([0.0, 0.0, setup.size[0], setup.size[1]]);
        let holds = |zone: &Bounds| zone.common(&board) >= self.least_cover * zone.area();
        let (mut open, mut cut) = (BTreeSet::new(), BTreeSet::new());
        for p in &setup.placements {
            host.check()?;
            let Some(variant) = variants.get(p.variant.as_str()) else {
                return Err(Stop::refused(
                    "/setups",
                    format!("{} is placed but does not exist", p.variant),
                ));
            };
            let lies = lies(&variant.outline, &p.placing);
            let under = zones
                .iter()
                .filter(|(_, z)| z.common(&lies) > 0.0 && holds(z));
            let mut under = under.map(|(name, _)| name.clone()).peekable();
            if under.peek().is_none() {
                let [a, b, c, d] = lies.0;
                findings.push(json!({
                    "code": "unheld", "setup": setup.id, "part": variant.part,
                    "at": [(a + c) / 2.0, (b + d) / 2.0],
                    "message": format!("{} lies over no zone of the bed that the board covers.", p.piece),
                }));
            }
            open.extend(under);
            let underside = match variant.z.zero.as_str() {
                "top" => -variant.z.thickest,
                _ => 0.0,
            };
            for (i, step) in variant.steps.iter().enumerate() {
                let replaced = p.replaced.iter().any(|(n, _)| *n == i);
                if step.lowest > underside || replaced {
                    continue;
                }
                let tabbed = p.tabbed.iter().find(|(n, _)| *n == i);
                let name = tabbed.map_or(&step.moves, |(_, name)| name);
                let Some(columns) = host.blob(name)? else {
                    return Err(Stop::refused(
                        "/variants",
                        "moves are named that do not exist",
                    ));
                };
                let points = through(columns, underside, &p.placing);
                for (name, zone) in &zones {
                    if points.iter().any(|p| zone.holds(*p)) {
                        cut.insert(name.clone());
                    }
                }
            }
        }
        let list = |names: &BTreeSet<String>| names.iter().cloned().collect::<Vec<_>>().join(", ");
        if !open.is_empty() {
            findings.push(json!({
                "code": "open", "setup": setup.id,
                "message": format!(
                    "Open zones {} of the bed's {} by {}; pieces lie over them.",
                    list(&open), self.columns, self.rows
                ),
            }));
        }
        let leaks: BTreeSet<String> = open.intersection(&cut).cloned().collect();
        if !leaks.is_empty() {
            findings.push(json!({
                "code": "cut-through", "setup": setup.id,
                "message": format!("Through cuts run over the open zones {}.", list(&leaks)),
            }));
        }
        Ok(())
    }
}

impl Stage for VacuumZones {
    fn run(&mut self, work: &Value, host: &StageHost<'_>) -> Result<Patch, Stop> {
        let work = Work::deserialize(work)
            .map_err(|e| Stop::refused("", format!("the work cannot be read: {e}")))?;
        let variants = work.variants.iter().map(|v| (v.id.as_str(), v)).collect();
        let mut patch = Patch::default();
        for setup in &work.setups {
            self.setup(setup, &variants, host, &mut patch.findings)?;
        }
        Ok(patch)
    }
}

/// The library.
pub struct Library;

impl Plugin for Library {
    fn describe() -> Description {
        let finding = |word: &str, severity: &str, about: &str, remedy: &str| StageFinding {
            word: word.into(),
            severity: severity.into(),
            about: about.into(),
            remedy: remedy.into(),
        };
        let length = |about: &str| json!({ "$ref": "#/$defs/Length", "description": about });
        let number = |about: &str| json!({ "type": "integer", "minimum": 1, "maximum": 26, "description": about });
        Description {
            name: "vacuum-zones".into(),
            version: env!("CARGO_PKG_VERSION").into(),
            summary: "Says which zones of a vacuum bed to open; an example of a native stage."
                .into(),
            requires: vec!["blobs".into(), "stage-run".into()],
            stages: vec![StageAbout {
                name: NAME.into(),
                version: 1,
                summary: "Says for each setup which zones of the vacuum bed to open.".into(),
                needs: vec!["held".into()],
                gives: vec![NAME.into()],
                spoils: vec!["reported".into()],
                may: vec!["findings".into()],
                findings: vec![
                    finding(
                        "open",
                        "note",
                        "Zones of the vacuum bed that pieces lie over.",
                        "Open these zones and close the others.",
                    ),
                    finding(
                        "unheld",
                        "warning",
                        "A piece lies over no zone that can hold a vacuum.",
                        "Hold it by screws or clamps, or lay the board over more of the bed.",
                    ),
                    finding(
                        "cut-through",
                        "note",
                        "Through cuts run over open zones, which leak from then on.",
                        "Cover the kerfs or leave a skin.",
                    ),
                ],
                schema: json!({
                    "type": "object", "additionalProperties": false,
                    "properties": {
                        "bed-length": length("The bed along x."),
                        "bed-width": length("The bed along y."),
                        "columns": number("Zones along x."),
                        "rows": number("Zones along y."),
                        "least-cover": {
                            "type": "number", "minimum": 0, "maximum": 1,
                            "description": "Share of a zone that the board must cover."
                        },
                    },
                }),
                example: json!({
                    "bed-length": 1200.0, "bed-width": 600.0, "columns": 3, "rows": 2, "least-cover": 0.8,
                }),
            }],
            ..Description::default()
        }
    }
    fn stage(name: &str, settings: &Value) -> Result<Option<Box<dyn Stage>>, Stop> {
        if name != NAME {
            return Ok(None);
        }
        Ok(Some(Box::new(VacuumZones::read(settings)?)))
    }
}

grainway_sdk::plugin!(Library);
