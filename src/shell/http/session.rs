//! `/api/v1/session`: the way in for the page. A token is shown once; from then on the browser shows a cookie that no
//! script can read and no other site can send.

use axum::Extension;
use axum::body::Bytes;
use axum::extract::State;
use axum::http::{HeaderMap, HeaderName, HeaderValue, header};
use axum::response::{IntoResponse, Json, Response};

use super::Shared;
use super::access::{self, Denied, Who};
use super::api::Said;
use super::guard::{COOKIE, SECURE_COOKIE, is_encrypted, refusal};
use super::problem::{Kind, Problem};

#[derive(serde::Deserialize, schemars::JsonSchema)]
#[serde(deny_unknown_fields)]
pub(super) struct Login {
    /// The token, as it stands in its file.
    token: String,
}

/// Who asks, and what that one may.
#[derive(serde::Serialize, schemars::JsonSchema)]
pub(super) struct WhoAmI {
    /// The token's name; absent where no token is set.
    name: Option<String>,
    /// What it may.
    role: crate::config::setup::Role,
    /// Whether no token is set: whoever is at this machine may do everything.
    open: bool,
    /// Whether the request was made on the daemon's machine. From elsewhere some orders need `on_site`.
    here: bool,
}

impl WhoAmI {
    fn of(shared: &Shared, who: &Who) -> Self {
        Self { name: who.name.clone(), role: who.role, open: shared.access.is_open(), here: who.is_here() }
    }
}

/// `{"token": "..."}`; the answer sets the cookie.
pub(super) async fn login(
    State(shared): State<Shared>,
    Extension(asks): Extension<Who>,
    headers: HeaderMap,
    body: Bytes,
) -> Response {
    if shared.access.is_open() {
        let fix = "no token is set in daemon.yaml: whoever is at this machine may do everything, without login";
        return Problem::new(Kind::Refused, "there is nothing to log in to", fix).into_response();
    }
    let Ok(Login { token }) = serde_json::from_slice(&body) else {
        return Problem::new(Kind::Malformed, "the body is not a login", "send `{\"token\": \"...\"}`").into_response();
    };
    match enter(&shared, &asks, &headers, &token) {
        Ok((cookie, who)) => (cookie, Json(WhoAmI::of(&shared, &who))).into_response(),
        Err(problem) => problem.into_response(),
    }
}

/// A header that a browser keeps.
pub(super) type Cookie = [(HeaderName, HeaderValue); 1];

/// Opens a session for whoever shows a token.
pub(super) fn enter(shared: &Shared, asks: &Who, headers: &HeaderMap, token: &str) -> Result<(Cookie, Who), Problem> {
    let now = access::now();
    let who = shared.access.by_token(token, access::Way::Page, asks.from, now).map_err(|denied| {
        if denied == Denied::Wrong {
            shared.note(format!("a login with a wrong token, from {}", asks.from));
        }
        refusal(&denied)
    })?;
    // Another session of this browser ends: it is not left behind.
    if let Some(old) = asks.session() {
        shared.access.end(old);
    }
    let Some(opened) = shared.access.open(&who, now) else {
        return Err(Problem::new(Kind::Fault, "no session can be made", "see the daemon's log"));
    };
    shared.note(format!("{}: logged in", who.described()));
    Ok((set_cookie(shared, headers, &opened.secret, access::life_seconds()), who))
}

/// Who asks.
pub(super) async fn whoami(State(shared): State<Shared>, Extension(who): Extension<Who>) -> Response {
    Json(WhoAmI::of(&shared, &who)).into_response()
}

/// Ends the session that asks.
pub(super) async fn logout(
    State(shared): State<Shared>,
    Extension(who): Extension<Who>,
    headers: HeaderMap,
) -> Response {
    (leave(&shared, &who, &headers), Said::done("logged out")).into_response()
}

/// Ends a session, and takes the cookie back.
pub(super) fn leave(shared: &Shared, who: &Who, headers: &HeaderMap) -> Cookie {
    if let Some(session) = who.session() {
        shared.access.end(session);
        shared.note(format!("{}: logged out", who.described()));
    }
    set_cookie(shared, headers, "", 0)
}

fn set_cookie(shared: &Shared, headers: &HeaderMap, secret: &str, seconds: u64) -> Cookie {
    let host = headers.get(header::HOST).and_then(|host| host.to_str().ok()).unwrap_or_default();
    let public = shared.public_url.as_deref().filter(|url| url.starts_with("https://"));
    let by_public_url = public
        .and_then(super::guard::host_of)
        .is_some_and(|name| host == name || host.starts_with(&format!("{name}:")));
    let (name, secure) =
        if is_encrypted(headers) || by_public_url { (SECURE_COOKIE, "; Secure") } else { (COOKIE, "") };
    let text = format!("{name}={secret}; Path=/; HttpOnly; SameSite=Strict; Max-Age={seconds}{secure}");
    // Letters and digits of ours: it is always a header.
    [(header::SET_COOKIE, HeaderValue::from_str(&text).unwrap_or(HeaderValue::from_static("")))]
}
