//! Who may ask: host names against rebinding, a token where there is one, origin and type for orders.

use std::net::IpAddr;

use axum::extract::{MatchedPath, Request, State};
use axum::http::{HeaderMap, Method, StatusCode, header};
use axum::middleware::Next;
use axum::response::Response;

use crate::shell::secrets;

use super::Shared;
use super::api::problem;

/// Refuses what does not come from where it should.
pub(super) async fn guard(State(shared): State<Shared>, request: Request, next: Next) -> Response {
    match check(&shared, request.method(), request.headers()) {
        Ok(()) => next.run(request).await,
        Err(refusal) => refusal,
    }
}

/// Counts requests by the template of their route, so that no path makes a series of its own.
pub(super) async fn count(State(shared): State<Shared>, request: Request, next: Next) -> Response {
    let route = request.extensions().get::<MatchedPath>().map_or("other", MatchedPath::as_str).to_owned();
    let begun = std::time::Instant::now();
    let response = next.run(request).await;
    shared.meters.http_request(&route, response.status().as_u16(), begun.elapsed().as_secs_f64());
    response
}

#[expect(clippy::result_large_err, reason = "the error is the response itself, made once")]
fn check(shared: &Shared, method: &Method, headers: &HeaderMap) -> Result<(), Response> {
    let text = |name| headers.get(name).and_then(|value: &axum::http::HeaderValue| value.to_str().ok());
    let host = text(header::HOST).unwrap_or_default();
    if !is_our_host(shared, host) {
        return Err(problem(
            StatusCode::MISDIRECTED_REQUEST,
            &format!("`{host}` is not a name of this service"),
            "use `localhost`, `127.0.0.1` or the address that `http` in daemon.yaml names",
        ));
    }
    if let Some(path) = &shared.token_file {
        let token = secrets::first_line(path).map_err(|error| {
            tracing::error!("{error}");
            problem(StatusCode::INTERNAL_SERVER_ERROR, "the token cannot be read", "see the daemon's log")
        })?;
        let given = text(header::AUTHORIZATION).and_then(|value| value.strip_prefix("Bearer ")).unwrap_or_default();
        if !secrets::same(token.as_bytes(), given.as_bytes()) {
            let fix = "send the header `Authorization: Bearer TOKEN`, or set SLACKWATER_TOKEN for the command line";
            return Err(problem(StatusCode::UNAUTHORIZED, "a token is needed", fix));
        }
    }
    if method != Method::GET && method != Method::HEAD {
        let origin = text(header::ORIGIN);
        let own = |origin: &str| origin.split_once("://").is_some_and(|(_, host)| is_our_host(shared, host));
        if !origin.is_none_or(own) {
            let fix = "orders are taken from this service's own page and from programs";
            return Err(problem(StatusCode::FORBIDDEN, "the request comes from another site", fix));
        }
        let kind = text(header::CONTENT_TYPE).unwrap_or_default();
        if kind.split(';').next().map(str::trim) != Some("application/json") {
            return Err(problem(
                StatusCode::UNSUPPORTED_MEDIA_TYPE,
                &format!("the content type is `{kind}`"),
                "send `Content-Type: application/json`",
            ));
        }
    }
    Ok(())
}

/// The name without its port is the loopback's or the address that we listen on. Where we listen on
/// every address, names cannot be known, and the token (which config demands there) is the guard.
fn is_our_host(shared: &Shared, host: &str) -> bool {
    let name = match host.strip_prefix('[') {
        Some(rest) => rest.split(']').next().unwrap_or_default(),
        None => host.rsplit_once(':').map_or(host, |(name, _)| name),
    };
    let listen = shared.listen.ip();
    if listen.is_unspecified() && shared.token_file.is_some() {
        return true;
    }
    match name.parse::<IpAddr>() {
        Ok(address) => address.is_loopback() || address == listen,
        Err(_) => name.eq_ignore_ascii_case("localhost"),
    }
}
