//! The documents: `grainway.job/1` and `grainway.shop/1`.
//!
//! The doc comments on these types are the manual: the JSON Schemas are made from them. Reading ([`read`]) collects all problems
//! of a document, each with its JSON Pointer, and resolves units: lengths are millimetres from here on.

mod job;
mod length;
mod read;
mod shop;
mod wood;

pub use job::*;
pub use length::{Depth, Length, Unit, in_unit};
pub use read::{
    MAX_DOCUMENT_BYTES, Problem, read_job, read_settings_layer, read_shop, schema_job, schema_shop,
};
pub use shop::*;
pub use wood::{WOODS, Wood, wood};
