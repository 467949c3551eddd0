//! Which night: since the hours last began, or between two times.

use crate::config::Hours;
use crate::model::Millis;
use jiff::civil::{Date, Time, Weekday};
use jiff::tz::TimeZone;
use jiff::{Timestamp, ToSpan, ZonedDateTime};

/// When nobody says in which hours jobs run, the night begins at this hour.
const EVENING: i8 = 18;

/// From one time up to another, in a time zone.
#[derive(Clone, Debug)]
pub struct Window {
    /// At or after.
    pub from: Millis,
    /// Before.
    pub to: Millis,
    /// For the times that are told.
    pub zone: TimeZone,
}

/// A time that cannot be read.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error(
    "{given:?} is no time: write 2026-11-25, 2026-11-25T18:00 or, with its offset, 2026-11-25T18:00:00+01:00"
)]
pub struct WindowProblem {
    /// What was given.
    pub given: String,
}

impl Window {
    pub(super) fn zoned(&self, at: Millis) -> Option<ZonedDateTime> {
        let at = Timestamp::from_millisecond(at).ok()?;
        Some(at.to_zoned_datetime(self.zone.clone()))
    }

    /// RFC 3339 to the second, with the zone's offset.
    pub(super) fn told(&self, at: Millis) -> String {
        match self.zoned(at) {
            Some(at) => at.strftime("%Y-%m-%dT%H:%M:%S%:z").to_string(),
            None => String::new(),
        }
    }

    pub(super) fn zone_name(&self) -> String {
        self.zone.iana_name().unwrap_or("local time").to_string()
    }
}

/// The time at which the hours last began; without hours, the last evening.
pub fn last_night(now: Millis, hours: &[Hours], zone: &TimeZone) -> Millis {
    let Ok(at) = Timestamp::from_millisecond(now) else {
        return now;
    };
    let today = at.to_zoned_datetime(zone.clone()).date();
    // Hours may begin on some days only: a week back, and the day before for those that begin later today.
    let begun = (0..=8).filter_map(|back| {
        let date = today.checked_sub(back.days()).ok()?;
        let starts = match hours.is_empty() {
            true => vec![Time::constant(EVENING, 0, 0, 0)],
            false => hours
                .iter()
                .filter(|h| on(h, date))
                .filter_map(|h| clock(&h.from))
                .collect(),
        };
        starts
            .into_iter()
            .filter_map(|start| instant(date, start, zone))
            .filter(|start| *start <= now)
            .max()
    });
    begun.max().unwrap_or(now)
}

fn instant(date: Date, time: Time, zone: &TimeZone) -> Option<Millis> {
    let zoned = date
        .to_datetime(time)
        .to_zoned_datetime(zone.clone())
        .ok()?;
    Some(zoned.timestamp().as_millisecond())
}

fn on(hours: &Hours, date: Date) -> bool {
    let word = match date.weekday() {
        Weekday::Monday => "mon",
        Weekday::Tuesday => "tue",
        Weekday::Wednesday => "wed",
        Weekday::Thursday => "thu",
        Weekday::Friday => "fri",
        Weekday::Saturday => "sat",
        Weekday::Sunday => "sun",
    };
    hours.days.is_empty() || hours.days.iter().any(|d| d == word)
}

fn clock(text: &str) -> Option<Time> {
    let (hour, minute) = text.split_once(':')?;
    Time::new(hour.parse().ok()?, minute.parse().ok()?, 0, 0).ok()
}

/// A time as people and programs write it: a date (its first moment), a date and time of the zone, or one with its offset (RFC 3339).
pub fn parse_time(text: &str, zone: &TimeZone) -> Result<Millis, WindowProblem> {
    // A sheet that puts an offset into an address unescaped sends a space for its plus sign.
    let given = text.trim().replace(' ', "+");
    if let Ok(at) = given.parse::<Timestamp>() {
        return Ok(at.as_millisecond());
    }
    let Ok(local) = given.parse::<jiff::civil::DateTime>() else {
        return Err(WindowProblem {
            given: text.to_string(),
        });
    };
    // The first and the last day that there is have no instant in every zone.
    Ok(
        instant(local.date(), local.time(), zone).unwrap_or(match local.year() > 0 {
            true => Timestamp::MAX.as_millisecond(),
            false => Timestamp::MIN.as_millisecond(),
        }),
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    fn zone() -> TimeZone {
        TimeZone::get("Europe/Vienna").unwrap()
    }

    fn at(text: &str) -> Millis {
        text.parse::<Timestamp>().unwrap().as_millisecond()
    }

    fn hours(from: &str, to: &str, days: &[&str]) -> Hours {
        Hours {
            from: from.to_string(),
            to: to.to_string(),
            days: days.iter().map(|d| d.to_string()).collect(),
        }
    }

    #[test]
    fn the_night_begins_when_the_hours_last_began() {
        let night = [hours("18:00", "06:30", &[])];
        for (now, hours, begun) in [
            (
                "2026-11-26T07:00+01:00",
                &night[..],
                "2026-11-25T18:00+01:00",
            ),
            ("2026-11-26T18:00+01:00", &night, "2026-11-26T18:00+01:00"),
            ("2026-11-26T07:00+01:00", &[], "2026-11-25T18:00+01:00"),
            // The clocks went back at three in the morning of 25 October 2026, forward on 29 March: an hour more, an hour less.
            ("2026-10-25T07:00+01:00", &night, "2026-10-24T18:00+02:00"),
            ("2026-03-29T07:00+02:00", &night, "2026-03-28T18:00+01:00"),
            // Saturday evening to Monday morning, asked on Wednesday.
            (
                "2026-11-25T07:00+01:00",
                &[hours("20:00", "06:00", &["sat", "sun"])],
                "2026-11-22T20:00+01:00",
            ),
            (
                "2026-11-25T14:00+01:00",
                &[hours("12:00", "13:00", &[]), hours("18:00", "06:00", &[])],
                "2026-11-25T12:00+01:00",
            ),
            // A time that there was not: an hour later.
            (
                "2026-03-29T07:00+02:00",
                &[hours("02:30", "06:00", &[])],
                "2026-03-29T03:30+02:00",
            ),
        ] {
            assert_eq!(last_night(at(now), hours, &zone()), at(begun), "{now}");
        }
        // Hours that cannot be read say nothing.
        assert_eq!(
            last_night(
                at("2026-11-26T07:00+01:00"),
                &[hours("late", "", &[])],
                &zone()
            ),
            at("2026-11-26T07:00+01:00")
        );
    }

    #[test]
    fn times_as_people_write_them() {
        for (text, wanted) in [
            ("2026-11-25", "2026-11-25T00:00+01:00"),
            ("2026-11-25T18:00", "2026-11-25T18:00+01:00"),
            ("2026-07-25T18:00:30", "2026-07-25T18:00:30+02:00"),
            ("2026-11-25T18:00:00Z", "2026-11-25T18:00Z"),
            ("2026-11-25T18:00:00 01:00", "2026-11-25T18:00+01:00"),
            ("9999-12-31", &Timestamp::MAX.to_string()),
        ] {
            assert_eq!(parse_time(text, &zone()), Ok(at(wanted)), "{text}");
        }
        for text in [
            "",
            "yesterday",
            "2026-13-01",
            "2026-11-25T25:00",
            "1764093600",
        ] {
            assert!(parse_time(text, &zone()).is_err(), "{text}");
        }
    }
}
