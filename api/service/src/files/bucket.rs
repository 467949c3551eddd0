//! A store with an S3-style API.

use super::{Files, FilesProblem, Result};
#[cfg(feature = "s3")]
use {
    crate::faults::FaultPlan, object_store::ObjectStore, object_store::path::Path as Key,
    std::sync::Arc, std::time::Duration,
};

#[cfg(feature = "s3")]
pub(super) fn open(address: &str) -> Result<Files> {
    let wrong = || {
        FilesProblem::Away(format!(
            "{address:?} is not an address of the form s3://bucket/prefix"
        ))
    };
    let rest = address.strip_prefix("s3://").ok_or_else(wrong)?;
    let (bucket, prefix) = rest.split_once('/').unwrap_or((rest, ""));
    if bucket.is_empty() {
        return Err(wrong());
    }
    // The client asks for the process's cryptography and finds none unless it was chosen. A second choice changes nothing.
    grainway_client::outgoing::use_ring();
    // By itself the client would go on for three minutes before a caller hears that the store is away.
    let retry = object_store::RetryConfig {
        max_retries: 4,
        retry_timeout: Duration::from_secs(20),
        ..object_store::RetryConfig::default()
    };
    let bucket = object_store::aws::AmazonS3Builder::from_env()
        .with_bucket_name(bucket)
        .with_retry(retry)
        .build()?;
    let prefix = Key::parse(prefix).map_err(|_| wrong())?;
    let store: Arc<dyn ObjectStore> = match prefix.as_ref() {
        "" => Arc::new(bucket),
        _ => Arc::new(object_store::prefix::PrefixStore::new(bucket, prefix)),
    };
    Ok(Files {
        faults: FaultPlan::default(),
        store,
        folder: None,
        shown: address.to_string(),
    })
}

#[cfg(not(feature = "s3"))]
pub(super) fn open(address: &str) -> Result<Files> {
    Err(FilesProblem::Away(format!(
        "{address}: this grainway was built without stores of that kind"
    )))
}
