//! The command as people run it: the real binary in a fresh folder, and runs in process where a moment must be met.

mod bench;
mod documents;
mod folders;
mod formats;
mod runs;
