//! What remarks mean.

/// The text of a comment that is shown: its first printing characters are "MSG," (3.3.4).
pub(super) fn message_of(comment: &str) -> Option<&str> {
    let mut wanted = "msg,".chars();
    for (at, c) in comment.char_indices() {
        if c == ' ' || c == '\t' {
            continue;
        }
        let next = wanted.next()?;
        if c.to_ascii_lowercase() != next {
            return None;
        }
        if next == ',' {
            return Some(comment[at + 1..].trim());
        }
    }
    None
}

/// The number of a comment that marks a workingstep.
pub(super) fn step_of(comment: &str) -> Option<u32> {
    let (mark, rest) = comment.split_at_checked(5)?;
    if !mark.eq_ignore_ascii_case("step ") {
        return None;
    }
    let (number, _) = rest.split_once(':')?;
    number.trim().parse().ok()
}

/// The speed of a comment that tells the person what to set the spindle to, rev/min.
pub(super) fn speed_of(comment: &str) -> Option<f64> {
    let (mark, rest) = comment.split_at_checked(11)?;
    let (number, unit) = rest.split_once(' ')?;
    let said = mark.eq_ignore_ascii_case("spindle at ") && unit.eq_ignore_ascii_case("rev/min");
    let plain = !number.is_empty() && number.bytes().all(|b| b.is_ascii_digit());
    (said && plain).then(|| number.parse().ok()).flatten()
}
