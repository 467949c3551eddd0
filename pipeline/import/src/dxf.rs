//! DXF, text and binary, R12 to 2018, by the published reference.
//!
//! The file is read as pairs of group code and value, which are grouped into records by their `0` codes. Every record of the model
//! comes out as an entity, known or not, so that nothing is lost between reading and the balance. A general library was tried and
//! put aside, since it drops records of types that it does not know.

mod binary;
mod decoder;
mod entities;
mod geometry;
mod header;
mod insertions;
mod lines;
mod matrix;
mod pair;
mod sections;
#[cfg(test)]
mod tests;
mod values;

use crate::entity::{Content, MOST_ENTITIES, Refusal};
use entities::{Frame, Walk};
use grainway_pipeline::doc::Unit;
use matrix::Matrix;
use sections::File;

/// Reads a drawing. `job_unit` is what the job says of its unit.
pub fn read(bytes: &[u8], job_unit: Option<Unit>) -> Result<Content, Refusal> {
    let pairs = match binary::is_binary(bytes) {
        true => binary::pairs(bytes)?,
        false => lines::pairs(bytes)?,
    };
    let file = File::of(&pairs)?;
    let unit_mm = header::unit(&pairs, job_unit)?;
    let mut walk = Walk {
        file: &file,
        pairs: &pairs,
        out: Vec::new(),
        overflow: false,
    };
    let top = Frame {
        matrix: Matrix::scale(unit_mm),
        layer: None,
        around: Vec::new(),
        hidden: None,
        open: Vec::new(),
    };
    walk.entities(&file.entities, &top);
    for (name, block) in &file.blocks {
        if name.starts_with("*PAPER_SPACE") {
            walk.entities(
                &block.entities,
                &Frame {
                    hidden: Some("paper space"),
                    ..top.clone()
                },
            );
        }
    }
    if walk.overflow {
        return Err(Refusal::Damaged(format!(
            "its insertions hold more than {MOST_ENTITIES} entities"
        )));
    }
    Ok(Content {
        entities: walk.out,
        unit_mm,
        remarks: Vec::new(),
    })
}
