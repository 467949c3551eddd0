//! Parts and features described in the job.

use super::{Made, bad_id, good_id};
use crate::lies::{Lies, lies};
use grainway_geom::{Bounds, Contour, Point, point};
use grainway_import::shapes::{Problems, blank, contours, show};
use grainway_pipeline::chain::nearest;
use grainway_pipeline::doc::{
    Depth, FeatureDoc, FeatureKind, Job, PartDoc, Pointer, Relief, Shape, Side, UNLIKE_SHARE,
};
use grainway_pipeline::finding::{Finding, code};
use grainway_pipeline::tolerance::IMPORT_MM;
use grainway_pipeline::work::{Documents, Feature, Grain, Mating, Part, Source};
use std::collections::{BTreeMap, BTreeSet};

/// An outline whose area differs from its box's by less than this is a rectangle, mm².
const SQUARE_MM2: f64 = 0.01;
/// More copies than this are a typing fault: nobody cuts them in one job.
const MOST_COPIES: u32 = 100_000;

/// Keeps the parts that the job, or each job of a night, asks for when it does not ask for all.
pub(super) fn asked(documents: &Documents, parts: &mut Vec<Part>, findings: &mut Vec<Finding>) {
    match &documents.night {
        None => only(&documents.job.only, |_| true, parts, findings),
        Some(night) => {
            for job in &night.jobs {
                only(&job.only, |id| job.own(id).is_some(), parts, findings);
            }
        }
    }
}

/// Keeps of the parts that are `meant` those that are asked for.
fn only(
    only: &BTreeMap<String, u32>,
    meant: impl Fn(&str) -> bool,
    parts: &mut Vec<Part>,
    findings: &mut Vec<Finding>,
) {
    if only.is_empty() {
        return;
    }
    for (id, count) in only {
        let pointer = Pointer::job().step("only").step(id);
        let Some(part) = parts.iter_mut().find(|p| p.id == *id) else {
            let offer = nearest(id, parts.iter().map(|p| p.id.as_str()))
                .map(|n| format!(" Did you mean {n}?"))
                .unwrap_or_default();
            let message = format!("There is no part {id}.{offer}");
            findings.push(Finding::new(&code::UNKNOWN_NAME, message).pointer(pointer.clone()));
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
    parts.retain(|p| !meant(&p.id) || only.contains_key(&p.id));
}

/// Counts every part so many times over as its job has sets.
pub(super) fn in_sets(documents: &Documents, parts: &mut [Part], findings: &mut Vec<Finding>) {
    let pointer = Pointer::job().step("sets");
    for part in parts {
        let sets = documents.sets_of(&part.id);
        let whole = part.count.saturating_mul(sets);
        let what = format!("count of {} in {sets} sets", part.id);
        if !check_count(whole, &what, &pointer, findings) {
            return;
        }
        part.count = whole;
    }
}

/// A count that can be meant; the finding otherwise.
pub(super) fn check_count(
    count: u32,
    what: &str,
    pointer: &Pointer,
    findings: &mut Vec<Finding>,
) -> bool {
    let fine = (1..=MOST_COPIES).contains(&count);
    if !fine {
        let message = format!("The {what} is {count}; it must be from 1 to {MOST_COPIES}.");
        findings.push(Finding::new(&code::BAD_NUMBER, message).pointer(pointer.clone()));
    }
    fine
}

/// Makes a part of its description.
pub(super) fn described(doc: &PartDoc, pointer: &Pointer, made: &mut Made<'_>) {
    let mut problems = Problems {
        findings: Vec::new(),
        part: Some(doc.id.clone()),
    };
    let id_fits = good_id(made.documents.own_name(&doc.id));
    if !id_fits {
        problems.findings.push(bad_id(&doc.id, pointer.step("id")));
    }
    let count_fits = check_count(
        doc.count,
        "count",
        &pointer.step("count"),
        &mut problems.findings,
    );
    made.check_stock(&doc.stock, Some(&doc.id), pointer);
    check_relief(doc.relief.as_ref(), &pointer.step("relief"), &mut problems);
    let outline = part_outline(doc, &made.documents.job, pointer, &mut problems);
    // Features are checked even when the outline is missing, so that all problems come in one run.
    let frame = outline.as_ref().map_or(
        Bounds {
            min: Point::default(),
            max: Point::default(),
        },
        Contour::bounds,
    );
    let frames = made.frames(frame, &doc.stock);
    check_measured(doc, pointer, &mut problems);
    let at_hand = |f: &FeatureDoc| f.at_hand(doc.blank.as_ref());
    let lying: Vec<FeatureDoc> = doc.features.iter().map(at_hand).collect();
    let features = features(
        &lying,
        &pointer.step("features"),
        frames,
        made,
        &mut problems,
    );
    if let Some(outline) = &outline {
        check_edges(&features, outline, pointer, &mut problems);
    }
    made.findings.append(&mut problems.findings);
    let (Some(outline), true, true) = (outline, id_fits, count_fits) else {
        return;
    };
    let by = -frame.min;
    let part = Part {
        id: doc.id.clone(),
        name: doc.name.clone(),
        mirrored: false,
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
            pointer: Some(pointer.clone()),
            ..Source::default()
        },
        as_drawn: false,
    };
    made.take_hands(part, doc.mirrored, &pointer.step("id"));
}

/// The other hand of a part: mirrored across the grain, so that the grain and the lengths along it stay.
pub(super) fn other_hand(part: &Part, count: u32) -> Part {
    let width = part.outline.bounds().height();
    let over = |c: &Contour| c.mirrored_across(width);
    let aside = |c: &Contour| c.mirrored_along(width);
    let features = part.features.iter().map(|f| match f.side {
        Side::Near | Side::Far => Feature {
            side: f.side.mirrored_across(),
            ..f.clone()
        },
        // An end's x counts across the part.
        Side::LeftEnd | Side::RightEnd => Feature {
            shape: aside(&f.shape),
            islands: f.islands.iter().map(aside).collect(),
            circle: f.circle.map(|(c, d)| (point(width - c.x, c.y), d)),
            mating: f.mating.as_ref().map(Mating::mirrored_along),
            ..f.clone()
        },
        Side::Face | Side::Back => Feature {
            shape: over(&f.shape),
            islands: f.islands.iter().map(over).collect(),
            circle: f.circle.map(|(c, d)| (point(c.x, width - c.y), d)),
            mating: f.mating.as_ref().map(Mating::mirrored_across),
            ..f.clone()
        },
    });
    Part {
        id: format!("{}{}", part.id, Part::MIRRORED),
        mirrored: true,
        count,
        outline: over(&part.outline),
        features: features.collect(),
        ..part.clone()
    }
}

/// A measure is that of a dimensioned piece, and no slip of the pen; places count from a measured edge only where there is one.
fn check_measured(doc: &PartDoc, pointer: &Pointer, problems: &mut Problems) {
    let Some(b) = &doc.blank else {
        return;
    };
    let Some(measured) = &b.measured else {
        return;
    };
    let here = pointer.step("blank").step("measured");
    if !b.dimensioned {
        let message = "A blank that is cut from a board comes out as planned; only one that is already dimensioned is measured.";
        problems.say(&code::DOCUMENT_INVALID, &here, message);
    }
    for (key, planned, own) in [
        ("length", b.length.mm(), measured.length),
        ("width", b.width.mm(), measured.width),
    ] {
        let Some(own) = own.map(|l| l.mm()) else {
            continue;
        };
        if (own - planned).abs() > UNLIKE_SHARE * planned {
            let message = format!(
                "The {key} measured is {}, the planned one {}: more than {} % apart. Measure again, or plan the piece as it is.",
                show(own),
                show(planned),
                UNLIKE_SHARE * 100.0
            );
            problems.say(&code::BAD_NUMBER, &here.step(key), message);
        }
    }
}

/// The outline that the description gives: its own, or that of its blank.
fn part_outline(
    doc: &PartDoc,
    job: &Job,
    pointer: &Pointer,
    problems: &mut Problems,
) -> Option<Contour> {
    let message = match (&doc.outline, &doc.blank) {
        (Some(shape), None) => return outline_of(shape, &pointer.step("outline"), problems),
        (None, Some(_)) => {
            let own = job.blank_of(doc)?;
            let whole = own.width.mm();
            let by_joint = job.tenons_by_joints(&doc.id, whole).map(|(i, _)| {
                let keys = ["joint", "mortise-and-tenon", "tenon"];
                let joint = Pointer::job().step("joints").step(i);
                keys.iter().fold(joint, |at, key| at.step(*key))
            });
            let by_joint: Vec<Pointer> = by_joint.collect();
            return blank(&own, &pointer.step("blank"), &by_joint, problems);
        }
        (Some(_), Some(_)) => "The part gives both an outline and a blank.",
        (None, None) => "The part gives neither an outline nor a blank.",
    };
    problems.say(&code::DOCUMENT_INVALID, pointer, message);
    None
}

/// The boxes in which a part's features are described: of its face, and of its edges and ends where its thickness is known.
#[derive(Clone, Copy)]
pub(super) struct Frames {
    pub(super) face: Bounds,
    pub(super) edge: Bounds,
    pub(super) end: Bounds,
}

impl Frames {
    pub(super) fn of(self, side: Side) -> Bounds {
        match side {
            Side::Face | Side::Back => self.face,
            Side::Near | Side::Far => self.edge,
            Side::LeftEnd | Side::RightEnd => self.end,
        }
    }
}

/// A piece stands on an edge or an end only where all of them are straight and square to each other.
pub(super) fn check_edges(
    features: &[Feature],
    outline: &Contour,
    pointer: &Pointer,
    problems: &mut Problems,
) {
    let b = outline.bounds();
    let rectangle = (outline.area().abs() - b.width() * b.height()).abs() < SQUARE_MM2;
    if let Some(f) = features.iter().find(|f| !f.side.is_flat() && !rectangle) {
        let message = format!(
            "A {} is to be cut from the {}, but the piece is no rectangle and cannot stand on its {}.",
            f.kind.word(),
            f.side.word(),
            if f.side.is_end() { "end" } else { "edge" }
        );
        problems.say(&code::DOCUMENT_INVALID, pointer, message);
    }
}

/// A feature shifted into its part's frame.
pub(super) fn moved(mut f: Feature, by: Point) -> Feature {
    if !f.side.is_flat() {
        return f;
    }
    f.shape = f.shape.shifted(by);
    f.islands = f.islands.iter().map(|i| i.shifted(by)).collect();
    f.circle = f.circle.map(|(c, d)| (c + by, d));
    f
}

fn outline_of(shape: &Shape, pointer: &Pointer, problems: &mut Problems) -> Option<Contour> {
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

fn check_relief(relief: Option<&Relief>, pointer: &Pointer, problems: &mut Problems) {
    if let Some(angle) = relief.and_then(|r| r.up_to_angle)
        && !(angle.is_finite() && angle > 0.0 && angle < 180.0)
    {
        let message = format!(
            "The largest angle for relief is {angle}; it must lie between 0 and 180 degrees."
        );
        problems.say(&code::BAD_NUMBER, &pointer.step("up-to-angle"), message);
    }
}

/// The features of a list, in the frame in which they are described.
pub(super) fn features(
    docs: &[FeatureDoc],
    pointer: &Pointer,
    frames: Frames,
    made: &mut Made<'_>,
    problems: &mut Problems,
) -> Vec<Feature> {
    let mut ids: BTreeMap<&str, usize> = BTreeMap::new();
    let mut out = Vec::new();
    for (i, doc) in docs.iter().enumerate() {
        let here = pointer.step(i);
        if let Some(id) = &doc.id {
            if !good_id(id) || id == "outline" {
                let mut f = bad_id(id, here.step("id"));
                f.part.clone_from(&problems.part);
                problems.findings.push(f);
            }
            if let Some(before) = ids.insert(id, i) {
                let message = format!("The feature's id {id} is that of feature {before} already.");
                problems.say(&code::DUPLICATE_ID, &here.step("id"), message);
                continue;
            }
        }
        made.check_cutter(doc.cutter.as_ref(), problems.part.as_deref(), &here);
        let part = frames.of(doc.side);
        out.extend(feature(doc, &here, part, made.run_out, problems));
    }
    out
}

/// The features of one description: one, or one for each of several circles.
pub(super) fn feature(
    doc: &FeatureDoc,
    pointer: &Pointer,
    part: Bounds,
    run_out: f64,
    problems: &mut Problems,
) -> Vec<Feature> {
    let shapes = contours(&doc.shape, part, run_out, &pointer.step("shape"), problems);
    let fine = contradictions(doc, &shapes, pointer, problems);
    let sizes = sizes(doc, pointer, problems);
    check_relief(doc.relief.as_ref(), &pointer.step("relief"), problems);
    let islands = islands(doc, &shapes, part, pointer, problems);
    let (true, Some((left, leave)), Some(islands)) = (fine, sizes, islands) else {
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
            kind: doc.kind,
            side: doc.side,
            circle: shape.as_circle(IMPORT_MM),
            source: Source {
                at: shape.start().unwrap_or_default(),
                pointer: Some(pointer.clone()),
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
            mating: None,
        })
        .collect()
}

/// What the keys of a feature say against each other or against its shapes is told. True when there is nothing.
fn contradictions(
    doc: &FeatureDoc,
    shapes: &[Contour],
    pointer: &Pointer,
    problems: &mut Problems,
) -> bool {
    let (kind, word) = (doc.kind, doc.kind.word());
    let mut wrong: Vec<(Pointer, String)> = Vec::new();
    if kind == FeatureKind::Outline {
        let message = "A part's outline is given by its `outline` or `blank`, not by a feature.";
        wrong.push((pointer.step("kind"), message.to_string()));
    }
    if kind != FeatureKind::Engraving && shapes.iter().any(|s| !s.closed) {
        let message = format!("The contour of a {word} must be closed.");
        wrong.push((
            pointer.step("shape").step("contour").step("closed"),
            message,
        ));
    }
    if kind == FeatureKind::Hole && shapes.iter().any(|s| s.as_circle(IMPORT_MM).is_none()) {
        let message = "A hole is a circle; write cutout for another shape.";
        wrong.push((pointer.step("shape"), message.to_string()));
    }
    match (doc.depth, doc.left) {
        (Some(_), Some(_)) => {
            let message = "The feature gives both a depth and the wood left under it.";
            wrong.push((pointer.step("left"), message.to_string()));
        }
        (None, None) if kind != FeatureKind::Cutout => {
            let message = format!("Nothing says how deep the {word} is: give `depth` or `left`.");
            wrong.push((pointer.clone(), message));
        }
        _ => {}
    }
    if doc.waste.is_some() && kind != FeatureKind::Cutout {
        let message = format!("Only a cutout has waste to deal with, not a {word}.");
        wrong.push((pointer.step("waste"), message));
    }
    if !doc.islands.is_empty() && !kind.is_cleared() {
        wrong.push((
            pointer.step("islands"),
            format!("A {word} cannot have islands."),
        ));
    }
    let fine = wrong.is_empty() && !shapes.is_empty();
    for (at, message) in wrong {
        problems.say(&code::DOCUMENT_INVALID, &at, message);
    }
    fine
}

/// The wood left under a feature and the wood that may stay in it, mm; `None` when one of its sizes cannot be.
fn sizes(
    doc: &FeatureDoc,
    pointer: &Pointer,
    problems: &mut Problems,
) -> Option<(Option<f64>, Option<f64>)> {
    let mut sized = true;
    if let Some(Depth::Below(d)) = doc.depth {
        let depth = problems.positive(d, &pointer.step("depth"), "depth");
        sized &= depth.is_some();
    }
    let left = doc
        .left
        .map(|l| problems.positive(l, &pointer.step("left"), "wood left"));
    let leave = doc
        .leave
        .map(|l| problems.not_negative(l, &pointer.step("leave"), "wood that may stay"));
    for (i, at) in doc
        .waste
        .iter()
        .flat_map(|w| w.screws_at.iter().enumerate())
    {
        let place = problems.place(*at, &pointer.step("waste").step("screws-at").step(i));
        sized &= place.is_some();
    }
    sized &= left != Some(None) && leave != Some(None);
    sized.then_some((left.flatten(), leave.flatten()))
}

/// The islands of a feature, clockwise; `None` when one cannot be used.
fn islands(
    doc: &FeatureDoc,
    shapes: &[Contour],
    part: Bounds,
    pointer: &Pointer,
    problems: &mut Problems,
) -> Option<Vec<Contour>> {
    let mut out = Vec::new();
    let mut fine = true;
    for (i, shape) in doc.islands.iter().enumerate() {
        let here = pointer.step("islands").step(i);
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
