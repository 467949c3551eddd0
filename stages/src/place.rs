//! Lays variants on boards and blanks on the machine.

use grainway_pipeline::stage::{Cx, Description, Stop, TypedStage};
use grainway_pipeline::work::Work;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// Settings of the place stage.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case", deny_unknown_fields, default)]
pub struct PlaceSettings {}

/// The place stage.
#[derive(Clone, Copy, Debug, Default)]
pub struct Place;

impl TypedStage for Place {
    type Settings = PlaceSettings;
    fn describe(&self) -> Description {
        Description {
            name: "place",
            version: 1,
            summary: "Lays variants on boards and blanks on the machine.",
            needs: &["variants"],
            gives: &["placed"],
            spoils: &["held", "ordered", "programs", "verified", "reported"],
        }
    }
    fn run(&self, _work: &mut Work, _settings: &Self::Settings, _cx: &Cx<'_>) -> Result<(), Stop> {
        Ok(())
    }
}
