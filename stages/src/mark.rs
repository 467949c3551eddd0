//! Engraves drawn lines.

use grainway_pipeline::stage::{Cx, Description, Stop, TypedStage};
use grainway_pipeline::work::Work;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// Settings of the mark stage.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case", deny_unknown_fields, default)]
pub struct MarkSettings {}

/// The mark stage.
#[derive(Clone, Copy, Debug, Default)]
pub struct Mark;

impl TypedStage for Mark {
    type Settings = MarkSettings;
    fn describe(&self) -> Description {
        Description {
            name: "mark",
            version: 1,
            summary: "Engraves drawn lines.",
            needs: &["variants"],
            gives: &["steps.engrave"],
            spoils: &["held", "ordered", "programs", "verified", "reported"],
        }
    }
    fn run(&self, _work: &mut Work, _settings: &Self::Settings, _cx: &Cx<'_>) -> Result<(), Stop> {
        Ok(())
    }
}
