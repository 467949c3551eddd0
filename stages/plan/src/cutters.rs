//! Which cutter a feature gets.
//!
//! The one asked for, else the stage's setting, else of the flat end mills that are long enough and reach everything the largest,
//! unless one already in use does it too: few changes, and no needlessly thin cutter.

use crate::findings::{about, kernel_findings};
use crate::reach::{self, Spot};
use grainway_geom::Notes;
use grainway_pipeline::chain::nearest;
use grainway_pipeline::doc::{Cutter, CutterKind, Flutes, IfUnreachable};
use grainway_pipeline::finding::{Finding, Severity, code};
use grainway_pipeline::work::{Documents, SizedFeature, Variant};

/// A cutter already in use is taken for another feature only when it is at least this share of the largest possible diameter:
/// fewer changes are worth some time, not a pocket cleared with a needle. Common practice, no source.
const WORTH_SHARING: f64 = 0.5;

/// A rest cutter is at most this share of the diameter that left the corner: less gained is not worth a cutter change. Common
/// practice, no source.
const REST_THINNER: f64 = 0.75;
/// A rest cutter is at least this share of the diameter that left the corner: a thinner one would take the corner in many lanes.
/// Common practice, no source.
const REST_THINNEST: f64 = 0.25;

/// A cutter for a feature, and what is worth knowing about it.
#[derive(Clone, Debug, PartialEq)]
pub struct Choice {
    /// Its id.
    pub cutter: String,
    /// Warnings and notes.
    pub findings: Vec<Finding>,
}

/// How deep below the highest top a feature goes, mm.
pub fn depth_of_cut(variant: &Variant, feature: &SizedFeature) -> f64 {
    variant.z.highest_top() - feature.floor
}

/// Why a cutter is too short for a cut `depth` mm deep, as a sentence; `None` when it is long enough.
pub fn too_short(id: &str, cutter: &Cutter, depth: f64) -> Option<String> {
    let cutting = cutter.cutting_length.mm();
    let name = || format!("Cutter {id} ({})", cutter.label());
    // A shank that is clearly thinner than the cutter may follow into the cut; one as thick rubs on the standing wood.
    let necked = cutter.shank_mm() < cutter.diameter.mm() - 0.1;
    if depth > cutting + 1e-6 && !necked {
        return Some(format!(
            "{} has {cutting:.3} mm of cutting length; the cut is {depth:.3} mm deep, and its {:.3} mm shank would rub.",
            name(),
            cutter.shank_mm()
        ));
    }
    let usable = cutter.usable_mm();
    (depth > usable + 1e-6).then(|| {
        format!(
            "{} has {usable:.3} mm free below the nut; the cut is {depth:.3} mm deep.",
            name()
        )
    })
}

/// A cutter by its id; the finding names the nearest known id.
pub fn named<'a>(
    documents: &'a Documents,
    id: &str,
) -> Result<(&'a str, &'a Cutter), Box<Finding>> {
    if let Some((id, cutter)) = documents.shop.cutters.get_key_value(id) {
        return Ok((id, cutter));
    }
    let known: Vec<&str> = documents.shop.cutters.keys().map(String::as_str).collect();
    let offer = match nearest(id, known.iter().copied()) {
        Some(near) => format!("the nearest is \"{near}\""),
        None if known.is_empty() => "there are none".to_string(),
        None => format!("there are {}", known.join(", ")),
    };
    Err(Box::new(Finding::new(
        &code::UNKNOWN_NAME,
        format!("The shop has no cutter \"{id}\"; {offer}."),
    )))
}

/// The flat end mills: largest first, then up-cut before straight before compression before down-cut, then by number and id.
pub fn flat_cutters(documents: &Documents) -> Vec<(&str, &Cutter)> {
    let mut flat: Vec<(&str, &Cutter)> = documents
        .shop
        .cutters
        .iter()
        .filter(|(_, c)| c.kind == CutterKind::EndMill)
        .map(|(id, c)| (id.as_str(), c))
        .collect();
    let rank = |f: Flutes| match f {
        Flutes::UpCut => 0,
        Flutes::Straight => 1,
        Flutes::Compression => 2,
        Flutes::DownCut => 3,
    };
    flat.sort_by(|(ia, a), (ib, b)| {
        b.diameter
            .mm()
            .total_cmp(&a.diameter.mm())
            .then(rank(a.flutes).cmp(&rank(b.flutes)))
            .then(a.number.cmp(&b.number))
            .then(ia.cmp(ib))
    });
    flat
}

/// The cutters that can make the feature, best first: the one asked for, or the setting's, alone; else every flat end mill that
/// is long enough and reaches everything. The error says why there is none, with the place of every spot that none reaches.
pub fn candidates(
    documents: &Documents,
    variant: &Variant,
    feature: &SizedFeature,
    setting: Option<&str>,
) -> Result<Vec<Choice>, Vec<Finding>> {
    let depth = depth_of_cut(variant, feature);
    let asked = feature.cutter_wanted.as_deref().or(setting);
    let tried: Vec<(&str, &Cutter)> = match asked {
        Some(id) => vec![named(documents, id).map_err(|f| vec![about(*f, variant, feature)])?],
        None => flat_cutters(documents),
    };
    let mut short = Vec::new();
    let mut fit: Vec<Choice> = Vec::new();
    // What the cutters that are long enough but too thick would leave, in the order tried.
    let mut left: Vec<(Choice, f64, Vec<Spot>)> = Vec::new();
    let mut largest = 0.0_f64;
    for (id, cutter) in tried {
        if let Some(why) = too_short(id, cutter, depth) {
            short.push(why);
            continue;
        }
        let diameter = cutter.diameter.mm();
        if diameter < WORTH_SHARING * largest - 1e-9 {
            break;
        }
        let mut notes = Notes::default();
        let spots = reach::leftover(variant, feature, cutter.radius_mm(), &mut notes);
        let choice = Choice {
            cutter: id.to_string(),
            findings: kernel_findings(notes, variant, feature),
        };
        if spots.is_empty() {
            largest = largest.max(diameter);
            fit.push(choice);
        } else {
            left.push((choice, diameter, spots));
        }
    }
    if !fit.is_empty() {
        return Ok(fit);
    }
    least_left(variant, feature, left, &short)
}

/// Of the cutters that leave something the one that leaves least, when hands may take the rest; else the findings that say what
/// it leaves and which cutters were too short.
fn least_left(
    variant: &Variant,
    feature: &SizedFeature,
    left: Vec<(Choice, f64, Vec<Spot>)>,
    short: &[String],
) -> Result<Vec<Choice>, Vec<Finding>> {
    let area = |s: &[Spot]| s.iter().map(|s| s.area).sum::<f64>();
    let least = left
        .into_iter()
        .min_by(|a, b| area(&a.2).total_cmp(&area(&b.2)).then(b.1.total_cmp(&a.1)));
    let Some((choice, diameter, spots)) = least else {
        let message = if short.is_empty() {
            "The shop has no flat end mill.".to_string()
        } else {
            short.join(" ")
        };
        return Err(vec![about(
            Finding::new(&code::CUTTER_TOO_SHORT, message),
            variant,
            feature,
        )]);
    };
    if feature.if_unreachable == IfUnreachable::Hand {
        return Ok(vec![choice]);
    }
    let mut findings: Vec<Finding> = choice.findings;
    findings.push(about(
        left_by(&choice.cutter, diameter, feature, &spots),
        variant,
        feature,
    ));
    // Cutters that were too short are part of the answer: perhaps one of them would have reached.
    if !short.is_empty() {
        findings.push(about(
            Finding::new(&code::CUTTER_TOO_SHORT, short.join(" ")).severity(Severity::Note),
            variant,
            feature,
        ));
    }
    Err(findings)
}

/// The finding about what a cutter leaves, or that it gets nowhere.
fn left_by(id: &str, diameter: f64, feature: &SizedFeature, spots: &[Spot]) -> Finding {
    let what = feature.kind.word();
    let places = reach::spots_in_words(spots);
    let nothing = spots.iter().all(|s| !s.depth.is_finite());
    let (code, message) = if nothing {
        (
            &code::CUTTER_TOO_LARGE,
            format!("Cutter {id} of {diameter:.3} mm has no room in the {what}: {places}."),
        )
    } else {
        (
            &code::UNREACHABLE,
            format!("Cutter {id} of {diameter:.3} mm leaves wood in the {what}: {places}."),
        )
    };
    Finding::new(code, message).at(spots[0].at)
}

/// The cutter that goes over the corners of a feature after one of this radius (mm): the thinnest flat end mill that is long enough
/// and not needlessly thin.
pub fn for_rest<'a>(
    documents: &'a Documents,
    variant: &Variant,
    feature: &SizedFeature,
    radius: f64,
) -> Option<(&'a str, &'a Cutter)> {
    let depth = depth_of_cut(variant, feature);
    let share = |c: &Cutter| c.radius_mm() / radius;
    flat_cutters(documents)
        .into_iter()
        .filter(|(_, c)| (REST_THINNEST - 1e-9..=REST_THINNER + 1e-9).contains(&share(c)))
        .filter(|(id, c)| too_short(id, c, depth).is_none())
        .min_by(|a, b| a.1.diameter.mm().total_cmp(&b.1.diameter.mm()))
}

/// The cutter for one feature: of those that can make it the largest, or one of `in_use` that is at least half as large.
pub fn choose(
    documents: &Documents,
    variant: &Variant,
    feature: &SizedFeature,
    setting: Option<&str>,
    in_use: &[String],
) -> Result<Choice, Vec<Finding>> {
    let mut able = worth(documents, candidates(documents, variant, feature, setting)?);
    let found = able
        .iter()
        .position(|c| in_use.contains(&c.cutter))
        .unwrap_or(0);
    Ok(able.swap_remove(found))
}

/// Those of the candidates that are not needlessly thin.
fn worth(documents: &Documents, able: Vec<Choice>) -> Vec<Choice> {
    let diameter = |c: &Choice| documents.cutter(&c.cutter).map_or(0.0, |c| c.diameter.mm());
    let largest = able.iter().map(diameter).fold(0.0, f64::max);
    able.into_iter()
        .filter(|c| diameter(c) >= WORTH_SHARING * largest - 1e-9)
        .collect()
}

/// Cutters for many features at once, with as few different ones as can be: again and again the cutter that serves most of the
/// features still without one (the larger of equals) is taken. `able` holds every feature's candidates; the answer has an entry
/// for each, `None` where there was no candidate.
pub fn share_out(documents: &Documents, able: Vec<Vec<Choice>>) -> Vec<Option<Choice>> {
    let mut open: Vec<Vec<Choice>> = able.into_iter().map(|a| worth(documents, a)).collect();
    let mut answer: Vec<Option<Choice>> = vec![None; open.len()];
    let order: Vec<(String, f64)> = {
        let mut ids: Vec<(String, f64)> = documents
            .shop
            .cutters
            .iter()
            .map(|(id, c)| (id.clone(), c.diameter.mm()))
            .collect();
        ids.sort_by(|a, b| b.1.total_cmp(&a.1).then(a.0.cmp(&b.0)));
        ids
    };
    loop {
        let served = |id: &str| {
            open.iter()
                .filter(|c| c.iter().any(|c| c.cutter == id))
                .count()
        };
        // `max_by_key` takes the last of equals, so the order is run backwards to take the largest.
        let Some((id, n)) = order
            .iter()
            .rev()
            .map(|(id, _)| (id, served(id)))
            .max_by_key(|(_, n)| *n)
        else {
            return answer;
        };
        if n == 0 {
            return answer;
        }
        for (slot, candidates) in answer.iter_mut().zip(&mut open) {
            if let Some(i) = candidates.iter().position(|c| &c.cutter == id) {
                *slot = Some(candidates.swap_remove(i));
                candidates.clear();
            }
        }
    }
}
