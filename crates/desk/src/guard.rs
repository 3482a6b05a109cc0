//! Who may ask: requests that name this computer's loopback address, from the desk's own page or from a program.
//!
//! A page of another site can make a browser send requests to loopback. Two things stop it here. A site that points its
//! own name at 127.0.0.1 (DNS rebinding) is given away by the `Host` header, which keeps the site's name. A site that
//! asks for 127.0.0.1 directly is given away by `Origin` or `Sec-Fetch-Site`, which the browser writes and a page cannot.

use crate::{api, plain};
use axum::extract::Request;
use axum::http::{HeaderMap, StatusCode, header};
use axum::middleware::Next;
use axum::response::Response;

/// Names under which the desk may be asked.
#[derive(Debug, Clone)]
pub struct Hosts {
    port: u16,
}

impl Hosts {
    /// `127.0.0.1`, `localhost` and `[::1]`, with `port`.
    #[must_use]
    pub fn loopback(port: u16) -> Self {
        Self { port }
    }

    /// Whether `host`, the value of a `Host` header, is one of them. Browsers leave out the port when it is 80.
    #[must_use]
    pub fn allow(&self, host: &str) -> bool {
        let Some(rest) = ["127.0.0.1", "localhost", "[::1]"].iter().find_map(|name| strip_prefix(host, name))
        else {
            return false;
        };
        match rest.strip_prefix(':') {
            Some(port) => !port.starts_with('+') && port.parse() == Ok(self.port),
            None => rest.is_empty() && self.port == 80,
        }
    }

    /// Whether `origin`, the value of an `Origin` header, is the desk itself.
    #[must_use]
    pub fn allow_origin(&self, origin: &str) -> bool {
        origin.strip_prefix("http://").is_some_and(|host| self.allow(host))
    }
}

/// Host names do not care about case.
fn strip_prefix<'a>(text: &'a str, prefix: &str) -> Option<&'a str> {
    let (head, tail) = text.split_at_checked(prefix.len())?;
    head.eq_ignore_ascii_case(prefix).then_some(tail)
}

/// Lets `request` through, or says why not.
pub(crate) async fn admit(hosts: &Hosts, request: Request, next: Next) -> Response {
    let is_api = request.uri().path().starts_with("/api/");
    match objection(hosts, &request, is_api) {
        None => next.run(request).await,
        Some(sentence) if is_api => api::failed(StatusCode::FORBIDDEN, &sentence),
        Some(sentence) => plain(StatusCode::FORBIDDEN, sentence + "\n"),
    }
}

fn objection(hosts: &Hosts, request: &Request, is_api: bool) -> Option<String> {
    let headers = request.headers();
    let here = format!("http://127.0.0.1:{}/", hosts.port);
    // A request line may name the host itself; then it must agree with the rule as well.
    let named = request.uri().authority().map(|a| a.as_str().to_owned());
    let host = match text(headers, header::HOST) {
        Some(host) => host,
        None => return Some(format!("The request names no host. Open the desk at {here}.")),
    };
    for host in [Some(host), named].into_iter().flatten() {
        if !hosts.allow(&host) {
            return Some(format!("The desk does not answer to the name '{host}'. Open it at {here}."));
        }
    }
    if let Some(origin) = text(headers, header::ORIGIN)
        && !hosts.allow_origin(&origin)
    {
        return Some(format!("The desk does not answer pages of '{origin}'. Open it at {here}."));
    }
    if is_api && headers.get("sec-fetch-site").is_some_and(|site| site == "cross-site" || site == "same-site")
    {
        return Some(format!("The desk answers only its own page. Open it at {here}."));
    }
    None
}

/// A header as text; bytes that are not text become marks that match nothing.
fn text(headers: &HeaderMap, name: header::HeaderName) -> Option<String> {
    headers.get(name).map(|value| String::from_utf8_lossy(value.as_bytes()).into_owned())
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn loopback_names_with_the_port_are_let_in() {
        let hosts = Hosts::loopback(8417);
        for host in ["127.0.0.1:8417", "localhost:8417", "LocalHost:8417", "[::1]:8417"] {
            assert!(hosts.allow(host), "{host}");
            assert!(hosts.allow_origin(&format!("http://{host}")), "{host}");
        }
        assert!(Hosts::loopback(80).allow("localhost"));
    }

    #[test]
    fn other_names_ports_and_look_alikes_stay_out() {
        let hosts = Hosts::loopback(8417);
        for host in [
            "",
            "localhost",
            "localhost:",
            "localhost:8418",
            "localhost:+8417",
            "localhost:8417.example.org",
            "localhost.example.org:8417",
            "127.0.0.1.example.org:8417",
            "example.org:8417",
            "127.0.0.2:8417",
            "user@127.0.0.1:8417",
            "[::1]",
            "[::2]:8417",
            "127.0.0.1:8417/",
            "127.0.0.1 :8417",
        ] {
            assert!(!hosts.allow(host), "{host}");
        }
        for origin in [
            "null",
            "https://127.0.0.1:8417",
            "http://127.0.0.1",
            "http://example.org:8417",
            "127.0.0.1:8417",
        ] {
            assert!(!hosts.allow_origin(origin), "{origin}");
        }
    }

    proptest! {
        #[test]
        fn nothing_but_the_three_names_is_let_in(name in "[a-zA-Z0-9.:@/\\[\\]-]{0,24}") {
            let known = ["127.0.0.1", "localhost", "[::1]"];
            let host = format!("{name}:8417");
            prop_assert_eq!(
                Hosts::loopback(8417).allow(&host),
                known.iter().any(|k| k.eq_ignore_ascii_case(&name))
            );
        }
    }
}
