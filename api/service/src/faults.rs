//! Failures on purpose, for tests: a call to the queue or the files fails before it is carried out, or afterwards so that its answer is
//! lost. A running service has none.

use std::sync::Arc;

/// How a call fails.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum InjectedFault {
    /// Nothing is done.
    NotDone,
    /// It is done, and the answer gets lost on the way.
    DoneButLost,
}

/// Decides call by call.
pub trait Faults: Send + Sync {
    /// Asked once for each call, with its name: `claim`, `put`.
    fn before(&self, call: &'static str) -> Option<InjectedFault>;
}

/// Nothing fails on purpose, or what a test decides.
#[derive(Clone, Default)]
pub(super) struct FaultPlan(pub(super) Option<Arc<dyn Faults>>);

impl FaultPlan {
    /// Carries a call out, unless it is to fail.
    pub(super) async fn around<T, E>(
        &self,
        name: &'static str,
        lost: fn(String) -> E,
        call: impl Future<Output = Result<T, E>>,
    ) -> Result<T, E> {
        let Some(faults) = &self.0 else {
            return call.await;
        };
        match faults.before(name) {
            None => call.await,
            Some(InjectedFault::NotDone) => Err(lost(format!("{name} failed on purpose"))),
            Some(InjectedFault::DoneButLost) => {
                call.await?;
                Err(lost(format!("the answer to {name} was lost on purpose")))
            }
        }
    }
}
