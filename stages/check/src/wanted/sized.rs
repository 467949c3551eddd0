//! A wanted part in the machine's heights: depths become floors by the readings in the documents.

use grainway_geom::{Contour, Point, point};
use grainway_pipeline::doc::{Depth, FeatureKind, Side, ZZero};
use grainway_pipeline::tolerance::{IMPORT_MM, LAYER_SIZE_MM};
use grainway_pipeline::work::{
    Documents, Feature, Part, SizedFeature, Source, Turn, Variant, ZFrame,
};

/// The heights of a part's wood by the documents, while this side of it lies up: on an edge a part is as high as it is wide, on an end as
/// high as it is long, with Z zero on the end that lies up.
pub(crate) fn part_frame(documents: &Documents, part: &Part, side: Side) -> Option<ZFrame> {
    let flat = documents.z_frame(&part.stock)?;
    let far = part.outline.bounds().max;
    let (high, zero) = match side {
        Side::Face | Side::Back => return Some(flat),
        Side::Near | Side::Far => (far.y, flat.zero),
        Side::LeftEnd | Side::RightEnd => (far.x, ZZero::Top),
    };
    Some(ZFrame {
        zero,
        thinnest: high,
        mean: high,
        thickest: high,
    })
}

/// One side of the part as it is to be cut. Who finishes a feature's walls and what becomes of its corners is decided in planning; both
/// are empty here. For the back `turn` says how the piece was turned; either way is as good. `None` where the documents have no wood
/// for it.
pub(crate) fn sized(part: &Part, documents: &Documents, side: Side, turn: Turn) -> Option<Variant> {
    let z = part_frame(documents, part, side)?;
    let size = part.outline.bounds().max;
    let thickness = documents.stock(&part.stock)?.readings_mm().1;
    let over = |c: &Contour| lying(c, (side, turn), size, thickness);
    let mut features: Vec<SizedFeature> = part
        .features
        .iter()
        .filter_map(|f| {
            let frame = part_frame(documents, part, f.side)?;
            sized_feature(f, frame).filter(|s| side_of(f, s) == side)
        })
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
    let standing = |long| Contour::rectangle(Point::default(), point(long, thickness), 0.0);
    Some(Variant {
        id: part.id.clone(),
        part: part.id.clone(),
        side,
        turn,
        stock: part.stock.clone(),
        z,
        outline: match side {
            Side::Face | Side::Back => over(&part.outline),
            Side::Near | Side::Far => standing(size.x),
            Side::LeftEnd | Side::RightEnd => standing(size.y),
        },
        dimensioned: !cut_out,
        features,
        steps: Vec::new(),
    })
}

/// A contour of a part of this size as it lies with this side up, seen from above; the same takes it back.
fn lying(c: &Contour, (side, turn): (Side, Turn), size: Point, thickness: f64) -> Contour {
    match side {
        // On the left end the face lies near and the near edge left, as on paper.
        Side::Face | Side::Far | Side::LeftEnd => c.clone(),
        Side::Back => turn.contour(c, size),
        // Its left end left, the face lies far when the near edge is up.
        Side::Near => c.mirrored_across(thickness),
        // The face lies near on the right end too, so the far edge lies left.
        Side::RightEnd => c.mirrored_along(size.y),
    }
}

/// A contour of a side as it lies, in the frame in which the part is described.
pub(crate) fn laid_over(
    contour: &Contour,
    side: &Variant,
    part: &Part,
    documents: &Documents,
) -> Option<Contour> {
    let thickness = documents.stock(&part.stock)?.readings_mm().1;
    let size = part.outline.bounds().max;
    Some(lying(contour, (side.side, side.turn), size, thickness))
}

/// What goes through is cut from the face, from the near edge or from the left end.
fn side_of(feature: &Feature, sized: &SizedFeature) -> Side {
    match (sized.through, feature.side) {
        (false, side) => side,
        (true, Side::Face | Side::Back) => Side::Face,
        (true, Side::Near | Side::Far) => Side::Near,
        (true, Side::LeftEnd | Side::RightEnd) => Side::LeftEnd,
    }
}

/// The sides of a part that something is cut from.
pub(crate) fn sides(part: &Part, documents: &Documents) -> Vec<Side> {
    let all = part.features.iter();
    let mut cut: Vec<Side> = all
        .filter_map(|f| {
            let frame = part_frame(documents, part, f.side)?;
            Some(side_of(f, &sized_feature(f, frame)?))
        })
        .collect();
    // Its outline is cut with the face up.
    if !part.dimensioned || cut.is_empty() {
        cut.push(Side::Face);
    }
    cut.sort_unstable();
    cut.dedup();
    cut
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
