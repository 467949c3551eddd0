//! What a pause says to the person, held against what it is to say. Languages write messages in plain characters, in capitals, in several
//! remarks; words and numbers stay.

/// Where a text may say more than what is wanted.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Extent {
    /// Nowhere.
    Whole,
    /// Before and after.
    Part,
}

/// Words that one character which is not plain may have become: "°" is written as " deg", "%" as " per cent".
const MOST_WORDS: usize = 2;

/// The text's message says what was wanted.
pub(super) fn says(text: &str, wanted: &str, extent: Extent) -> bool {
    let (said, wanted) = (words(text), words(wanted));
    match extent {
        Extent::Whole => begins(&said, &wanted, true),
        Extent::Part => (0..=said.len()).any(|from| begins(&said[from..], &wanted, false)),
    }
}

/// A word in small letters or a number, with its sign and point; `None` for what is written in other words where characters are plain.
type Word = Option<String>;

fn words(text: &str) -> Vec<Word> {
    let mut out: Vec<Word> = Vec::new();
    let mut word = String::new();
    let mut before = ' ';
    let mut chars = text.chars().peekable();
    while let Some(c) = chars.next() {
        let digit_next = chars.peek().is_some_and(char::is_ascii_digit);
        let point = c == '.' && before.is_ascii_digit() && digit_next;
        let sign = c == '-' && digit_next && !before.is_alphanumeric();
        if c.is_alphanumeric() || point || sign {
            word.extend(c.to_lowercase());
        } else {
            out.extend(taken(&mut word));
            if c == '%' || !c.is_ascii() && !c.is_whitespace() {
                out.push(None);
            }
        }
        before = c;
    }
    out.extend(taken(&mut word));
    out
}

fn taken(word: &mut String) -> Option<Word> {
    let word = std::mem::take(word);
    let plain = word.is_ascii();
    (!word.is_empty()).then(|| plain.then_some(word))
}

/// `said` begins with all that is wanted, and says nothing else where it has to be the whole.
fn begins(said: &[Word], wanted: &[Word], whole: bool) -> bool {
    match wanted.split_first() {
        None => !whole || said.is_empty(),
        Some((Some(word), rest)) => {
            let next = said.split_first();
            next.is_some_and(|(s, after)| s.as_ref() == Some(word) && begins(after, rest, whole))
        }
        Some((None, rest)) => {
            (0..=MOST_WORDS.min(said.len())).any(|n| begins(&said[n..], rest, whole))
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_a_person_reads() {
        let wanted = "Drive 2 screws (4 × 30 mm) at (-3.5, 60) into Tür 7, 90°.";
        for (text, right) in [
            (
                "Drive 2 screws [4 x 30 mm] at [-3.5, 60] into Tuer 7, 90 deg.",
                true,
            ),
            (
                "DRIVE 2 SCREWS /4 X 30 MM/ AT /-3.5, 60/ INTO TUER 7, 90 DEG.",
                true,
            ),
            (
                "Drive 2 screws [4 x 30 mm] at [3.5, 60] into Tuer 7, 90 deg.",
                false,
            ),
            (
                "Drive 2 screws [4 x 30 mm] at [-3.5, 61] into Tuer 7, 90 deg.",
                false,
            ),
            (
                "Drive 2 screws [4 x 30 mm] at [-3.5, 6.0] into Tuer 7, 90 deg.",
                false,
            ),
            ("Drive 2 screws [4 x 30 mm] into Tuer 7, 90 deg.", false),
            (
                "Drive 3 screws [4 x 30 mm] at [-3.5, 60] into Tuer 7, 90 deg.",
                false,
            ),
            ("Drive 2 screws", false),
            ("", false),
        ] {
            assert_eq!(says(text, wanted, Extent::Whole), right, "{text}");
            let more = format!("Switch it off. {text} Switch it on at 18000");
            assert!(!says(&more, wanted, Extent::Whole), "{more}");
            assert_eq!(says(&more, wanted, Extent::Part), right, "{more}");
        }
    }
}
