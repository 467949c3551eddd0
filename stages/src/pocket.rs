//! Clears mortises, housings, rebates, grooves, laps and pockets.

use grainway_pipeline::stage::{Cx, Description, Stop, TypedStage};
use grainway_pipeline::work::Work;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// Settings of the pocket stage.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case", deny_unknown_fields, default)]
pub struct PocketSettings {}

/// The pocket stage.
#[derive(Clone, Copy, Debug, Default)]
pub struct Pocket;

impl TypedStage for Pocket {
    type Settings = PocketSettings;
    fn describe(&self) -> Description {
        Description {
            name: "pocket",
            version: 1,
            summary: "Clears mortises, housings, rebates, grooves, laps and pockets.",
            needs: &["corners"],
            gives: &["steps.pocket"],
            spoils: &["held", "ordered", "programs", "verified", "reported"],
        }
    }
    fn run(&self, _work: &mut Work, _settings: &Self::Settings, _cx: &Cx<'_>) -> Result<(), Stop> {
        Ok(())
    }
}
