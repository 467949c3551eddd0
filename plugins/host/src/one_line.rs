//! Messages of plugins made fit to be shown.

/// Longest message of a finding, characters.
const LONGEST_MESSAGE: usize = 2_000;

/// A message of a plugin made fit for one line of a finding or a log.
pub(crate) fn one_line(text: &str) -> String {
    text.chars()
        .map(|c| if c.is_control() { ' ' } else { c })
        .take(LONGEST_MESSAGE)
        .collect()
}
