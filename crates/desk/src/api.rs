//! The JSON side of the desk.

use crate::books::{Books, Refusal, RefusalKind};
use axum::Router;
use axum::body::Body;
use axum::extract::rejection::QueryRejection;
use axum::extract::{Query, State};
use axum::http::{HeaderValue, Method, StatusCode, header};
use axum::response::Response;
use axum::routing::get;
use serde::{Deserialize, Serialize};
use std::sync::Arc;

/// Longest lap id that is looked up \[bytes\]; longer ones are a mistake or mischief, and would fill an error message.
const LONGEST_ID_BYTES: usize = 200;

pub(crate) fn routes<B: Books>(books: Arc<B>) -> Router {
    Router::new()
        .route("/library", get(library::<B>))
        .route("/laps", get(laps::<B>))
        .route("/ledger", get(ledger::<B>))
        .route("/comparison", get(comparison::<B>))
        .method_not_allowed_fallback(only_reads)
        .fallback(no_such_question)
        .with_state(books)
}

async fn library<B: Books>(State(books): State<Arc<B>>) -> Response {
    answer(move || books.library()).await
}

async fn laps<B: Books>(State(books): State<Arc<B>>) -> Response {
    answer(move || books.laps()).await
}

async fn ledger<B: Books>(
    State(books): State<Arc<B>>,
    pair: Result<Query<Asked>, QueryRejection>,
) -> Response {
    match pair_of(pair) {
        Ok(Pair { lap, against }) => answer(move || books.ledger(&lap, &against)).await,
        Err(refusal) => refused(&refusal),
    }
}

async fn comparison<B: Books>(
    State(books): State<Arc<B>>,
    pair: Result<Query<Asked>, QueryRejection>,
) -> Response {
    match pair_of(pair) {
        Ok(Pair { lap, against }) => answer(move || books.comparison(&lap, &against)).await,
        Err(refusal) => refused(&refusal),
    }
}

async fn only_reads(method: Method) -> Response {
    failed(StatusCode::METHOD_NOT_ALLOWED, &format!("The desk only answers GET, not {method}."))
}

async fn no_such_question() -> Response {
    failed(
        StatusCode::NOT_FOUND,
        "The desk knows no such question. It answers /api/library, /api/laps, /api/ledger and /api/comparison.",
    )
}

/// The query string as it came.
#[derive(Debug, Deserialize)]
struct Asked {
    lap: Option<String>,
    against: Option<String>,
}

/// Two laps to compare.
#[derive(Debug)]
struct Pair {
    lap: String,
    against: String,
}

fn pair_of(asked: Result<Query<Asked>, QueryRejection>) -> Result<Pair, Refusal> {
    let Query(asked) = asked.map_err(|rejection| {
        Refusal::bad_request(format!(
            "The question could not be read: {}. Write it as ?lap=RECORDING:NUMBER&against=best.",
            rejection.body_text().trim_end_matches('.')
        ))
    })?;
    let lap = asked.lap.filter(|id| !id.is_empty()).ok_or_else(|| {
        Refusal::bad_request("No lap was named. Add ?lap=RECORDING:NUMBER, as /api/laps lists them.")
    })?;
    let against = asked.against.filter(|id| !id.is_empty()).unwrap_or_else(|| "best".to_owned());
    for id in [&lap, &against] {
        if id.len() > LONGEST_ID_BYTES {
            return Err(Refusal::bad_request(format!(
                "A lap was named with {} bytes; lap ids look like RECORDING:NUMBER and have at most {LONGEST_ID_BYTES}.",
                id.len()
            )));
        }
    }
    Ok(Pair { lap, against })
}

/// Runs `work` and its serialisation on a thread that may block.
async fn answer<T: Serialize>(work: impl FnOnce() -> Result<T, Refusal> + Send + 'static) -> Response {
    let done = tokio::task::spawn_blocking(move || {
        let value = work()?;
        serde_json::to_vec(&value).map_err(|e| {
            Refusal::internal(format!("The answer could not be written as JSON: {e}. Please report this."))
        })
    })
    .await;
    match done {
        Ok(Ok(bytes)) => json(StatusCode::OK, bytes),
        Ok(Err(refusal)) => refused(&refusal),
        // A panic of the work: its message went to the terminal, the page gets a sentence.
        Err(_) => refused(&Refusal::internal(
            "The desk stumbled over this question; the terminal it runs in says more. Nothing was lost or changed.",
        )),
    }
}

fn refused(refusal: &Refusal) -> Response {
    let status = match refusal.kind {
        RefusalKind::NotFound => StatusCode::NOT_FOUND,
        RefusalKind::BadRequest => StatusCode::BAD_REQUEST,
        RefusalKind::Internal => StatusCode::INTERNAL_SERVER_ERROR,
    };
    failed(status, &refusal.sentence)
}

/// `{"error": sentence}`.
pub(crate) fn failed(status: StatusCode, sentence: &str) -> Response {
    json(status, serde_json::json!({ "error": sentence }).to_string().into_bytes())
}

fn json(status: StatusCode, bytes: Vec<u8>) -> Response {
    let mut response = Response::new(Body::from(bytes));
    *response.status_mut() = status;
    let headers = response.headers_mut();
    headers.insert(header::CONTENT_TYPE, HeaderValue::from_static("application/json"));
    headers.insert(header::CACHE_CONTROL, HeaderValue::from_static("no-store"));
    response
}
