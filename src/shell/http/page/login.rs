//! The way in: a token, once; then the browser has a session.

use std::fmt::Write as _;

use axum::Extension;
use axum::extract::{Form, Query, State};
use axum::http::{HeaderMap, StatusCode};
use axum::response::{IntoResponse, Redirect, Response};

use super::super::Shared;
use super::super::access::Who;
use super::super::session;
use super::form::Fields;
use super::html::{E, Frame};

/// Where one wanted to go.
#[derive(serde::Deserialize)]
pub(in super::super) struct Wanted {
    #[serde(default)]
    to: String,
}

/// A path of ours, and nothing else: nobody is sent elsewhere after his token was taken.
fn inside(to: &str) -> &str {
    let is_path = to.starts_with('/') && !to.starts_with("//") && !to.contains(['\\', '\r', '\n']) && to.is_ascii();
    if is_path { to } else { "/" }
}

/// The form.
pub(in super::super) async fn form(
    State(shared): State<Shared>,
    Extension(who): Extension<Who>,
    Query(wanted): Query<Wanted>,
) -> Response {
    if shared.access.is_open() {
        return Redirect::to("/").into_response();
    }
    shown(&shared, &who, &wanted.to, None, StatusCode::OK)
}

fn shown(shared: &Shared, who: &Who, to: &str, wrong: Option<(&str, &str)>, code: StatusCode) -> Response {
    let mut body = "<h1>Who is there?</h1>\n".to_owned();
    if let Some((why, fix)) = wrong {
        let _ = writeln!(body, "<div class=\"told bad\" role=\"alert\"><p>{}</p><p>{}</p></div>", E(why), E(fix));
    }
    let _ = writeln!(
        body,
        "<form class=\"login\" method=\"post\" action=\"/login\">\
         <label for=\"token\">Your token, as it stands in its file on the daemon's machine</label>\
         <input id=\"token\" name=\"token\" type=\"password\" autocomplete=\"current-password\" required>\
         <input type=\"hidden\" name=\"back\" value=\"{}\"><input type=\"hidden\" name=\"mark\" value=\"{}\">\
         <button class=\"big\">Come in</button></form>",
        E(inside(to)),
        shared.desk.marks.new_mark(who)
    );
    let top = "<span class=\"where\">Slackwater</span>";
    Frame { title: "Come in - Slackwater", head: "", top, body: &body }.answer(code)
}

/// A token was shown.
pub(in super::super) async fn enter(
    State(shared): State<Shared>,
    Extension(asks): Extension<Who>,
    headers: HeaderMap,
    Form(fields): Form<Fields>,
) -> Response {
    let text = |name: &str| fields.get(name).map(String::as_str).unwrap_or_default();
    let done = shared
        .desk
        .marks
        .nonce(&asks, &fields)
        .and_then(|_| session::enter(&shared, &asks, &headers, text("token").trim()));
    match done {
        Ok((cookie, _)) => (cookie, Redirect::to(inside(text("back")))).into_response(),
        Err(problem) => shown(&shared, &asks, text("back"), Some(problem.words()), problem.kind().status()),
    }
}

/// The session ends.
pub(in super::super) async fn leave(
    State(shared): State<Shared>,
    Extension(who): Extension<Who>,
    headers: HeaderMap,
    Form(fields): Form<Fields>,
) -> Response {
    if let Err(problem) = shared.desk.marks.nonce(&who, &fields) {
        return super::refused(&problem, "/");
    }
    (session::leave(&shared, &who, &headers), Redirect::to("/login")).into_response()
}

#[cfg(test)]
mod tests {
    use super::inside;

    #[test]
    fn after_the_login_nobody_is_sent_elsewhere() {
        assert_eq!(inside("/tanks/lagoon?told=1"), "/tanks/lagoon?told=1");
        for elsewhere in ["", "https://evil.example", "//evil.example", "/\\evil.example", "evil", "/a\r\nb"] {
            assert_eq!(inside(elsewhere), "/", "{elsewhere}");
        }
    }
}
