//! Reads the workspace's own sources and says how it is built: which crates and modules know each other, how long files and functions
//! are, and whether each crate keeps to what DEVELOPERS.md says that it must not know. It compiles nothing and runs nothing but
//! `cargo metadata`.

pub mod circles;
pub mod citations;
pub mod invariants;
pub mod limits;
pub mod lines;
pub mod names;
pub mod rooms;
pub mod source;
pub mod workspace;

pub use names::Names;
pub use source::Tree;
pub use workspace::{Crate, Workspace};
