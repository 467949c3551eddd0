//! Findings about a feature of a variant.

use grainway_geom::Notes;
use grainway_pipeline::finding::{Finding, code};
use grainway_pipeline::work::{SizedFeature, Variant};

/// A finding about a feature of a variant.
pub fn about(finding: Finding, variant: &Variant, feature: &SizedFeature) -> Finding {
    let mut finding = finding.part(&variant.part).feature(&feature.key);
    if let Some(pointer) = &feature.source.pointer {
        finding = finding.pointer(pointer.clone());
    }
    finding
}

/// What the geometry kernel had to say, as findings about a feature.
pub fn kernel_findings(notes: Notes, variant: &Variant, feature: &SizedFeature) -> Vec<Finding> {
    notes
        .0
        .into_iter()
        .filter(|n| !n.by_rule)
        .map(|n| {
            let mut f = Finding::new(&code::KERNEL_FALLBACK, n.what);
            if let Some(at) = n.at {
                f = f.at(at);
            }
            about(f, variant, feature)
        })
        .collect()
}
