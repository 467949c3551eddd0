//! When a message is sent again, and when a receiver is given up. Pure: time and chance are given.

use crate::model::Millis;
use grainway_client::outgoing::{Answer, OutgoingProblem};
use reqwest::header::{HeaderMap, RETRY_AFTER};

const SECOND: Millis = 1000;
const MINUTE: Millis = 60 * SECOND;
const HOUR: Millis = 60 * MINUTE;

/// The waits between attempts, as the specification suggests them: about three days in all.
pub const WAITS: [Millis; 9] = [
    5 * SECOND,
    5 * MINUTE,
    30 * MINUTE,
    2 * HOUR,
    5 * HOUR,
    10 * HOUR,
    14 * HOUR,
    20 * HOUR,
    24 * HOUR,
];

/// A receiver may ask for a longer wait, up to this.
const LONGEST_WAIT: Millis = 24 * HOUR;

/// What became of one attempt.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Outcome {
    /// The receiver has it.
    Delivered {
        /// What it answered.
        status: u16,
    },
    /// The receiver wants no more messages.
    Gone,
    /// It did not work; another attempt may.
    Failed {
        /// What it answered, if it did.
        status: Option<u16>,
        /// One sentence.
        why: String,
        /// The receiver wants to be left alone until then.
        held_until: Option<Millis>,
    },
}

/// Reads an answer. Only 2xx is delivered; a redirect is a failure, since none is followed.
pub fn judge(answer: &Result<Answer, OutgoingProblem>, now: Millis) -> Outcome {
    match answer {
        Ok(answer) if (200..300).contains(&answer.status) => Outcome::Delivered {
            status: answer.status,
        },
        Ok(answer) if answer.status == 410 => Outcome::Gone,
        Ok(answer) => Outcome::Failed {
            status: Some(answer.status),
            why: match answer.status {
                300..400 => format!(
                    "the receiver answered {} and another address; redirects are not followed",
                    answer.status
                ),
                status => format!("the receiver answered {status}"),
            },
            held_until: retry_after(&answer.headers, now),
        },
        Err(problem) => Outcome::Failed {
            status: None,
            why: problem.to_string(),
            held_until: None,
        },
    }
}

/// When to try again after `attempts` that failed, or `None` when it was the last. `chance` is any random number: it spreads the waits
/// by a fifth to either side, so that messages that failed together do not come back together.
pub fn next_attempt(
    attempts: u32,
    now: Millis,
    chance: u64,
    held_until: Option<Millis>,
) -> Option<Millis> {
    let index = usize::try_from(attempts.checked_sub(1)?).ok()?;
    let wait = *WAITS.get(index)?;
    let spread = 2 * wait / 5;
    let part = i64::try_from(chance >> 1).unwrap_or(0) % (spread + 1);
    let at = now + wait - spread / 2 + part;
    Some(at.max(held_until.unwrap_or(at)))
}

/// Reads `Retry-After`: seconds or a date (RFC 9110, section 10.2.3), at most a day ahead.
pub fn retry_after(headers: &HeaderMap, now: Millis) -> Option<Millis> {
    let text = headers.get(RETRY_AFTER)?.to_str().ok()?.trim();
    let at = match text.bytes().all(|b| b.is_ascii_digit()) && !text.is_empty() {
        true => {
            let seconds = text.parse::<i64>().unwrap_or(i64::MAX / SECOND);
            now.saturating_add(seconds.min(LONGEST_WAIT / SECOND) * SECOND)
        }
        false => jiff::fmt::rfc2822::DateTimeParser::new()
            .parse_timestamp(text)
            .ok()?
            .as_millisecond(),
    };
    (at > now).then_some(at.min(now.saturating_add(LONGEST_WAIT)))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn answered(status: u16, after: Option<&str>) -> Result<Answer, OutgoingProblem> {
        let mut headers = HeaderMap::new();
        if let Some(after) = after {
            headers.insert(RETRY_AFTER, after.parse().unwrap());
        }
        Ok(Answer {
            status,
            headers,
            body: Vec::new(),
        })
    }

    #[test]
    fn only_2xx_is_delivered_and_410_is_the_end() {
        for status in [200, 201, 202, 204, 299] {
            assert_eq!(
                judge(&answered(status, None), 0),
                Outcome::Delivered { status }
            );
        }
        assert_eq!(judge(&answered(410, Some("5")), 0), Outcome::Gone);
        for status in [301, 302, 307, 308, 400, 401, 404, 429, 500, 502, 503, 504] {
            let outcome = judge(&answered(status, None), 0);
            assert!(
                matches!(outcome, Outcome::Failed { status: Some(s), held_until: None, .. } if s == status),
                "{outcome:?}"
            );
        }
        let late = Err(OutgoingProblem::Late {
            target: "library.example:443".to_string(),
        });
        let wanted = "library.example:443 did not answer in time";
        assert!(
            matches!(judge(&late, 0), Outcome::Failed { status: None, why, .. } if why == wanted)
        );
    }

    #[test]
    fn waits_grow_are_spread_and_end() {
        let now = 1_700_000_000_000;
        for (i, wait) in WAITS.iter().enumerate() {
            let attempts = u32::try_from(i + 1).unwrap();
            let (mut least, mut most) = (i64::MAX, 0);
            for n in 0..2000_u64 {
                let chance = n.wrapping_mul(0x9e37_79b9_7f4a_7c15);
                let waited = next_attempt(attempts, now, chance, None).unwrap() - now;
                least = least.min(waited);
                most = most.max(waited);
            }
            let (low, high) = (wait - wait / 5, wait + wait / 5);
            assert!(
                least >= low && most <= high + 1,
                "{wait}: {least} to {most}"
            );
            assert!(
                most - least > (high - low) * 9 / 10,
                "{wait}: {least} to {most}"
            );
        }
        assert_eq!(next_attempt(10, now, 7, None), None);
        assert_eq!(next_attempt(10, now, 7, Some(now + 1)), None);
        assert_eq!(next_attempt(u32::MAX, now, 7, None), None);
        // The suggested schedule, summed: 75 h 35 min 5 s.
        assert_eq!(
            WAITS.iter().sum::<i64>(),
            75 * HOUR + 35 * MINUTE + 5 * SECOND
        );
    }

    #[test]
    fn a_receiver_may_ask_for_a_longer_wait_but_not_for_a_shorter_one() {
        let now = 1_700_000_000_000;
        assert_eq!(next_attempt(1, now, 0, Some(now + HOUR)), Some(now + HOUR));
        let plain = next_attempt(4, now, 99, None);
        assert_eq!(next_attempt(4, now, 99, Some(now + SECOND)), plain);
    }

    #[test]
    fn retry_after_is_seconds_or_a_date_and_at_most_a_day() {
        // The date: RFC 9110's own example of a date, 784111777 seconds after 1970.
        let now = 784_111_777_000 - 90_000;
        let of = |text: &str| {
            let mut headers = HeaderMap::new();
            headers.insert(RETRY_AFTER, text.parse().unwrap());
            retry_after(&headers, now)
        };
        assert_eq!(of("120"), Some(now + 120_000));
        assert_eq!(of(" 7 "), Some(now + 7000));
        assert_eq!(of("Sun, 06 Nov 1994 08:49:37 GMT"), Some(now + 90_000));
        assert_eq!(of("99999999999999999999999"), Some(now + LONGEST_WAIT));
        assert_eq!(
            of("Sun, 06 Nov 2094 08:49:37 GMT"),
            None,
            "that day is no Sunday"
        );
        assert_eq!(
            of("Sat, 06 Nov 2094 08:49:37 GMT"),
            Some(now + LONGEST_WAIT)
        );
        for nothing in [
            "0",
            "-5",
            "",
            "soon",
            "Sun, 06 Nov 1994 08:40:00 GMT",
            "1.5",
        ] {
            assert_eq!(of(nothing), None, "{nothing}");
        }
        assert_eq!(retry_after(&HeaderMap::new(), now), None);
    }
}
