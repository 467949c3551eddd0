//! The grammar of lines, written here a second time and by hand from NISTIR 6556, 3.3, so that writer and reader cannot agree on
//! the same mistake.

/// What is wrong with a written line, if anything. Only what the writer may produce is accepted.
pub fn complaint(line: &str, length: usize) -> Option<String> {
    let say = |what: &str| Some(format!("{what}: {line}"));
    if line.len() > length {
        return say("too long");
    }
    if !line.bytes().all(|b| (0x20..0x7f).contains(&b)) {
        return say("not plain ASCII");
    }
    if line == "%" {
        return None;
    }
    // A program's number, not in the report: O and up to eight digits, alone on its line.
    if let Some(number) = line.strip_prefix('O') {
        let good = (1..=8).contains(&number.len()) && number.bytes().all(|b| b.is_ascii_digit());
        return (!good).then(|| format!("program number: {line}"));
    }
    if let Some(rest) = line.strip_prefix('(') {
        let Some(inside) = rest.strip_suffix(')') else {
            return say("comment not closed");
        };
        return inside
            .contains(['(', ')'])
            .then(|| format!("nested comment: {line}"));
    }
    let mut letters = String::new();
    for (n, word) in line.split(' ').enumerate() {
        let Some(letter) = word.chars().next().filter(char::is_ascii_uppercase) else {
            return say("a word without a letter");
        };
        let number = &word[1..];
        if letter == 'N' {
            let good = n == 0 && (1..=5).contains(&number.len());
            if !good || !number.bytes().all(|b| b.is_ascii_digit()) {
                return say("line number");
            }
            continue;
        }
        if !"GMXYZIJRQFSTHP".contains(letter) {
            return say("a letter that is not written");
        }
        // A sign may stand before, and the digits before the point may lack (3.3.2.1).
        let digits = number.strip_prefix(['-', '+']).unwrap_or(number);
        let (whole, fraction) = digits.split_once('.').unwrap_or((digits, ""));
        let all = |s: &str| s.bytes().all(|b| b.is_ascii_digit());
        if whole.is_empty() && fraction.is_empty() || !all(whole) || !all(fraction) {
            return say("not a number");
        }
        if number.starts_with('-') && !number.bytes().any(|b| (b'1'..=b'9').contains(&b)) {
            return say("minus nought");
        }
        if "XYZIJRQ".contains(letter) && !number.contains('.') {
            return say("a length without its point");
        }
        if !"GM".contains(letter) {
            if letters.contains(letter) {
                return say("a letter twice");
            }
            letters.push(letter);
        }
    }
    None
}
