//! The page and its parts, embedded in the binary.
//!
//! Parts live under an address that holds the digest of them all, so that a browser may keep them for ever: a new build
//! has new addresses. The page itself is asked for anew each time, and answered with "unchanged" when it is.

use crate::plain;
use axum::body::Body;
use axum::extract::Path;
use axum::http::{HeaderMap, HeaderValue, StatusCode, header};
use axum::response::Response;
use base64::Engine;
use base64::engine::general_purpose::STANDARD as BASE64;
use sha2::{Digest, Sha256};
use std::fmt::Write;
use std::sync::LazyLock;

/// A file of the page.
#[derive(Debug, Clone, Copy)]
pub struct Asset {
    /// Path below `assets/`, with forward slashes.
    pub path: &'static str,
    /// Its content.
    pub bytes: &'static [u8],
}

macro_rules! embed {
    ($($path:literal),* $(,)?) => {
        [$(Asset { path: $path, bytes: include_bytes!(concat!("../assets/", $path)) }),*]
    };
}

/// All files that are served; a test compares them with the folder.
static ASSETS: &[Asset] = &embed![
    "account.js",
    "api.js",
    "causes.js",
    "charts/map.js",
    "charts/ruler.js",
    "charts/strip.js",
    "desk.js",
    "evidence.js",
    "icon.svg",
    "keys.js",
    "marks.js",
    "pages/cautions.js",
    "pages/laps.js",
    "pages/ledger.js",
    "parts.js",
    "stretch.js",
    "style.css",
    "units.js",
    "vendor/VENDOR.md",
    "vendor/bitter-600.woff2",
    "vendor/bitter.LICENSE",
    "vendor/htm.LICENSE",
    "vendor/htm.mjs",
    "vendor/preact-hooks.mjs",
    "vendor/preact.LICENSE",
    "vendor/preact.mjs",
    "vendor/uplot.LICENSE",
    "vendor/uplot.css",
    "vendor/uplot.mjs",
    "view.js",
];

const PAGE: &str = include_str!("../assets/index.html");

/// All files of the page but the page itself.
#[must_use]
pub fn assets() -> &'static [Asset] {
    ASSETS
}

/// What is derived from the files once.
struct Built {
    version: String,
    page: String,
    page_tag: HeaderValue,
    policy: HeaderValue,
}

static BUILT: LazyLock<Built> = LazyLock::new(|| {
    let mut digest = Sha256::new();
    for asset in ASSETS {
        digest.update(asset.path.as_bytes());
        digest.update([0]);
        digest.update((asset.bytes.len() as u64).to_le_bytes());
        digest.update(asset.bytes);
    }
    let version = hex(&digest.finalize()[..8]);
    let page = PAGE.replace("{{base}}", &format!("/assets/{version}/"));
    let page_tag = tag(page.as_bytes());
    let policy = policy(&page);
    Built { version, page, page_tag, policy }
});

/// Nothing from elsewhere, nothing inline: the one inline element, the import map, is let in by its digest.
fn policy(page: &str) -> HeaderValue {
    let mut scripts = String::from("'self'");
    if let Some((_, rest)) = page.split_once("<script type=\"importmap\">")
        && let Some((map, _)) = rest.split_once("</script>")
    {
        let _ = write!(scripts, " 'sha256-{}'", BASE64.encode(Sha256::digest(map.as_bytes())));
    }
    let policy = format!(
        "default-src 'none'; script-src {scripts}; style-src 'self'; font-src 'self'; img-src 'self'; \
         connect-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
    );
    HeaderValue::from_str(&policy).unwrap_or_else(|_| HeaderValue::from_static("default-src 'none'"))
}

pub(crate) fn content_security_policy() -> HeaderValue {
    BUILT.policy.clone()
}

pub(crate) async fn page(headers: HeaderMap) -> Response {
    let mut response = unless_known(&headers, &BUILT.page_tag, BUILT.page.as_bytes());
    let headers = response.headers_mut();
    headers.insert(header::CONTENT_TYPE, HeaderValue::from_static("text/html; charset=utf-8"));
    headers.insert(header::CACHE_CONTROL, HeaderValue::from_static("no-cache"));
    response
}

pub(crate) async fn icon(headers: HeaderMap) -> Response {
    part(Path((BUILT.version.clone(), "icon.svg".to_owned())), headers).await
}

pub(crate) async fn part(Path((version, path)): Path<(String, String)>, headers: HeaderMap) -> Response {
    let Some(asset) = ASSETS.iter().find(|a| a.path == path).filter(|_| version == BUILT.version) else {
        return plain(StatusCode::NOT_FOUND, "The page has no such part. Load it anew.\n");
    };
    let mut response = unless_known(&headers, &tag(asset.bytes), asset.bytes);
    let headers = response.headers_mut();
    headers.insert(header::CONTENT_TYPE, HeaderValue::from_static(media_type(asset.path)));
    headers.insert(header::CACHE_CONTROL, HeaderValue::from_static("public, max-age=31536000, immutable"));
    response
}

/// The bytes, or "unchanged" to a browser that has them.
fn unless_known(headers: &HeaderMap, tag: &HeaderValue, bytes: &'static [u8]) -> Response {
    let known =
        headers.get(header::IF_NONE_MATCH).and_then(|value| value.to_str().ok()).is_some_and(|list| {
            list.split(',').any(|t| t.trim().trim_start_matches("W/").as_bytes() == tag.as_bytes())
        });
    let mut response = Response::new(if known { Body::empty() } else { Body::from(bytes) });
    if known {
        *response.status_mut() = StatusCode::NOT_MODIFIED;
    }
    response.headers_mut().insert(header::ETAG, tag.clone());
    response
}

fn tag(bytes: &[u8]) -> HeaderValue {
    HeaderValue::from_str(&format!("\"{}\"", hex(&Sha256::digest(bytes)[..16])))
        .unwrap_or_else(|_| HeaderValue::from_static("\"\""))
}

fn hex(bytes: &[u8]) -> String {
    bytes.iter().fold(String::new(), |mut text, byte| {
        let _ = write!(text, "{byte:02x}");
        text
    })
}

fn media_type(path: &str) -> &'static str {
    match path.rsplit_once('.').map_or("", |(_, extension)| extension) {
        "js" | "mjs" => "text/javascript; charset=utf-8",
        "css" => "text/css; charset=utf-8",
        "svg" => "image/svg+xml",
        "woff2" => "font/woff2",
        _ => "text/plain; charset=utf-8",
    }
}
