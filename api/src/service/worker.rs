//! Workers: claim a job, let a process of its own make it, put its files away, end it. One task for each of the operator's workers.

use super::Shared;
use std::sync::Arc;

/// Works until `shared.stop` is set and what runs has ended or was given back.
pub async fn work(_shared: Arc<Shared>) {}
