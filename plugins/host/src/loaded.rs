//! From a library to what the store and a job need of it. In the process of one job only.

use crate::installed::{Plugin, from_plugin, stage_from_plugin};
use crate::library::{Library, load};
use crate::store::{Description, DialectDescription, StageDescription};
use grainway_pipeline::chain::Stages;
use grainway_pipeline::stage::{Dialects, Stage};
use std::path::Path;
use std::sync::Arc;

/// Loads a library and gives what it says of itself. The error is one sentence without a point.
pub fn describe(path: &Path) -> Result<Description, String> {
    let library = opened(path)?;
    let about = library.about();
    let dialects = library.dialects();
    let stages = library.stages();
    Ok(Description {
        name: about.name.clone(),
        version: about.version.clone(),
        dialects: dialects
            .iter()
            .map(|d| DialectDescription {
                about: d.about().clone(),
                read_back: d.reader().is_some(),
            })
            .collect(),
        stages: stages.iter().map(|s| stage(s.as_ref())).collect(),
    })
}

fn stage(stage: &dyn Stage) -> StageDescription {
    let about = stage.about();
    let owned = |facts: &[&str]| facts.iter().map(|f| (*f).to_string()).collect();
    StageDescription {
        name: about.name.to_string(),
        version: about.version,
        summary: about.summary.to_string(),
        needs: owned(about.needs),
        gives: owned(about.gives),
        spoils: owned(about.spoils),
        schema: about.schema.clone(),
        example: about.example.clone(),
    }
}

/// Loads a plugin's library and installs its stages and dialects. The error is one sentence without a point.
pub fn load_into(
    path: &Path,
    plugin: &Plugin,
    stages: &mut Stages,
    dialects: &mut Dialects,
) -> Result<(), String> {
    let library = opened(path)?;
    for stage in library.stages() {
        // What is built in goes first, here as in the registries that know descriptions only.
        if stages.get(stage.about().name).is_none() {
            stages.add(stage_from_plugin(Arc::from(stage), &plugin.sha256));
        }
    }
    for dialect in library.dialects() {
        if dialects.get(&dialect.about().name).is_none() {
            dialects.add(from_plugin(dialect, &plugin.sha256));
        }
    }
    Ok(())
}

fn opened(path: &Path) -> Result<Library, String> {
    // The file stands in the store under a hash; that name tells people nothing.
    let shown = path.display().to_string();
    load(path).map_err(|e| e.to_string().replace(&shown, "it"))
}
