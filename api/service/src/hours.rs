//! The operator's hours: when jobs for those hours may run.

use super::config::{
    Config, Hours,
    clock_words::{clock, word},
};
use super::model::Millis;
use jiff::Timestamp;
use jiff::civil::{DateTime, Weekday};
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

#[cfg(test)]
mod tests {
    use super::{Hours, open, within};
    use crate::config::Config;

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

    /// Clocks change in Europe/Vienna at 01:00 UTC: on 28 March 2027 from 02:00 to 03:00, on 25 October 2026 from 03:00 to 02:00
    /// (directive 2000/84/EC: the last Sundays of March and October).
    #[test]
    fn hours_on_days_when_clocks_change() {
        for (from, to, days, at, wanted) in [
            // In spring the hours end with the change, and those that begin within the hour that is not there begin after it.
            ("01:00", "02:30", "", "2027-03-28T00:59:59Z", true),
            ("01:00", "02:30", "", "2027-03-28T01:00:00Z", false),
            ("02:30", "03:30", "", "2027-03-28T00:59:59Z", false),
            ("02:30", "03:30", "", "2027-03-28T01:00:00Z", true),
            ("02:30", "03:30", "", "2027-03-28T01:30:00Z", false),
            // In autumn they open again when the clock shows them again.
            ("01:00", "02:30", "", "2026-10-25T00:29:59Z", true),
            ("01:00", "02:30", "", "2026-10-25T00:30:00Z", false),
            ("01:00", "02:30", "", "2026-10-25T01:00:00Z", true),
            ("01:00", "02:30", "", "2026-10-25T01:30:00Z", false),
            // A night over the change and over midnight, begun on Saturday.
            ("18:00", "06:00", "sat", "2027-03-27T16:59:59Z", false),
            ("18:00", "06:00", "sat", "2027-03-27T17:00:00Z", true),
            ("18:00", "06:00", "sat", "2027-03-28T03:59:59Z", true),
            ("18:00", "06:00", "sat", "2027-03-28T04:00:00Z", false),
            ("18:00", "06:00", "sat", "2026-10-25T04:59:59Z", true),
            ("18:00", "06:00", "sat", "2026-10-25T05:00:00Z", false),
            // To midnight, and from it.
            ("18:00", "00:00", "sun", "2026-11-01T22:59:59Z", true),
            ("18:00", "00:00", "sun", "2026-11-01T23:00:00Z", false),
            ("00:00", "06:00", "mon", "2026-11-01T23:00:00Z", true),
        ] {
            let config = Config {
                hours: vec![Hours {
                    from: from.to_string(),
                    to: to.to_string(),
                    days: [days]
                        .iter()
                        .filter(|d| !d.is_empty())
                        .map(ToString::to_string)
                        .collect(),
                }],
                time_zone: Some("Europe/Vienna".to_string()),
                ..Config::default()
            };
            let now: jiff::Timestamp = at.parse().unwrap();
            assert_eq!(
                open(&config, now.as_millisecond()),
                wanted,
                "{from} to {to} {days} {at}"
            );
        }
    }
}
