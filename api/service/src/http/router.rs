//! The router of the table of routes.

use super::table::ROUTES;
use super::{ApiArc, guard};
use axum::Router;
use axum::routing::MethodRouter;
use std::collections::BTreeMap;

/// The router, with what stands before every route.
pub(super) fn router(api: ApiArc) -> Router {
    let mut paths: BTreeMap<&str, MethodRouter<ApiArc>> = BTreeMap::new();
    for route in ROUTES {
        let handler = (route.handler)();
        let merged = match paths.remove(route.path) {
            Some(others) => others.merge(handler),
            None => handler,
        };
        paths.insert(route.path, merged);
    }
    let router = paths
        .into_iter()
        .fold(Router::new(), |router, (path, methods)| {
            router.route(path, methods)
        });
    guard::stand_before(router, api)
}
