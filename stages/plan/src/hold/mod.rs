//! Plans what holds the board, the pieces and the waste.
//!
//! Before the first cut: screws or clamps in the board's margin. Per piece the first of these that it has room for: tabs, none of
//! them towards waste that is not held itself; a skin under that piece; screws through it; bridges to a neighbour. Per opening:
//! screws into its waste, tabs, or all of it to chips.

mod board;
mod bridges;
mod chips;
mod decided;
mod first;
mod pieces;
mod pilots;
mod screws;
mod skins;
mod tabs;
mod through;
mod touch;
mod waste;

use crate::sweep::{Field, Sweep};
use board::{Board, Surroundings};
use grainway_geom::Contour;
use grainway_pipeline::doc::Length;
use grainway_pipeline::finding::{Finding, code};
use grainway_pipeline::stage::{Cx, Description, Stop, TypedStage};
use grainway_pipeline::work::{
    BlobId, Documents, Hold, HoldKind, Operation, PieceHold, Placement, ProfileCut, Setup,
    SetupKind, Tab, Variant, Work,
};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

pub use screws::{Pilot, Screw};

/// What holds a board before the first cut.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum FirstHold {
    /// Screws through its margin.
    #[default]
    Screws,
    /// Clamps over its edges.
    Clamps,
    /// Something that the program knows nothing of, such as suction. The sheet says that the person vouches for it.
    Other,
}

/// The name of this stage.
const HOLD: &str = "hold";

/// Settings of the hold stage.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case", deny_unknown_fields, default)]
pub struct HoldSettings {
    /// What holds a board before the first cut. Dimensioned blanks are clamped in any case.
    pub first: FirstHold,
    /// Diameter of hold-down screws. A length.
    pub screw_diameter: Length,
    /// Diameter of their heads. A length.
    pub head_diameter: Length,
    /// Heads are driven flush with the face or deeper.
    pub heads_sunk: bool,
    /// How high heads stand over the face when they are not sunk. A length.
    pub head_height: Length,
    /// Room between a head or clamp and any cut, besides the head's and the cutter's radius. A length.
    pub keep_out: Length,
    /// Distance of screws from the board's edges, in screw diameters. A number.
    pub edge_diameters: f64,
    /// Distance of screws from the board's ends, where the wood splits more easily, in screw diameters. Where only a smaller one,
    /// down to `edge-diameters`, can be had, the sheet asks for a pilot. A number.
    pub end_diameters: f64,
    /// Screws or clamps along the board's edges at most this far apart. A length.
    pub spacing: Length,
    /// Screws also go into the frame between parts, in the pause, where it is farther than `frame-spacing` from every other.
    pub frame_screws: bool,
    /// See `frame-screws`. A length.
    pub frame_spacing: Length,
    /// Edge of a clamp's square footprint. A length.
    pub clamp_size: Length,
    /// How high clamps stand over the face. A length.
    pub clamp_height: Length,
    /// How far a clamp reaches over the wood, at most. A length.
    pub clamp_reach: Length,
    /// Width of a tab's neck. A length.
    pub tab_neck: Length,
    /// Width of a tab's neck on edges along the grain, where tabs are weak. A length.
    pub tab_neck_long_grain: Length,
    /// Height of tabs, in the thinnest wood. A length.
    pub tab_height: Length,
    /// Tabs are at most this far apart. A length.
    pub tab_spacing: Length,
    /// Least number of tabs of a part. A count.
    pub tabs_least: u32,
    /// Leave a thin floor under all outlines instead of tabs. Needs zero on the bed. Without this a floor is left only under pieces
    /// that have no room for tabs.
    pub skin: bool,
    /// Thickness of that floor. A length.
    pub skin_thickness: Length,
    /// Waste narrower than this between two kerfs holds nothing. A length.
    pub strip_least: Length,
    /// Least diameter of pilots. A length.
    pub pilot_least: Length,
    /// Greatest diameter of pilots. A length.
    pub pilot_most: Length,
    /// How deep pilots go into the spoilboard. A length.
    pub pilot_depth: Length,
    /// What must stay of the spoilboard under pilots. A length.
    pub spoilboard_least: Length,
}

impl Default for HoldSettings {
    fn default() -> Self {
        let mm = Length::from_mm;
        HoldSettings {
            first: FirstHold::Screws,
            screw_diameter: mm(4.0),
            head_diameter: mm(8.0),
            heads_sunk: true,
            head_height: mm(3.0),
            keep_out: mm(4.0),
            edge_diameters: 2.5,
            end_diameters: 5.0,
            spacing: mm(300.0),
            frame_screws: true,
            frame_spacing: mm(250.0),
            clamp_size: mm(40.0),
            clamp_height: mm(20.0),
            clamp_reach: mm(15.0),
            tab_neck: mm(8.0),
            tab_neck_long_grain: mm(12.0),
            tab_height: mm(3.0),
            tab_spacing: mm(200.0),
            tabs_least: 3,
            skin: false,
            skin_thickness: mm(0.4),
            strip_least: mm(10.0),
            pilot_least: mm(2.5),
            pilot_most: mm(3.2),
            pilot_depth: mm(6.0),
            spoilboard_least: mm(3.0),
        }
    }
}

impl HoldSettings {
    /// Radius of a screw's head, mm.
    fn head_radius(&self) -> f64 {
        self.head_diameter.mm() / 2.0
    }
    /// What a screw's middle must keep from the edge of any cut, mm.
    fn screw_clear(&self) -> f64 {
        self.head_radius() + self.keep_out.mm()
    }
    /// What a screw's middle must keep from the board's edges, mm.
    fn screw_edge(&self) -> f64 {
        self.edge_diameters * self.screw_diameter.mm()
    }
    /// What a screw's middle must keep from the board's ends if it has no pilot, mm.
    fn screw_end(&self) -> f64 {
        self.end_diameters.max(self.edge_diameters) * self.screw_diameter.mm()
    }
    /// How high a head stands over the face, mm.
    fn head_above(&self) -> f64 {
        if self.heads_sunk {
            0.0
        } else {
            self.head_height.mm()
        }
    }
    fn check(&self, documents: &Documents) -> Vec<Finding> {
        let positive = [
            ("screw-diameter", self.screw_diameter),
            ("head-diameter", self.head_diameter),
            ("spacing", self.spacing),
            ("frame-spacing", self.frame_spacing),
            ("clamp-size", self.clamp_size),
            ("clamp-reach", self.clamp_reach),
            ("tab-neck", self.tab_neck),
            ("tab-neck-long-grain", self.tab_neck_long_grain),
            ("tab-height", self.tab_height),
            ("tab-spacing", self.tab_spacing),
            ("skin-thickness", self.skin_thickness),
            ("pilot-least", self.pilot_least),
            ("pilot-most", self.pilot_most),
        ];
        let zero_too = [
            ("head-height", self.head_height),
            ("keep-out", self.keep_out),
            ("clamp-height", self.clamp_height),
            ("strip-least", self.strip_least),
            ("pilot-depth", self.pilot_depth),
            ("spoilboard-least", self.spoilboard_least),
        ];
        let bad = |name: &str, what: String| {
            Finding::new(
                &code::BAD_NUMBER,
                format!("The hold stage's `{name}` {what}"),
            )
            .pointer(documents.setting(HOLD, &[name]))
        };
        let mut found: Vec<Finding> = positive
            .iter()
            .filter(|(_, l)| !(l.mm() > 0.0 && l.mm() <= 10_000.0))
            .chain(
                zero_too
                    .iter()
                    .filter(|(_, l)| !(l.mm() >= 0.0 && l.mm() <= 10_000.0)),
            )
            .map(|(name, l)| bad(name, format!("is {} mm; it must be positive.", l.mm())))
            .collect();
        for (name, value) in [
            ("edge-diameters", self.edge_diameters),
            ("end-diameters", self.end_diameters),
        ] {
            if !(0.0..=100.0).contains(&value) {
                let what = format!("is {value}; it must lie between 0 and 100.");
                found.push(bad(name, what));
            }
        }
        found
    }
}

/// Least height of a tab in the thinnest wood, mm: below 2 mm a tab breaks under the cutter (docs/practice.md, section Holding), and a
/// Z zero set 0.2 mm low is borne.
const TAB_LEAST_MM: f64 = 2.2;
/// A tab's upper side stays at least this far below the face, or nothing would be cut there, mm.
const TAB_BELOW_FACE_MM: f64 = 0.8;
/// Safe height over the face at least, mm; before waste screws are in, and when they are, higher (docs/practice.md, section Heights).
const SAFE_MM: f64 = 10.0;
/// The same while screws are still to be driven.
const SAFE_BEFORE_SCREWS_MM: f64 = 15.0;
/// Safe height over the highest screw or clamp, mm.
const SAFE_OVER_HOLD_MM: f64 = 5.0;
/// Down to this height over the wood the cutter comes fast, mm.
const CLEAR_MM: f64 = 2.0;

/// The hold stage.
#[derive(Clone, Copy, Debug, Default)]
pub struct HoldStage;

impl TypedStage for HoldStage {
    type Settings = HoldSettings;
    fn describe(&self) -> Description {
        Description {
            name: HOLD,
            version: 4,
            summary: "Plans what holds the board, the pieces and the waste.",
            needs: &["placed", "steps"],
            gives: &["held"],
            spoils: &["ordered", "programs", "verified", "reported"],
        }
    }
    fn run(&self, work: &mut Work, settings: &Self::Settings, cx: &Cx<'_>) -> Result<(), Stop> {
        let mut findings = settings.check(&work.documents);
        if !findings.is_empty() {
            work.findings.append(&mut findings);
            return Ok(());
        }
        let mut setups = std::mem::take(&mut work.setups);
        let outcome = hold_all(work, &mut setups, settings, cx, &mut findings);
        // What this stage left for hands before names its pieces; no other stage's does.
        work.hand_work.retain(|h| h.pieces.is_empty());
        work.hand_work.extend(pieces::hand_work(work, &setups));
        work.setups = setups;
        work.findings.append(&mut findings);
        outcome
    }
}

fn hold_all(
    work: &mut Work,
    setups: &mut [Setup],
    settings: &HoldSettings,
    cx: &Cx<'_>,
    findings: &mut Vec<Finding>,
) -> Result<(), Stop> {
    for setup in setups.iter_mut() {
        forget(setup);
    }
    let placed: std::collections::BTreeSet<&str> = setups
        .iter()
        .flat_map(|s| &s.placements)
        .map(|p| p.variant.as_str())
        .collect();
    let mut sweeps = BTreeMap::new();
    let mut wastes = BTreeMap::new();
    let mut alone = BTreeMap::new();
    let mut blobs = Vec::new();
    for variant in work
        .variants
        .iter()
        .filter(|v| placed.contains(v.id.as_str()))
    {
        cx.check()?;
        let sweep = Sweep::of(work, variant, variant.z.highest_top());
        let plan = waste::plan(work, variant, &sweep, settings, findings);
        if !variant.dimensioned {
            let around = Surroundings::of(variant, settings.strip_least.mm());
            alone.insert(variant.id.clone(), around);
        }
        sweeps.insert(variant.id.clone(), sweep);
        wastes.insert(variant.id.clone(), plan);
    }
    let mut cut_blobs: BTreeMap<Vec<u64>, usize> = BTreeMap::new();
    let total = setups.len();
    for (i, setup) in setups.iter_mut().enumerate() {
        cx.check()?;
        cx.progress.at("hold", i, total);
        if setup.kind == SetupKind::Lines {
            continue;
        }
        let mut later = Later {
            blobs: &mut blobs,
            known: &mut cut_blobs,
        };
        hold_setup(
            work, setup, settings, &sweeps, &wastes, &alone, &mut later, findings, cx,
        )?;
    }
    // Moves were only noted while the work was read; now they go into it.
    let ids: Vec<BlobId> = blobs.iter().map(|m| work.blobs.put_moves(m)).collect();
    for setup in setups {
        for p in &mut setup.placements {
            for (_, id) in &mut p.tabbed {
                settle(id, &ids);
            }
            for (_, step) in &mut p.replaced {
                settle(&mut step.moves, &ids);
            }
        }
        for step in &mut setup.own_steps {
            settle(&mut step.moves, &ids);
        }
    }
    Ok(())
}

/// Moves that wait to be put into the work, each once.
struct Later<'a> {
    blobs: &'a mut Vec<Vec<grainway_pipeline::motion::Move>>,
    known: &'a mut BTreeMap<Vec<u64>, usize>,
}

/// Marks a name that stands for an index into the waiting moves.
const WAITING: &str = "waiting:";

impl Later<'_> {
    fn put(&mut self, moves: Vec<grainway_pipeline::motion::Move>) -> BlobId {
        self.blobs.push(moves);
        BlobId(format!("{WAITING}{}", self.blobs.len() - 1))
    }
    /// The same for moves that a key stands for, so that equal copies are made once.
    fn keyed(
        &mut self,
        key: Vec<u64>,
        make: impl FnOnce() -> Vec<grainway_pipeline::motion::Move>,
    ) -> BlobId {
        if let Some(i) = self.known.get(&key) {
            return BlobId(format!("{WAITING}{i}"));
        }
        let id = self.put(make());
        self.known.insert(key, self.blobs.len() - 1);
        id
    }
}

fn settle(id: &mut BlobId, ids: &[BlobId]) {
    let index =
        id.0.strip_prefix(WAITING)
            .and_then(|n| n.parse::<usize>().ok());
    if let Some(known) = index.and_then(|i| ids.get(i)) {
        *id = known.clone();
    }
}

/// Takes away what this stage planned before, and nothing else.
fn forget(setup: &mut Setup) {
    let placed = |h: &Hold| matches!(h.kind, HoldKind::Stop | HoldKind::SideClamp);
    setup.holds.retain(placed);
    setup.own_steps.retain(|s| s.stage != HOLD);
    setup.touch_off = None;
    for p in &mut setup.placements {
        p.tabs.clear();
        p.waste.clear();
        p.tabbed.clear();
        p.replaced.clear();
        p.hold = PieceHold::Nothing;
    }
}

#[expect(
    clippy::too_many_arguments,
    reason = "one call, each argument of another kind"
)]
fn hold_setup(
    work: &Work,
    setup: &mut Setup,
    settings: &HoldSettings,
    sweeps: &BTreeMap<String, Sweep>,
    wastes: &BTreeMap<String, waste::VariantWaste>,
    alone: &BTreeMap<String, Surroundings>,
    later: &mut Later<'_>,
    findings: &mut Vec<Finding>,
    cx: &Cx<'_>,
) -> Result<(), Stop> {
    let placements = setup.placements.clone();
    let laid: Vec<(&Placement, &Variant, &Sweep)> = placements
        .iter()
        .filter_map(|p| Some((p, work.variant(&p.variant)?, sweeps.get(&p.variant)?)))
        .collect();
    if laid.len() != placements.len() {
        return Err(Stop::Fault(grainway_pipeline::stage::Fault::new(format!(
            "{} places a variant that does not exist",
            setup.id
        ))));
    }
    let field = Field::new(laid.iter().map(|(p, _, s)| (p.placing, *s)));
    let mut board = Board::new(setup, &laid, &field, work);
    let mut holds = setup.holds.clone();
    first::plan(&board, setup, settings, &mut holds, findings);

    place_waste(setup, wastes, settings, later, &mut holds);
    if setup.kind == SetupKind::Board {
        board.find_waste(setup, settings, &holds, alone, findings);
        pieces::plan(
            work, &board, setup, settings, later, &mut holds, findings, cx,
        )?;
        if settings.frame_screws {
            first::frame_screws(&board, setup, settings, &mut holds);
        }
    }
    if can_pause(work, cx) {
        pilots::plan(work, setup, settings, &mut holds, later, findings);
    }
    let highest = holds.iter().map(|h| h.head_above).fold(0.0, f64::max);
    let waits = holds.iter().any(|h| h.after_pause.is_some());
    let least = if waits {
        SAFE_BEFORE_SCREWS_MM
    } else {
        SAFE_MM
    };
    setup.safe_z = setup.z.highest_top() + least.max(highest + SAFE_OVER_HOLD_MM);
    setup.touch_off = touch::place(&board, setup, &holds);
    setup.holds = holds;
    check_height(work, setup, findings);
    Ok(())
}

/// The machine's language can pause. Where it cannot, all screws are driven before the program starts, into pilots drilled by hand.
fn can_pause(work: &Work, cx: &Cx<'_>) -> bool {
    let machine = work.documents.machine();
    let dialect = machine.and_then(|(_, m)| cx.dialects.get(&m.dialect));
    dialect.is_none_or(|d| d.about().pauses)
}

/// Waste of openings: planned once for each variant, placed with every copy.
fn place_waste(
    setup: &mut Setup,
    wastes: &BTreeMap<String, waste::VariantWaste>,
    settings: &HoldSettings,
    later: &mut Later<'_>,
    holds: &mut Vec<Hold>,
) {
    for target in &mut setup.placements {
        let Some(plan) = wastes.get(&target.variant) else {
            continue;
        };
        for decided in plan {
            for screw in &decided.record.screws {
                holds.push(Hold {
                    kind: HoldKind::WasteScrew,
                    at: target.placing.point(*screw),
                    head_radius: settings.head_radius(),
                    shaft: settings.screw_diameter.mm(),
                    head_above: settings.head_above(),
                    after_pause: None,
                    of: Some((target.piece.clone(), decided.record.feature.clone())),
                });
            }
            target.waste.push(decided.record.clone());
            if let Some((step, moves)) = &decided.tabbed {
                let key = vec![1, key_of(&target.variant), *step as u64];
                target
                    .tabbed
                    .push((*step, later.keyed(key, || moves.clone())));
            }
            if let Some((step, replacement, moves)) = &decided.replaced {
                let key = vec![2, key_of(&target.variant), *step as u64];
                let mut replacement = replacement.clone();
                replacement.moves = later.keyed(key, || moves.clone());
                target.replaced.push((*step, replacement));
            }
        }
    }
}

/// A number for a name within one run; two names never share one by accident in practice, since it is part of their hash.
fn key_of(name: &str) -> u64 {
    let hex = grainway_pipeline::work::sha256_hex(name.as_bytes());
    u64::from_str_radix(&hex[..16], 16).unwrap_or_default()
}

/// The cut with no pass below `floor`.
fn raised(cut: &ProfileCut, floor: f64) -> ProfileCut {
    let mut cut = cut.clone();
    for l in &mut cut.loops {
        let goes_deeper = l.passes.iter().any(|z| *z < floor);
        l.passes
            .retain(|z| *z > floor + grainway_pipeline::tolerance::SAME_LEVEL_MM);
        if goes_deeper || l.passes.is_empty() {
            l.passes.push(floor);
        }
        l.through = false;
    }
    cut
}

/// The steps that cut a variant's outline, with their cuts.
fn outline_cuts(variant: &Variant) -> impl Iterator<Item = (usize, &ProfileCut)> {
    variant.steps.iter().enumerate().filter_map(|(i, s)| {
        let cut = s.profile.as_ref()?;
        (s.operation == Operation::Outline && !cut.loops.is_empty()).then_some((i, cut))
    })
}

/// What moves of an outline depend on.
fn cut_key(variant: &Variant, step: usize, tabs: &[Tab], skin: f64) -> Vec<u64> {
    let mut key = vec![3, key_of(&variant.id), step as u64, skin.to_bits()];
    for t in tabs {
        key.extend([t.along.to_bits(), t.neck.to_bits(), t.top.to_bits()]);
    }
    key
}

/// The tab's upper side for a wanted height; `None` when the wood is too thin for any tab.
fn tab_top(z: &grainway_pipeline::work::ZFrame, wanted: f64) -> Option<f64> {
    let most = z.thinnest - TAB_BELOW_FACE_MM;
    (most >= TAB_LEAST_MM).then(|| z.tab_top(wanted.max(TAB_LEAST_MM).min(most)))
}

/// The machine's Z travel must span from the deepest cut to the safe height.
fn check_height(work: &Work, setup: &Setup, findings: &mut Vec<Finding>) {
    let Some((_, machine)) = work.documents.machine() else {
        return;
    };
    let lowest = setup
        .placements
        .iter()
        .filter_map(|p| work.variant(&p.variant))
        .flat_map(|v| v.steps.iter().map(|s| s.lowest))
        .chain(setup.own_steps.iter().map(|s| s.lowest))
        .fold(setup.z.top(), f64::min);
    let needed = setup.safe_z - lowest;
    if needed > machine.travel[2].mm() {
        findings.push(
            Finding::new(
                &code::PART_TOO_LARGE,
                format!(
                    "From the deepest cut to the safe height are {needed:.1} mm; the machine's Z travel is {:.1} mm.",
                    machine.travel[2].mm()
                ),
            )
            .setup(&setup.id),
        );
    }
}

/// All paths of a cut.
fn paths(cut: &ProfileCut) -> impl Iterator<Item = &Contour> {
    cut.loops.iter().map(|l| &l.path)
}

#[cfg(test)]
mod tests;
