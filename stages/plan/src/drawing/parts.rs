//! Parts and features described in the job.

use super::{Made, bad_id, good_id};
use crate::lies::{Lies, lies};
use grainway_geom::{Bounds, Contour, Point};
use grainway_import::shapes::{Problems, blank, contours, show};
use grainway_pipeline::chain::nearest;
use grainway_pipeline::doc::escaped;
use grainway_pipeline::doc::{FeatureDoc, FeatureKind, PartDoc, Relief, Shape};
use grainway_pipeline::finding::{Finding, code};
use grainway_pipeline::tolerance::IMPORT_MM;
use grainway_pipeline::work::{Feature, Grain, Part, Source};
use std::collections::{BTreeMap, BTreeSet};

/// More copies than this are a typing fault: nobody cuts them in one job.
const MOST_COPIES: u32 = 100_000;

/// Keeps the parts that the job asks for when it does not ask for all.
pub(super) fn only(
    only: &BTreeMap<String, u32>,
    parts: &mut Vec<Part>,
    findings: &mut Vec<Finding>,
) {
    if only.is_empty() {
        return;
    }
    for (id, count) in only {
        let pointer = format!("job.json#/only/{}", escaped(id));
        let Some(part) = parts.iter_mut().find(|p| p.id == *id) else {
            let offer = nearest(id, parts.iter().map(|p| p.id.as_str()))
                .map(|n| format!(" Did you mean {n}?"))
                .unwrap_or_default();
            let message = format!("There is no part {id}.{offer}");
            findings.push(Finding::new(&code::UNKNOWN_NAME, message).pointer(pointer));
            continue;
        };
        if !check_count(*count, "count", &pointer, findings) {
            continue;
        }
        if part.as_drawn && *count != 1 {
            let message =
                format!("The count is {count}, but a part with layout as-drawn is made once.");
            findings.push(
                Finding::new(&code::BAD_NUMBER, message)
                    .part(id)
                    .pointer(pointer),
            );
            continue;
        }
        part.count = *count;
    }
    parts.retain(|p| only.contains_key(&p.id));
}

/// A count that can be meant; the finding otherwise.
pub(super) fn check_count(
    count: u32,
    what: &str,
    pointer: &str,
    findings: &mut Vec<Finding>,
) -> bool {
    let fine = (1..=MOST_COPIES).contains(&count);
    if !fine {
        let message = format!("The {what} is {count}; it must be from 1 to {MOST_COPIES}.");
        findings.push(Finding::new(&code::BAD_NUMBER, message).pointer(pointer));
    }
    fine
}

/// Makes a part of its description.
pub(super) fn described(doc: &PartDoc, pointer: &str, made: &mut Made<'_>) {
    let mut problems = Problems {
        findings: Vec::new(),
        part: Some(doc.id.clone()),
    };
    let id_fits = good_id(&doc.id);
    if !id_fits {
        problems
            .findings
            .push(bad_id(&doc.id, format!("{pointer}/id")));
    }
    let count_fits = check_count(
        doc.count,
        "count",
        &format!("{pointer}/count"),
        &mut problems.findings,
    );
    made.check_stock(&doc.stock, Some(&doc.id), pointer);
    check_relief(
        doc.relief.as_ref(),
        &format!("{pointer}/relief"),
        &mut problems,
    );
    let outline = match (&doc.outline, &doc.blank) {
        (Some(shape), None) => outline_of(shape, &format!("{pointer}/outline"), &mut problems),
        (None, Some(b)) => blank(b, &format!("{pointer}/blank"), &mut problems),
        (Some(_), Some(_)) => {
            problems.say(
                &code::DOCUMENT_INVALID,
                pointer,
                "The part gives both an outline and a blank.",
            );
            None
        }
        (None, None) => {
            problems.say(
                &code::DOCUMENT_INVALID,
                pointer,
                "The part gives neither an outline nor a blank.",
            );
            None
        }
    };
    // Features are checked even when the outline is missing, so that all problems come in one run.
    let frame = outline.as_ref().map_or(
        Bounds {
            min: Point::default(),
            max: Point::default(),
        },
        Contour::bounds,
    );
    let features = features(
        &doc.features,
        &format!("{pointer}/features"),
        frame,
        made,
        &mut problems,
    );
    made.findings.append(&mut problems.findings);
    let (Some(outline), true, true) = (outline, id_fits, count_fits) else {
        return;
    };
    let by = -frame.min;
    let part = Part {
        id: doc.id.clone(),
        name: doc.name.clone(),
        count: doc.count,
        stock: doc.stock.clone(),
        grain: Grain::AlongX,
        outline: outline.shifted(by),
        outline_relief: doc.relief.clone(),
        dimensioned: doc.blank.as_ref().is_some_and(|b| b.dimensioned),
        features: finish(features.into_iter().map(|f| moved(f, by)).collect()),
        outline_cutter: None,
        source: Source {
            at: frame.min,
            pointer: Some(pointer.to_string()),
            ..Source::default()
        },
        as_drawn: false,
    };
    made.take(part, &format!("{pointer}/id"));
}

/// A feature shifted into its part's frame.
pub(super) fn moved(mut f: Feature, by: Point) -> Feature {
    f.shape = f.shape.shifted(by);
    f.islands = f.islands.iter().map(|i| i.shifted(by)).collect();
    f.circle = f.circle.map(|(c, d)| (c + by, d));
    f
}

fn outline_of(shape: &Shape, pointer: &str, problems: &mut Problems) -> Option<Contour> {
    if !matches!(
        shape,
        Shape::Rectangle(_) | Shape::Circle(_) | Shape::Slot(_) | Shape::Contour(_)
    ) {
        problems.say(
            &code::DOCUMENT_INVALID,
            pointer,
            "An outline is a rectangle, a circle, a slot or a contour.",
        );
        return None;
    }
    let nowhere = Bounds {
        min: Point::default(),
        max: Point::default(),
    };
    let outline = contours(shape, nowhere, 0.0, pointer, problems).pop()?;
    if !outline.closed {
        problems.say(&code::CONTOUR_OPEN, pointer, "The outline is not closed.");
        return None;
    }
    Some(outline)
}

fn check_relief(relief: Option<&Relief>, pointer: &str, problems: &mut Problems) {
    if let Some(angle) = relief.and_then(|r| r.up_to_angle)
        && !(angle.is_finite() && angle > 0.0 && angle < 180.0)
    {
        let message = format!(
            "The largest angle for relief is {angle}; it must lie between 0 and 180 degrees."
        );
        problems.say(
            &code::BAD_NUMBER,
            &format!("{pointer}/up-to-angle"),
            message,
        );
    }
}

/// The features of a list, in the frame in which they are described.
pub(super) fn features(
    docs: &[FeatureDoc],
    pointer: &str,
    part: Bounds,
    made: &mut Made<'_>,
    problems: &mut Problems,
) -> Vec<Feature> {
    let mut ids: BTreeMap<&str, usize> = BTreeMap::new();
    let mut out = Vec::new();
    for (i, doc) in docs.iter().enumerate() {
        let here = format!("{pointer}/{i}");
        if let Some(id) = &doc.id {
            if !good_id(id) || id == "outline" {
                let mut f = bad_id(id, format!("{here}/id"));
                f.part.clone_from(&problems.part);
                problems.findings.push(f);
            }
            if let Some(before) = ids.insert(id, i) {
                let message = format!("The feature's id {id} is that of feature {before} already.");
                problems.say(&code::DUPLICATE_ID, &format!("{here}/id"), message);
                continue;
            }
        }
        made.check_cutter(doc.cutter.as_ref(), problems.part.as_deref(), &here);
        out.extend(feature(doc, &here, part, made.run_out, problems));
    }
    out
}

fn feature(
    doc: &FeatureDoc,
    pointer: &str,
    part: Bounds,
    run_out: f64,
    problems: &mut Problems,
) -> Vec<Feature> {
    let shapes = contours(
        &doc.shape,
        part,
        run_out,
        &format!("{pointer}/shape"),
        problems,
    );
    let mut fine = !shapes.is_empty();
    let mut refuse = |problems: &mut Problems, at: &str, message: String| {
        problems.say(&code::DOCUMENT_INVALID, &format!("{pointer}{at}"), message);
        fine = false;
    };
    let kind = doc.kind;
    if kind == FeatureKind::Outline {
        refuse(
            problems,
            "/kind",
            "A part's outline is given by its `outline` or `blank`, not by a feature.".to_string(),
        );
    }
    if kind != FeatureKind::Engraving && shapes.iter().any(|s| !s.closed) {
        refuse(
            problems,
            "/shape/contour/closed",
            format!("The contour of a {} must be closed.", kind.word()),
        );
    }
    if kind == FeatureKind::Hole && shapes.iter().any(|s| s.as_circle(IMPORT_MM).is_none()) {
        refuse(
            problems,
            "/shape",
            "A hole is a circle; write cutout for another shape.".to_string(),
        );
    }
    let through_by_kind = kind == FeatureKind::Cutout;
    match (doc.depth, doc.left) {
        (Some(_), Some(_)) => refuse(
            problems,
            "/left",
            "The feature gives both a depth and the wood left under it.".to_string(),
        ),
        (None, None) if !through_by_kind => {
            refuse(
                problems,
                "",
                format!(
                    "Nothing says how deep the {} is: give `depth` or `left`.",
                    kind.word()
                ),
            );
        }
        _ => {}
    }
    if doc.waste.is_some() && kind != FeatureKind::Cutout {
        refuse(
            problems,
            "/waste",
            format!(
                "Only a cutout has waste to deal with, not a {}.",
                kind.word()
            ),
        );
    }
    if !doc.islands.is_empty() && !kind.is_cleared() {
        refuse(
            problems,
            "/islands",
            format!("A {} cannot have islands.", kind.word()),
        );
    }
    let mut sized = true;
    if let Some(grainway_pipeline::doc::Depth::Below(d)) = doc.depth {
        sized &= problems
            .positive(d, &format!("{pointer}/depth"), "depth")
            .is_some();
    }
    let left = match doc.left {
        Some(l) => {
            let mm = problems.positive(l, &format!("{pointer}/left"), "wood left");
            sized &= mm.is_some();
            mm
        }
        None => None,
    };
    let leave = match doc.leave {
        Some(l) => {
            let mm = problems.not_negative(l, &format!("{pointer}/leave"), "wood that may stay");
            sized &= mm.is_some();
            mm
        }
        None => None,
    };
    if let Some(waste) = &doc.waste {
        for (i, at) in waste.screws_at.iter().enumerate() {
            sized &= problems
                .place(*at, &format!("{pointer}/waste/screws-at/{i}"))
                .is_some();
        }
    }
    check_relief(doc.relief.as_ref(), &format!("{pointer}/relief"), problems);
    let islands = islands(doc, &shapes, part, pointer, problems);
    let (true, true, Some(islands)) = (fine, sized, islands) else {
        return Vec::new();
    };
    let several = matches!(doc.shape, Shape::Circles(_));
    shapes
        .into_iter()
        .enumerate()
        .map(|(i, shape)| Feature {
            key: match (&doc.id, several) {
                (Some(id), true) => format!("{id}.{}", i + 1),
                (Some(id), false) => id.clone(),
                (None, _) => String::new(),
            },
            kind,
            circle: shape.as_circle(IMPORT_MM),
            source: Source {
                at: shape.start().unwrap_or_default(),
                pointer: Some(pointer.to_string()),
                ..Source::default()
            },
            shape,
            islands: islands.clone(),
            depth: doc.depth,
            left,
            relief: doc.relief.clone(),
            if_unreachable: doc.if_unreachable,
            leave,
            cutter: doc.cutter.clone(),
            waste: doc.waste.clone(),
        })
        .collect()
}

/// The islands of a feature, clockwise; `None` when one cannot be used.
fn islands(
    doc: &FeatureDoc,
    shapes: &[Contour],
    part: Bounds,
    pointer: &str,
    problems: &mut Problems,
) -> Option<Vec<Contour>> {
    let mut out = Vec::new();
    let mut fine = true;
    for (i, shape) in doc.islands.iter().enumerate() {
        let here = format!("{pointer}/islands/{i}");
        let made = contours(shape, part, 0.0, &here, problems);
        fine &= !made.is_empty();
        for island in made {
            let inside = island.closed && shapes.iter().any(|s| lies(&island, s) == Lies::Inside);
            if !inside && !shapes.is_empty() {
                problems.say(
                    &code::DOCUMENT_INVALID,
                    &here,
                    "The island is not a closed shape inside its feature.",
                );
                fine = false;
            }
            out.push(island.oriented(false));
        }
    }
    fine.then_some(out)
}

/// Keys for the features that have none, made from kind and place so that they survive a redrawn part, and all sorted by key.
///
/// The features are in their part's frame.
pub(super) fn finish(mut features: Vec<Feature>) -> Vec<Feature> {
    let mut taken: BTreeSet<String> = features
        .iter()
        .filter(|f| !f.key.is_empty())
        .map(|f| f.key.clone())
        .collect();
    // Equal places are told apart by size, so that the order of drawing does not matter.
    let mut unnamed: Vec<usize> = (0..features.len())
        .filter(|i| features[*i].key.is_empty())
        .collect();
    let size = |f: &Feature| (f.shape.area().abs(), f.shape.length());
    unnamed.sort_by(|a, b| {
        let (p, q) = (size(&features[*a]), size(&features[*b]));
        p.0.total_cmp(&q.0).then(p.1.total_cmp(&q.1)).then(a.cmp(b))
    });
    for i in unnamed {
        let f = &features[i];
        let at = f.shape.bounds().centre();
        let round = |v: f64| (v * 10.0).round() / 10.0 + 0.0;
        let base = format!("{}@{:.1},{:.1}", f.kind.word(), round(at.x), round(at.y));
        let mut key = base.clone();
        let mut n = 2;
        while taken.contains(&key) {
            key = format!("{base}~{n}");
            n += 1;
        }
        taken.insert(key.clone());
        features[i].key = key;
    }
    features.sort_by(|a, b| a.key.cmp(&b.key));
    features
}

/// The outline's layer or rule says a depth that is not the wood's thickness.
pub(super) fn outline_depth_message(layer: &str, depth: f64, thickness: f64) -> String {
    format!(
        "The layer {layer} says {} for an outline in wood {} thick; outlines go through.",
        show(depth),
        show(thickness)
    )
}
