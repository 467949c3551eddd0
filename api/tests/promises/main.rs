//! Promises of the command, checked by running the real binary in fresh folders.

mod fresh;
mod refused;
mod same_bytes;
