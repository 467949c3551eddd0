//! Clears mortises, housings, rebates, grooves, laps and pockets, blind or through.
//!
//! Loops at a distance of one stepover run from the inside to the wall, on every pass; what they sweep is exactly what the cutter
//! can reach. Reliefs are cut with the feature. A slot as wide as the cutter is one pass on its centre line.

use crate::clearing::{Clearing, ClearingSettings, clearance, first_pass};
use crate::cutters;
use crate::feeds::{self, Feeds};
use crate::findings;
use crate::finished_edges::{left_across_the_grain, slow_at_edges};
use crate::reach;
use grainway_geom::{Notes, Point, pole};
use grainway_pipeline::doc::{Cutter, FeatureKind, Flutes, IfUnreachable, Length, Machine};
use grainway_pipeline::finding::{Finding, code};
use grainway_pipeline::motion::Move;
use grainway_pipeline::stage::{Cx, Description, Stop, TypedStage};
use grainway_pipeline::tolerance::SLOT_MATCH_MM;
use grainway_pipeline::work::{
    CornerAnswer, Documents, Grain, HandWork, Operation, Part, SizedFeature, Variant, Work,
    Workingstep,
};
use rayon::prelude::*;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// The width of a narrow pocket is told to this, mm.
const WIDTH_MM: f64 = 1e-4;
/// A recess deeper than this many widths of its cutter counts as deep for a down-cut, which packs its chips there. Common
/// practice, no source.
const DEEP_DIAMETERS: f64 = 1.5;

/// The name of this stage.
const POCKET: &str = "pocket";

/// Settings of the pocket stage.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case", deny_unknown_fields, default)]
pub struct PocketSettings {
    /// Distance of neighbouring loops as a share of the cutter's diameter, at most 0.45. 0.4.
    pub stepover: f64,
    /// Steepest ramp or helix into the wood, degrees. 3.
    pub ramp_angle: f64,
    /// Rough with the wall on the right of the cutter's travel (climb with a clockwise spindle); conventional by default, which
    /// light machines stand better. The finishing pass always climbs.
    pub climb: bool,
    /// Take the walls to size in a pass of their own, with `finish-allowance`, where the room allows it. Off by default.
    pub finish: bool,
    /// Wood that the roughing leaves on walls for the finishing pass. 0.4 mm.
    pub finish_allowance: Length,
    /// Height above the wood to which the cutter comes down fast. 2 mm, and not less.
    #[serde(deserialize_with = "clearance")]
    pub clearance: Length,
}

impl Default for PocketSettings {
    fn default() -> Self {
        PocketSettings {
            stepover: 0.4,
            ramp_angle: 3.0,
            climb: false,
            finish: false,
            finish_allowance: Length::from_mm(0.4),
            clearance: Length::from_mm(2.0),
        }
    }
}

impl PocketSettings {
    fn clearing(&self) -> ClearingSettings {
        ClearingSettings {
            stepover: self.stepover,
            ramp_degrees: self.ramp_angle,
            climb: self.climb,
            finish: self.finish,
            finish_allowance: self.finish_allowance.mm(),
            clearance: self.clearance.mm(),
        }
    }
}

/// The pocket stage.
#[derive(Clone, Copy, Debug, Default)]
pub struct Pocket;

impl TypedStage for Pocket {
    type Settings = PocketSettings;
    fn describe(&self) -> Description {
        Description {
            name: POCKET,
            version: 5,
            summary: "Clears mortises, housings, rebates, grooves, laps and pockets.",
            needs: &["corners"],
            gives: &["steps.pocket"],
            spoils: &["held", "ordered", "programs", "verified", "reported"],
        }
    }
    fn run(&self, work: &mut Work, settings: &Self::Settings, cx: &Cx<'_>) -> Result<(), Stop> {
        cx.check()?;
        let documents = &work.documents;
        let Some((_, machine)) = documents.machine() else {
            return Ok(());
        };
        let parts: Vec<OfPart> = work
            .variants
            .iter()
            .map(|v| OfPart::new(work.part(&v.part)))
            .collect();
        let made: Vec<Made> = work
            .variants
            .par_iter()
            .zip(parts)
            .map(|(variant, part)| {
                let mut made = Made::default();
                for feature in variant.features.iter().filter(|f| f.kind.is_cleared()) {
                    if cx.cancel.is_set() {
                        break;
                    }
                    clear_feature(
                        documents, machine, variant, feature, settings, part, &mut made,
                    );
                }
                made
            })
            .collect();
        cx.check()?;
        for (variant, made) in work.variants.iter_mut().zip(made) {
            variant.steps.retain(|s| s.stage != POCKET);
            for (mut step, moves) in made.steps {
                step.moves = work.blobs.put_moves(&moves);
                variant.steps.push(step);
            }
            work.hand_work.extend(made.hand_work);
            work.findings.extend(made.findings);
        }
        Ok(())
    }
}

/// What clearing asks about the part that a variant is made of.
#[derive(Clone, Copy)]
struct OfPart {
    count: u32,
    grain_along_x: bool,
}

impl OfPart {
    fn new(part: Option<&Part>) -> OfPart {
        OfPart {
            count: part.map_or(1, |p| p.count),
            grain_along_x: part.is_none_or(|p| p.grain == Grain::AlongX),
        }
    }
}

/// What a variant's recesses came to.
#[derive(Default)]
struct Made {
    steps: Vec<(Workingstep, Vec<Move>)>,
    findings: Vec<Finding>,
    hand_work: Vec<HandWork>,
}

impl Made {
    fn push(
        &mut self,
        feature: &SizedFeature,
        operation: Operation,
        cutter: &str,
        feeds: &Feeds,
        moves: Vec<Move>,
    ) {
        let step = Workingstep {
            stage: POCKET.to_string(),
            feature: feature.key.clone(),
            operation,
            cutter: cutter.to_string(),
            rpm: feeds.rpm,
            feed: feeds.feed,
            plunge: feeds.plunge,
            lowest: grainway_pipeline::motion::lowest(&moves),
            // Replaced when the moves are stored.
            moves: grainway_pipeline::work::BlobId(String::new()),
            profile: None,
        };
        self.steps.push((step, moves));
    }
}

fn clear_feature(
    documents: &Documents,
    machine: &Machine,
    variant: &Variant,
    feature: &SizedFeature,
    settings: &PocketSettings,
    part: OfPart,
    made: &mut Made,
) {
    let Some(chosen) = chosen_cutter(documents, variant, feature, made) else {
        return;
    };
    let (Some(cutter), Some(wood)) = (
        documents.cutter(&chosen),
        feeds::wood_of(documents, &variant.stock),
    ) else {
        return;
    };
    let feeds = feeds::feeds(cutter, &wood, machine, Operation::Clear);
    made.findings.extend(
        feeds
            .finding(&chosen, cutter, machine)
            .map(|f| findings::about(f, variant, feature)),
    );
    made.findings
        .extend(remarks(variant, feature, &chosen, cutter, &feeds));
    let mut notes = Notes::default();
    let plan = Clearing::new(cutter, &feeds, &settings.clearing(), variant, feature);
    let mut cleared = plan.clear(variant, feature, &mut notes);
    let open = left_across_the_grain(variant, feature, part.grain_along_x);
    if let Some(mouth) = open.first() {
        let finding = breaks_out(feature, mouth.at(0.5), open.len());
        made.findings
            .push(findings::about(finding, variant, feature));
        let top = variant.z.highest_top();
        for moves in [&mut cleared.rough, &mut cleared.finish] {
            *moves = slow_at_edges(moves, &open, plan.radius, top);
        }
    }
    // Relief gave this cutter because it leaves nothing, unless hands may finish the feature.
    let spots = match feature.if_unreachable == IfUnreachable::Hand || cleared.rough.is_empty() {
        true => reach::leftover(variant, feature, plan.radius, &mut notes),
        false => Vec::new(),
    };
    made.findings
        .extend(findings::kernel_findings(notes, variant, feature));
    if !spots.is_empty() || (cleared.rough.is_empty() && cleared.trouble.is_none()) {
        report_leftover(variant, feature, &chosen, cutter, &spots, part.count, made);
    }
    if let Some(why) = cleared.trouble {
        made.findings.push(findings::about(
            Finding::new(&code::CUTTER_TOO_LARGE, why),
            variant,
            feature,
        ));
    }
    if !cleared.rough.is_empty() {
        made.push(feature, Operation::Clear, &chosen, &feeds, cleared.rough);
    }
    if !cleared.finish.is_empty() {
        let finishing = plan.finish_feeds(&feeds, cutter, machine);
        made.push(
            feature,
            Operation::FinishWall,
            &chosen,
            &finishing,
            cleared.finish,
        );
    }
    clear_corners(
        documents,
        machine,
        variant,
        feature,
        settings,
        cutter.radius_mm(),
        made,
    );
}

/// The cutter that relief chose. It has said why when it found none; a feature that it has not seen is asked about here.
fn chosen_cutter(
    documents: &Documents,
    variant: &Variant,
    feature: &SizedFeature,
    made: &mut Made,
) -> Option<String> {
    if feature.cutter.is_some() {
        return feature.cutter.clone();
    }
    match cutters::choose(documents, variant, feature, None, &[]) {
        Ok(choice) => {
            made.findings.extend(choice.findings);
            Some(choice.cutter)
        }
        Err(findings) => {
            made.findings.extend(findings);
            None
        }
    }
}

/// A step of its own for the corners that relief has given to a thinner cutter.
fn clear_corners(
    documents: &Documents,
    machine: &Machine,
    variant: &Variant,
    feature: &SizedFeature,
    settings: &PocketSettings,
    thick: f64,
    made: &mut Made,
) {
    let thinner = feature.corners.iter().find_map(|c| match &c.answer {
        CornerAnswer::Rest { cutter } => documents.shop.cutters.get_key_value(cutter),
        _ => None,
    });
    let (Some((id, cutter)), Some(wood)) = (thinner, feeds::wood_of(documents, &variant.stock))
    else {
        return;
    };
    let feeds = feeds::feeds(cutter, &wood, machine, Operation::Rest);
    made.findings.extend(
        feeds
            .finding(id, cutter, machine)
            .map(|f| findings::about(f, variant, feature)),
    );
    let mut notes = Notes::default();
    let moves = Clearing::new(cutter, &feeds, &settings.clearing(), variant, feature)
        .rest(variant, feature, thick, &mut notes);
    made.findings
        .extend(findings::kernel_findings(notes, variant, feature));
    if !moves.is_empty() {
        made.push(feature, Operation::Rest, id, &feeds, moves);
    }
}

/// The finding about a recess that leaves finished edges across the grain.
fn breaks_out(feature: &SizedFeature, at: Point, places: usize) -> Finding {
    Finding::new(
        &code::EDGE_BREAKS_OUT,
        format!(
            "The {} leaves a finished edge across the grain at {places} place{}, the first at ({:.1}, {:.1}): the cutter crosses at half its feed, but nothing backs the wood there.",
            feature.kind.word(),
            if places == 1 { "" } else { "s" },
            at.x,
            at.y
        ),
    )
    .at(at)
}

/// What is worth knowing about a feature's cutter: where its kind of flutes is wrong, or it is wider than the feature.
fn remarks(
    variant: &Variant,
    feature: &SizedFeature,
    chosen: &str,
    cutter: &Cutter,
    feeds: &Feeds,
) -> Vec<Finding> {
    let mut remarks = Vec::new();
    let depth = cutters::depth_of_cut(variant, feature);
    let what = feature.kind.word();
    if cutter.flutes == Flutes::DownCut && depth > DEEP_DIAMETERS * cutter.diameter.mm() {
        remarks.push(Finding::new(
            &code::DEEP_DOWN_CUT,
            format!(
                "Cutter {chosen} ({}) packs its chips in a {what} {depth:.1} mm deep.",
                cutter.label()
            ),
        ));
    }
    let most = feeds.pass_depth.max(cutter.diameter.mm());
    if let Some(first) = first_pass(cutter)
        && first > depth.min(most)
    {
        remarks.push(Finding::new(
            &code::COMPRESSION_TIP,
            format!(
                "Cutter {chosen} ({}) needs a first pass of {first:.2} mm to get its up-cut tip under the face; the {what} is {depth:.2} mm deep and a pass at most {most:.2} mm: its upper edge will splinter.",
                cutter.label()
            ),
        ));
    }
    remarks.extend(overhang(variant, feature, cutter));
    remarks
        .into_iter()
        .map(|f| findings::about(f, variant, feature))
        .collect()
}

/// A pocket at the part's edge that is narrower than its cutter: the cutter reaches all of it only because it overhangs the edge.
fn overhang(variant: &Variant, feature: &SizedFeature, cutter: &Cutter) -> Option<Finding> {
    if feature.kind != FeatureKind::Pocket || !reach::meets_edge(variant, feature) {
        return None;
    }
    let within = reach::required(variant, feature, cutter.radius_mm(), &mut Notes::default());
    let widest = within
        .iter()
        .filter_map(|r| pole(r, WIDTH_MM))
        .max_by(|a, b| a.1.total_cmp(&b.1))?;
    let width = 2.0 * widest.1;
    (width < cutter.diameter.mm() - SLOT_MATCH_MM).then(|| {
        Finding::new(
            &code::CUTTER_WIDER,
            format!(
                "The pocket is {width:.3} mm wide and its cutter {:.3} mm: the cutter overhangs the part's edge by {:.3} mm more than a cutter of the pocket's width would.",
                cutter.diameter.mm(),
                cutter.diameter.mm() - width
            ),
        )
        .at(widest.0)
    })
}

/// Wood that stays: an error with every place, or hand work when the feature says so.
fn report_leftover(
    variant: &Variant,
    feature: &SizedFeature,
    id: &str,
    cutter: &Cutter,
    spots: &[reach::Spot],
    count: u32,
    made: &mut Made,
) {
    let at = spots
        .first()
        .map(|s| s.at)
        .or_else(|| feature.shape.start())
        .unwrap_or_default();
    let places = reach::spots_in_words(spots);
    let what = feature.kind.word();
    if feature.if_unreachable == IfUnreachable::Hand {
        made.hand_work.push(HandWork {
            part: variant.part.clone(),
            count,
            feature: Some(feature.key.clone()),
            at: Some(at),
            what: format!(
                "cut out the rest of {what} {} to {:.1} mm depth at {places}",
                feature.key,
                variant.z.depth_of(feature.floor).min(variant.z.mean)
            ),
            why: format!("cutter {id} ({}) does not reach it", cutter.label()),
            pieces: Vec::new(),
        });
    } else {
        made.findings.push(findings::about(
            Finding::new(
                &code::UNREACHABLE,
                format!(
                    "Cutter {id} of {:.3} mm leaves wood in the {what}: {places}.",
                    cutter.diameter.mm()
                ),
            )
            .at(at),
            variant,
            feature,
        ));
    }
}
