//! Writes setup sheets, lists, pictures and the report.

use grainway_pipeline::stage::{Cx, Description, Stop, TypedStage};
use grainway_pipeline::work::Work;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// Settings of the report stage.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case", deny_unknown_fields, default)]
pub struct ReportSettings {}

/// The report stage.
#[derive(Clone, Copy, Debug, Default)]
pub struct Report;

impl TypedStage for Report {
    type Settings = ReportSettings;
    fn describe(&self) -> Description {
        Description {
            name: "report",
            version: 1,
            summary: "Writes setup sheets, lists, pictures and the report.",
            needs: &["variants"],
            gives: &["reported"],
            spoils: &[],
        }
    }
    fn run(&self, _work: &mut Work, _settings: &Self::Settings, _cx: &Cx<'_>) -> Result<(), Stop> {
        Ok(())
    }
}
