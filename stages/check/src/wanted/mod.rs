//! What is wanted: parts and their features, derived from the documents and the drawings alone.
//!
//! The drawing stage derives the same for planning. This is a second derivation, written separately, so that a mistake in one of
//! them, or a change made between two stages, is seen by comparing a program's text with what the documents say. Nothing here
//! reports: what is wrong with a document is said by the stage that reads it, and a part that cannot be made is not wanted.

mod described;
mod drawn;
mod fitted;
mod halves;
mod held;
mod joined;
mod sized;
mod trimmed;

pub(crate) use drawn::Counted;
pub(crate) use sized::{laid_over, part_frame, sides, sized};

use grainway_geom::{Contour, Point};
use grainway_pipeline::doc::Side;
use grainway_pipeline::stage::Files;
use grainway_pipeline::work::{Documents, Feature, Mating, Part};
use std::collections::{BTreeMap, BTreeSet};

/// The parts that the documents ask for, sorted by id, with their counts, and what their drawings hold, in the job's order. `run_out`
/// is how far bands described in the job run out over a part's edge, mm.
pub(crate) fn parts(
    documents: &Documents,
    files: &dyn Files,
    run_out: f64,
) -> (Vec<Part>, Vec<Counted>) {
    let job = &documents.job;
    let mut counted = Vec::new();
    let mut drawn = Vec::new();
    for doc in &job.drawings {
        if let Some(content) = drawn::content(doc, files) {
            counted.push(drawn::counted(doc, &content));
            drawn.extend(drawn::parts(doc, &content, documents, run_out));
        }
    }
    let described = job
        .parts
        .iter()
        .filter_map(|p| {
            Some(both_hands(
                described::part(p, documents, run_out)?,
                p.mirrored,
            ))
        })
        .flatten();
    let mut by_id: BTreeMap<String, Part> = BTreeMap::new();
    for part in drawn.into_iter().chain(described) {
        // An id that is given twice is refused by the drawing stage; the first stands.
        by_id.entry(part.id.clone()).or_insert(part);
    }
    joined::add(&mut by_id, documents, run_out);
    let mut parts: Vec<Part> = by_id.into_values().collect();
    parts.retain(|p| p.count > 0);
    parts.retain_mut(|part| {
        let (only, sets) = asked(documents, &part.id);
        part.count = match only.is_empty() {
            true => part.count,
            false => only.get(&part.id).copied().unwrap_or(0),
        };
        // Each set has its own pieces of everything.
        part.count = part.count.saturating_mul(sets);
        part.count > 0
    });
    (parts, counted)
}

/// What alone is made of the job that a part belongs to, and how many times: of a night that job stands before the part's name.
pub(crate) fn asked<'d>(documents: &'d Documents, part: &str) -> (&'d BTreeMap<String, u32>, u32) {
    let Some(night) = &documents.night else {
        return (&documents.job.only, documents.job.sets);
    };
    static ALL: BTreeMap<String, u32> = BTreeMap::new();
    let job = part.split_once('/').map(|(job, _)| job);
    let mut jobs = night.jobs.iter();
    // A part of no job of the night is wanted by none.
    let own = jobs.find(|j| Some(j.id.as_str()) == job);
    own.map_or((&ALL, 0), |j| (&j.only, j.sets))
}

/// The part, and so many of its other hand: mirrored across the grain.
fn both_hands(part: Part, mirrored: u32) -> Vec<Part> {
    if mirrored == 0 {
        return vec![part];
    }
    let mut other = part.clone();
    let width = part.outline.bounds().max.y;
    other.id += Part::MIRRORED;
    other.mirrored = true;
    other.count = mirrored;
    other.outline = part.outline.mirrored_across(width);
    for feature in &mut other.features {
        // What counts across the part: y on face and back, x on an end, nothing on an edge.
        let along = match feature.side {
            Side::Near | Side::Far => {
                feature.side = feature.side.mirrored_across();
                continue;
            }
            Side::Face | Side::Back => false,
            Side::LeftEnd | Side::RightEnd => true,
        };
        let over = |c: &Contour| match along {
            true => c.mirrored_along(width),
            false => c.mirrored_across(width),
        };
        feature.shape = over(&feature.shape);
        for island in &mut feature.islands {
            *island = over(island);
        }
        if let Some((centre, _)) = &mut feature.circle {
            let across = if along { &mut centre.x } else { &mut centre.y };
            *across = width - *across;
        }
        feature.mating = feature.mating.as_ref().map(match along {
            true => Mating::mirrored_along,
            false => Mating::mirrored_across,
        });
    }
    vec![part, other]
}

/// A feature moved along with its part.
fn shifted(mut feature: Feature, by: Point) -> Feature {
    if !feature.side.is_flat() {
        return feature;
    }
    feature.shape = feature.shape.shifted(by);
    for island in &mut feature.islands {
        *island = island.shifted(by);
    }
    if let Some((centre, _)) = &mut feature.circle {
        *centre = *centre + by;
    }
    feature
}

/// Gives the features without an id the key that people read: the kind and the middle of the box, to a tenth of a millimetre, and
/// `~2`, `~3` … for more of them at one place, the smaller first.
fn with_keys(mut features: Vec<Feature>) -> Vec<Feature> {
    let mut used: BTreeSet<String> = features.iter().map(|f| f.key.clone()).collect();
    let mut order: Vec<usize> = (0..features.len())
        .filter(|i| features[*i].key.is_empty())
        .collect();
    let measure = |c: &Contour| (c.area().abs(), c.length());
    order.sort_by(|a, b| {
        let (x, y) = (measure(&features[*a].shape), measure(&features[*b].shape));
        x.0.total_cmp(&y.0).then(x.1.total_cmp(&y.1))
    });
    for i in order {
        let feature = &mut features[i];
        let middle = feature.shape.bounds().centre();
        let tenth = |v: f64| (v * 10.0).round() / 10.0 + 0.0;
        let plain = format!(
            "{}@{:.1},{:.1}",
            feature.kind.word(),
            tenth(middle.x),
            tenth(middle.y)
        );
        let free = (1u32..)
            .map(|n| match n {
                1 => plain.clone(),
                n => format!("{plain}~{n}"),
            })
            .find(|key| !used.contains(key));
        feature.key = free.unwrap_or(plain);
        used.insert(feature.key.clone());
    }
    features.sort_by(|a, b| a.key.cmp(&b.key));
    features
}
