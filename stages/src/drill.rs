//! Drills holes, or mills them where no drill fits.

use grainway_pipeline::stage::{Cx, Description, Stop, TypedStage};
use grainway_pipeline::work::Work;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// Settings of the drill stage.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case", deny_unknown_fields, default)]
pub struct DrillSettings {}

/// The drill stage.
#[derive(Clone, Copy, Debug, Default)]
pub struct DrillStage;

impl TypedStage for DrillStage {
    type Settings = DrillSettings;
    fn describe(&self) -> Description {
        Description {
            name: "drill",
            version: 1,
            summary: "Drills holes, or mills them where no drill fits.",
            needs: &["corners"],
            gives: &["steps.drill"],
            spoils: &["held", "ordered", "programs", "verified", "reported"],
        }
    }
    fn run(&self, _work: &mut Work, _settings: &Self::Settings, _cx: &Cx<'_>) -> Result<(), Stop> {
        Ok(())
    }
}
