//! Names that were mistyped.

/// The known name nearest to a mistyped one, when one is near enough to be meant.
pub fn nearest<'a>(name: &str, known: impl IntoIterator<Item = &'a str>) -> Option<&'a str> {
    known
        .into_iter()
        .map(|k| (strsim::damerau_levenshtein(name, k), k))
        .filter(|(d, k)| *d <= 1 + k.len() / 3)
        .min()
        .map(|(_, k)| k)
}
