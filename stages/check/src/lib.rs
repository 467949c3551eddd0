//! Reads program texts back and checks them against the parts: as planned, and safe on their own. Knows no planning stage.
//!
//! `as-planned` compares the text's motions with the plan's. `safe` believes nothing of the plan: what is wanted is derived here from
//! the documents and the drawings ([`Wanted`]), a decision of the plan is a claim that is examined by the rule that allows it, and
//! eight layers ask whether the text cuts the parts and nothing else. Distances and regions here are computed by code that plans
//! nothing, so that one mistake does not hide another. "Verified" means checked against the parts, never run on a machine.

mod assembly;
mod between;
mod by_hand;
mod chosen;
mod claims;
mod cover;
mod curves;
mod drawings;
mod extremes;
mod figures;
mod fits;
mod furniture;
mod gouge;
mod holds;
mod leftover;
mod legal;
mod limits;
mod lines;
mod load;
mod loose;
mod messages;
mod model;
mod motions;
mod opened;
mod pieces;
mod planned;
mod profiles;
mod programs;
mod rapids;
mod screen;
pub mod season;
mod standing;
mod steps;
#[cfg(test)]
mod tests;
mod waits;
mod wanted;

pub use assembly::PieceCuts;
use curves::Boxes;
use figures::Said;
use grainway_geom::{Bounds, Placing};
use grainway_pipeline::dialect::{Dialect, DialectAbout};
use grainway_pipeline::doc::{
    CutterChangeBy, FeatureKind, Fit, Length, Relief, ReliefKind, SpindleSwitch,
};
use grainway_pipeline::finding::{CodeInfo, Finding, Severity, code};
use grainway_pipeline::stage::Files;
use grainway_pipeline::work::{
    ByHand, Documents, Furniture, JointVerdict, Part, Placement, Setup, SetupKind, Variant,
    Verdict, Work,
};
use limits::Settled;
use model::Model;
use motions::{Recorded, Taking};
pub use planned::PlannedMotions;
use rayon::prelude::*;
use schemars::JsonSchema;
use serde::de::Error as _;
use serde::{Deserialize, Deserializer, Serialize};
pub use standing::HoldSize;
use std::collections::{BTreeMap, BTreeSet};
use std::io::BufRead;

/// Settings of the verify stage. Defaults are common practice, no source.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case", deny_unknown_fields, default)]
pub struct VerifySettings {
    /// Least height of a sideways rapid above everything that stands (length).
    pub rapid_margin: Length,
    /// A rapid may come down to this height above the wood (length).
    pub descend_margin: Length,
    /// Least space between the cutter and a screw's head or a clamp (length).
    pub hold_margin: Length,
    /// How far a cut may reach into the spoilboard, below the thickest wood (length). Pilots and locating lines have limits of
    /// their own.
    pub spoilboard_limit: Length,
    /// What must be left of the spoilboard under every cut (length).
    pub spoilboard_reserve: Length,
    /// Least height of a tab in the thinnest wood (length).
    pub tab_height: Length,
    /// Least width of a tab at its neck (length).
    pub tab_neck: Length,
    /// Least thickness of a skin in the thinnest wood (length).
    pub skin: Length,
    /// A loose bit of wood that is smaller than a square of this side is a chip (length).
    pub loose_side: Length,
    /// A waste frame narrower than this does not hold (length).
    pub frame_width: Length,
    /// Error of the operator's Z zero that through cuts, floors, tabs, skins, holds and the spoilboard must bear (length, at most
    /// 1 mm).
    #[serde(deserialize_with = "z_error")]
    pub z_error: Length,
    /// Error of a cutter's measured diameter (length, at most 0.5 mm): walls move by half of it, which is told; screws and clamps
    /// must bear it.
    #[serde(deserialize_with = "cutter_error")]
    pub cutter_error: Length,
    /// Chip load, a tooth, below which a cutter rubs and burns (length).
    pub chip_floor: Length,
    /// Chip load, a tooth, above which a cutter tears (length).
    pub chip_ceiling: Length,
    /// A pass deeper than the cutter's depth of pass times this is a warning.
    pub pass_warn: f64,
}

impl Default for VerifySettings {
    fn default() -> Self {
        let mm = Length::from_mm;
        VerifySettings {
            rapid_margin: mm(1.0),
            descend_margin: mm(0.5),
            hold_margin: mm(4.0),
            spoilboard_limit: mm(0.5),
            spoilboard_reserve: mm(1.0),
            tab_height: mm(2.0),
            tab_neck: mm(4.0),
            skin: mm(0.2),
            loose_side: mm(4.0),
            frame_width: mm(4.0),
            z_error: mm(0.2),
            cutter_error: mm(0.05),
            chip_floor: mm(0.04),
            chip_ceiling: mm(0.25),
            pass_warn: 1.5,
        }
    }
}

/// A zero that is set worse than this is not set, mm.
const Z_ERROR_MOST_MM: f64 = 1.0;
/// A cutter whose width of cut is known worse than this was not measured, mm.
const CUTTER_ERROR_MOST_MM: f64 = 0.5;

fn z_error<'de, D: Deserializer<'de>>(d: D) -> Result<Length, D::Error> {
    within(d, "z-error", Z_ERROR_MOST_MM)
}

fn cutter_error<'de, D: Deserializer<'de>>(d: D) -> Result<Length, D::Error> {
    within(d, "cutter-error", CUTTER_ERROR_MOST_MM)
}

/// A length of 0 to `most` mm.
fn within<'de, D: Deserializer<'de>>(d: D, key: &str, most: f64) -> Result<Length, D::Error> {
    let length = Length::deserialize(d)?;
    if (0.0..=most + 1e-9).contains(&length.mm()) {
        Ok(length)
    } else {
        Err(D::Error::custom(format!(
            "{key} is {} mm; it must be 0 to {most} mm",
            length.mm()
        )))
    }
}

/// A text of a setup.
pub struct Text<'a> {
    /// Its file name, for findings.
    pub name: &'a str,
    /// What the person does while it runs, as far as that is known.
    pub by_hand: ByHand,
    /// What it was to do. `None` for a text that is judged by itself: an edited one, or one that the work does not know.
    pub planned: Option<PlannedMotions>,
    /// The text.
    pub text: &'a mut dyn BufRead,
}

/// What was read of a text.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct TextRead {
    /// Lines in it.
    pub lines: u64,
    /// Moves that it makes, cycles taken apart.
    pub moves: u64,
    /// Where its workingsteps start: (step number, line).
    pub starts: Vec<(u32, u64)>,
}

/// What verify says of the programs of one setup.
#[derive(Clone, Debug, PartialEq)]
pub struct SetupVerdict {
    /// The setup.
    pub setup: String,
    /// The text, taken alone, cuts the parts and nothing else.
    pub safe: Verdict,
    /// The text's motions are the plan's; one verdict a text, `None` for an edited text and for texts the work does not know.
    pub as_planned: Vec<Option<Verdict>>,
    /// The dialect has no reader: nothing was checked.
    pub unverified: bool,
    /// What was read of each text; nothing of texts in a dialect that cannot be read.
    pub read: Vec<TextRead>,
    /// What was cut in pieces that belong to joints.
    pub cuts: Vec<PieceCuts>,
}

/// A piece as it lies.
struct Piece<'a> {
    name: &'a str,
    placement: &'a Placement,
    model: &'a Model,
    placing: Placing,
    /// Box of the piece, board's frame.
    bounds: Bounds,
    /// Box of what is to be cut on it, board's frame.
    cut_bounds: Bounds,
    /// Thickness of the skin that it may have under its outline, mm.
    skin: Option<f64>,
}

/// Everything the layers look at.
struct Scene<'a> {
    work: &'a Work,
    setup: &'a Setup,
    settled: &'a Settled,
    recorded: &'a Recorded,
    models: &'a [Model],
    pieces: Vec<Piece<'a>>,
    piece_boxes: Boxes,
    /// Boxes of what each motion's cutter sweeps, in order.
    motion_boxes: Boxes,
    /// At or above this nothing stands.
    clear_z: f64,
    /// The first motion at which the wood lies there: never where locating lines are cut.
    wood_from: usize,
    all_flat: bool,
    blocks_per_second: f64,
    straight_rapids: bool,
    spindle_by_hand: bool,
    /// A person puts cutters in and sets Z zero for each.
    zero_by_hand: bool,
    /// A person vouches for what holds the wood.
    held_otherwise: bool,
}

/// What the documents say in the settings of other stages.
#[derive(Clone, Debug, Default)]
pub struct Allowed {
    /// What happens in inside corners where a feature does not say; nothing for kinds that are not here.
    pub relief: BTreeMap<FeatureKind, Relief>,
    /// A relief's lobe may reach so many mm farther than its corner.
    pub relief_margin: f64,
    /// The room that the settings of the fit stage give joints.
    pub rooms: Rooms,
    /// The cutter of engraved lines that ask for none; the finest of the shop's where it is not given.
    pub engraving: Option<String>,
    /// A person vouches for a hold of the wood that the program knows nothing of.
    pub held_otherwise: bool,
    /// Left free round the parts of a drawing that names no board, mm.
    pub board_margin: f64,
    /// Size of hold-down screws; not examined where it is not given, as of the two below.
    pub screw: Option<HoldSize>,
    /// Size of clamps; their foot counts as the circle round it.
    pub clamp: Option<HoldSize>,
    /// Size of the stops that a blank lies against.
    pub stop: Option<HoldSize>,
    /// How deep the lines are that a blank lies in, mm.
    pub line_depth: f64,
}

impl Allowed {
    fn relief_of(&self, kind: FeatureKind) -> Relief {
        let none = || Relief {
            kind: ReliefKind::None,
            ..Relief::default()
        };
        self.relief.get(&kind).cloned().unwrap_or_else(none)
    }
}

/// Room that joints have besides their mates, mm.
#[derive(Clone, Debug, Default)]
pub struct Rooms {
    /// Between the cheeks by fit, at least and at most, both sides together.
    pub cheeks: BTreeMap<Fit, (f64, f64)>,
    /// At each closed end.
    pub end: f64,
    /// Below the tip of a blind tenon.
    pub glue: f64,
    /// Between the bottoms of two slots.
    pub slot: f64,
    /// Of the wood in the driest and in the dampest weeks of its place, percent.
    pub moisture: [f64; 2],
}

/// The parts that the documents ask for, as check derives them.
pub struct Wanted {
    parts: Vec<Part>,
    /// What their drawings hold, in the job's order.
    drawings: Vec<wanted::Counted>,
}

impl Wanted {
    /// From documents and drawings. `run_out` is how far bands described in the job run out over a part's edge, mm.
    pub fn of(documents: &Documents, files: &dyn Files, run_out: f64) -> Wanted {
        let (parts, drawings) = wanted::parts(documents, files, run_out);
        Wanted {
            drawings,
            ..Wanted::from_parts(parts)
        }
    }
    fn from_parts(mut parts: Vec<Part>) -> Wanted {
        parts.sort_by(|a, b| a.id.cmp(&b.id));
        Wanted {
            parts,
            drawings: Vec::new(),
        }
    }
    fn part(&self, id: &str) -> Option<&Part> {
        let found = self.parts.binary_search_by(|p| p.id.as_str().cmp(id));
        found.ok().map(|i| &self.parts[i])
    }
    /// The parts that keep their drawn places.
    fn drawn(&self) -> impl Iterator<Item = &Part> {
        self.parts.iter().filter(|p| p.as_drawn)
    }
}

/// What check says of the whole job.
pub struct JobVerdict {
    /// Joints as they are put together from what the programs cut.
    pub joints: Vec<JointVerdict>,
    /// What the joints hold together.
    pub furniture: Vec<Furniture>,
    /// What is wrong.
    pub findings: Vec<Finding>,
}

/// What the whole job's programs make, held against what the documents ask for.
pub fn verify_job(work: &Work, models: &Models, cuts: &[PieceCuts]) -> JobVerdict {
    let (joints, open) = assembly::joints(work, models, cuts);
    let (furniture, apart) = furniture::furniture(&models.wanted, &work.documents);
    let mut findings = pieces::job(work, &models.wanted);
    findings.extend(programs::job(work));
    findings.extend(drawings::check(work, &models.wanted));
    findings.extend(open);
    findings.extend(apart);
    JobVerdict {
        joints,
        furniture,
        findings,
    }
}

impl Scene<'_> {
    /// A finding at a line of a text. Setups with several texts name the text in the message.
    fn at_line(
        &self,
        text: u16,
        line: u64,
        code: &'static CodeInfo,
        message: impl Into<String>,
    ) -> Finding {
        let message = if self.recorded.names.len() > 1 {
            format!("{}: {}", self.recorded.name(text), message.into())
        } else {
            message.into()
        };
        let finding = Finding::new(code, message).setup(&self.setup.id);
        if line > 0 {
            finding.line(line)
        } else {
            finding
        }
    }
}

/// Variants as they are to be cut, made once for all setups that they lie on.
pub struct Models {
    variants: Vec<Model>,
    /// What is wrong with variants' claims, by variant.
    claims: Vec<(String, Finding)>,
    wanted: Wanted,
    allowed: Allowed,
}

impl Models {
    /// Of all variants that lie on these setups.
    pub fn of(work: &Work, setups: &[Setup], wanted: Wanted, allowed: Allowed) -> Models {
        let wanted = wanted.with_glue(allowed.rooms.glue);
        let lying: BTreeSet<&str> = setups
            .iter()
            .flat_map(|s| &s.placements)
            .map(|p| p.variant.as_str())
            .collect();
        let examine = |v: &Variant| match claims::examine(v, work, &wanted, &allowed) {
            Ok(e) => {
                let named = e.findings.into_iter().map(|f| (v.id.clone(), f));
                let model = Model::new(e.variant, work, allowed.relief_margin);
                (Some(model), named.collect::<Vec<_>>())
            }
            Err(finding) => (None, vec![(v.id.clone(), *finding)]),
        };
        let placed = work.variants.par_iter();
        let placed = placed.filter(|v| lying.contains(v.id.as_str()));
        let (variants, claims): (Vec<_>, Vec<_>) = placed.map(examine).unzip();
        Models {
            variants: variants.into_iter().flatten().collect(),
            claims: claims.into_iter().flatten().collect(),
            wanted,
            allowed,
        }
    }
}

/// Checks the texts of one setup, given in running order: wood carries over from one to the next.
pub fn verify_setup(
    work: &Work,
    setup: &Setup,
    models: &Models,
    texts: &mut [Text<'_>],
    dialect: &dyn Dialect,
    settings: &VerifySettings,
) -> SetupVerdict {
    let about = dialect.about();
    let Some(reader) = dialect.reader() else {
        return unverified(work, setup, texts.len(), &about.name);
    };
    let machine = work.documents.machine().map(|(_, m)| m);
    let unit = machine.map(|m| m.program_unit).unwrap_or_default();
    let rounding = 0.5 * about.least_step_mm(unit);
    let settled = Settled::new(settings, machine, rounding);
    let highest_hold = setup
        .holds
        .iter()
        .map(|h| h.head_above)
        .fold(0.0_f64, f64::max);
    let clear_z = setup.z.highest_top() + highest_hold + settled.rapid_margin;
    let spindle_by_hand =
        !about.spindle || machine.is_some_and(|m| m.spindle == SpindleSwitch::Hand);
    let shown = planned::shows_messages(dialect, unit);
    let taking = Taking {
        shop: &work.documents.shop,
        spindle_by_hand,
        shown,
        settled: &settled,
        clear_z,
        top: setup.z.highest_top(),
    };
    let mut recorded = Recorded::default();
    let mut as_planned = Vec::new();
    for text in texts.iter_mut() {
        let planned = text.planned.take();
        let mut comparing = planned.map(|p| planned::Comparison::new(p, about, shown));
        motions::take(
            &mut recorded,
            text.name,
            std::mem::take(&mut text.by_hand),
            reader,
            text.text,
            &taking,
            &mut |m| {
                if let Some(c) = &mut comparing {
                    c.next(m);
                }
            },
        );
        as_planned.push(comparing.map(|c| c.verdict(setup, text.name)));
    }
    recorded.number_pauses(setup, shown);
    let (safe, cuts) = safe(
        work,
        setup,
        models,
        &recorded,
        &settled,
        about,
        spindle_by_hand,
    );
    SetupVerdict {
        setup: setup.id.clone(),
        safe,
        as_planned,
        unverified: false,
        read: recorded.read,
        cuts,
    }
}

fn unverified(work: &Work, setup: &Setup, texts: usize, dialect: &str) -> SetupVerdict {
    let mut finding = Finding::new(
        &code::VERIFY_UNVERIFIED,
        format!(
            "dialect {dialect} has no reader, so the programs of {} were not checked.",
            setup.id
        ),
    )
    .setup(&setup.id);
    let accepted = &work.documents.shop.accept_unverified;
    if accepted.iter().any(|name| name == dialect) {
        finding = finding
            .severity(Severity::Warning)
            .remedy("Prove every program at the machine.");
    }
    SetupVerdict {
        setup: setup.id.clone(),
        safe: Verdict {
            passed: false,
            figures: Vec::new(),
            findings: vec![finding],
        },
        as_planned: vec![None; texts],
        unverified: true,
        read: Vec::new(),
        cuts: Vec::new(),
    }
}

/// A person puts cutters in and sets Z zero for each: the machine has no changer, or its language has no words for one. A pen
/// whose heights are set at the controller has none to come down by.
fn zero_by_hand(work: &Work, about: &DialectAbout) -> bool {
    let by = work.documents.machine().map(|(_, m)| m.cutter_change);
    !about.two_heights() && (by != Some(CutterChangeBy::Machine) || !about.cutter_change)
}

fn safe(
    work: &Work,
    setup: &Setup,
    models: &Models,
    recorded: &Recorded,
    settled: &Settled,
    about: &DialectAbout,
    spindle_by_hand: bool,
) -> (Verdict, Vec<PieceCuts>) {
    let mut said = Said::default();
    let mut pieces = Vec::new();
    for p in &setup.placements {
        let examined = models.claims.iter().any(|(id, _)| *id == p.variant);
        match models.variants.iter().find(|m| m.id == p.variant) {
            Some(model) => pieces.push(Piece::new(p, model, work, setup)),
            None if examined => {}
            None => said.find(
                None,
                Finding::new(
                    &code::INTERNAL,
                    format!(
                        "{} is placed but its variant {} does not exist.",
                        p.piece, p.variant
                    ),
                )
                .setup(&setup.id),
            ),
        }
    }
    let claims = claims_of(work, setup, models, about);
    // Of pieces that are not what the documents ask for, nothing is to be learnt about how they go together.
    let claimed = claims.iter().all(|f| f.severity != Severity::Error);
    for finding in claims {
        said.find(None, finding);
    }
    let machine = work.documents.machine().map(|(_, m)| m);
    let highest_hold = setup
        .holds
        .iter()
        .map(|h| h.head_above)
        .fold(0.0_f64, f64::max);
    let swept = recorded
        .motions
        .iter()
        .map(|m| {
            m.bounds()
                .grown(recorded.tool(m).map_or(0.0, |t| t.radius) + 1e-6)
        })
        .collect();
    let scene = Scene {
        work,
        setup,
        settled,
        recorded,
        models: &models.variants,
        piece_boxes: Boxes::new(pieces.iter().map(|p| p.bounds).collect()),
        motion_boxes: Boxes::new(swept),
        pieces,
        clear_z: setup.z.highest_top() + highest_hold + settled.rapid_margin,
        wood_from: match setup.kind {
            SetupKind::Lines => usize::MAX,
            SetupKind::Board | SetupKind::Blank => 0,
        },
        all_flat: recorded.tools.iter().all(motions::Tool::is_flat),
        blocks_per_second: machine
            .and_then(|m| m.blocks_per_second)
            .unwrap_or(about.blocks_per_second),
        straight_rapids: about.straight_rapids,
        spindle_by_hand,
        zero_by_hand: zero_by_hand(work, about),
        held_otherwise: models.allowed.held_otherwise,
    };
    let legal = legal::check(&scene);
    // A text that was not read to its end is no program, and one in the wrong unit covers itself many times over, which would take
    // the other layers very long: both are said by the first layer alone.
    let wrong_unit = legal
        .findings
        .iter()
        .any(|(_, f)| f.code == code::VERIFY_UNIT.word);
    let whole = !recorded.broken && !wrong_unit;
    let layers: [fn(&Scene<'_>) -> Said; 7] = [
        gouge::check,
        leftover::check,
        rapids::check,
        load::check,
        loose::check,
        holds::check,
        extremes::check,
    ];
    // Each layer says its part whatever the others find; the order of what is said does not depend on who ends first.
    said.add(legal);
    let layers = if whole { &layers[..] } else { &[] };
    let parts: Vec<Said> = layers.par_iter().map(|check| check(&scene)).collect();
    parts.into_iter().for_each(|p| said.add(p));
    let mut findings: Vec<Finding> = said.findings.into_iter().map(|(_, f)| f).collect();
    grainway_pipeline::finding::sort(&mut findings);
    let verdict = Verdict {
        passed: findings.iter().all(|f| f.severity != Severity::Error),
        figures: said.figures,
        findings,
    };
    let cuts = match claimed {
        true => assembly::cuts(&scene, models),
        false => Vec::new(),
    };
    (verdict, cuts)
}

/// What is wrong with the claims of a setup and of what lies on it.
fn claims_of(work: &Work, setup: &Setup, models: &Models, about: &DialectAbout) -> Vec<Finding> {
    let lies = |id: &String| setup.placements.iter().any(|p| p.variant == *id);
    let mut findings = pieces::setup(work, setup, &models.wanted, &models.allowed, about.pauses);
    findings.extend(programs::setup(work, setup, about));
    findings.extend(
        profiles::tabs(work, setup)
            .into_iter()
            .map(|(piece, message)| {
                let finding = Finding::new(&code::VERIFY_WANTED, message);
                finding.setup(&setup.id).part(piece)
            }),
    );
    let of_variants = models.claims.iter().filter(|(id, _)| lies(id));
    findings.extend(of_variants.map(|(_, f)| f.clone().setup(&setup.id)));
    findings
}

impl Scene<'_> {
    /// The text's pause of this number, from 1.
    fn pause(&self, number: u32) -> Option<&motions::PauseEvent> {
        self.recorded
            .pauses
            .iter()
            .find(|p| p.number == Some(number))
    }
    /// The wood's box.
    fn board(&self) -> Bounds {
        Bounds {
            min: grainway_geom::point(0.0, 0.0),
            max: self.setup.size,
        }
    }
    /// The piece at a place of the board, and the feature that takes it there, deepest first.
    fn piece_at(&self, p: grainway_geom::Point) -> Option<(&str, Option<&str>)> {
        let piece = self.pieces.iter().find(|q| {
            q.bounds.contains(p) && q.model.outline.contains(q.placing.inverse_point(p))
        })?;
        let at = piece.placing.inverse_point(p);
        let feature = piece
            .model
            .features
            .iter()
            .filter(|f| f.takes(at))
            .min_by(|a, b| a.floor.total_cmp(&b.floor));
        Some((piece.name, feature.map(|f| f.key.as_str())))
    }
}

impl<'a> Piece<'a> {
    fn new(placement: &'a Placement, model: &'a Model, work: &Work, setup: &Setup) -> Piece<'a> {
        let placing = placement.placing;
        let placed = |b: Bounds| {
            let corners = [
                b.min,
                grainway_geom::point(b.max.x, b.min.y),
                b.max,
                grainway_geom::point(b.min.x, b.max.y),
            ];
            Bounds::of(corners.map(|c| placing.point(c)))
        };
        let features = model.variant.features.iter();
        let wanted = features.fold(Bounds::EMPTY, |b, f| b.union(f.shape.bounds()));
        Piece {
            name: &placement.piece,
            placement,
            model,
            placing,
            skin: loose::skins::allowed(work, setup, placement),
            bounds: placed(model.bounds),
            cut_bounds: if wanted.is_empty() {
                wanted
            } else {
                placed(wanted)
            },
        }
    }
}
