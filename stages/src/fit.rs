//! Binds parts to their stocks, sizes features and depths, and makes variants.

use grainway_pipeline::stage::{Cx, Description, Stop, TypedStage};
use grainway_pipeline::work::Work;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// Settings of the fit stage.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case", deny_unknown_fields, default)]
pub struct FitSettings {}

/// The fit stage.
#[derive(Clone, Copy, Debug, Default)]
pub struct Fit;

impl TypedStage for Fit {
    type Settings = FitSettings;
    fn describe(&self) -> Description {
        Description {
            name: "fit",
            version: 1,
            summary: "Binds parts to their stocks, sizes features and depths, and makes variants.",
            needs: &["parts"],
            gives: &["variants"],
            spoils: &[
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
