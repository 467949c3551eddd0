//! The built-in stages of grainway: one module each, and [`built_in`], the one table that lists them in chain order.
//!
//! A stage knows the work, not other stages. Nothing here knows HTTP, a database or a shared library.

#[cfg(test)]
mod clearing_tests;
pub mod cutters;
pub mod drawing;
pub mod drill;
pub mod entry;
pub mod feeds;
pub mod fit;
pub mod hold;
pub mod mark;
pub mod place;
pub mod pocket;
pub mod post;
pub mod profile;
pub mod reach;
pub mod relief;
pub mod report;
mod roofs;
pub mod sequence;
mod sweep;
#[cfg(test)]
mod trial;
pub mod verify;

use grainway_pipeline::chain::Stages;
use grainway_pipeline::stage::Typed;
use std::sync::Arc;

/// The built-in stages in chain order.
pub fn built_in() -> Stages {
    let mut stages = Stages::default();
    stages.add(Arc::new(Typed::new(drawing::Drawing)));
    stages.add(Arc::new(Typed::new(fit::Fit)));
    stages.add(Arc::new(Typed::new(relief::ReliefStage)));
    stages.add(Arc::new(Typed::new(mark::Mark)));
    stages.add(Arc::new(Typed::new(drill::DrillStage)));
    stages.add(Arc::new(Typed::new(pocket::Pocket)));
    stages.add(Arc::new(Typed::new(profile::Profile)));
    stages.add(Arc::new(Typed::new(place::Place)));
    stages.add(Arc::new(Typed::new(hold::HoldStage)));
    stages.add(Arc::new(Typed::new(sequence::Sequence)));
    stages.add(Arc::new(Typed::new(post::Post)));
    stages.add(Arc::new(Typed::new(verify::Verify)));
    stages.add(Arc::new(Typed::new(report::Report)));
    stages
}
