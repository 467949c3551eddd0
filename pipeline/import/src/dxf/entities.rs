//! The walk through the records of the drawing and of its blocks: each comes out as an entity.

use super::geometry::geometry;
use super::insertions::Insertion;
use super::matrix::Matrix;
use super::pair::Pair;
use super::sections::{File, Record};
use super::values::Values;
use crate::entity::{Entity, MOST_ENTITIES, What};
use grainway_geom::{Point, Segment, point};
use std::sync::Arc;

/// Blocks inside blocks deeper than this are refused.
const DEEPEST: usize = 32;

/// Where entities stand.
#[derive(Clone, Debug)]
pub(super) struct Frame {
    pub(super) matrix: Matrix,
    /// The layer that layer 0 stands for inside a block.
    pub(super) layer: Option<Arc<str>>,
    pub(super) around: Vec<Arc<str>>,
    pub(super) hidden: Option<&'static str>,
    /// Blocks that are being inserted.
    pub(super) open: Vec<String>,
}

/// The walk, and what came out so far.
pub(super) struct Walk<'a> {
    pub(super) file: &'a File,
    pub(super) pairs: &'a [Pair],
    pub(super) out: Vec<Entity>,
    pub(super) overflow: bool,
}

impl Walk<'_> {
    fn layer_of(&self, values: &Values<'_>, frame: &Frame) -> Arc<str> {
        let own = values.text(8, self.file.decoder);
        let own = own.unwrap_or_else(|| "0".to_string());
        match &frame.layer {
            Some(outer) if own == "0" => outer.clone(),
            _ => own.into(),
        }
    }

    pub(super) fn entities(&mut self, records: &[Record], frame: &Frame) {
        for record in records {
            if self.out.len() >= MOST_ENTITIES {
                self.overflow = true;
                return;
            }
            let values = Values::of_entity(&self.pairs[record.pairs.clone()]);
            let layer = self.layer_of(&values, frame);
            let paper = (values.flags(67) == 1).then_some("paper space");
            let unseen = (values.flags(60) == 1).then_some("invisible");
            let by_layer = self.file.hidden_layers.get(&layer.to_uppercase()).copied();
            let hidden = frame.hidden.or(paper).or(by_layer).or(unseen);
            let what = match record.kind.as_ref() {
                "INSERT" => self
                    .insert(&values, &layer, hidden, frame)
                    .map(|()| What::Container),
                _ => geometry(record, &values, &frame.matrix, self.pairs),
            };
            let what = what.unwrap_or_else(What::Broken);
            let at = match &what {
                What::Run(run) => run.segments.first().map(Segment::start),
                _ => place(&values, frame),
            };
            self.out.push(Entity {
                kind: record.kind.clone(),
                layer: layer.clone(),
                around: frame.around.clone(),
                hidden,
                at,
                what,
            });
            for (kind, range) in &record.parts {
                if kind.as_ref() == "ATTRIB" {
                    let values = Values::of_entity(&self.pairs[range.clone()]);
                    self.out.push(Entity {
                        kind: kind.clone(),
                        layer: self.layer_of(&values, frame),
                        around: frame.around.clone(),
                        hidden,
                        at: place(&values, frame),
                        what: What::Other("is a text".to_string()),
                    });
                }
            }
        }
    }

    fn insert(
        &mut self,
        values: &Values<'_>,
        layer: &Arc<str>,
        hidden: Option<&'static str>,
        frame: &Frame,
    ) -> Result<(), String> {
        let file = self.file;
        let name = values.text(2, file.decoder).ok_or("names no block")?;
        let key = name.to_uppercase();
        let Some(block) = file.blocks.get(&key) else {
            return Err(format!(
                "inserts the block {name}, which the drawing does not have"
            ));
        };
        if frame.open.contains(&key) {
            return Err(format!("inserts the block {name} into itself"));
        }
        if frame.open.len() >= DEEPEST {
            return Err(format!("lies more than {DEEPEST} blocks deep"));
        }
        let insertion = Insertion::of(values)?;
        let copies = u64::from(insertion.columns) * u64::from(insertion.rows);
        if copies * block.entities.len().max(1) as u64 > MOST_ENTITIES as u64 {
            self.overflow = true;
            return Ok(());
        }
        let mut inner = Frame {
            layer: Some(layer.clone()),
            // An insertion on a frozen layer takes its whole block away; one on a layer that is off, only what follows its layer.
            hidden: hidden.filter(|why| *why != "off"),
            ..frame.clone()
        };
        inner.around.push(layer.clone());
        inner.open.push(key);
        for row in 0..insertion.rows {
            for column in 0..insertion.columns {
                inner.matrix = insertion.matrix(&frame.matrix, block.base, column, row);
                self.entities(&block.entities, &inner);
                if self.overflow {
                    return Ok(());
                }
            }
        }
        Ok(())
    }
}

/// Where an entity that is not cut stands: its first point.
fn place(values: &Values<'_>, frame: &Frame) -> Option<Point> {
    let own = [
        values.number(10, f64::NAN).ok()?,
        values.number(20, f64::NAN).ok()?,
        values.number(30, 0.0).ok()?,
    ];
    let p = frame.matrix.point(own);
    let p = point(p[0], p[1]);
    p.is_finite().then_some(p)
}
