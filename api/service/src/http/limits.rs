//! How much at a time: permits for requests at work and for those who follow, bytes of bodies in memory, requests a second.

use super::held;
use super::problem::{BUSY, Error, TOO_MANY};
use crate::config::ServiceLimits;
use std::collections::HashMap;
use std::net::IpAddr;
use std::sync::{Arc, Mutex};
use std::time::Duration;
use tokio::sync::{OwnedSemaphorePermit, Semaphore};
use tokio::time::Instant;

/// A rate holds in the mean of so many seconds.
const MEAN: f64 = 10.0;
/// So many callers are remembered before those who were silent are forgotten.
const CALLERS: usize = 10_000;
/// Bodies in memory, in largest ones.
const BODIES: u64 = 4;
/// How long a large body or a check waits for its turn.
const TURN: Duration = Duration::from_secs(30);

/// Who is counted.
#[derive(Clone, Debug, PartialEq, Eq, Hash)]
pub enum Counted {
    /// A token, by its id.
    Token(String),
    /// Everybody else, by address.
    Address(IpAddr),
}

/// Requests a second: each caller has a reserve that fills at that rate.
pub struct Rates {
    per_second: f64,
    reserves: Mutex<HashMap<Counted, (f64, Instant)>>,
}

impl Rates {
    /// So many in the mean of ten seconds.
    pub fn new(per_second: u32) -> Rates {
        Rates {
            per_second: f64::from(per_second.max(1)),
            reserves: Mutex::new(HashMap::new()),
        }
    }

    /// Counts one request.
    pub fn count(&self, caller: Counted) -> Result<(), Error> {
        self.count_at(caller, Instant::now())
    }

    fn count_at(&self, caller: Counted, now: Instant) -> Result<(), Error> {
        let most = self.per_second * MEAN;
        let mut reserves = held(&self.reserves);
        if reserves.len() >= CALLERS {
            reserves.retain(|_, (_, at)| now.duration_since(*at).as_secs_f64() < MEAN);
        }
        let (left, at) = reserves.entry(caller).or_insert((most, now));
        *left = (*left + now.duration_since(*at).as_secs_f64() * self.per_second).min(most);
        *at = now;
        if *left >= 1.0 {
            *left -= 1.0;
            return Ok(());
        }
        let wait = ((1.0 - *left) / self.per_second).ceil().max(1.0) as u64;
        Err(Error::new(
            TOO_MANY,
            format!(
                "More than {} requests a second came from here.",
                self.per_second
            ),
        )
        .retry_after(wait))
    }
}

/// Permits of the server.
pub struct Permits {
    requests: Arc<Semaphore>,
    followers: Arc<Semaphore>,
    bodies: Arc<Semaphore>,
    checks: Arc<Semaphore>,
    largest: u64,
}

/// A request's permit; free for another request when its last copy is dropped.
#[derive(Clone)]
pub struct Permit(Arc<Mutex<Option<OwnedSemaphorePermit>>>);

impl Permit {
    /// None of those that are counted.
    pub fn none() -> Permit {
        Permit(Arc::new(Mutex::new(None)))
    }
}

fn kib(bytes: u64) -> u32 {
    u32::try_from(bytes.div_ceil(1024)).unwrap_or(u32::MAX)
}

fn busy(what: &str) -> Error {
    Error::new(BUSY, format!("As many {what} as this server takes."))
}

impl Permits {
    /// As the operator decided.
    pub fn new(limits: &ServiceLimits) -> Permits {
        let requests = limits.requests_at_a_time.max(1) as usize;
        let threads = std::thread::available_parallelism().map_or(2, |n| n.get().max(2));
        let largest = limits.body_mib.clamp(1, 1 << 20) << 20;
        Permits {
            requests: Arc::new(Semaphore::new(requests)),
            followers: Arc::new(Semaphore::new(requests)),
            bodies: Arc::new(Semaphore::new(kib(BODIES * largest) as usize)),
            checks: Arc::new(Semaphore::new(threads)),
            largest,
        }
    }

    /// A permit for a request, at once or not at all.
    pub fn request(&self) -> Result<Permit, Error> {
        let permit = Arc::clone(&self.requests)
            .try_acquire_owned()
            .map_err(|_| busy("requests are at work"))?;
        Ok(Permit(Arc::new(Mutex::new(Some(permit)))))
    }

    /// Exchanges a request's permit for one of those for followers of events, so that followers do not keep requests out.
    pub fn follow(&self, permit: &Permit) -> Result<(), Error> {
        let follower = Arc::clone(&self.followers)
            .try_acquire_owned()
            .map_err(|_| busy("callers wait for events"))?;
        *held(&permit.0) = Some(follower);
        Ok(())
    }

    /// Room for a body of so many bytes, or of the largest size where that is not known.
    pub async fn room(&self, bytes: Option<u64>) -> Result<OwnedSemaphorePermit, Error> {
        let bytes = bytes.unwrap_or(self.largest).min(self.largest);
        let room = Arc::clone(&self.bodies).acquire_many_owned(kib(bytes.max(1)));
        match tokio::time::timeout(TURN, room).await {
            Ok(Ok(permit)) => Ok(permit),
            _ => Err(busy("large requests are at work").retry_after(10)),
        }
    }

    /// A turn to check documents: it takes a processor.
    pub async fn check(&self) -> Result<OwnedSemaphorePermit, Error> {
        match tokio::time::timeout(TURN, Arc::clone(&self.checks).acquire_owned()).await {
            Ok(Ok(permit)) => Ok(permit),
            _ => Err(busy("documents are being checked").retry_after(10)),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_rate_holds_in_the_mean_of_ten_seconds() {
        let rates = Rates::new(3);
        let begin = Instant::now();
        let who = || Counted::Token("bench".to_string());
        let taken = |at: f64| {
            let at = begin + Duration::from_secs_f64(at);
            (0..1000)
                .take_while(|_| rates.count_at(who(), at).is_ok())
                .count()
        };
        assert_eq!(taken(0.0), 30);
        assert_eq!(taken(0.1), 0);
        assert_eq!(taken(2.1), 6);
        // A long silence brings no more than ten seconds' worth.
        assert_eq!(taken(1000.0), 30);
        // Others are counted by themselves.
        let other = Counted::Address(IpAddr::from([127, 0, 0, 1]));
        assert!(
            rates
                .count_at(other, begin + Duration::from_secs(1000))
                .is_ok()
        );
    }

    #[test]
    fn silent_callers_are_forgotten() {
        let rates = Rates::new(1);
        let begin = Instant::now();
        for n in 0..CALLERS {
            rates
                .count_at(Counted::Token(n.to_string()), begin)
                .unwrap();
        }
        rates
            .count_at(
                Counted::Token("late".to_string()),
                begin + Duration::from_secs(11),
            )
            .unwrap();
        assert_eq!(held(&rates.reserves).len(), 1);
    }
}
