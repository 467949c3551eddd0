//! Names that were mistyped, and texts as they are shown.

/// The known name nearest to a mistyped one, when one is near enough to be meant.
pub fn nearest<'a>(name: &str, known: impl IntoIterator<Item = &'a str>) -> Option<&'a str> {
    known
        .into_iter()
        .map(|k| (strsim::damerau_levenshtein(name, k), k))
        .filter(|(d, k)| *d <= 1 + k.len() / 3)
        .min()
        .map(|(_, k)| k)
}

/// A key or text as it is shown: quoted and not too long.
pub(crate) fn shown(text: &str) -> String {
    const LONGEST: usize = 60;
    if text.chars().count() > LONGEST {
        let cut: String = text.chars().take(LONGEST).collect();
        format!("{cut:?}…")
    } else {
        format!("{text:?}")
    }
}
