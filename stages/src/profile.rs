//! Cuts cutouts and outlines in passes, and says where tabs may sit.

use grainway_pipeline::stage::{Cx, Description, Stop, TypedStage};
use grainway_pipeline::work::Work;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// Settings of the profile stage.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case", deny_unknown_fields, default)]
pub struct ProfileSettings {}

/// The profile stage.
#[derive(Clone, Copy, Debug, Default)]
pub struct Profile;

impl TypedStage for Profile {
    type Settings = ProfileSettings;
    fn describe(&self) -> Description {
        Description {
            name: "profile",
            version: 1,
            summary: "Cuts cutouts and outlines in passes, and says where tabs may sit.",
            needs: &["corners"],
            gives: &["steps.profile"],
            spoils: &["held", "ordered", "programs", "verified", "reported"],
        }
    }
    fn run(&self, _work: &mut Work, _settings: &Self::Settings, _cx: &Cx<'_>) -> Result<(), Stop> {
        Ok(())
    }
}
