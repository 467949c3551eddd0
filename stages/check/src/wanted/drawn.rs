//! Parts of drawings: what layers mean, which contours are read, which outline holds which feature, and how parts are numbered.

use super::held::{CHORD_MM, Held, ON_EDGE_MM};
use super::trimmed::trimmed;
use super::{both_hands, described, shifted, with_keys};
use grainway_geom::{Bounds, Contour, Notes, Point, PolySet, Region, offset, point};
use grainway_import::entity::{Content, Run, What};
use grainway_import::{dxf, join, svg};
use grainway_pipeline::doc::{Depth, Drawing, FeatureKind, LayerRule, Layout, Length};
use grainway_pipeline::stage::Files;
use grainway_pipeline::tolerance::{IMPORT_MM, LAYER_SIZE_MM};
use grainway_pipeline::work::{Documents, Feature, Grain, Part, Source};
use regex::Regex;
use std::collections::BTreeMap;
use std::sync::Arc;

/// A contour that is left out by name passes at most so far from the place that the job gives, mm.
const NAMED_WITHIN_MM: f64 = 1.0;
/// A contour with less area than this encloses nothing, mm².
const NO_AREA_MM2: f64 = 1e-3;

/// A layer and what becomes of its contours.
#[derive(Clone)]
struct Layer<'d> {
    name: Arc<str>,
    kind: FeatureKind,
    rule: &'d LayerRule,
    /// From the layer's name, mm.
    captured_depth: Option<f64>,
}

/// A contour of a layer.
#[derive(Clone)]
struct Read<'d> {
    layer: Layer<'d>,
    contour: Contour,
    /// It can be what its layer says.
    usable: bool,
}

/// The entities of a drawing.
pub(crate) struct Counted {
    /// The drawing's id.
    pub(crate) drawing: String,
    /// Its file.
    pub(crate) file: String,
    /// How many there are on each layer.
    pub(crate) layers: BTreeMap<String, u64>,
}

/// What a drawing holds.
pub(super) fn counted(doc: &Drawing, content: &Content) -> Counted {
    let mut layers = BTreeMap::new();
    for entity in &content.entities {
        *layers.entry(entity.layer.to_string()).or_default() += 1;
    }
    Counted {
        drawing: doc.id.clone(),
        file: doc.file.clone(),
        layers,
    }
}

/// The parts of a drawing.
pub(super) fn parts(
    doc: &Drawing,
    content: &Content,
    documents: &Documents,
    run_out: f64,
) -> Vec<Part> {
    let mut read = contours(doc, content);
    choose(doc, &mut read);
    read.retain(|r| r.usable);
    let (outlines, features): (Vec<Read<'_>>, Vec<Read<'_>>) = read
        .into_iter()
        .partition(|r| r.layer.kind == FeatureKind::Outline);
    let held: Vec<Held<'_>> = outlines.iter().map(|o| Held::new(&o.contour)).collect();
    let mut owned: Vec<Vec<Read<'_>>> = outlines.iter().map(|_| Vec::new()).collect();
    for feature in features {
        for (owner, own) in owners(feature, &held) {
            owned[owner].push(own);
        }
    }
    let readings = documents.stock(&doc.stock).map(|s| s.readings_mm());
    let mut parts = Vec::new();
    for Numbered { outline, sheet, id } in numbered(doc, &held) {
        let own = std::mem::take(&mut owned[outline]);
        let made = part(doc, &outlines[outline], own, sheet, &id, readings, run_out);
        let mirrored = doc.parts.get(&id).map_or(0, |p| p.mirrored);
        parts.extend(both_hands(made, mirrored.saturating_mul(doc.copies)));
    }
    parts
}

/// A drawing as it is read; `None` where it cannot be.
pub(super) fn content(doc: &Drawing, files: &dyn Files) -> Option<Content> {
    let bytes = files.read(&doc.file).ok()?;
    let name = doc.file.to_ascii_lowercase();
    if name.ends_with(".dxf") {
        dxf::read(&bytes, doc.unit).ok()
    } else {
        svg::read(&bytes, doc.unit).ok()
    }
}

/// All contours of layers that are to be made, layer by layer.
fn contours<'d>(doc: &'d Drawing, content: &Content) -> Vec<Read<'d>> {
    let rules: Vec<(Regex, &LayerRule)> = doc
        .layers
        .iter()
        .filter_map(|r| Some((Regex::new(&format!("^(?:{})$", r.layer)).ok()?, r)))
        .collect();
    let first = |layer: &str| rules.iter().find(|(regex, _)| regex.is_match(layer));
    let ignored = |layer: &str| first(layer).is_some_and(|(_, rule)| rule.ignore);
    let mut by_layer: BTreeMap<Arc<str>, Vec<(usize, &Run)>> = BTreeMap::new();
    for (i, entity) in content.entities.iter().enumerate() {
        let left_out = entity.hidden.is_some() || entity.around.iter().any(|l| ignored(l));
        if let (false, What::Run(run)) = (left_out, &entity.what) {
            by_layer
                .entry(entity.layer.clone())
                .or_default()
                .push((i, run));
        }
    }
    let tolerance = doc.join.map_or(IMPORT_MM, |j| j.mm());
    let mut out = Vec::new();
    for (name, runs) in by_layer {
        let Some((regex, rule)) = first(&name) else {
            continue;
        };
        let Some(kind) = rule.make.filter(|_| !rule.ignore) else {
            continue;
        };
        let layer = Layer {
            captured_depth: captured(regex, &name).map(|d| d * content.unit_mm),
            name,
            kind,
            rule,
        };
        for joined in join::join(&runs, tolerance).joined {
            let usable = usable(kind, &joined.contour);
            let contour = match joined.contour.closed {
                true => joined.contour.oriented(true),
                false => joined.contour,
            };
            out.push(Read {
                layer: layer.clone(),
                contour,
                usable,
            });
        }
    }
    out
}

/// The depth in a layer's name, in the drawing's unit.
fn captured(regex: &Regex, layer: &str) -> Option<f64> {
    let text = regex.captures(layer)?.name("depth")?.as_str().to_string();
    text.replace(',', ".").parse().ok()
}

fn usable(kind: FeatureKind, contour: &Contour) -> bool {
    match kind {
        FeatureKind::Engraving => true,
        _ => {
            contour.closed
                && join::crossing(contour).is_none()
                && contour.area().abs() >= NO_AREA_MM2
                && (kind != FeatureKind::Hole || contour.as_circle(IMPORT_MM).is_some())
        }
    }
}

/// Keeps what lies in the window, without the contours that the job leaves out by name.
fn choose(doc: &Drawing, read: &mut Vec<Read<'_>>) {
    let mut kept = vec![true; read.len()];
    if let Some(window) = &doc.window {
        let at = point(window.at[0].mm(), window.at[1].mm());
        let size = point(window.size[0].mm(), window.size[1].mm());
        let room = Bounds {
            min: at,
            max: at + size,
        }
        .grown(IMPORT_MM);
        for (keep, r) in kept.iter_mut().zip(&*read) {
            let b = r.contour.bounds();
            *keep = room.contains(b.min) && room.contains(b.max);
        }
    }
    for named in &doc.leave_out {
        let at = point(named.at[0].mm(), named.at[1].mm());
        let away = |r: &Read<'_>| r.contour.distance(at);
        let nearest = (0..read.len())
            .filter(|i| *read[*i].layer.name == *named.layer)
            .min_by(|a, b| away(&read[*a]).total_cmp(&away(&read[*b])));
        if let Some(i) = nearest.filter(|i| away(&read[*i]) <= NAMED_WITHIN_MM) {
            kept[i] = false;
        }
    }
    let mut kept = kept.into_iter();
    read.retain(|_| kept.next().unwrap_or(true));
}

/// The outlines that a feature belongs to: one, or for a line several, each with its stretch.
fn owners<'d>(feature: Read<'d>, outlines: &[Held<'_>]) -> Vec<(usize, Read<'d>)> {
    let reach = feature.contour.bounds().grown(ON_EDGE_MM);
    let near: Vec<(usize, &Held<'_>)> = outlines
        .iter()
        .enumerate()
        .filter(|(_, o)| o.bounds.touches(reach))
        .collect();
    let holding = near
        .iter()
        .filter(|(_, o)| o.holds_all(&feature.contour))
        .min_by(|a, b| a.1.area.total_cmp(&b.1.area));
    if let Some((owner, _)) = holding {
        return vec![(*owner, feature)];
    }
    if feature.layer.kind == FeatureKind::Engraving {
        let stretches = trimmed(&feature.contour, &near);
        return stretches
            .into_iter()
            .map(|(owner, contour)| {
                let own = Read {
                    contour,
                    ..feature.clone()
                };
                (owner, own)
            })
            .collect();
    }
    let wanted = PolySet::from_contour(&feature.contour, CHORD_MM);
    let shared = |o: &Held<'_>| {
        let outline = PolySet::from_contour(o.contour, CHORD_MM);
        outline.intersection(&wanted).area()
    };
    near.into_iter()
        .map(|(i, o)| (i, shared(o)))
        .filter(|(_, area)| *area > 0.0)
        .max_by(|a, b| a.1.total_cmp(&b.1).then(b.0.cmp(&a.0)))
        .map(|(owner, _)| vec![(owner, feature)])
        .unwrap_or_default()
}

/// An outline with its sheet and the id that its place gives it.
struct Numbered {
    outline: usize,
    sheet: u32,
    id: String,
}

/// The parts of the sheets that are to be made, numbered from the lower left of each sheet.
fn numbered(doc: &Drawing, outlines: &[Held<'_>]) -> Vec<Numbered> {
    let boxes: Vec<Bounds> = outlines.iter().map(|o| o.bounds).collect();
    let sheets = sheets(&boxes, doc.sheet_gap.map(|g| g.mm()));
    let mut out = Vec::new();
    for (s, members) in sheets.iter().enumerate() {
        let sheet = s as u32 + 1;
        if doc.sheets.as_ref().is_some_and(|all| !all.contains(&sheet)) {
            continue;
        }
        let of_sheet: Vec<Bounds> = members.iter().map(|i| boxes[*i]).collect();
        for (n, k) in from_lower_left(&of_sheet).into_iter().enumerate() {
            let which = match sheets.len() {
                1 => String::new(),
                _ => format!("-{sheet}"),
            };
            out.push(Numbered {
                outline: members[k],
                sheet,
                id: format!("{}{which}/{}", doc.id, n + 1),
            });
        }
    }
    out
}

/// Boxes with gaps of at most `gap` between them are one sheet; without a gap all are.
fn sheets(boxes: &[Bounds], gap: Option<f64>) -> Vec<Vec<usize>> {
    let Some(gap) = gap else {
        return match boxes.is_empty() {
            true => Vec::new(),
            false => vec![(0..boxes.len()).collect()],
        };
    };
    let near = |a: Bounds, b: Bounds| {
        let dx = (a.min.x - b.max.x).max(b.min.x - a.max.x).max(0.0);
        let dy = (a.min.y - b.max.y).max(b.min.y - a.max.y).max(0.0);
        dx.hypot(dy) <= gap
    };
    let mut seen = vec![false; boxes.len()];
    let mut sheets: Vec<Vec<usize>> = Vec::new();
    for first in 0..boxes.len() {
        if std::mem::replace(&mut seen[first], true) {
            continue;
        }
        let mut members = vec![first];
        let mut next = 0;
        while next < members.len() {
            let from = boxes[members[next]];
            for other in 0..boxes.len() {
                if !seen[other] && near(from, boxes[other]) {
                    seen[other] = true;
                    members.push(other);
                }
            }
            next += 1;
        }
        members.sort_unstable();
        sheets.push(members);
    }
    let whole = |m: &Vec<usize>| m.iter().fold(Bounds::EMPTY, |b, i| b.union(boxes[*i]));
    let around: Vec<Bounds> = sheets.iter().map(whole).collect();
    from_lower_left(&around)
        .into_iter()
        .map(|i| sheets[i].clone())
        .collect()
}

/// Rows from the bottom, each from the left. The lowest box begins a row; whatever begins below its middle stands in that row.
fn from_lower_left(boxes: &[Bounds]) -> Vec<usize> {
    let mut rest: Vec<usize> = (0..boxes.len()).collect();
    rest.sort_by(|a, b| {
        let (p, q) = (boxes[*a].min, boxes[*b].min);
        p.y.total_cmp(&q.y).then(p.x.total_cmp(&q.x))
    });
    let mut order = Vec::new();
    while let Some(lowest) = rest.first().map(|i| boxes[*i]) {
        let middle = lowest.min.y + lowest.height() / 2.0;
        let in_row = |i: &usize| *i == rest[0] || boxes[*i].min.y < middle;
        let (mut row, above): (Vec<usize>, Vec<usize>) = rest.iter().copied().partition(in_row);
        row.sort_by(|a, b| {
            let (p, q) = (boxes[*a].min, boxes[*b].min);
            p.x.total_cmp(&q.x).then(p.y.total_cmp(&q.y))
        });
        order.append(&mut row);
        rest = above;
    }
    order
}

/// Thinnest, mean and thickest reading, mm.
type Readings = Option<(f64, f64, f64)>;

fn part(
    doc: &Drawing,
    outline: &Read<'_>,
    drawn: Vec<Read<'_>>,
    sheet: u32,
    id: &str,
    readings: Readings,
    run_out: f64,
) -> Part {
    let said = doc.parts.get(id);
    let bounds = outline.contour.bounds();
    let to_corner = -bounds.min;
    let own_box = Bounds {
        min: Point::default(),
        max: bounds.max - bounds.min,
    };
    let (bands, drawn): (Vec<Read<'_>>, Vec<Read<'_>>) = drawn
        .into_iter()
        .partition(|r| r.layer.rule.band_outside.is_some());
    let bands = bands.into_iter().filter_map(band_outside);
    let mut features: Vec<Feature> = with_islands(drawn)
        .into_iter()
        .chain(bands)
        .map(|(read, islands)| feature(doc, read, islands, sheet, readings))
        .map(|f| shifted(f, to_corner))
        .collect();
    if let Some(said) = said {
        features.extend(described::features(
            &said.features,
            own_box,
            readings.map_or(0.0, |r| r.1),
            run_out,
        ));
    }
    Part {
        id: said
            .and_then(|s| s.id.clone())
            .unwrap_or_else(|| id.to_string()),
        name: said.and_then(|s| s.name.clone()),
        mirrored: false,
        count: said.map_or(1, |s| s.count).saturating_mul(doc.copies),
        stock: doc.stock.clone(),
        grain: Grain::AlongX,
        outline: outline.contour.shifted(to_corner),
        outline_relief: outline.layer.rule.relief.clone(),
        dimensioned: false,
        features: with_keys(features),
        outline_cutter: outline.layer.rule.cutter.clone(),
        source: Source {
            drawing: Some(doc.id.clone()),
            sheet,
            layer: Some(outline.layer.name.to_string()),
            at: bounds.min,
            pointer: None,
        },
        as_drawn: doc.layout == Layout::AsDrawn,
    }
}

/// A band outside along a contour: all that lies at most so far from it, with the contour, and any room that it closes round, as islands.
fn band_outside(mut read: Read<'_>) -> Option<(Read<'_>, Vec<Contour>)> {
    let width = read.layer.rule.band_outside?.mm();
    let inside = Region::inside(read.contour.clone());
    let around = offset(&inside, width, &mut Notes::default())
        .into_iter()
        .next()?;
    let mut islands = vec![read.contour.oriented(false)];
    islands.extend(around.holes.into_iter().map(|h| h.oriented(false)));
    read.contour = around.outer;
    Some((read, islands))
}

/// Contours of a layer that is cleared lie in one another by turns: a feature, its islands, features on these.
fn with_islands(drawn: Vec<Read<'_>>) -> Vec<(Read<'_>, Vec<Contour>)> {
    let held: Vec<Held<'_>> = drawn.iter().map(|r| Held::new(&r.contour)).collect();
    // The contours of the same layer that hold each, the largest first.
    let around = |i: usize| -> Vec<usize> {
        let mut all: Vec<usize> = (0..drawn.len())
            .filter(|j| {
                *j != i
                    && drawn[i].layer.kind.is_cleared()
                    && drawn[*j].layer.name == drawn[i].layer.name
                    && held[*j].area > held[i].area
                    && held[*j].holds_all(&drawn[i].contour)
            })
            .collect();
        all.sort_by(|a, b| held[*b].area.total_cmp(&held[*a].area).then(a.cmp(b)));
        all
    };
    let around: Vec<Vec<usize>> = (0..drawn.len()).map(around).collect();
    let islands_of = |parent: usize| -> Vec<Contour> {
        (0..drawn.len())
            .filter(|i| !around[*i].len().is_multiple_of(2) && around[*i].last() == Some(&parent))
            .map(|i| drawn[i].contour.clone().oriented(false))
            .collect()
    };
    (0..drawn.len())
        .filter(|i| around[*i].len().is_multiple_of(2))
        .map(|i| (drawn[i].clone(), islands_of(i)))
        .collect()
}

fn feature(
    doc: &Drawing,
    read: Read<'_>,
    islands: Vec<Contour>,
    sheet: u32,
    readings: Readings,
) -> Feature {
    let (layer, shape) = (read.layer, read.contour);
    // A depth in the layer's name that is one of the wood's thicknesses means through.
    let by_name = layer.captured_depth.map(|d| match readings {
        Some((low, _, high)) if d >= low - LAYER_SIZE_MM && d <= high + LAYER_SIZE_MM => {
            Depth::Through
        }
        _ => Depth::Below(Length::from_mm(d)),
    });
    let left = layer.rule.left.map(|l| l.mm());
    Feature {
        key: String::new(),
        kind: layer.kind,
        side: layer.rule.side,
        circle: match layer.rule.band_outside {
            Some(_) => None,
            None => shape.as_circle(IMPORT_MM),
        },
        source: Source {
            drawing: Some(doc.id.clone()),
            sheet,
            layer: Some(layer.name.to_string()),
            at: shape.start().unwrap_or_default(),
            pointer: None,
        },
        shape,
        islands,
        depth: by_name.or(layer.rule.depth),
        left: match by_name {
            Some(_) => None,
            None => left,
        },
        relief: layer.rule.relief.clone(),
        if_unreachable: layer.rule.if_unreachable,
        leave: None,
        cutter: layer.rule.cutter.clone(),
        waste: None,
        mating: None,
    }
}
