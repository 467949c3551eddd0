//! A wanted part in the machine's heights: depths become floors by the readings in the documents.

use grainway_geom::Contour;
use grainway_pipeline::doc::{Depth, FeatureKind, Side};
use grainway_pipeline::tolerance::{IMPORT_MM, LAYER_SIZE_MM};
use grainway_pipeline::work::{
    Documents, Feature, Part, SizedFeature, Source, Turn, Variant, ZFrame,
};

/// The heights of a part's wood by the documents.
pub(crate) fn part_frame(documents: &Documents, part: &Part) -> Option<ZFrame> {
    documents.z_frame(&part.stock)
}

/// One side of the part as it is to be cut from wood of these heights. Who finishes a feature's walls and what becomes of its corners
/// is decided in planning; both are empty here.
/// For the back `turn` says how the piece was turned; either way is as good.
pub(crate) fn sized(part: &Part, z: ZFrame, side: Side, turn: Turn) -> Variant {
    let size = part.outline.bounds().max;
    let over = |c: &Contour| match side {
        Side::Face => c.clone(),
        Side::Back => turn.contour(c, size),
    };
    let mut features: Vec<SizedFeature> = part
        .features
        .iter()
        .filter_map(|f| sized_feature(f, z).filter(|s| side_of(f, s) == side))
        .map(|f| SizedFeature {
            shape: over(&f.shape),
            islands: f.islands.iter().map(over).collect(),
            circle: over(&f.shape).as_circle(IMPORT_MM),
            ..f
        })
        .collect();
    let cut_out = side == Side::Face && !part.dimensioned;
    if cut_out {
        features.push(outline(part, z));
    }
    features.sort_by(|a, b| a.key.cmp(&b.key));
    Variant {
        id: part.id.clone(),
        part: part.id.clone(),
        side,
        turn,
        stock: part.stock.clone(),
        z,
        outline: over(&part.outline),
        dimensioned: !cut_out,
        features,
        steps: Vec::new(),
    }
}

/// What goes through is cut from the face.
fn side_of(feature: &Feature, sized: &SizedFeature) -> Side {
    match sized.through {
        true => Side::Face,
        false => feature.side,
    }
}

/// The sides of a part that something is cut from.
pub(crate) fn sides(part: &Part, z: ZFrame) -> Vec<Side> {
    let all = part.features.iter();
    let cut: Vec<Side> = all
        .filter_map(|f| Some(side_of(f, &sized_feature(f, z)?)))
        .collect();
    let face = !part.dimensioned || cut.is_empty() || cut.contains(&Side::Face);
    let back = cut.contains(&Side::Back);
    [(face, Side::Face), (back, Side::Back)]
        .into_iter()
        .filter_map(|(is, side)| is.then_some(side))
        .collect()
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
