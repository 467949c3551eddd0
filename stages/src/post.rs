//! Writes every setup's programs through the machine's dialect.

use grainway_pipeline::stage::{Cx, Description, Stop, TypedStage};
use grainway_pipeline::work::Work;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// Settings of the post stage.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case", deny_unknown_fields, default)]
pub struct PostSettings {}

/// The post stage.
#[derive(Clone, Copy, Debug, Default)]
pub struct Post;

impl TypedStage for Post {
    type Settings = PostSettings;
    fn describe(&self) -> Description {
        Description {
            name: "post",
            version: 1,
            summary: "Writes every setup's programs through the machine's dialect.",
            needs: &["ordered"],
            gives: &["programs"],
            spoils: &["verified", "reported"],
        }
    }
    fn run(&self, _work: &mut Work, _settings: &Self::Settings, _cx: &Cx<'_>) -> Result<(), Stop> {
        Ok(())
    }
}
