//! The shop documents that a configuration names: there, readable, and without faults.

use crate::config::Config;
use grainway_pipeline::doc::{MAX_DOCUMENT_BYTES, Pointer, Shop, read_shop};
use grainway_pipeline::finding::{Finding, code};
use std::path::Path;

/// Everything that is wrong with them: what cannot be read by its place in the configuration file `settings`, what stands in them by
/// its place there. Blocks.
pub fn of(config: &Config, settings: &str) -> Vec<Finding> {
    let wrong = config
        .shops
        .iter()
        .filter_map(|(name, path)| read(settings, name, path).err());
    wrong.flatten().collect()
}

/// The shop document of this name, or all that is wrong with it.
pub fn read(settings: &str, name: &str, path: &Path) -> Result<Shop, Vec<Finding>> {
    let shown = path.display().to_string();
    let unread = |why: String| {
        let finding = Finding::new(&code::CANNOT_READ, format!("{shown} {why}."))
            .remedy("Name a shop document that the service's user may read.")
            .pointer(Pointer::whole(settings).step("shops").step(name));
        vec![finding]
    };
    let about = std::fs::metadata(path).map_err(|e| unread(format!("cannot be read: {e}")))?;
    if !about.is_file() {
        return Err(unread("is not a file".to_string()));
    }
    if about.len() > MAX_DOCUMENT_BYTES as u64 {
        let bytes = about.len();
        return Err(unread(format!(
            "has {bytes} bytes, more than the {MAX_DOCUMENT_BYTES} of a shop document"
        )));
    }
    let bytes = std::fs::read(path).map_err(|e| unread(format!("cannot be read: {e}")))?;
    read_shop(&bytes).map_err(|problems| problems.iter().map(|p| p.finding(&shown)).collect())
}
