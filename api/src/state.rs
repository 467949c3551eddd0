//! Saved states: the work after a stage, as a header and the blobs and texts that it names, and taking a run up from one.

/// Why a run cannot be taken up from a state.
#[derive(Debug, thiserror::Error)]
pub enum StateProblem {
    /// It is not a state, or damaged.
    #[error("{0}")]
    NotAState(String),
}
