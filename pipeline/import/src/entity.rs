//! What a reader of drawings hands on: entities with their layer, place and geometry in millimetres, whatever the file's format.

use grainway_geom::{Point, Segment};
use std::sync::Arc;

/// A drawing as read.
#[derive(Clone, Debug, Default)]
pub struct Content {
    /// In the file's order, those inside blocks at each insertion.
    pub entities: Vec<Entity>,
    /// Millimetres in one of the drawing's units.
    pub unit_mm: f64,
    /// Sentences about the file that concern no single entity.
    pub remarks: Vec<String>,
}

/// One entity.
#[derive(Clone, Debug)]
pub struct Entity {
    /// Its type in the file's own word.
    pub kind: Arc<str>,
    /// The layer it belongs to.
    pub layer: Arc<str>,
    /// Layers of the insertions that it lies inside.
    pub around: Vec<Arc<str>>,
    /// Why the format itself leaves it out: frozen, off, paper space.
    pub hidden: Option<&'static str>,
    /// Where it starts, mm in the drawing; `None` when it has no place that can be read.
    pub at: Option<Point>,
    /// What it is to us.
    pub what: What,
}

/// What an entity is to us.
#[derive(Clone, Debug)]
pub enum What {
    /// Lines and arcs, each starting where the one before ends.
    Run(Run),
    /// It only holds others, which are listed by themselves.
    Container,
    /// Nothing that can be cut: a sentence's end that says why ("is a text").
    Other(String),
    /// It should be cut but cannot be read: a sentence's end.
    Broken(String),
}

/// Lines and arcs of one entity.
#[derive(Clone, Debug)]
pub struct Run {
    /// Never empty.
    pub segments: Vec<Segment>,
    /// Its end is its start.
    pub closed: bool,
}

/// Why a drawing cannot be used at all.
#[derive(Clone, Debug, PartialEq)]
pub enum Refusal {
    /// The file is damaged, with a sentence.
    Damaged(String),
    /// Its unit is not known or not the one the job says, with a sentence.
    Unit(String),
}

/// Coordinates beyond this are refused: no router is 100 m long, and the kernels keep their digits below it.
pub const FARTHEST_MM: f64 = 100_000.0;
/// Insertions may hold so many entities in all; a nest of arrays can ask for any number.
pub const MOST_ENTITIES: usize = 500_000;

impl Run {
    /// The run, when it is finite, within reach and longer than nothing.
    pub fn checked(segments: Vec<Segment>, closed: bool) -> What {
        let ends = segments
            .iter()
            .flat_map(|s| [s.start(), s.end(), s.at(0.5)]);
        let mut length = 0.0;
        for s in &segments {
            length += s.length();
        }
        for p in ends {
            if !p.is_finite() {
                return What::Broken("has a coordinate that is not a finite number".to_string());
            }
            if p.x.abs() > FARTHEST_MM || p.y.abs() > FARTHEST_MM {
                return What::Broken(format!(
                    "lies more than {} m from the origin",
                    FARTHEST_MM / 1000.0
                ));
            }
        }
        if length.is_nan() || length <= 1e-9 {
            return What::Other("has no length".to_string());
        }
        What::Run(Run { segments, closed })
    }
}
