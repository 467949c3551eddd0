//! The page of the queue, from the binary itself. The files hold no data: the page gets what it shows from the API, as every client does.

use super::request::Asked;
use axum::http::header::{CACHE_CONTROL, CONTENT_SECURITY_POLICY, CONTENT_TYPE};
use axum::response::{IntoResponse, Response};

/// Nothing from elsewhere, no script and no style but the page's own; pictures come as blobs, since they need the token.
const POLICY: &str = "default-src 'none'; script-src 'self'; style-src 'self'; img-src blob: data:; connect-src 'self'; form-action 'none'; \
     base-uri 'none'; frame-ancestors 'none'";

fn served(kind: &'static str, text: &'static str) -> Response {
    let fields = [
        (CONTENT_TYPE, kind),
        (CONTENT_SECURITY_POLICY, POLICY),
        // A newer server's page is seen at once.
        (CACHE_CONTROL, "no-cache"),
    ];
    (fields, text).into_response()
}

pub(super) async fn page(_: Asked) -> Response {
    served(
        "text/html; charset=utf-8",
        include_str!("../page/page.html"),
    )
}

pub(super) async fn style(_: Asked) -> Response {
    served("text/css; charset=utf-8", include_str!("../page/page.css"))
}

pub(super) async fn script(_: Asked) -> Response {
    served(
        "text/javascript; charset=utf-8",
        include_str!("../page/page.js"),
    )
}
