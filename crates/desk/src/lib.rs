//! The desk: a web page on this computer that answers from the library.
//!
//! Three parts, each replaceable without the others: a router that serves the embedded page and a small JSON API, a
//! listener on loopback that serves the router until it is told to stop, and the page itself (`assets/`, plain ES
//! modules, no build step). The desk knows the values it shows, not how they are made: they come through [`Books`].
//!
//! # Safety of the page
//! * Only loopback is listened on, and only requests that name loopback as their host are answered, so that a web site
//!   cannot reach the library by pointing its own name at this computer.
//! * The page loads nothing from elsewhere, and its content security policy forbids it to.
//! * The API only reads.

mod api;
mod assets;
mod books;
mod guard;
mod serve;

pub use assets::{Asset, assets};
pub use books::{Books, Refusal, RefusalKind};
pub use guard::Hosts;
pub use serve::{Desk, ServeError};

use axum::Router;
use axum::extract::Request;
use axum::http::{HeaderValue, StatusCode, header};
use axum::middleware::{self, Next};
use axum::response::Response;
use axum::routing::get;
use std::sync::Arc;

/// Everything the desk answers, over `books`, to requests that name one of `hosts`.
///
/// | path | answer |
/// |---|---|
/// | `/` | the page |
/// | `/assets/VERSION/…` | its parts, never changing under one version |
/// | `/api/library`, `/api/laps` | what the library holds |
/// | `/api/ledger?lap=ID&against=ID\|best` | the account of a lap |
/// | `/api/comparison?lap=ID&against=ID\|best` | the traces behind it |
///
/// An error of the API is JSON, `{"error": "sentence"}`, with status 400, 403, 404, 405 or 500.
pub fn router<B: Books>(books: Arc<B>, hosts: Hosts) -> Router {
    let hosts = Arc::new(hosts);
    Router::new()
        .route("/", get(assets::page))
        .route("/favicon.ico", get(assets::icon))
        .route("/assets/{version}/{*path}", get(assets::part))
        .nest("/api", api::routes(books))
        .fallback(nothing_here)
        .layer(middleware::from_fn(move |request, next| {
            let hosts = Arc::clone(&hosts);
            async move { guard::admit(&hosts, request, next).await }
        }))
        .layer(middleware::from_fn(safety_headers))
}

async fn nothing_here() -> Response {
    plain(StatusCode::NOT_FOUND, "There is no such page. The desk starts at /.\n")
}

/// A short text answer.
fn plain(status: StatusCode, text: impl Into<String>) -> Response {
    let mut response = Response::new(axum::body::Body::from(text.into()));
    *response.status_mut() = status;
    response
        .headers_mut()
        .insert(header::CONTENT_TYPE, HeaderValue::from_static("text/plain; charset=utf-8"));
    response
}

/// Headers that every answer carries, also refusals.
async fn safety_headers(request: Request, next: Next) -> Response {
    let mut response = next.run(request).await;
    let headers = response.headers_mut();
    for (name, value) in [
        (header::X_CONTENT_TYPE_OPTIONS, "nosniff"),
        (header::REFERRER_POLICY, "no-referrer"),
        (header::X_FRAME_OPTIONS, "DENY"),
    ] {
        headers.insert(name, HeaderValue::from_static(value));
    }
    headers.insert("cross-origin-resource-policy", HeaderValue::from_static("same-origin"));
    headers.insert("cross-origin-opener-policy", HeaderValue::from_static("same-origin"));
    headers.insert(header::CONTENT_SECURITY_POLICY, assets::content_security_policy());
    if !headers.contains_key(header::CACHE_CONTROL) {
        headers.insert(header::CACHE_CONTROL, HeaderValue::from_static("no-store"));
    }
    response
}
