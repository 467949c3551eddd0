//! Plans what holds the board, the pieces and the waste.

use grainway_pipeline::stage::{Cx, Description, Stop, TypedStage};
use grainway_pipeline::work::Work;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// Settings of the hold stage.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case", deny_unknown_fields, default)]
pub struct HoldSettings {}

/// The hold stage.
#[derive(Clone, Copy, Debug, Default)]
pub struct HoldStage;

impl TypedStage for HoldStage {
    type Settings = HoldSettings;
    fn describe(&self) -> Description {
        Description {
            name: "hold",
            version: 1,
            summary: "Plans what holds the board, the pieces and the waste.",
            needs: &["placed", "steps.profile", "steps.pocket", "steps.drill"],
            gives: &["held"],
            spoils: &["ordered", "programs", "verified", "reported"],
        }
    }
    fn run(&self, _work: &mut Work, _settings: &Self::Settings, _cx: &Cx<'_>) -> Result<(), Stop> {
        Ok(())
    }
}
