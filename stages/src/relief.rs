//! Decides every inside corner and the cutter that finishes it.

use grainway_pipeline::stage::{Cx, Description, Stop, TypedStage};
use grainway_pipeline::work::Work;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// Settings of the relief stage.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case", deny_unknown_fields, default)]
pub struct ReliefSettings {}

/// The relief stage.
#[derive(Clone, Copy, Debug, Default)]
pub struct ReliefStage;

impl TypedStage for ReliefStage {
    type Settings = ReliefSettings;
    fn describe(&self) -> Description {
        Description {
            name: "relief",
            version: 1,
            summary: "Decides every inside corner and the cutter that finishes it.",
            needs: &["variants"],
            gives: &["corners"],
            spoils: &[
                "steps.pocket",
                "steps.profile",
                "held",
                "ordered",
                "programs",
                "verified",
                "reported",
            ],
        }
    }
    fn run(&self, _work: &mut Work, _settings: &Self::Settings, _cx: &Cx<'_>) -> Result<(), Stop> {
        Ok(())
    }
}
