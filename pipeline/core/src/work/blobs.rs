//! Bulk numbers, each block known by the SHA-256 of its bytes.

use crate::hash::hex;
use crate::motion::{Move, encode};
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};
use std::collections::BTreeMap;
use std::sync::Arc;

/// The name of a block: SHA-256 of its little-endian bytes, hex.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(transparent)]
pub struct BlobId(pub String);

/// Blocks of f64 columns by name. Equal blocks are held once.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Blobs {
    blocks: BTreeMap<BlobId, Arc<[f64]>>,
}

impl Blobs {
    /// Takes a block and gives its name.
    pub fn put(&mut self, columns: Vec<f64>) -> BlobId {
        let mut hash = Sha256::new();
        for v in &columns {
            hash.update(v.to_le_bytes());
        }
        let id = BlobId(hex(&hash.finalize()));
        self.blocks
            .entry(id.clone())
            .or_insert_with(|| columns.into());
        id
    }
    /// Takes moves and gives their block's name.
    pub fn put_moves(&mut self, moves: &[Move]) -> BlobId {
        self.put(encode(moves))
    }
    /// The block of a name.
    pub fn get(&self, id: &BlobId) -> Option<&Arc<[f64]>> {
        self.blocks.get(id)
    }
    /// All blocks in order of their names.
    pub fn iter(&self) -> impl Iterator<Item = (&BlobId, &Arc<[f64]>)> {
        self.blocks.iter()
    }
    /// Keeps the blocks that `wanted` names.
    pub fn retain(&mut self, wanted: impl Fn(&BlobId) -> bool) {
        self.blocks.retain(|id, _| wanted(id));
    }
    /// How many blocks.
    pub fn len(&self) -> usize {
        self.blocks.len()
    }
    /// None.
    pub fn is_empty(&self) -> bool {
        self.blocks.is_empty()
    }
}
