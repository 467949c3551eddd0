//! Parts and features that the job describes.

use super::{shifted, with_keys};
use grainway_geom::{Bounds, Contour, Point, point};
use grainway_import::shapes::{Problems, blank, contours};
use grainway_pipeline::doc::{Depth, FeatureDoc, FeatureKind, PartDoc, Pointer, Shape, Side};
use grainway_pipeline::tolerance::IMPORT_MM;
use grainway_pipeline::work::{Documents, Feature, Grain, Part, Source};

/// The part of a description; `None` where it gives no outline that can be used.
pub(super) fn part(doc: &PartDoc, documents: &Documents, run_out: f64) -> Option<Part> {
    let outline = match (&doc.outline, &doc.blank) {
        (Some(shape), None) => only_contour(shape)?,
        (None, Some(_)) => {
            let own = documents.job.blank_of(doc)?;
            let nowhere = vec![Pointer::default(); own.tenons.len()];
            blank(
                &own,
                &Pointer::default(),
                &nowhere,
                &mut Problems::default(),
            )?
        }
        _ => return None,
    };
    let frame = outline.bounds();
    let thickness = documents
        .stock(&doc.stock)
        .map_or(0.0, |s| s.readings_mm().1);
    let at_hand = |f: &FeatureDoc| f.at_hand(doc.blank.as_ref());
    let lying: Vec<FeatureDoc> = doc.features.iter().map(at_hand).collect();
    let features = features(&lying, frame, thickness, run_out);
    let to_corner = -frame.min;
    Some(Part {
        id: doc.id.clone(),
        name: doc.name.clone(),
        mirrored: false,
        count: doc.count,
        stock: doc.stock.clone(),
        grain: Grain::AlongX,
        outline: outline.shifted(to_corner),
        outline_relief: doc.relief.clone(),
        dimensioned: doc.blank.as_ref().is_some_and(|b| b.dimensioned),
        features: with_keys(
            features
                .into_iter()
                .map(|f| shifted(f, to_corner))
                .collect(),
        ),
        outline_cutter: None,
        source: Source {
            at: frame.min,
            ..Source::default()
        },
        as_drawn: false,
    })
}

fn only_contour(shape: &Shape) -> Option<Contour> {
    let nowhere = Bounds::of([Point::default()]);
    contours(
        shape,
        nowhere,
        0.0,
        &Pointer::default(),
        &mut Problems::default(),
    )
    .into_iter()
    .next()
    .filter(|c| c.closed)
}

/// The features of a list, in the frame in which they are described, without keys where the job gives no id.
/// Those of an edge are described in a box as long as the part and as high as it is thick, those of an end in one as long as it is wide.
pub(super) fn features(
    docs: &[FeatureDoc],
    face: Bounds,
    thickness: f64,
    run_out: f64,
) -> Vec<Feature> {
    let standing = |long| Bounds {
        min: Point::default(),
        max: point(long, thickness),
    };
    let mut out = Vec::new();
    for doc in docs {
        let part = match doc.side {
            Side::Face | Side::Back => face,
            Side::Near | Side::Far => standing(face.width()),
            Side::LeftEnd | Side::RightEnd => standing(face.height()),
        };
        let shapes = contours(
            &doc.shape,
            part,
            run_out,
            &Pointer::default(),
            &mut Problems::default(),
        );
        let islands: Vec<Contour> = doc
            .islands
            .iter()
            .flat_map(|i| contours(i, part, 0.0, &Pointer::default(), &mut Problems::default()))
            .map(|c| c.oriented(false))
            .collect();
        let numbered = matches!(doc.shape, Shape::Circles(_));
        for (i, shape) in shapes.into_iter().enumerate() {
            if !shape.closed && doc.kind != FeatureKind::Engraving {
                continue;
            }
            let key = match &doc.id {
                Some(id) if numbered => format!("{id}.{}", i + 1),
                Some(id) => id.clone(),
                None => String::new(),
            };
            out.push(feature(doc, key, shape, islands.clone()));
        }
    }
    out
}

fn feature(doc: &FeatureDoc, key: String, shape: Contour, islands: Vec<Contour>) -> Feature {
    // A cutout goes through where nothing else is said.
    let silent = doc.depth.is_none() && doc.left.is_none();
    Feature {
        key,
        kind: doc.kind,
        side: doc.side,
        circle: shape.as_circle(IMPORT_MM),
        source: Source {
            at: shape.start().unwrap_or_default(),
            ..Source::default()
        },
        shape,
        islands,
        depth: match silent && doc.kind == FeatureKind::Cutout {
            true => Some(Depth::Through),
            false => doc.depth,
        },
        left: doc.left.map(|l| l.mm()),
        relief: doc.relief.clone(),
        if_unreachable: doc.if_unreachable,
        leave: doc.leave.map(|l| l.mm()),
        cutter: doc.cutter.clone(),
        waste: doc.waste.clone(),
        mating: None,
    }
}
