//! What the desk answers, asked without a socket.

#![allow(clippy::unwrap_used)] // Tests may say what must hold by unwrapping it, helpers of tests as well.

#[path = "fixture/mod.rs"]
mod fixture;

use axum::body::Body;
use axum::http::{HeaderMap, Method, Request, StatusCode, header};
use desk::{Books, Hosts, Refusal, assets, router};
use http_body_util::BodyExt;
use serde_json::Value;
use std::collections::BTreeMap;
use std::sync::{Arc, LazyLock};
use tower::ServiceExt;

const HOST: &str = "127.0.0.1:8417";

static SEASON: LazyLock<Arc<fixture::Season>> = LazyLock::new(|| Arc::new(fixture::Season::new()));

struct Answer {
    status: StatusCode,
    headers: HeaderMap,
    body: Vec<u8>,
}

impl Answer {
    fn json(&self) -> Value {
        serde_json::from_slice(&self.body).unwrap_or_else(|e| panic!("{e}: {}", self.text()))
    }

    fn text(&self) -> String {
        String::from_utf8_lossy(&self.body).into_owned()
    }

    fn header(&self, name: impl header::AsHeaderName) -> &str {
        self.headers.get(name).map_or("", |v| v.to_str().unwrap())
    }

    /// The sentence of an error of the API.
    fn sentence(&self) -> String {
        assert_eq!(self.header(header::CONTENT_TYPE), "application/json");
        let error = self.json();
        assert_eq!(error.as_object().map(serde_json::Map::len), Some(1), "{error}");
        error["error"].as_str().unwrap().to_owned()
    }
}

async fn ask_with<B: Books>(books: Arc<B>, method: Method, path: &str, headers: &[(&str, &str)]) -> Answer {
    let mut request = Request::builder().method(method).uri(path);
    if !headers.iter().any(|(name, _)| name.eq_ignore_ascii_case("host")) {
        request = request.header("host", HOST);
    }
    for (name, value) in headers.iter().filter(|(_, value)| !value.is_empty()) {
        request = request.header(*name, *value);
    }
    let response =
        router(books, Hosts::loopback(8417)).oneshot(request.body(Body::empty()).unwrap()).await.unwrap();
    let (parts, body) = response.into_parts();
    Answer {
        status: parts.status,
        headers: parts.headers,
        body: body.collect().await.unwrap().to_bytes().to_vec(),
    }
}

async fn get(path: &str) -> Answer {
    ask_with(Arc::clone(&*SEASON), Method::GET, path, &[]).await
}

async fn get_with(path: &str, headers: &[(&str, &str)]) -> Answer {
    ask_with(Arc::clone(&*SEASON), Method::GET, path, headers).await
}

/// Where the page says that its parts are, such as `/assets/0123…/`.
async fn base() -> String {
    let page = get("/").await.text();
    let (_, rest) = page.split_once("href=\"/assets/").unwrap();
    let (version, _) = rest.split_once('/').unwrap();
    format!("/assets/{version}/")
}

#[tokio::test]
async fn the_page_comes_with_all_its_parts() {
    let page = get("/").await;
    assert_eq!(page.status, StatusCode::OK);
    assert_eq!(page.header(header::CONTENT_TYPE), "text/html; charset=utf-8");
    assert!(!page.text().contains("{{"), "a placeholder is left");
    let base = base().await;
    for asset in assets() {
        let part = get(&format!("{base}{}", asset.path)).await;
        assert_eq!(part.status, StatusCode::OK, "{}", asset.path);
        assert_eq!(part.body, asset.bytes, "{}", asset.path);
    }
    for named in page.text().split('"').filter(|word| word.starts_with("/assets/")) {
        assert_eq!(get(named).await.status, StatusCode::OK, "the page names {named}");
    }
}

#[tokio::test]
async fn parts_have_their_media_type_and_may_be_kept_for_ever() {
    let base = base().await;
    for (path, kind) in [
        ("desk.js", "text/javascript; charset=utf-8"),
        ("vendor/preact.mjs", "text/javascript; charset=utf-8"),
        ("style.css", "text/css; charset=utf-8"),
        ("icon.svg", "image/svg+xml"),
        ("vendor/bitter-600.woff2", "font/woff2"),
        ("vendor/bitter.LICENSE", "text/plain; charset=utf-8"),
    ] {
        let part = get(&format!("{base}{path}")).await;
        assert_eq!(part.header(header::CONTENT_TYPE), kind, "{path}");
        assert_eq!(part.header(header::CACHE_CONTROL), "public, max-age=31536000, immutable", "{path}");
    }
}

#[tokio::test]
async fn what_a_browser_has_already_is_not_sent_again() {
    for path in ["/".to_owned(), format!("{}style.css", base().await)] {
        let first = get(&path).await;
        let tag = first.header(header::ETAG);
        assert!(tag.starts_with('"') && tag.len() > 10, "{path}: {tag}");
        let known = format!("\"other\", W/{tag}");
        for tags in [tag, known.as_str()] {
            let again = get_with(&path, &[("if-none-match", tags)]).await;
            assert_eq!(again.status, StatusCode::NOT_MODIFIED, "{path} {tags}");
            assert!(again.body.is_empty());
        }
        let changed = get_with(&path, &[("if-none-match", "\"other\"")]).await;
        assert_eq!(changed.status, StatusCode::OK);
    }
}

#[tokio::test]
async fn parts_of_another_build_and_paths_out_of_the_folder_are_not_found() {
    let base = base().await;
    for path in [
        "/assets/0000000000000000/desk.js",
        "/assets/desk.js",
        &format!("{base}no-such.js"),
        &format!("{base}../Cargo.toml"),
        &format!("{base}%2e%2e/Cargo.toml"),
        &format!("{base}vendor"),
        "/nothing",
        "/index.html",
    ] {
        let answer = get(path).await;
        assert_eq!(answer.status, StatusCode::NOT_FOUND, "{path}");
        assert!(answer.header(header::CONTENT_TYPE).starts_with("text/plain"), "{path}");
    }
}

#[tokio::test]
async fn every_answer_carries_the_safety_headers() {
    let paths =
        ["/", "/api/laps", "/api/ledger", "/nothing", "/favicon.ico", &format!("{}desk.js", base().await)];
    for path in paths {
        for host in [HOST, "example.org"] {
            let answer = get_with(path, &[("host", host)]).await;
            let policy = answer.header(header::CONTENT_SECURITY_POLICY);
            assert!(policy.starts_with("default-src 'none'; script-src 'self' 'sha256-"), "{path}: {policy}");
            assert!(
                policy.contains("frame-ancestors 'none'") && policy.contains("base-uri 'none'"),
                "{policy}"
            );
            assert!(!policy.contains("unsafe") && !policy.contains('*'), "{policy}");
            assert_eq!(answer.header(header::X_CONTENT_TYPE_OPTIONS), "nosniff", "{path}");
            assert_eq!(answer.header(header::REFERRER_POLICY), "no-referrer", "{path}");
            assert!(!answer.header(header::CACHE_CONTROL).is_empty(), "{path}");
        }
    }
}

#[tokio::test]
async fn the_page_has_nothing_inline_but_the_import_map() {
    let page = get("/").await.text();
    assert!(!page.contains("<style") && !page.contains(" style=") && !page.contains(" onload="), "{page}");
    let inline: Vec<_> = page
        .match_indices("<script")
        .map(|(i, _)| &page[i..])
        .filter(|s| !s.split('>').next().unwrap().contains("src="))
        .collect();
    assert_eq!(inline.len(), 1);
    assert!(inline[0].starts_with("<script type=\"importmap\">"));
}

#[tokio::test]
async fn the_api_gives_the_values_of_the_books() {
    let books = &*SEASON;
    assert_eq!(get("/api/library").await.text(), books.library().unwrap().to_string());
    assert_eq!(get("/api/laps").await.text(), books.laps().unwrap().to_string());
    let ledger = get("/api/ledger?lap=evening-two:1&against=coach-run:2").await;
    assert_eq!(ledger.status, StatusCode::OK);
    assert_eq!(ledger.header(header::CONTENT_TYPE), "application/json");
    assert_eq!(ledger.header(header::CACHE_CONTROL), "no-store");
    assert_eq!(ledger.text(), books.ledger("evening-two:1", "coach-run:2").unwrap().to_string());
    let comparison = get("/api/comparison?lap=evening-two%3A1").await;
    assert_eq!(
        comparison.text(),
        books.comparison("evening-two:1", "best").unwrap().to_string(),
        "'best' when left out"
    );
}

#[tokio::test]
async fn refusals_become_a_status_and_a_sentence() {
    for (path, status, word) in [
        ("/api/ledger", StatusCode::BAD_REQUEST, "?lap="),
        ("/api/ledger?lap=", StatusCode::BAD_REQUEST, "?lap="),
        ("/api/comparison?against=best", StatusCode::BAD_REQUEST, "?lap="),
        ("/api/ledger?lap=a&lap=b", StatusCode::BAD_REQUEST, "lap"),
        ("/api/ledger?lap=evening-two:99", StatusCode::NOT_FOUND, "evening-two:99"),
        ("/api/ledger?lap=evening-two:0", StatusCode::BAD_REQUEST, "timed"),
        ("/api/nothing", StatusCode::NOT_FOUND, "/api/ledger"),
    ] {
        let answer = get(path).await;
        assert_eq!(answer.status, status, "{path}");
        assert!(answer.sentence().contains(word), "{path}: {}", answer.sentence());
    }
    let long = get(&format!("/api/ledger?lap={}", "x".repeat(5000))).await;
    assert_eq!(long.status, StatusCode::BAD_REQUEST);
    assert!(long.sentence().len() < 300, "{}", long.sentence());
}

#[tokio::test]
async fn the_api_only_reads() {
    for method in [Method::POST, Method::PUT, Method::DELETE, Method::PATCH] {
        let answer = ask_with(Arc::clone(&*SEASON), method.clone(), "/api/laps", &[]).await;
        assert_eq!(answer.status, StatusCode::METHOD_NOT_ALLOWED, "{method}");
        assert!(answer.sentence().contains(method.as_str()));
    }
    let head = ask_with(Arc::clone(&*SEASON), Method::HEAD, "/api/laps", &[]).await;
    assert_eq!((head.status, head.body.len()), (StatusCode::OK, 0));
}

#[tokio::test]
async fn strangers_get_no_answer() {
    for headers in [
        &[("host", "example.org")][..],
        &[("host", "example.org:8417")],
        &[("host", "127.0.0.1:9999")],
        &[("host", "")],
        &[("origin", "http://example.org")],
        &[("origin", "null")],
        &[("origin", "https://127.0.0.1:8417")],
        &[("sec-fetch-site", "cross-site")],
        &[("sec-fetch-site", "same-site")],
    ] {
        let answer = get_with("/api/laps", headers).await;
        assert_eq!(answer.status, StatusCode::FORBIDDEN, "{headers:?}");
        assert!(answer.sentence().contains("http://127.0.0.1:8417/"), "{headers:?}: {}", answer.sentence());
    }
    let absolute = get("http://example.org/api/laps").await;
    assert_eq!(absolute.status, StatusCode::FORBIDDEN, "a request line with another host");
    let page = get_with("/", &[("host", "example.org:8417")]).await;
    assert_eq!(page.status, StatusCode::FORBIDDEN);
}

#[tokio::test]
async fn the_own_page_and_programs_get_an_answer() {
    for headers in [
        &[][..],
        &[("host", "localhost:8417")],
        &[("host", "[::1]:8417")],
        &[("origin", "http://127.0.0.1:8417"), ("sec-fetch-site", "same-origin")],
        &[("sec-fetch-site", "none")],
    ] {
        assert_eq!(get_with("/api/laps", headers).await.status, StatusCode::OK, "{headers:?}");
    }
    // A link on another site may lead to the page; the page then asks for itself.
    let link = get_with("/", &[("sec-fetch-site", "cross-site"), ("sec-fetch-mode", "navigate")]).await;
    assert_eq!(link.status, StatusCode::OK);
}

/// Books that break in every way.
struct Broken;

impl Books for Broken {
    type Library = Vec<f64>;
    type Laps = ();
    type Ledger = BTreeMap<(u8, u8), u8>;
    type Comparison = ();

    fn library(&self) -> Result<Vec<f64>, Refusal> {
        Ok(vec![1.5, f64::NAN, f64::INFINITY])
    }

    fn laps(&self) -> Result<(), Refusal> {
        Err(Refusal::internal("The catalogue could not be read: disk failure. Copy the library elsewhere."))
    }

    fn ledger(&self, _: &str, _: &str) -> Result<BTreeMap<(u8, u8), u8>, Refusal> {
        Ok(BTreeMap::from([((1, 2), 3)]))
    }

    fn comparison(&self, _: &str, _: &str) -> Result<(), Refusal> {
        panic!("on purpose, for the test of what the page is told")
    }
}

#[tokio::test]
async fn failures_on_this_side_are_sentences_too() {
    let ask = |path| ask_with(Arc::new(Broken), Method::GET, path, &[]);
    let laps = ask("/api/laps").await;
    assert_eq!(laps.status, StatusCode::INTERNAL_SERVER_ERROR);
    assert!(laps.sentence().contains("disk failure"));
    let panicked = ask("/api/comparison?lap=a:1").await;
    assert_eq!(panicked.status, StatusCode::INTERNAL_SERVER_ERROR);
    assert!(panicked.sentence().contains("terminal") && !panicked.text().contains("on purpose"));
    let unwritable = ask("/api/ledger?lap=a:1").await;
    assert_eq!(unwritable.status, StatusCode::INTERNAL_SERVER_ERROR);
    assert!(unwritable.sentence().contains("JSON"));
    // Missing values are null in JSON.
    assert_eq!(ask("/api/library").await.text(), "[1.5,null,null]");
}

#[tokio::test]
async fn a_served_desk_answers_over_the_network_and_stops_when_told() {
    use tokio::io::{AsyncReadExt, AsyncWriteExt};
    let desk = desk::Desk::open(0).unwrap();
    let (port, url) = (desk.port(), desk.url());
    let (stop, stopped) = tokio::sync::oneshot::channel::<()>();
    let served = tokio::spawn(desk.serve_until(Arc::clone(&*SEASON), async {
        let _ = stopped.await;
    }));
    let mut stream = tokio::net::TcpStream::connect(("127.0.0.1", port)).await.unwrap();
    let host = url.trim_start_matches("http://").trim_end_matches('/');
    let question = format!("GET /api/library HTTP/1.1\r\nHost: {host}\r\nConnection: close\r\n\r\n");
    stream.write_all(question.as_bytes()).await.unwrap();
    let mut answer = String::new();
    stream.read_to_string(&mut answer).await.unwrap();
    assert!(answer.starts_with("HTTP/1.1 200 OK") && answer.contains("bench book"), "{answer}");
    // A connection that stays open does not keep the desk from stopping.
    let _idle = tokio::net::TcpStream::connect(("127.0.0.1", port)).await.unwrap();
    stop.send(()).unwrap();
    let end = tokio::time::timeout(std::time::Duration::from_secs(10), served).await;
    end.expect("stops in time").unwrap().unwrap();
    assert!(desk::Desk::open(port).is_ok(), "the port is free again");
}
