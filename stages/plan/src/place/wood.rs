//! What stands of a piece behind its edges, whatever its sides lose and whichever of them is cut first: stops, uprights and lines hold it by
//! that alone.

use grainway_geom::{Point, point};
use grainway_pipeline::doc::{Depth, FeatureKind, Side};
use grainway_pipeline::work::{Feature, Part, Turn, Variant};

/// Straight edge that a stop bears on, to either side of its middle, mm.
pub(super) const BEARS_MM: f64 = 4.0;
/// Heights at which the bearing is looked at, in each stretch that is asked for.
const HEIGHTS: u32 = 50;
/// How far below its surface a piece is asked for wood, mm.
const BELOW_MM: f64 = 0.05;
/// A stop bears on at least so much of a lying piece's height, mm, or on half of its own height where that is less. Common practice, no
/// source.
const BEARING_MM: f64 = 5.0;
/// An upright bears on at least this share of the upper and of the lower half of a piece. Common practice, no source.
const UPRIGHT_SHARE: f64 = 0.5;

/// A piece as it lies for one of its setups.
pub(super) struct Wood<'a> {
    part: &'a Part,
    up: Side,
    turn: Turn,
    /// Length, width and thickness, mm.
    size: [f64; 3],
}

impl Wood<'_> {
    pub(super) fn of<'a>(part: &'a Part, variant: &Variant) -> Wood<'a> {
        let size = part.outline.bounds();
        let thickness = match variant.side {
            Side::Face | Side::Back => variant.z.mean,
            // On an edge or an end a piece is as wide as it is thick.
            _ => variant.outline.bounds().height(),
        };
        Wood {
            part,
            up: variant.side,
            turn: variant.turn,
            size: [size.width(), size.height(), thickness],
        }
    }

    /// A piece on its end bears on an upright there.
    pub(super) fn bears_upright(&self, touch: Point, along: Point) -> bool {
        let half = 0.5 * self.size[0];
        let share = |from: f64| self.share(touch, along, from, from + half);
        share(0.0) >= UPRIGHT_SHARE && share(half) >= UPRIGHT_SHARE
    }

    /// A lying piece bears on a stop that stands this high over the bed, mm. Of a stop that does not stand at all something else is said.
    pub(super) fn bears_on_stop(&self, touch: Point, along: Point, high: f64) -> bool {
        let least = BEARING_MM.min(0.5 * high);
        high <= 0.0 || self.share(touch, along, 0.0, high) * high >= least
    }

    /// All of its lowest wood, this high, is there to lie in a line.
    pub(super) fn fills_line(&self, touch: Point, along: Point, high: f64) -> bool {
        self.share(touch, along, 0.0, high) >= 1.0
    }

    /// The share of the heights from `low` to `high` over the bed, mm, at which wood stands behind a place, as wide as a stop bears.
    fn share(&self, touch: Point, along: Point, low: f64, high: f64) -> f64 {
        let stands = |height: f64| {
            [-BEARS_MM, 0.0, BEARS_MM]
                .into_iter()
                .all(|by| !self.is_gone(touch + along * by, height))
        };
        let step = (high - low) / f64::from(HEIGHTS);
        let heights = (0..HEIGHTS).map(|k| low + (f64::from(k) + 0.5) * step);
        heights.filter(|h| stands(*h)).count() as f64 / f64::from(HEIGHTS)
    }

    /// Something is cut away at this place of the setup, so high over the bed.
    fn is_gone(&self, p: Point, height: f64) -> bool {
        let [length, width, thickness] = self.size;
        let inside = |v: f64, most: f64| v.min(most - BELOW_MM).max(BELOW_MM);
        let (x, y) = match self.up {
            Side::Face | Side::Back => (inside(p.x, length), inside(p.y, width)),
            Side::Near | Side::Far => (inside(p.x, length), inside(p.y, thickness)),
            Side::LeftEnd | Side::RightEnd => (inside(p.x, width), inside(p.y, thickness)),
        };
        let place = match (self.up, self.turn) {
            (Side::Face, _) => [x, y, thickness - height],
            (Side::Back, Turn::OverEdge) => [x, width - y, height],
            (Side::Back, Turn::OverEnd) => [length - x, y, height],
            (Side::Near, _) => [x, width - height, thickness - y],
            (Side::Far, _) => [x, height, y],
            (Side::LeftEnd, _) => [length - height, x, y],
            (Side::RightEnd, _) => [height, width - x, y],
        };
        self.part.features.iter().any(|f| self.takes(f, place))
    }

    /// The feature takes the wood at a place: along the piece, across it, and down from its face.
    fn takes(&self, f: &Feature, [x, y, down]: [f64; 3]) -> bool {
        let [length, width, thickness] = self.size;
        let (place, below, whole) = match f.side {
            Side::Face => (point(x, y), down, thickness),
            Side::Back => (point(x, y), thickness - down, thickness),
            Side::Near => (point(x, down), y, width),
            Side::Far => (point(x, down), width - y, width),
            Side::LeftEnd => (point(y, down), x, length),
            Side::RightEnd => (point(y, down), length - x, length),
        };
        let deep = match (f.depth, f.left) {
            (Some(Depth::Below(d)), _) => d.mm(),
            (None, Some(left)) => whole - left,
            _ => whole,
        };
        f.kind != FeatureKind::Engraving
            && below <= deep
            && f.shape.contains(place)
            && !f.islands.iter().any(|i| i.contains(place))
    }
}
