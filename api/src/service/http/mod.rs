//! The HTTP API.

use super::SharedArc;

/// All routes.
pub fn router(_shared: SharedArc) -> axum::Router {
    axum::Router::new()
}
