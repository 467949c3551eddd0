//! What a person needs to turn a piece over rightly: which way, and one measure that is another when it was turned the other way.

use super::document::{ControlRow, TurnedRow};
use super::show::round3;
use grainway_geom::Bounds;
use grainway_pipeline::doc::{FeatureKind, Side};
use grainway_pipeline::work::{Feature, Setup, Turn, Work};

/// Where lengths along the piece are measured from.
const LEFT_END: &str = "left end";
/// The same on a piece that stands on its end.
const UPPER_END: &str = "upper end";
/// A rule tells lengths apart that differ by more than this, mm. Common practice, no source.
const TOLD_APART_MM: f64 = 1.0;

/// For a setup whose piece lies turned over; `None` for all others.
pub(super) fn turned(work: &Work, setup: &Setup) -> Option<TurnedRow> {
    if setup.side == Side::Face {
        return None;
    }
    let placed = setup.placements.first()?;
    let variant = work.variant(&placed.variant)?;
    let part = work.part(&variant.part)?;
    let whole = part.outline.bounds();
    let up = setup.side;
    // Of a piece on its end all four sides can be measured, else its face.
    let cut_before = |f: &&Feature| {
        let seen = f.side == Side::Face || up.is_end() && !f.side.is_end();
        seen && f.kind != FeatureKind::Engraving
    };
    let of = |f: &Feature| {
        let own = f.shape.bounds();
        match up.is_end() {
            true => on_its_end(&own, &whole, up),
            false => measures(&own, &whole, variant.turn),
        }
    };
    let control = part
        .features
        .iter()
        .filter(cut_before)
        .flat_map(|f| of(f).map(|m| (f, m)))
        // On its edge the face is seen from its side: only lengths along it can be measured. So it is with the edges of a piece on its end.
        .filter(|(f, m)| {
            let along = m.from == LEFT_END || m.from == UPPER_END;
            along || !up.is_edge() && f.side.is_flat()
        })
        .filter(|(_, m)| m.apart() > TOLD_APART_MM)
        .max_by(|a, b| {
            a.1.apart()
                .total_cmp(&b.1.apart())
                .then(b.0.key.cmp(&a.0.key))
        })
        .map(|(f, m)| ControlRow {
            feature: f.key.clone(),
            kind: f.kind.word().to_string(),
            side: f.side,
            from: m.from.to_string(),
            distance: round3(m.right),
            wrong: round3(m.wrong),
        });
    Some(TurnedRow {
        part: part.id.clone(),
        up: setup.side,
        over_end: variant.turn == Turn::OverEnd,
        trim: !part.dimensioned,
        control,
    })
}

/// A distance from an edge of the piece as it lies to where a feature begins, and what it is when the piece was turned the other way.
struct Measure {
    from: &'static str,
    right: f64,
    wrong: f64,
}

impl Measure {
    fn apart(&self) -> f64 {
        (self.right - self.wrong).abs()
    }
}

/// Measures of a feature on a piece with this end up, its face towards the person, and what they are with the other end up.
fn on_its_end(own: &Bounds, whole: &Bounds, up: Side) -> [Measure; 2] {
    let (length, width) = (whole.width(), whole.height());
    let left = own.min.x.clamp(0.0, length);
    let right = length - own.max.x.clamp(0.0, length);
    let near = own.min.y.clamp(0.0, width);
    let far = width - own.max.y.clamp(0.0, width);
    let (as_told, otherwise) = match up {
        Side::RightEnd => ([right, far], [left, near]),
        _ => ([left, near], [right, far]),
    };
    [(UPPER_END, 0), ("left edge", 1)].map(|(from, i)| Measure {
        from,
        right: as_told[i],
        wrong: otherwise[i],
    })
}

/// Measures of a feature of the face on a turned piece. Turned over its long edge, near and far are exchanged; over its end, left and
/// right.
fn measures(own: &Bounds, whole: &Bounds, turn: Turn) -> [Measure; 2] {
    let inside = |v: f64, most: f64| v.clamp(0.0, most.max(0.0));
    let (length, width) = (whole.width(), whole.height());
    let (left, right) = (inside(own.min.x, length), inside(own.max.x, length));
    let (near, far) = (inside(own.min.y, width), inside(own.max.y, width));
    let over_edge = [left, width - far];
    let over_end = [length - right, near];
    let (as_told, otherwise) = match turn {
        Turn::OverEdge => (over_edge, over_end),
        Turn::OverEnd => (over_end, over_edge),
    };
    [(LEFT_END, 0), ("near edge", 1)].map(|(from, i)| Measure {
        from,
        right: as_told[i],
        wrong: otherwise[i],
    })
}
