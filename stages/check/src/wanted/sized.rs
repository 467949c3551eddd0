//! A wanted part in the machine's heights: depths become floors by the readings in the documents.

use grainway_pipeline::doc::{Depth, FeatureKind};
use grainway_pipeline::tolerance::LAYER_SIZE_MM;
use grainway_pipeline::work::{Documents, Feature, Part, SizedFeature, Source, Variant, ZFrame};

/// The heights of a part's wood by the documents.
pub(crate) fn part_frame(documents: &Documents, part: &Part) -> Option<ZFrame> {
    documents.z_frame(&part.stock)
}

/// The part as it is to be cut from wood of these heights. Who finishes a feature's walls and what becomes of its corners is
/// decided in planning; both are empty here.
pub(crate) fn sized(part: &Part, z: ZFrame) -> Variant {
    let mut features: Vec<SizedFeature> = part
        .features
        .iter()
        .filter_map(|f| sized_feature(f, z))
        .collect();
    if !part.dimensioned {
        features.push(outline(part, z));
    }
    features.sort_by(|a, b| a.key.cmp(&b.key));
    Variant {
        id: part.id.clone(),
        part: part.id.clone(),
        stock: part.stock.clone(),
        z,
        outline: part.outline.clone(),
        dimensioned: part.dimensioned,
        features,
        steps: Vec::new(),
    }
}

fn sized_feature(f: &Feature, z: ZFrame) -> Option<SizedFeature> {
    let below = |d: f64| {
        (d >= z.mean - LAYER_SIZE_MM)
            .then_some(())
            .map_or(Floor::At(z.top() - d), |()| Floor::Through)
    };
    let floor = match (f.depth, f.left) {
        (Some(Depth::Through), _) => Floor::Through,
        (Some(Depth::Below(d)), _) => below(d.mm()),
        (None, Some(left)) if left <= LAYER_SIZE_MM => Floor::Through,
        (None, Some(left)) => Floor::At(z.top() - z.mean + left),
        (None, None) if matches!(f.kind, FeatureKind::Cutout | FeatureKind::Outline) => {
            Floor::Through
        }
        (None, None) => return None,
    };
    let (through, height) = match floor {
        Floor::Through => (true, z.lowest_underside()),
        Floor::At(height) => (false, height),
    };
    Some(SizedFeature {
        key: f.key.clone(),
        kind: f.kind,
        shape: f.shape.clone(),
        islands: f.islands.clone(),
        circle: f.circle,
        floor: height,
        through,
        relief: f.relief.clone(),
        corners: Vec::new(),
        if_unreachable: f.if_unreachable.unwrap_or_default(),
        leave: f.leave,
        cutter_wanted: f.cutter.clone(),
        cutter: None,
        waste: f.waste.clone(),
        source: f.source.clone(),
    })
}

enum Floor {
    Through,
    At(f64),
}

fn outline(part: &Part, z: ZFrame) -> SizedFeature {
    SizedFeature {
        key: "outline".to_string(),
        kind: FeatureKind::Outline,
        shape: part.outline.clone(),
        islands: Vec::new(),
        circle: None,
        floor: z.lowest_underside(),
        through: true,
        relief: part.outline_relief.clone(),
        corners: Vec::new(),
        if_unreachable: Default::default(),
        leave: None,
        cutter_wanted: part.outline_cutter.clone(),
        cutter: None,
        waste: None,
        source: Source::default(),
    }
}
