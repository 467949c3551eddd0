//! Shapes as they are turned, and the no-fit polygons between them, each made once.

use crate::Shape;
use crate::nofit::NoFit;
use grainway_geom::{Point, point};
use std::collections::BTreeMap;
use std::sync::Arc;

/// A shape turned by quarters.
#[derive(Clone, Debug)]
pub(crate) struct Form {
    /// Its convex parts.
    parts: Arc<Vec<Vec<Point>>>,
    /// Its outline where it has no holes, else its convex parts.
    rings: Arc<Vec<Vec<Point>>>,
    pub(crate) lo: Point,
    pub(crate) hi: Point,
}

/// All forms that are laid.
#[derive(Clone, Debug, Default)]
pub(crate) struct Forms {
    shapes: Vec<Shape>,
    forms: Vec<Form>,
    known: BTreeMap<(usize, u8), usize>,
    between: BTreeMap<(usize, usize), Arc<NoFit>>,
}

/// So many no-fit polygons are kept; a job with more of them makes some again.
const KEPT: usize = 60_000;

impl Forms {
    pub(crate) fn new(shapes: &[Shape]) -> Forms {
        Forms {
            shapes: shapes.to_vec(),
            ..Forms::default()
        }
    }
    /// The number of a shape's form.
    pub(crate) fn of(&mut self, shape: usize, quarters: u8) -> usize {
        let quarters = quarters % 4;
        if let Some(&known) = self.known.get(&(shape, quarters)) {
            return known;
        }
        let turned = self.shapes[shape].turned(quarters);
        let bounds = turned.bounds();
        let parts = Arc::new(turned.convex_parts());
        let whole = turned.rings().len() == 1;
        self.forms.push(Form {
            rings: if whole {
                Arc::new(turned.rings().to_vec())
            } else {
                parts.clone()
            },
            parts,
            lo: point(bounds.min.x, bounds.min.y),
            hi: bounds.max,
        });
        self.known.insert((shape, quarters), self.forms.len() - 1);
        self.forms.len() - 1
    }
    pub(crate) fn form(&self, form: usize) -> &Form {
        &self.forms[form]
    }
    /// Area of a shape, mm².
    pub(crate) fn area(&self, shape: usize) -> f64 {
        self.shapes[shape].area()
    }
    /// Where `moving` may not stand because of `standing`.
    pub(crate) fn between(&mut self, standing: usize, moving: usize) -> Arc<NoFit> {
        if let Some(known) = self.between.get(&(standing, moving)) {
            return known.clone();
        }
        if self.between.len() >= KEPT {
            self.between.clear();
        }
        // The other way round it is the same turned by a half.
        let made = match self.between.get(&(moving, standing)) {
            Some(other) => Arc::new(other.turned_half()),
            None => {
                let (s, m) = (&self.forms[standing], &self.forms[moving]);
                if s.parts.len() <= m.parts.len() {
                    Arc::new(NoFit::of(&s.parts, &m.rings))
                } else {
                    Arc::new(NoFit::of(&m.parts, &s.rings).turned_half())
                }
            }
        };
        self.between.insert((standing, moving), made.clone());
        made
    }
}
