//! The built-in stages of grainway: [`built_in`], the one table that lists them in chain order, and the two stages that stand over
//! planning and checking.
//!
//! Nothing here knows HTTP, a database or a shared library.

pub mod csv_table;
pub mod report;
pub mod verify;

use grainway_pipeline::chain::Stages;
use grainway_pipeline::stage::Typed;
use grainway_plan::{
    drawing, drill, fit, hold, mark, place, pocket, post, profile, relief, sequence,
};
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
