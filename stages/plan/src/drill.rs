//! Drills holes, or mills them where no drill fits.
//!
//! A drill of the hole's diameter first; else a flat end mill: straight down where it is as wide as the hole, a helix where the
//! hole is wider, loops where a helix would leave a core.

use crate::clearing::{ClearingSettings, clear_moves, clearance};
use crate::cutters::{self, Choice};
use crate::entry::{self, Way};
use crate::feeds;
use crate::findings;
use grainway_geom::{Notes, Point, point};
use grainway_pipeline::doc::{
    Cutter, CutterKind, FeatureKind, Flutes, IfUnreachable, Length, Machine,
};
use grainway_pipeline::finding::{Finding, Severity, code};
use grainway_pipeline::motion::Move;
use grainway_pipeline::stage::{Cx, Description, Stop, TypedStage};
use grainway_pipeline::tolerance::SLOT_MATCH_MM;
use grainway_pipeline::work::{
    BlobId, Documents, HandWork, Operation, SizedFeature, Variant, Work, Workingstep,
};
use rayon::prelude::*;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// A drill fits a hole whose diameter is within this of its own. Common practice, no source: closer than drills drill.
const DRILL_MATCH_MM: f64 = 0.05;
/// A hole is milled with a helix when it is at least this many times as wide as the cutter: less is a plunge in disguise.
const HELIX_ROOM: f64 = 1.1;
/// A helix on a path of more than this many cutter radii would leave a core.
const HELIX_CORE: f64 = 0.95;
/// Point angle of a drill that does not say, degrees: the usual twist drill (common practice, no source).
const POINT_ANGLE: f64 = 118.0;
/// A peck is at most this many diameters deep, and holes no deeper than this are drilled in one go (common practice, no source: 1 to 1.5).
const PECK_DIAMETERS: f64 = 1.25;
/// Above the wood by this a helix begins to slope.
const ENTRY_ABOVE_MM: f64 = 0.5;

/// The name of this stage.
const DRILL: &str = "drill";

/// Settings of the drill stage.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case", deny_unknown_fields, default)]
pub struct DrillSettings {
    /// Mill holes even where a drill fits. Off by default.
    pub mill: bool,
    /// Steepest helix, degrees; a turn cuts little, so it may be as steep as practice has it (2 to 5). 5.
    pub ramp_angle: f64,
    /// Height above the wood to which the cutter comes down fast and is lifted to between pecks. 2 mm, and not less.
    #[serde(deserialize_with = "clearance")]
    pub clearance: Length,
    /// Distance of neighbouring loops in wide holes as a share of the cutter's diameter, at most 0.45. 0.4.
    pub stepover: f64,
    /// The cutter for all holes that do not ask for one of their own; chosen by size when left out.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub cutter: Option<String>,
}

impl Default for DrillSettings {
    fn default() -> Self {
        DrillSettings {
            mill: false,
            ramp_angle: 5.0,
            clearance: Length::from_mm(2.0),
            stepover: 0.4,
            cutter: None,
        }
    }
}

impl DrillSettings {
    fn clearing(&self) -> ClearingSettings {
        ClearingSettings {
            stepover: self.stepover,
            ramp_degrees: self.ramp_angle,
            climb: false,
            finish: false,
            finish_allowance: 0.0,
            clearance: self.clearance.mm(),
        }
    }
}

/// The drill stage.
#[derive(Clone, Copy, Debug, Default)]
pub struct DrillStage;

impl TypedStage for DrillStage {
    type Settings = DrillSettings;
    fn describe(&self) -> Description {
        Description {
            name: DRILL,
            version: 5,
            summary: "Drills holes, or mills them where no drill fits.",
            needs: &["corners"],
            gives: &["steps.drill"],
            spoils: &["held", "ordered", "programs", "verified", "reported"],
        }
    }
    fn run(&self, work: &mut Work, settings: &Self::Settings, cx: &Cx<'_>) -> Result<(), Stop> {
        cx.check()?;
        if work.documents.machine().is_none() {
            return Ok(());
        }
        let mut variants = std::mem::take(&mut work.variants);
        let mut findings = Vec::new();
        let (lists, problems) = able(&work.documents, &variants, settings);
        // Cutters over the whole job, so that holes share them with each other.
        let chosen = cutters::share_out(&work.documents, lists).into_iter();
        let chosen = chosen.zip(problems);
        findings.extend(assign(work, &mut variants, chosen));
        let made = bore_all(&work.documents, &variants, settings, cx);
        for (variant, (steps, more)) in variants.iter_mut().zip(made) {
            variant.steps.retain(|s| s.stage != DRILL);
            for (mut step, moves) in steps {
                step.moves = work.blobs.put_moves(&moves);
                variant.steps.push(step);
            }
            findings.extend(more);
        }
        work.variants = variants;
        work.findings.extend(findings);
        cx.check()
    }
}

/// Why a hole has no cutter.
type Problem = Option<Box<Finding>>;

/// For each hole of the job, in order, its candidates, or none and why.
fn able(
    documents: &Documents,
    variants: &[Variant],
    settings: &DrillSettings,
) -> (Vec<Vec<Choice>>, Vec<Problem>) {
    let able: Vec<Vec<Result<Vec<Choice>, Box<Finding>>>> = variants
        .par_iter()
        .map(|v| {
            holes(v)
                .map(|f| candidates(documents, v, f, settings))
                .collect()
        })
        .collect();
    let in_use: std::collections::BTreeSet<String> = variants
        .iter()
        .flat_map(|v| &v.features)
        .filter_map(|f| f.cutter.clone())
        .collect();
    let sorted = able.into_iter().flatten().map(|result| match result {
        Ok(mut list) => {
            // A mill that the job uses anyway saves a change; drills and plunges come first by themselves.
            if let Some(i) = list.iter().position(|c| in_use.contains(&c.cutter)) {
                let kept = list.swap_remove(i);
                list = vec![kept];
            }
            (list, None)
        }
        Err(finding) => (Vec::new(), Some(finding)),
    });
    sorted.unzip()
}

/// Gives every hole its cutter; one without becomes hand work where the job allows it, else its problem is told.
fn assign(
    work: &mut Work,
    variants: &mut [Variant],
    mut chosen: impl Iterator<Item = (Option<Choice>, Problem)>,
) -> Vec<Finding> {
    let mut findings = Vec::new();
    for variant in variants {
        let part = variant.part.clone();
        let count = work.part(&part).map_or(1, |p| p.count);
        for feature in variant.features.iter_mut().filter(|f| is_hole(f)) {
            let (choice, problem) = chosen.next().unwrap_or((None, None));
            feature.cutter = choice.as_ref().map(|c| c.cutter.clone());
            match (choice, problem) {
                (Some(choice), _) => findings.extend(choice.findings),
                (None, Some(problem)) if feature.if_unreachable == IfUnreachable::Hand => {
                    work.hand_work.push(HandWork {
                        part: part.clone(),
                        count,
                        feature: Some(feature.key.clone()),
                        at: feature.circle.map(|c| c.0),
                        what: format!("bore hole {} by hand", feature.key),
                        why: problem.message,
                        pieces: Vec::new(),
                    });
                }
                (None, problem) => findings.extend(problem.map(|f| *f)),
            }
        }
    }
    findings
}

/// The steps of a variant's holes, and what is worth knowing about them.
type Bored = (Vec<(Workingstep, Vec<Move>)>, Vec<Finding>);

fn bore_all(
    documents: &Documents,
    variants: &[Variant],
    settings: &DrillSettings,
    cx: &Cx<'_>,
) -> Vec<Bored> {
    let Some((_, machine)) = documents.machine() else {
        return Vec::new();
    };
    variants
        .par_iter()
        .map(|variant| {
            let mut steps = Vec::new();
            let mut findings = Vec::new();
            for feature in holes(variant) {
                if cx.cancel.is_set() {
                    break;
                }
                steps.extend(bore(
                    documents,
                    machine,
                    variant,
                    feature,
                    settings,
                    &mut findings,
                ));
            }
            (steps, findings)
        })
        .collect()
}

fn is_hole(feature: &SizedFeature) -> bool {
    feature.kind == FeatureKind::Hole
}

fn holes(variant: &Variant) -> impl Iterator<Item = &SizedFeature> {
    variant.features.iter().filter(|f| is_hole(f))
}

/// How a cutter makes a hole of this diameter.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Bore {
    /// Drilled.
    Drill,
    /// Straight down with an end mill of the hole's own width.
    Straight,
    /// On a helix of this radius, mm.
    Helix(f64),
    /// In loops.
    Loops,
}

/// How a cutter can make a hole; `None` when it cannot.
fn way_of(cutter: &Cutter, diameter: f64) -> Option<Bore> {
    let d = cutter.diameter.mm();
    match cutter.kind {
        CutterKind::Drill => ((d - diameter).abs() <= DRILL_MATCH_MM).then_some(Bore::Drill),
        CutterKind::EndMill if (d - diameter).abs() <= SLOT_MATCH_MM => {
            (cutter.centre_cutting && cutter.flutes != Flutes::DownCut).then_some(Bore::Straight)
        }
        CutterKind::EndMill if diameter >= HELIX_ROOM * d => {
            let path = 0.5 * (diameter - d);
            Some(if path <= HELIX_CORE * 0.5 * d {
                Bore::Helix(path)
            } else {
                Bore::Loops
            })
        }
        _ => None,
    }
}

/// The cutters for a hole: a drill that fits, alone; else every end mill that can, the one that goes straight down first. The
/// finding says why there is none.
fn candidates(
    documents: &Documents,
    variant: &Variant,
    feature: &SizedFeature,
    settings: &DrillSettings,
) -> Result<Vec<Choice>, Box<Finding>> {
    let Some((at, diameter)) = feature.circle else {
        return Err(Box::new(findings::about(
            Finding::new(
                &code::CUTTER_TOO_LARGE,
                "A hole must be a circle; this shape is none.",
            )
            .remedy("Draw the hole as one circle, or make it a pocket or a cutout."),
            variant,
            feature,
        )));
    };
    let depth = cutters::depth_of_cut(variant, feature);
    let asked = feature
        .cutter_wanted
        .as_deref()
        .or(settings.cutter.as_deref());
    let mut short = Vec::new();
    let mut list: Vec<(u8, Choice)> = Vec::new();
    let ids = match asked {
        Some(id) => {
            vec![
                cutters::named(documents, id)
                    .map_err(|f| Box::new(findings::about(*f, variant, feature)))?,
            ]
        }
        None => by_nearness(documents, diameter, settings.mill),
    };
    for (id, cutter) in ids {
        let Some(way) = way_of(cutter, diameter) else {
            continue;
        };
        if let Some(why) = cutters::too_short(id, cutter, depth) {
            short.push(why);
            continue;
        }
        let choice = Choice {
            cutter: id.to_string(),
            findings: Vec::new(),
        };
        match way {
            Bore::Drill => return Ok(vec![choice]),
            Bore::Straight => list.push((0, choice)),
            Bore::Helix(_) | Bore::Loops => list.push((1, choice)),
        }
    }
    if list.is_empty() {
        let finding = no_cutter(at, diameter, asked, &short);
        return Err(Box::new(findings::about(finding.at(at), variant, feature)));
    }
    list.sort_by_key(|(rank, _)| *rank);
    let mut choices: Vec<Choice> = list.into_iter().map(|(_, c)| c).collect();
    if asked.is_none() && !settings.mill {
        let note = findings::about(
            Finding::new(
                &code::NO_DRILL,
                format!("No drill of {diameter:.3} mm is at hand: the hole is milled."),
            )
            .severity(Severity::Note)
            .at(at),
            variant,
            feature,
        );
        for c in &mut choices {
            c.findings.push(note.clone());
        }
    }
    Ok(choices)
}

/// The drills, the nearest diameter first, unless all is to be milled, and then the flat end mills.
fn by_nearness(documents: &Documents, diameter: f64, mill: bool) -> Vec<(&str, &Cutter)> {
    let drills = documents
        .shop
        .cutters
        .iter()
        .filter(|(_, c)| c.kind == CutterKind::Drill && !mill)
        .map(|(id, c)| (id.as_str(), c));
    let mut ids: Vec<(&str, &Cutter)> = drills.collect();
    ids.sort_by(|a, b| {
        let off = |c: &Cutter| (c.diameter.mm() - diameter).abs();
        off(a.1).total_cmp(&off(b.1)).then(a.0.cmp(b.0))
    });
    ids.extend(cutters::flat_cutters(documents));
    ids
}

/// Why nothing makes the hole: the cutters that would are too short, or there is none.
fn no_cutter(at: Point, diameter: f64, asked: Option<&str>, short: &[String]) -> Finding {
    let place = format!("({:.3}, {:.3})", at.x, at.y);
    if !short.is_empty() {
        return Finding::new(
            &code::CUTTER_TOO_SHORT,
            format!("Hole of {diameter:.3} mm at {place}: {}", short.join(" ")),
        );
    }
    Finding::new(
        &code::CUTTER_TOO_LARGE,
        match asked {
            Some(id) => {
                format!("Cutter {id} cannot make the hole of {diameter:.3} mm at {place}.")
            }
            None => format!(
                "No drill is within {DRILL_MATCH_MM} mm of the hole of {diameter:.3} mm at {place}, and every end mill is too thick for it."
            ),
        },
    )
}

/// The step for one hole.
fn bore(
    documents: &Documents,
    machine: &Machine,
    variant: &Variant,
    feature: &SizedFeature,
    settings: &DrillSettings,
    findings: &mut Vec<Finding>,
) -> Option<(Workingstep, Vec<Move>)> {
    let id = feature.cutter.as_deref()?;
    let cutter = documents.cutter(id)?;
    let wood = feeds::wood_of(documents, &variant.stock)?;
    let (at, diameter) = feature.circle?;
    let way = way_of(cutter, diameter)?;
    let feeds = feeds::feeds(cutter, &wood, machine, Operation::Drill);
    findings.extend(
        feeds
            .finding(id, cutter, machine)
            .map(|f| findings::about(f, variant, feature)),
    );
    let clearance = settings.clearance.mm();
    let top = variant.z.highest_top();
    let retract = top + clearance;
    let mut moves = Vec::new();
    match way {
        Bore::Drill | Bore::Straight => {
            // A through hole must be through over its whole width: the drill's point goes on by its own height.
            let point_height = match (way, feature.through) {
                (Bore::Drill, true) => {
                    let half = 0.5
                        * cutter
                            .angle
                            .unwrap_or(POINT_ANGLE)
                            .clamp(30.0, 180.0)
                            .to_radians();
                    cutter.radius_mm() / half.tan()
                }
                _ => 0.0,
            };
            let bottom = feature.floor - point_height;
            straight_down(&mut moves, at, retract, bottom, top, diameter, feeds.plunge);
        }
        Bore::Helix(path) => helix(
            &mut moves,
            at,
            path,
            feature.floor,
            top,
            retract,
            settings,
            &feeds,
            diameter,
        ),
        Bore::Loops => {
            let mut notes = Notes::default();
            moves = clear_moves(
                cutter,
                &feeds,
                &settings.clearing(),
                variant,
                feature,
                &mut notes,
            );
            findings.extend(findings::kernel_findings(notes, variant, feature));
        }
    }
    let step = Workingstep {
        stage: DRILL.to_string(),
        feature: feature.key.clone(),
        operation: Operation::Drill,
        cutter: id.to_string(),
        rpm: feeds.rpm,
        feed: feeds.feed,
        plunge: feeds.plunge,
        lowest: grainway_pipeline::motion::lowest(&moves),
        moves: BlobId(String::new()),
        profile: None,
    };
    Some((step, moves))
}

/// A drilled hole, in equal pecks where it is deep.
fn straight_down(
    moves: &mut Vec<Move>,
    at: Point,
    retract: f64,
    bottom: f64,
    top: f64,
    diameter: f64,
    feed: f64,
) {
    let depth = top - bottom;
    let most = PECK_DIAMETERS * diameter;
    // The cycle counts its pecks from the retract height, so they are made equal over that.
    let peck = (depth > most).then(|| {
        let run = retract - bottom;
        run / (run / most - 1e-9).ceil().max(1.0)
    });
    moves.push(Move::rapid(at.at_z(grainway_pipeline::motion::SAFE_Z)));
    moves.push(Move::Hole {
        at,
        retract,
        bottom,
        peck,
        feed,
    });
    entry::retract(moves, at);
}

/// A hole wider than its cutter, on one helix with a level floor.
#[allow(clippy::too_many_arguments)]
fn helix(
    moves: &mut Vec<Move>,
    at: Point,
    path: f64,
    floor: f64,
    top: f64,
    retract: f64,
    settings: &DrillSettings,
    feeds: &feeds::Feeds,
    diameter: f64,
) {
    let start = at + point(path, 0.0);
    // No turn goes deeper than a pass may.
    let steepest = (feeds.pass_depth / (std::f64::consts::TAU * path)).atan();
    let way = Way {
        ramp: settings
            .ramp_angle
            .clamp(0.5, 10.0)
            .to_radians()
            .min(steepest),
        feed: feeds::feed_on_arc(feeds.feed, path, 0.5 * diameter),
        plunge: feeds.plunge,
    };
    entry::approach(moves, start, retract);
    moves.push(Move::line(start.at_z(top + ENTRY_ABOVE_MM), feeds.plunge));
    // Counter-clockwise inside a hole is climb with a clockwise spindle.
    entry::helix(moves, at, path, top + ENTRY_ABOVE_MM, floor, true, &way);
    // Away from the wall before lifting.
    moves.push(Move::line(at.at_z(floor), way.feed));
    entry::retract(moves, at);
}
