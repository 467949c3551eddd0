//! Described tenons that no joint names, held against the mortises of the job: without a joint nothing sizes them.

use super::{FitSettings, tidy};
use grainway_pipeline::doc::{FeatureKind, Pointer, Tenon};
use grainway_pipeline::finding::{Finding, code};
use grainway_pipeline::tolerance::LAYER_SIZE_MM;
use grainway_pipeline::work::{Documents, Part};

/// Tenons that go into no mortise of a job that has mortises.
pub(super) fn tenons(
    documents: &Documents,
    parts: &[Part],
    settings: &FitSettings,
) -> Vec<Finding> {
    let free = parts
        .iter()
        .flat_map(|p| p.features.iter().map(move |f| (p, f)));
    let free = free.filter(|(_, f)| f.kind == FeatureKind::Mortise && f.mating.is_none());
    // The short and the long side of each.
    let mortises: Vec<(String, [f64; 2])> = free
        .map(|(p, f)| {
            let b = f.shape.bounds();
            let sides = [b.width().min(b.height()), b.width().max(b.height())];
            (format!("{} of {}", f.key, p.id), sides)
        })
        .collect();
    let mut findings = Vec::new();
    for (i, part) in documents.job.parts.iter().enumerate() {
        let stock = documents.stock(&part.stock).map(|s| s.readings_mm());
        let (Some((_, _, thick)), Some(blank)) = (stock, &part.blank) else {
            continue;
        };
        for (k, tenon) in blank.tenons.iter().enumerate() {
            let most = settings.loose.greatest.mm();
            let Some((name, [wide, long])) = nearest(tenon, thick, most, &mortises) else {
                continue;
            };
            let message = format!(
                "The tenon of {} is {} × {} mm and goes into none of the job's mortises: the nearest, {name}, is {} × {} mm.",
                part.id,
                tidy(tenon.width.mm()),
                tidy(thick),
                tidy(*long),
                tidy(*wide),
            );
            let at = Pointer::job().step("parts").step(i);
            findings.push(
                Finding::new(&code::TENON_UNMATED, message)
                    .part(&part.id)
                    .pointer(at.step("blank").step("tenons").step(k)),
            );
        }
    }
    findings
}

/// The mortise that comes nearest to a tenon; `None` where one takes it, or there is none.
fn nearest<'m>(
    tenon: &Tenon,
    thick: f64,
    most: f64,
    mortises: &'m [(String, [f64; 2])],
) -> Option<&'m (String, [f64; 2])> {
    let width = tenon.width.mm();
    let own = [width.min(thick), width.max(thick)];
    let room = |sides: &[f64; 2]| [sides[0] - own[0], sides[1] - own[1]];
    // Between the cheeks no more than a loose fit has; a mortise may be longer than its tenon is wide.
    let takes = |(_, sides): &(String, [f64; 2])| {
        let [cheeks, ends] = room(sides);
        (-LAYER_SIZE_MM..=most + LAYER_SIZE_MM).contains(&cheeks) && ends >= -LAYER_SIZE_MM
    };
    if mortises.iter().any(takes) {
        return None;
    }
    let far = |(_, sides): &&(String, [f64; 2])| room(sides).iter().map(|r| r.abs()).sum::<f64>();
    mortises.iter().min_by(|a, b| far(a).total_cmp(&far(b)))
}
