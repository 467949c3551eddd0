//! One range of bytes (RFC 9110, section 14). Several at a time are answered with the whole, as the standard allows.

use std::ops::Range;

/// What a field `Range` asks of a file.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Wanted {
    /// All of it.
    Whole,
    /// A part.
    Part(Range<u64>),
    /// Nothing that there is.
    Nothing,
}

/// Reads the field for a file of so many bytes.
pub fn wanted(field: Option<&str>, bytes: u64) -> Wanted {
    let Some(ranges) = field.and_then(|f| f.trim().strip_prefix("bytes=")) else {
        return Wanted::Whole;
    };
    let Some((first, last)) = ranges.trim().split_once('-') else {
        return Wanted::Whole;
    };
    let number = |text: &str| match text.bytes().all(|b| b.is_ascii_digit()) {
        // A number that is too large for us is larger than any file.
        true => Some(text.parse::<u64>().unwrap_or(u64::MAX)),
        false => None,
    };
    let (Some(from), Some(to)) = (number(first), number(last)) else {
        return Wanted::Whole;
    };
    let range = match (first.is_empty(), last.is_empty()) {
        (true, true) => return Wanted::Whole,
        // The last so many bytes.
        (true, false) => {
            if to == 0 {
                return Wanted::Nothing;
            }
            bytes.saturating_sub(to)..bytes
        }
        (false, true) => from..bytes,
        (false, false) if to < from => return Wanted::Whole,
        (false, false) => from..to.saturating_add(1).min(bytes),
    };
    match range.start < bytes && !range.is_empty() {
        true => Wanted::Part(range),
        false => Wanted::Nothing,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ranges_are_read_as_rfc_9110_has_them() {
        use Wanted::{Nothing, Part, Whole};
        for (field, wants) in [
            (None, Whole),
            // Examples of section 14.1.2, for a representation of 10,000 bytes.
            (Some("bytes=0-499"), Part(0..500)),
            (Some("bytes=500-999"), Part(500..1000)),
            (Some("bytes=-500"), Part(9500..10_000)),
            (Some("bytes=9500-"), Part(9500..10_000)),
            (Some("bytes=0-0"), Part(0..1)),
            // Section 14.1.2: beyond the end is cut off, a longer suffix is the whole.
            (Some("bytes=9999-20000"), Part(9999..10_000)),
            (Some("bytes=-20000"), Part(0..10_000)),
            (Some("bytes=10000-"), Nothing),
            (Some("bytes=-0"), Nothing),
            (Some("bytes=99999999999999999999-"), Nothing),
            // Section 14.2: what is not understood is ignored.
            (Some("bytes=5-2"), Whole),
            (Some("bytes=0-0,-1"), Whole),
            (Some("bytes=-"), Whole),
            (Some("bytes=a-b"), Whole),
            (Some("bytes=+1-2"), Whole),
            (Some("lines=0-1"), Whole),
            (Some("bytes"), Whole),
        ] {
            assert_eq!(wanted(field, 10_000), wants, "{field:?}");
        }
        assert_eq!(wanted(Some("bytes=0-0"), 0), Nothing);
        assert_eq!(wanted(Some("bytes=-1"), 0), Nothing);
    }
}
