//! Figures for Prometheus. Jobs are counted from the queue's events, so that it does not matter which process made them; the counts
//! begin with this process.

use super::held;
use crate::model::{Event, EventKind, JobId, JobState, Millis};
use axum::http::Method;
use prometheus_client::encoding::EncodeLabelSet;
use prometheus_client::encoding::text::encode;
use prometheus_client::metrics::counter::Counter;
use prometheus_client::metrics::family::Family;
use prometheus_client::metrics::gauge::Gauge;
use prometheus_client::metrics::histogram::Histogram;
use prometheus_client::registry::{Registry, Unit};
use std::collections::{BTreeMap, HashMap};
use std::sync::Mutex;
use std::sync::atomic::AtomicU64;
use std::time::Duration;

/// So many jobs at work are remembered for their durations.
const AT_WORK: usize = 100_000;

#[derive(Clone, Debug, Hash, PartialEq, Eq, EncodeLabelSet)]
struct InState {
    state: &'static str,
}

#[derive(Clone, Debug, Hash, PartialEq, Eq, EncodeLabelSet)]
struct Answered {
    route: &'static str,
    method: &'static str,
    status: u32,
}

#[derive(Clone, Debug, Hash, PartialEq, Eq, EncodeLabelSet)]
struct ByRoute {
    route: &'static str,
}

/// All figures.
pub struct Metrics {
    registry: Registry,
    jobs: Family<InState, Gauge>,
    queue_age: Gauge<f64, AtomicU64>,
    claims: Counter,
    losses: Counter,
    ends: Family<InState, Counter>,
    job_seconds: Histogram,
    requests: Family<Answered, Counter>,
    request_seconds: Family<ByRoute, Histogram, fn() -> Histogram>,
    started: Mutex<HashMap<JobId, Millis>>,
}

fn request_buckets() -> Histogram {
    Histogram::new([0.005, 0.02, 0.1, 0.5, 2.0, 10.0, 60.0])
}

fn word(method: &Method) -> &'static str {
    match *method {
        Method::GET => "GET",
        Method::HEAD => "HEAD",
        Method::POST => "POST",
        Method::PUT => "PUT",
        Method::DELETE => "DELETE",
        _ => "other",
    }
}

impl Metrics {
    /// All at zero.
    pub fn new() -> Metrics {
        let metrics = Metrics {
            registry: Registry::default(),
            jobs: Family::default(),
            queue_age: Gauge::default(),
            claims: Counter::default(),
            losses: Counter::default(),
            ends: Family::default(),
            job_seconds: Histogram::new([0.2, 0.5, 1.0, 2.0, 5.0, 15.0, 60.0, 300.0, 1800.0]),
            requests: Family::default(),
            request_seconds: Family::new_with_constructor(request_buckets),
            started: Mutex::new(HashMap::new()),
        };
        metrics.registered()
    }

    fn registered(mut self) -> Metrics {
        let r = &mut self.registry;
        r.register("grainway_jobs", "Jobs in each state", self.jobs.clone());
        r.register_with_unit(
            "grainway_queue_age",
            "Age of the oldest job that waits and may run",
            Unit::Seconds,
            self.queue_age.clone(),
        );
        r.register(
            "grainway_job_claims",
            "Jobs that a worker took",
            self.claims.clone(),
        );
        r.register(
            "grainway_job_losses",
            "Times that a job's process or worker was lost",
            self.losses.clone(),
        );
        r.register(
            "grainway_job_ends",
            "Jobs that ended, by the state",
            self.ends.clone(),
        );
        r.register_with_unit(
            "grainway_job",
            "Time from a worker's taking a job to its end",
            Unit::Seconds,
            self.job_seconds.clone(),
        );
        r.register(
            "grainway_requests",
            "Requests by route, method and status",
            self.requests.clone(),
        );
        r.register_with_unit(
            "grainway_request",
            "Time to a request's answer",
            Unit::Seconds,
            self.request_seconds.clone(),
        );
        self
    }

    /// A request was answered.
    pub fn request(&self, route: &'static str, method: &Method, status: u16, took: Duration) {
        let answered = Answered {
            route,
            method: word(method),
            status: u32::from(status),
        };
        self.requests.get_or_create(&answered).inc();
        self.request_seconds
            .get_or_create(&ByRoute { route })
            .observe(took.as_secs_f64());
    }

    /// Things happened to jobs.
    pub fn events(&self, events: &[Event]) {
        let mut started = held(&self.started);
        for event in events {
            match event.what {
                EventKind::Started => {
                    self.claims.inc();
                    // A job that was taken again took the whole time.
                    if started.len() < AT_WORK {
                        started.entry(event.job).or_insert(event.at);
                    }
                }
                EventKind::Lost => {
                    self.losses.inc();
                }
                EventKind::Returned => {
                    started.remove(&event.job);
                }
                EventKind::Ended => {
                    let state = event.state.word();
                    self.ends.get_or_create(&InState { state }).inc();
                    if let Some(at) = started.remove(&event.job) {
                        self.job_seconds
                            .observe((event.at - at).max(0) as f64 / 1000.0);
                    }
                }
                EventKind::Submitted | EventKind::CancelWanted | EventKind::Stale => {}
            }
        }
    }

    /// All figures as text.
    pub fn text(&self, counts: &BTreeMap<JobState, u64>, queue_age: f64) -> String {
        for state in JobState::ALL {
            let n = counts.get(&state).copied().unwrap_or(0);
            let state = state.word();
            self.jobs
                .get_or_create(&InState { state })
                .set(i64::try_from(n).unwrap_or(i64::MAX));
        }
        self.queue_age.set(queue_age);
        let mut text = String::new();
        // Into memory, where nothing fails.
        let _ = encode(&mut text, &self.registry);
        text
    }
}
