//! SVG.

use super::read::{Content, Refusal};
use grainway_pipeline::doc::Unit;

pub(super) fn read(_bytes: &[u8], _unit: Option<Unit>) -> Result<Content, Refusal> {
    Err(Refusal::Damaged("SVG is not read yet".to_string()))
}
