//! Shared ground of the whole-job tests.
