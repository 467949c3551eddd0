//! Remarks made safe for every controller: plain ASCII without the characters that end or nest a comment.

use crate::file::Characters;

/// The text in plain ASCII. Letters with marks lose them; what has no plain form becomes "?".
pub fn plain(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '(' | '[' | '{' => out.push('['),
            ')' | ']' | '}' => out.push(']'),
            ';' => out.push(','),
            // A lone % ends a program on some controllers wherever it stands.
            '%' => out.push_str(" per cent"),
            ' '..='~' => out.push(c),
            'ä' | 'æ' => out.push_str("ae"),
            'ö' | 'œ' | 'ø' => out.push_str("oe"),
            'ü' => out.push_str("ue"),
            'Ä' | 'Æ' => out.push_str("Ae"),
            'Ö' | 'Œ' | 'Ø' => out.push_str("Oe"),
            'Ü' => out.push_str("Ue"),
            'ß' => out.push_str("ss"),
            'à' | 'á' | 'â' | 'ã' | 'å' => out.push('a'),
            'è' | 'é' | 'ê' | 'ë' => out.push('e'),
            'ì' | 'í' | 'î' | 'ï' => out.push('i'),
            'ò' | 'ó' | 'ô' | 'õ' => out.push('o'),
            'ù' | 'ú' | 'û' => out.push('u'),
            'À' | 'Á' | 'Â' | 'Ã' | 'Å' => out.push('A'),
            'È' | 'É' | 'Ê' | 'Ë' => out.push('E'),
            'ç' => out.push('c'),
            'ñ' => out.push('n'),
            '×' => out.push('x'),
            '°' => out.push_str(" deg"),
            '⌀' => out.push_str("dia "),
            '±' => out.push_str("+/-"),
            '–' | '—' | '−' | '‑' => out.push('-'),
            '‘' | '’' | '“' | '”' | '„' | '«' | '»' => out.push('\''),
            '…' => out.push_str("..."),
            c if c.is_whitespace() || c.is_control() => out.push(' '),
            _ => out.push('?'),
        }
    }
    out.split_whitespace().collect::<Vec<_>>().join(" ")
}

/// The text in capitals, without what a language of capitals lacks. It is as long as before.
pub fn capitals(text: &str) -> String {
    let hold = |c: char| match c.to_ascii_uppercase() {
        '[' | ']' => '/',
        c if c.is_ascii() && Characters::Capitals.holds(c as u8) => c,
        _ => ' ',
    };
    text.chars().map(hold).collect()
}

/// How a remark begins that tells the person the spindle's speed.
pub const SPEED_MARK: &str = "spindle at ";

/// A free remark, which must not pass for a message to the operator, for the mark of a workingstep or for a speed.
pub fn remark(text: &str) -> String {
    let text = plain(text);
    let packed: String = text
        .chars()
        .filter(|c| *c != ' ')
        .take(4)
        .collect::<String>()
        .to_ascii_lowercase();
    let speed = text.to_ascii_lowercase().starts_with(SPEED_MARK);
    if packed == "msg," || packed == "step" || speed {
        format!("- {text}")
    } else {
        text
    }
}

/// Cut into pieces of at most `room` characters, at spaces where there are some.
pub fn wrapped(text: &str, room: usize) -> Vec<&str> {
    let room = room.max(1);
    let mut pieces = Vec::new();
    let mut rest = text;
    while rest.len() > room {
        let cut = rest[..=room].rfind(' ').filter(|c| *c > 0).unwrap_or(room);
        pieces.push(rest[..cut].trim_end());
        rest = rest[cut..].trim_start();
    }
    if !rest.is_empty() {
        pieces.push(rest);
    }
    pieces
}

/// Shortened to `room` characters.
pub fn shortened(text: &str, room: usize) -> String {
    if text.len() <= room {
        text.to_string()
    } else {
        format!("{}...", &text[..room.saturating_sub(3)])
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nothing_ends_a_comment_early() {
        assert_eq!(
            plain("a (b) ⌀6 ±0.1 – „Tür“\n;%"),
            "a [b] dia 6 +/-0.1 - 'Tuer' , per cent"
        );
        assert!(plain("🙂日本 \u{7f}\u{0}\t x").is_ascii());
    }

    #[test]
    fn a_remark_is_no_mark() {
        assert_eq!(remark(" M S G, go"), "- M S G, go");
        assert_eq!(remark("Step 3: x"), "- Step 3: x");
        assert_eq!(remark("Spindle at 9 rev/min"), "- Spindle at 9 rev/min");
        assert_eq!(remark("stool"), "stool");
    }

    #[test]
    fn long_remarks_are_wrapped_or_shortened() {
        assert_eq!(wrapped("one two three", 7), ["one two", "three"]);
        assert_eq!(wrapped("abcdefgh", 3), ["abc", "def", "gh"]);
        assert_eq!(shortened("abcdefgh", 6), "abc...");
    }
}
