//! What a joint asks for in one of its parts, and how large the parts are that it counts on.

use grainway_pipeline::doc::{
    Depth, FeatureDoc, FeatureKind, JointDoc, Length, Shape, Side, TenonOf, ZZero,
};
use grainway_pipeline::work::{Documents, Mating, Part, Wall};
use std::collections::BTreeMap;

/// One part's share of a joint.
pub(super) struct Half<'d> {
    pub(super) part: &'d str,
    pub(super) cut: Cut<'d>,
    pub(super) mating: Mating,
}

pub(super) enum Cut<'d> {
    New(Box<FeatureDoc>),
    /// A mortise of the part: its key, the mate's width and thickness, and how deep.
    Named(&'d str, [f64; 2], Depth),
}

/// The thinnest and the thickest of a mate, mm.
pub(super) type Span = (f64, f64);

/// How thick and wide the parts are.
pub(super) struct Mates<'a> {
    pub(super) parts: &'a BTreeMap<String, Part>,
    pub(super) documents: &'a Documents,
}

impl Mates<'_> {
    pub(super) fn of_stock(&self, id: &str) -> Span {
        let readings = self.documents.stock(id).map(|s| s.readings_mm());
        readings.map_or((0.0, 0.0), |(low, _, high)| (low, high))
    }
    pub(super) fn of_part(&self, id: &str) -> Option<Span> {
        Some(self.of_stock(&self.parts.get(id)?.stock))
    }
    /// A tenon, which is as thick as its part or thinned: then what a reading differs from the mean comes to it as the heights of its
    /// floors do, which stand over the bed or lie below what is up.
    pub(super) fn of_tenon(&self, tenon: &TenonOf) -> Option<Span> {
        let stock = &self.parts.get(&tenon.part)?.stock;
        let Some(thickness) = tenon.thickness else {
            return Some(self.of_stock(stock));
        };
        let z = self.documents.z_frame(stock)?;
        let floors = 1.0 + f64::from(u8::from(tenon.back_shoulder.is_some()));
        if thickness.mm() + tenon.back_shoulder.map_or(0.0, |b| b.mm()) >= z.thinnest - 1e-6 {
            return None;
        }
        // Thickness = the wood's, less what each floor takes of it.
        let of = |wood: f64| {
            let taken = match z.zero {
                ZZero::Bed => floors * (wood - z.mean),
                ZZero::Top => 0.0,
            };
            thickness.mm() + wood - z.mean - taken
        };
        let (a, b) = (of(z.thinnest), of(z.thickest));
        Some((a.min(b), a.max(b)))
    }
    /// How thick the wood of a part is in the mean, mm.
    pub(super) fn thick(&self, id: &str) -> Option<f64> {
        let stock = self.documents.stock(&self.parts.get(id)?.stock)?;
        Some(stock.readings_mm().1)
    }
    pub(super) fn wide(&self, id: &str) -> Option<f64> {
        Some(self.parts.get(id)?.outline.bounds().max.y)
    }
}

impl Half<'_> {
    /// Moved so far along the mate's width, and so much wider there, mm.
    pub(super) fn beside(mut self, by: f64, wider: f64, id: String) -> Self {
        if let Cut::New(doc) = &mut self.cut
            && let Shape::Rectangle(r) = &mut doc.shape
        {
            let lies = if self.mating.walls[0] == Wall::End {
                0
            } else {
                1
            };
            let middle = r.at[lies].mm() + r.size[lies].mm() / 2.0 + by;
            let size = r.size[lies].mm() + wider;
            r.at[lies] = Length::from_mm(middle - size / 2.0);
            r.size[lies] = Length::from_mm(size);
            doc.id = Some(id);
        }
        self
    }
    pub(super) fn is_called_like(&self, other: &Half<'_>) -> bool {
        match (&self.cut, &other.cut) {
            (Cut::New(a), Cut::New(b)) => a.id == b.id,
            _ => false,
        }
    }
}

/// Walls at the left, the right, near and far of a band whose sides run along the part, or across it.
pub(super) fn walls(along: bool, sides: [Wall; 2], ends: [Wall; 2]) -> [Wall; 4] {
    match along {
        true => [ends[0], ends[1], sides[0], sides[1]],
        false => [sides[0], sides[1], ends[0], ends[1]],
    }
}

pub(super) fn feature(
    joint: &JointDoc,
    kind: FeatureKind,
    side: Side,
    shape: Shape,
    depth: Option<Depth>,
) -> FeatureDoc {
    FeatureDoc {
        id: Some(joint.id.clone()),
        kind,
        side,
        along_from: Default::default(),
        across_from: Default::default(),
        shape,
        islands: Vec::new(),
        depth,
        left: None,
        relief: None,
        if_unreachable: None,
        leave: None,
        cutter: None,
        waste: None,
    }
}

pub(super) fn half<'d>(
    joint: &JointDoc,
    part: &'d str,
    doc: FeatureDoc,
    walls: [Wall; 4],
    (thin, thick): Span,
    glue: f64,
) -> Half<'d> {
    Half {
        part,
        cut: Cut::New(Box::new(doc)),
        mating: Mating {
            joint: joint.id.clone(),
            walls,
            mate: thick,
            spread: thick - thin,
            glue,
            haunch: false,
            corner: 0.0,
            slides: None,
        },
    }
}
