//! Dialects as data, with their writer and, separately written, their reader.

use grainway_pipeline::stage::Dialects;

/// The dialects that are built in.
pub fn built_in() -> Dialects {
    Dialects::default()
}
