//! The operator's hours: when jobs for those hours may run.

use super::config::{Config, Hours};
use super::model::Millis;
use jiff::Timestamp;
use jiff::civil::{DateTime, Time, Weekday};
use jiff::tz::TimeZone;

/// The zone that the operator's hours count in: the named one, else the machine's.
pub fn zone(config: &Config) -> TimeZone {
    config
        .time_zone
        .as_deref()
        .and_then(|name| TimeZone::get(name).ok())
        .unwrap_or_else(TimeZone::system)
}

/// Jobs for the operator's hours may run now. Without hours they may run at any time.
pub fn open(config: &Config, now: Millis) -> bool {
    let Ok(now) = Timestamp::from_millisecond(now) else {
        return true;
    };
    config.hours.is_empty()
        || within(
            &config.hours,
            now.to_zoned_datetime(zone(config)).datetime(),
        )
}

fn within(hours: &[Hours], now: DateTime) -> bool {
    let (time, today) = (now.time(), now.date().weekday());
    hours.iter().any(|h| {
        let (Some(from), Some(to)) = (clock(&h.from), clock(&h.to)) else {
            return false;
        };
        let begins = |day: Weekday| h.days.is_empty() || h.days.iter().any(|d| d == word(day));
        match from < to {
            true => begins(today) && from <= time && time < to,
            // Over midnight: the evening of the day it begins, and the morning after.
            false => (begins(today) && from <= time) || (begins(today.previous()) && time < to),
        }
    })
}

/// A time of the day: "18:00".
pub fn clock(text: &str) -> Option<Time> {
    let (h, m) = text.split_once(':')?;
    let two = |t: &str| (t.len() == 2).then(|| t.parse::<i8>().ok()).flatten();
    Time::new(two(h)?, two(m)?, 0, 0).ok()
}

/// The word of a day: "mon".
pub fn is_day(text: &str) -> bool {
    Weekday::Monday
        .cycle_forward()
        .take(7)
        .any(|day| word(day) == text)
}

fn word(day: Weekday) -> &'static str {
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

#[cfg(test)]
mod tests {
    use super::{Hours, within};

    #[test]
    fn hours_over_midnight_and_on_some_days() {
        let hours = |from: &str, to: &str, days: &[&str]| Hours {
            from: from.to_string(),
            to: to.to_string(),
            days: days.iter().map(ToString::to_string).collect(),
        };
        // 2026-11-27 is a Friday.
        for (h, at, open) in [
            (hours("18:00", "06:00", &[]), "2026-11-27T17:59:59", false),
            (hours("18:00", "06:00", &[]), "2026-11-27T18:00:00", true),
            (
                hours("18:00", "06:00", &["fri"]),
                "2026-11-28T05:59:00",
                true,
            ),
            (
                hours("18:00", "06:00", &["fri"]),
                "2026-11-28T06:00:00",
                false,
            ),
            (
                hours("18:00", "06:00", &["fri"]),
                "2026-11-28T19:00:00",
                false,
            ),
            (
                hours("08:00", "12:00", &["sat"]),
                "2026-11-28T08:00:00",
                true,
            ),
            (
                hours("08:00", "12:00", &["sat"]),
                "2026-11-28T12:00:00",
                false,
            ),
            (hours("8:00", "12:00", &[]), "2026-11-28T09:00:00", false),
        ] {
            let now = at.parse().unwrap();
            assert_eq!(within(std::slice::from_ref(&h), now), open, "{h:?} {at}");
        }
    }
}
