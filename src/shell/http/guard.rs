//! Who may ask: host names against rebinding, tokens and sessions with their role, origin and type for orders, and
//! bodies that are small and come soon.
//!
//! Duty: everything that is decided before a handler runs, in this order, and the journal's line of who asked what.
//! A handler finds [`Who`] among the request's extensions and its body whole.

use std::future::poll_fn;
use std::net::{IpAddr, SocketAddr};
use std::pin::Pin;
use std::time::Duration;

use axum::body::Body;
use axum::extract::{MatchedPath, Request, State};
use axum::http::{HeaderMap, HeaderName, Method, header};
use axum::middleware::Next;
use axum::response::{IntoResponse, Response};
use bytes::Bytes;
use http_body::Body as _;

use crate::config::setup::Role;
use crate::shell::job::Job;

use super::access::{self, Access, Denied, Shown, Way, Who};
use super::idempotency;
use super::problem::{Kind, Problem};
use super::routes::{Face, Gate, Needs, Verb};
use super::{GREATEST_BODY, Shared, page};

/// A body is complete in this time, or is given up. [slow senders hold a place for nothing]
const BODY_WITHIN: Duration = Duration::from_secs(10);
/// So much of a body stands in the journal.
const LONGEST_NOTE: usize = 160;

/// The cookie of a session; by an encrypted way only the second one is set, which a browser takes from there alone.
pub(super) const COOKIE: &str = "slackwater-session";
pub(super) const SECURE_COOKIE: &str = "__Host-slackwater-session";

/// Where a connection comes from.
#[derive(Clone, Copy, Debug)]
pub(super) struct Peer(pub(super) SocketAddr);

/// Counts requests by the template of their route, so that no path makes a series of its own.
pub(super) async fn count(State(shared): State<Shared>, request: Request, next: Next) -> Response {
    let route = request.extensions().get::<MatchedPath>().map_or("other", MatchedPath::as_str).to_owned();
    let begun = std::time::Instant::now();
    let response = next.run(request).await;
    shared.meters.http_request(&route, response.status().as_u16(), begun.elapsed().as_secs_f64());
    response
}

/// Refuses what does not come from where it should, and what its token does not allow.
pub(super) async fn guard(State(shared): State<Shared>, request: Request, next: Next) -> Response {
    let gate = gate(&shared, &request);
    let face = gate.map_or(Face::Program, |gate| gate.face);
    let asked = if *request.method() == Method::GET { request.uri().path().to_owned() } else { "/".to_owned() };
    match admit(&shared, request, gate).await.map_err(|problem| (problem, face)) {
        Ok((request, line)) => {
            let response = idempotency::once(&shared, request, next).await;
            if let Some(line) = line {
                let text = format!("{line}: {}", response.status().as_u16());
                shared.note(text);
            }
            response
        }
        Err((problem, Face::Program)) => problem.into_response(),
        Err((problem, Face::Browser)) => page::refused(&problem, &asked),
    }
}

/// The request with who asks it, and what the journal will say of it.
async fn admit(
    shared: &Shared,
    mut request: Request,
    gate: Option<Gate>,
) -> Result<(Request, Option<String>), Problem> {
    check_host(shared, &request)?;
    // A path that is no route, or takes another method, is not told to whoever may not look.
    let (needs, most) = gate.map_or((Needs::Look, GREATEST_BODY), |gate| (gate.needs, gate.most));
    let who = who(shared, &request, needs)?;
    // What is no route changes nothing: it is told to be none, whatever came with it.
    let order = gate.filter(|_| !matches!(*request.method(), Method::GET | Method::HEAD));
    let is_order = order.is_some();
    if let Some(gate) = order {
        check_order(shared, &request, &who, gate.face)?;
    }
    if needs == Needs::Keeper && who.role < Role::Keeper {
        let name = who.name.as_deref().unwrap_or("this one");
        return Err(Problem::new(
            Kind::Role,
            format!("the token `{name}` may look, and this changes something"),
            "ask with a token whose `role` in daemon.yaml is `keeper`",
        ));
    }
    let mut line = None;
    if is_order {
        let (parts, body) = request.into_parts();
        let body = whole(&parts.headers, body, most).await?;
        if needs == Needs::Keeper {
            line = Some(noted(&who, &parts.method, parts.uri.path(), &body));
        }
        request = Request::from_parts(parts, Body::from(body));
    }
    request.extensions_mut().insert(who);
    Ok((request, line))
}

/// What stands before the route; `None`: there is no such route, or not by this method.
fn gate(shared: &Shared, request: &Request) -> Option<Gate> {
    let path = request.extensions().get::<MatchedPath>()?.as_str();
    let verb = Verb::of(request.method())?;
    shared.gates.get(&(verb, path.to_owned())).copied()
}

fn text(headers: &HeaderMap, name: impl Into<HeaderName>) -> Option<&str> {
    headers.get(name.into()).and_then(|value| value.to_str().ok())
}

/// By a name that is not ours another site's script would read what this one's may.
fn check_host(shared: &Shared, request: &Request) -> Result<(), Problem> {
    let given = text(request.headers(), header::HOST)
        .or_else(|| request.uri().authority().map(axum::http::uri::Authority::as_str));
    let host = given.unwrap_or_default();
    if shared.hosts.knows(host) {
        return Ok(());
    }
    Err(Problem::new(
        Kind::WrongHost,
        format!("`{host}` is not a name of this service"),
        "use `localhost`, an address, or a name that `names` of `http` in daemon.yaml lists",
    ))
}

fn from(shared: &Shared, request: &Request) -> IpAddr {
    let peer = request.extensions().get::<Peer>().map_or(IpAddr::from([0, 0, 0, 0]), |peer| peer.0.ip());
    access::address(peer, shared.proxy, text(request.headers(), HeaderName::from_static("x-forwarded-for")))
}

/// Whether the browser speaks by an encrypted way: the proxy says so.
pub(super) fn is_encrypted(headers: &HeaderMap) -> bool {
    // Anybody may say it: it makes the cookie stricter and nothing else.
    text(headers, HeaderName::from_static("x-forwarded-proto")).is_some_and(|way| way.eq_ignore_ascii_case("https"))
}

fn who(shared: &Shared, request: &Request, needs: Needs) -> Result<Who, Problem> {
    let headers = request.headers();
    let agent = text(headers, header::USER_AGENT).unwrap_or_default();
    let way = match () {
        () if agent.starts_with("slackwater/") => Way::CommandLine,
        // A browser says where a script's request is from.
        () if headers.contains_key("sec-fetch-site") => Way::Page,
        () => Way::Http,
    };
    let bearer = text(headers, header::AUTHORIZATION).map(|given| given.strip_prefix("Bearer ").unwrap_or_default());
    let shown = Shown { bearer: bearer.map(str::trim), cookie: cookie(headers) };
    let (from, now) = (from(shared, request), access::now());
    if needs == Needs::Nothing {
        return Ok(shared.access.who_if_known(shown, way, from, now));
    }
    shared.access.who(shown, way, from, now).map_err(|denied| {
        if denied == Denied::Wrong {
            shared.note(format!("a wrong token came by {way:?} from {from}"));
        }
        refusal(&denied)
    })
}

/// Why somebody is not let in, and what would let him in.
pub(super) fn refusal(denied: &Denied) -> Problem {
    let fix = "send the header `Authorization: Bearer TOKEN`, or log in at the page; for the command line set SLACKWATER_TOKEN";
    match denied {
        Denied::Nothing => Problem::new(Kind::NeedsToken, "no token came with the request", fix),
        Denied::Wrong => Problem::new(Kind::NeedsToken, "the token is not known", fix),
        Denied::SessionOver => Problem::new(Kind::NeedsToken, "the session is over", "log in again with a token"),
        Denied::Wait(seconds) => Problem::new(
            Kind::TooMany,
            "wrong tokens came from this address",
            format!("wait {seconds} s before the next try, and look at which token is sent"),
        )
        .after(*seconds),
        Denied::NoSecrets => Problem::new(
            Kind::Fault,
            "no token can be read",
            format!("see the daemon's log; a token has {} letters at least", access::LEAST_TOKEN),
        ),
    }
}

/// The secret of a session among the cookies.
fn cookie(headers: &HeaderMap) -> Option<&str> {
    let all = headers.get_all(header::COOKIE).iter().filter_map(|value| value.to_str().ok());
    let pairs = all.flat_map(|line| line.split(';')).filter_map(|pair| pair.trim().split_once('='));
    let mut found = None;
    for (name, value) in pairs {
        match name {
            SECURE_COOKIE => return Some(value),
            COOKIE => found = Some(value),
            _ => {}
        }
    }
    found
}

/// Orders: from our own page or a program, as JSON; by the page's forms, whose own token their handler looks at. A
/// cookie alone is no proof that our page asks.
fn check_order(shared: &Shared, request: &Request, who: &Who, face: Face) -> Result<(), Problem> {
    let headers = request.headers();
    let origin = text(headers, header::ORIGIN);
    let ours = |origin: &str| origin.split_once("://").is_some_and(|(_, host)| shared.hosts.knows(host));
    // The page and the service have one host: another name of ours is another site too.
    let same = |origin: &str| origin.split_once("://").map(|(_, host)| host) == text(headers, header::HOST);
    let site = text(headers, HeaderName::from_static("sec-fetch-site"));
    let fits = origin.map_or(who.session().is_none(), |origin| ours(origin) && same(origin));
    if !fits || site.is_some_and(|site| site != "same-origin" && site != "none") {
        let fix = "orders are taken from this service's own page and from programs";
        return Err(Problem::new(Kind::OtherSite, "the request comes from another site", fix));
    }
    let kind = text(headers, header::CONTENT_TYPE);
    // What takes no body needs no type, and a browser asks first before it sends such a request elsewhere.
    if *request.method() == Method::DELETE && kind.is_none() {
        return Ok(());
    }
    let kind = kind.unwrap_or_default();
    let wanted = match face {
        Face::Program => "application/json",
        Face::Browser => "application/x-www-form-urlencoded",
    };
    if !kind.split(';').next().is_some_and(|kind| kind.trim().eq_ignore_ascii_case(wanted)) {
        return Err(Problem::new(
            Kind::MediaType,
            format!("the content type is `{kind}`"),
            format!("send `Content-Type: {wanted}`"),
        ));
    }
    Ok(())
}

/// The body, if it is small and comes in time.
async fn whole(headers: &HeaderMap, body: Body, most: usize) -> Result<Bytes, Problem> {
    let too_large = || {
        let fix = format!("send {most} bytes at most");
        Problem::new(Kind::TooLarge, "the body is larger than any request needs", fix)
    };
    let said = text(headers, header::CONTENT_LENGTH).and_then(|length| length.parse::<usize>().ok());
    if said.is_some_and(|length| length > most) {
        return Err(too_large());
    }
    let mut body = body;
    let mut all = Vec::new();
    let read = async {
        while let Some(frame) = poll_fn(|context| Pin::new(&mut body).poll_frame(context)).await {
            let Ok(frame) = frame else {
                return Err(Problem::new(Kind::Malformed, "the body broke off", "send it whole"));
            };
            if let Ok(data) = frame.into_data() {
                if all.len() + data.len() > most {
                    return Err(too_large());
                }
                all.extend_from_slice(&data);
            }
        }
        Ok(())
    };
    match tokio::time::timeout(BODY_WITHIN, read).await {
        Ok(done) => done.map(|()| Bytes::from(all)),
        Err(_) => Err(Problem::new(
            Kind::TooSlow,
            format!("the body was not complete within {} s", BODY_WITHIN.as_secs()),
            "send it at once",
        )),
    }
}

/// Who asked what, for the journal, on one line.
fn noted(who: &Who, method: &Method, path: &str, body: &[u8]) -> String {
    // A letter has four bytes at most.
    let said = String::from_utf8_lossy(&body[..body.len().min(4 * LONGEST_NOTE)]);
    let said: String =
        said.chars().map(|letter| if letter.is_control() { ' ' } else { letter }).take(LONGEST_NOTE).collect();
    let path: String = path.chars().take(LONGEST_NOTE).collect();
    format!("{}: {method} {path} {said}", who.described())
}

impl Shared {
    /// A line of the journal. Where control has its hands full, it is lost: no request waits for it.
    pub(super) fn note(&self, text: String) {
        if self.inbox.try_send(Job::Noted { subject: "http".to_owned(), text }).is_err() {
            tracing::warn!("a line of who asked was not written down");
        }
    }
}

/// The names of this service.
#[derive(Clone, Debug)]
pub(super) struct Hosts {
    listen: IpAddr,
    names: Vec<String>,
    /// Only behind tokens the service is more than this machine's.
    guarded: bool,
}

impl Hosts {
    pub(super) fn new(listen: IpAddr, names: Vec<String>, access: &Access) -> Self {
        Self { listen, names, guarded: !access.is_open() }
    }

    /// Whether this is us. Where we listen on every address, any address is; a name never, unless it is listed: only by
    /// a name can another site be bound to this address.
    pub(super) fn knows(&self, host: &str) -> bool {
        let name = match host.strip_prefix('[') {
            Some(rest) => rest.split(']').next().unwrap_or_default(),
            None => host.rsplit_once(':').map_or(host, |(name, _)| name),
        };
        if let Ok(address) = name.parse::<IpAddr>() {
            return address.is_loopback() || address == self.listen || self.guarded && self.listen.is_unspecified();
        }
        let name = name.strip_suffix('.').unwrap_or(name);
        name.eq_ignore_ascii_case("localhost")
            || self.guarded && self.names.iter().any(|known| known.eq_ignore_ascii_case(name))
    }
}

/// The host of an URL, without its port.
pub(super) fn host_of(url: &str) -> Option<String> {
    let rest = url.split_once("://")?.1;
    let host = rest.split(['/', '?', '#']).next()?;
    let host = host.rsplit_once(':').map_or(host, |(name, port)| if port.contains(']') { host } else { name });
    (!host.is_empty()).then(|| host.to_owned())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn hosts(listen: &str, guarded: bool) -> Hosts {
        Hosts { listen: listen.parse().unwrap(), names: vec!["tank.example".to_owned()], guarded }
    }

    #[test]
    fn a_name_that_is_not_listed_is_never_ours() {
        let alone = hosts("127.0.0.1", false);
        for ours in ["localhost:8480", "127.0.0.1", "[::1]:8480", "LOCALHOST."] {
            assert!(alone.knows(ours), "{ours}");
        }
        for other in
            ["tank.example", "192.0.2.7", "evil.example", "", "localhost.evil.example", "127.0.0.1.evil.example"]
        {
            assert!(!alone.knows(other), "{other}");
        }
        let everywhere = hosts("0.0.0.0", true);
        assert!(everywhere.knows("192.0.2.7:8480") && everywhere.knows("Tank.Example"));
        assert!(!everywhere.knows("evil.example:8480"));
        assert!(!hosts("192.0.2.7", true).knows("192.0.2.8"));
    }

    #[test]
    fn the_host_of_an_url_is_its_name() {
        assert_eq!(host_of("https://tank.example:8443/a").as_deref(), Some("tank.example"));
        assert_eq!(host_of("https://tank.example").as_deref(), Some("tank.example"));
        assert_eq!(host_of("tank.example"), None);
    }

    #[test]
    fn the_stricter_cookie_wins() {
        let mut headers = HeaderMap::new();
        let line = format!("a=b; {SECURE_COOKIE}=strict; {COOKIE}=plain");
        headers.insert(header::COOKIE, line.parse().unwrap());
        assert_eq!(cookie(&headers), Some("strict"));
        headers.insert(header::COOKIE, format!("{COOKIE}=plain").parse().unwrap());
        assert_eq!(cookie(&headers), Some("plain"));
        headers.insert(header::COOKIE, "other=1".parse().unwrap());
        assert_eq!(cookie(&headers), None);
    }
}
