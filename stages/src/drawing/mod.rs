//! Reads drawings and described parts into contours and features.

use grainway_pipeline::stage::{Cx, Description, Stop, TypedStage};
use grainway_pipeline::work::Work;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// Settings of the drawing stage.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case", deny_unknown_fields, default)]
pub struct DrawingSettings {}

/// The drawing stage.
#[derive(Clone, Copy, Debug, Default)]
pub struct Drawing;

impl TypedStage for Drawing {
    type Settings = DrawingSettings;
    fn describe(&self) -> Description {
        Description {
            name: "drawing",
            version: 1,
            summary: "Reads drawings and described parts into contours and features.",
            needs: &[],
            gives: &["parts"],
            spoils: &[
                "variants",
                "corners",
                "steps.engrave",
                "steps.drill",
                "steps.pocket",
                "steps.profile",
                "placed",
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
