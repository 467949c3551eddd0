//! Texts that are too long for memory: where they go, and the names they are known by.

use serde::{Deserialize, Serialize};
use std::sync::Arc;

/// The name of a spooled text.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(transparent)]
pub struct SpoolId(pub String);

/// Holds texts outside memory until they are released.
pub trait Spool: Sync {
    /// A new text, written through the function. Its name is the SHA-256 of its bytes.
    fn write(
        &self,
        fill: &mut dyn FnMut(&mut dyn std::io::Write) -> std::io::Result<()>,
    ) -> std::io::Result<SpoolId>;
    /// A text, from its start.
    fn open(&self, id: &SpoolId) -> std::io::Result<Box<dyn std::io::BufRead + Send>>;
}

/// A spool in memory, for tests and small jobs.
#[derive(Debug, Default)]
pub struct MemorySpool(std::sync::Mutex<std::collections::BTreeMap<SpoolId, Arc<[u8]>>>);

impl Spool for MemorySpool {
    fn write(
        &self,
        fill: &mut dyn FnMut(&mut dyn std::io::Write) -> std::io::Result<()>,
    ) -> std::io::Result<SpoolId> {
        let mut bytes = Vec::new();
        fill(&mut bytes)?;
        let id = SpoolId(crate::hash::sha256_hex(&bytes));
        let mut texts = self
            .0
            .lock()
            .unwrap_or_else(std::sync::PoisonError::into_inner);
        texts.insert(id.clone(), bytes.into());
        Ok(id)
    }
    fn open(&self, id: &SpoolId) -> std::io::Result<Box<dyn std::io::BufRead + Send>> {
        let texts = self
            .0
            .lock()
            .unwrap_or_else(std::sync::PoisonError::into_inner);
        let bytes = texts.get(id).cloned().ok_or(std::io::ErrorKind::NotFound)?;
        Ok(Box::new(std::io::Cursor::new(bytes)))
    }
}
