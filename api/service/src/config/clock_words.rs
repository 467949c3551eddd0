//! Times of the day and days of the week as the settings write them.

use jiff::civil::{Time, Weekday};

/// A time of the day: "18:00".
pub(crate) fn clock(text: &str) -> Option<Time> {
    let (h, m) = text.split_once(':')?;
    let two = |t: &str| (t.len() == 2).then(|| t.parse::<i8>().ok()).flatten();
    Time::new(two(h)?, two(m)?, 0, 0).ok()
}

/// Whether this is the word of a day, such as "mon".
pub(crate) fn is_day(text: &str) -> bool {
    Weekday::Monday
        .cycle_forward()
        .take(7)
        .any(|day| word(day) == text)
}

pub(crate) fn word(day: Weekday) -> &'static str {
    match day {
        Weekday::Monday => "mon",
        Weekday::Tuesday => "tue",
        Weekday::Wednesday => "wed",
        Weekday::Thursday => "thu",
        Weekday::Friday => "fri",
        Weekday::Saturday => "sat",
        Weekday::Sunday => "sun",
    }
}
