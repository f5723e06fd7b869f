//! Errors as problem details (RFC 9457), whoever noticed them.
//!
//! Duty: one shape for every refusal of `/api`: `type`, `title`, `status`, `detail`, `instance`, and `fix`, which says what
//! to do instead. A handler makes a [`Problem`]; [`dress`] writes it down, puts the path in, and does the same to
//! what the framework refuses by itself. It never tells what the log alone should know (paths of files, tokens).

use axum::body::{Body, to_bytes};
use axum::extract::Request;
use axum::http::{HeaderValue, StatusCode, header};
use axum::middleware::Next;
use axum::response::{IntoResponse, Response};
use serde_json::{Map, Value, json};

/// The media type. [RFC 9457, 3]
pub(super) const PROBLEM_JSON: &str = "application/problem+json";
/// Where the kinds are told: `type` is this and the kind's word.
pub(super) const KINDS_AT: &str = "/api/problems";
/// A refusal of the framework is a sentence; more than this of it is not passed on.
const LONGEST_FOREIGN: usize = 2048;

macro_rules! kinds {
    ($($name:ident $word:literal $status:ident $title:literal $meaning:literal;)*) => {
        /// The kinds of problems. [`Kind::word`] is the end of `type`.
        #[derive(Clone, Copy, Debug, PartialEq, Eq)]
        pub(super) enum Kind { $(#[doc = $meaning] $name,)* }

        impl Kind {
            /// Every kind.
            pub(super) const ALL: &[Self] = &[$(Self::$name,)*];

            /// Its word.
            pub(super) fn word(self) -> &'static str {
                match self { $(Self::$name => $word,)* }
            }

            /// The status that goes with it.
            pub(super) fn status(self) -> StatusCode {
                match self { $(Self::$name => StatusCode::$status,)* }
            }

            /// Short, and the same each time.
            pub(super) fn title(self) -> &'static str {
                match self { $(Self::$name => $title,)* }
            }

            /// What it means, for whoever writes a program.
            pub(super) fn meaning(self) -> &'static str {
                match self { $(Self::$name => $meaning,)* }
            }
        }
    };
}

kinds! {
    Malformed "malformed" BAD_REQUEST "The request cannot be read" "The request is broken: its body is not JSON, its path not UTF-8, a parameter of another type.";
    NeedsToken "needs-token" UNAUTHORIZED "A token is needed" "No token or session came with the request, or one that is not known.";
    Role "role" FORBIDDEN "This token may only look" "The token's role does not allow this route.";
    OtherSite "other-site" FORBIDDEN "The request comes from another site" "The origin is not this service: orders are taken from its own page and from programs.";
    OnSite "on-site" FORBIDDEN "Somebody must be at the tank" "From another machine only what is safe unseen is done; the rest needs `on_site: true`, said by a person at the tank.";
    NotFound "not-found" NOT_FOUND "There is no such thing" "The path, the tank, the output, the signal or the channel is not there.";
    Method "method" METHOD_NOT_ALLOWED "Not by this method" "The path is there, and takes another method.";
    TooSlow "too-slow" REQUEST_TIMEOUT "The request came too slowly" "The body was not complete in time.";
    Refused "refused" CONFLICT "Refused" "The request was understood and refused: what the core does not allow, no way in allows.";
    TooLarge "too-large" PAYLOAD_TOO_LARGE "The body is too large" "More bytes than any request needs.";
    MediaType "media-type" UNSUPPORTED_MEDIA_TYPE "JSON is needed" "The content type is not `application/json`.";
    WrongHost "wrong-host" MISDIRECTED_REQUEST "Not a name of this service" "The `Host` is not on the list, as when another site's name is bound to this address.";
    NotUnderstood "not-understood" UNPROCESSABLE_ENTITY "Not understood" "The request can be read and makes no sense: an unknown word, a value without unit, an empty range.";
    KeyReused "key-reused" UNPROCESSABLE_ENTITY "The key was used for another request" "An `Idempotency-Key` came again with another path or body.";
    TooMany "too-many" TOO_MANY_REQUESTS "Too many tries" "Wrong tokens came from this address; `Retry-After` says when the next try counts.";
    Fault "fault" INTERNAL_SERVER_ERROR "A fault of the daemon" "Something that should not happen; the log of the daemon says more.";
    Unavailable "unavailable" SERVICE_UNAVAILABLE "Not now" "What would answer does not: control, the store, or no place is left for one more stream.";
    NoAnswer "no-answer" GATEWAY_TIMEOUT "No answer in time" "The request was handed over, and whether it was done is not known: look at the status.";
}

impl Kind {
    /// The general kind of a status.
    pub(super) fn of(status: StatusCode) -> Self {
        let special = [Self::Role, Self::OnSite, Self::KeyReused];
        let general = Self::ALL.iter().find(|kind| kind.status() == status && !special.contains(kind));
        general.copied().unwrap_or(if status.is_client_error() { Self::Malformed } else { Self::Fault })
    }
}

/// One problem.
#[derive(Clone, Debug)]
pub(super) struct Problem {
    kind: Kind,
    detail: String,
    fix: String,
    more: Map<String, Value>,
    retry_after: Option<u64>,
}

impl Problem {
    /// What is wrong here and now, and what to do instead.
    pub(super) fn new(kind: Kind, detail: impl Into<String>, fix: impl Into<String>) -> Self {
        Self { kind, detail: detail.into(), fix: fix.into(), more: Map::new(), retry_after: None }
    }

    /// With what a program may want besides, such as the fields of an answer.
    pub(super) fn with(mut self, more: &impl serde::Serialize) -> Self {
        if let Ok(Value::Object(more)) = serde_json::to_value(more) {
            self.more.extend(more);
        }
        self
    }

    /// With the seconds after which another try makes sense.
    pub(super) fn after(mut self, seconds: u64) -> Self {
        self.retry_after = Some(seconds.max(1));
        self
    }

    /// Its kind.
    pub(super) fn kind(&self) -> Kind {
        self.kind
    }

    /// What is wrong, and what to do instead.
    pub(super) fn words(&self) -> (&str, &str) {
        (&self.detail, &self.fix)
    }

    /// What it carries besides.
    pub(super) fn more(&self) -> &Map<String, Value> {
        &self.more
    }

    /// As JSON. What it carries besides never takes the place of the standard's fields.
    pub(super) fn json(&self, instance: &str) -> Value {
        let mut all = self.more.clone();
        let standard = json!({
            "type": format!("{KINDS_AT}#{}", self.kind.word()),
            "title": self.kind.title(),
            "status": self.kind.status().as_u16(),
            "detail": self.detail,
            "instance": instance,
            "fix": self.fix,
        });
        if let Value::Object(standard) = standard {
            all.extend(standard);
        }
        Value::Object(all)
    }

    fn written(&self, instance: &str) -> Response {
        let mut response = (self.kind.status(), self.json(instance).to_string()).into_response();
        let headers = response.headers_mut();
        headers.insert(header::CONTENT_TYPE, HeaderValue::from_static(PROBLEM_JSON));
        if let Some(seconds) = self.retry_after {
            headers.insert(header::RETRY_AFTER, HeaderValue::from(seconds));
        }
        if self.kind == Kind::NeedsToken {
            headers.insert(header::WWW_AUTHENTICATE, HeaderValue::from_static("Bearer realm=\"slackwater\""));
        }
        response
    }
}

impl IntoResponse for Problem {
    fn into_response(self) -> Response {
        let mut response = self.kind.status().into_response();
        response.extensions_mut().insert(self);
        response
    }
}

/// The kinds, for whoever follows `type`.
pub(super) async fn kinds() -> axum::Json<Value> {
    let one = |kind: &Kind| json!({ "type": format!("{KINDS_AT}#{}", kind.word()), "title": kind.title(), "status": kind.status().as_u16(), "meaning": kind.meaning() });
    axum::Json(json!({ "problems": Kind::ALL.iter().map(one).collect::<Vec<_>>() }))
}

/// Writes problems down, and what every answer carries: it may not be framed, sniffed, or tell where one came from.
pub(super) async fn dress(request: Request, next: Next) -> Response {
    let path: String = request.uri().path().chars().take(256).collect();
    let mut response = next.run(request).await;
    if let Some(problem) = response.extensions_mut().remove::<Problem>() {
        let mut written = problem.written(&path);
        // What a handler set besides, such as a cookie that is taken back.
        for (name, value) in response.headers() {
            if ![header::CONTENT_TYPE, header::CONTENT_LENGTH].contains(name) {
                written.headers_mut().append(name, value.clone());
            }
        }
        response = written;
    } else if path.starts_with("/api") && is_foreign(&response) {
        response = adopt(response, &path).await;
    }
    let headers = response.headers_mut();
    for (name, value) in [
        (header::X_CONTENT_TYPE_OPTIONS, "nosniff"),
        (header::REFERRER_POLICY, "no-referrer"),
        (header::X_FRAME_OPTIONS, "DENY"),
        (
            header::CONTENT_SECURITY_POLICY,
            "default-src 'self'; base-uri 'none'; form-action 'self'; frame-ancestors 'none'; object-src 'none'",
        ),
    ] {
        headers.entry(name).or_insert(HeaderValue::from_static(value));
    }
    for (name, value) in [
        ("cross-origin-resource-policy", "same-origin"),
        ("cross-origin-opener-policy", "same-origin"),
        ("permissions-policy", "camera=(), geolocation=(), microphone=()"),
    ] {
        headers.entry(name).or_insert(HeaderValue::from_static(value));
    }
    if path.starts_with("/api") {
        headers.entry(header::CACHE_CONTROL).or_insert(HeaderValue::from_static("no-store"));
    }
    response
}

/// An error that is not one of ours: the framework's refusals.
fn is_foreign(response: &Response) -> bool {
    let status = response.status();
    let kind = response.headers().get(header::CONTENT_TYPE).and_then(|kind| kind.to_str().ok()).unwrap_or_default();
    (status.is_client_error() || status.is_server_error()) && !kind.starts_with(PROBLEM_JSON)
}

async fn adopt(response: Response, path: &str) -> Response {
    let (parts, body): (_, Body) = response.into_parts();
    let text = to_bytes(body, LONGEST_FOREIGN).await.unwrap_or_default();
    let text = String::from_utf8_lossy(&text).into_owned();
    let kind = Kind::of(parts.status);
    let detail = if text.trim().is_empty() { kind.title().to_owned() } else { text };
    let mut written = Problem::new(kind, detail, "`/api/openapi.json` says what this route takes").written(path);
    if let Some(allow) = parts.headers.get(header::ALLOW) {
        written.headers_mut().insert(header::ALLOW, allow.clone());
    }
    written
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_problem_has_the_fields_of_the_standard_and_a_fix() {
        let more = json!({ "outcome": "refused", "title": "never this" });
        let problem = Problem::new(Kind::Refused, "the heater is tripped", "reset it").with(&more);
        assert_eq!(
            problem.json("/api/v1/tanks/lagoon/ask"),
            json!({
                "type": "/api/problems#refused", "title": "Refused", "status": 409, "detail": "the heater is tripped",
                "instance": "/api/v1/tanks/lagoon/ask", "fix": "reset it", "outcome": "refused",
            })
        );
    }

    #[test]
    fn each_status_has_its_kind_and_each_word_is_one_kind_s() {
        for status in [400_u16, 401, 403, 404, 405, 408, 409, 413, 415, 421, 422, 429, 500, 503, 504] {
            let status = StatusCode::from_u16(status).unwrap();
            assert_eq!(Kind::of(status).status(), status);
        }
        assert_eq!(Kind::of(StatusCode::IM_A_TEAPOT), Kind::Malformed);
        assert_eq!(Kind::of(StatusCode::BAD_GATEWAY), Kind::Fault);
        let words: std::collections::BTreeSet<_> = Kind::ALL.iter().map(|kind| kind.word()).collect();
        assert_eq!(words.len(), Kind::ALL.len());
    }
}
