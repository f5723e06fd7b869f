//! The table of routes: path, method, who may, what it says. The router, the doorkeeper and the document are made of it.
//!
//! To add a route, write a handler and one row here, in [`table`]:
//! ```text
//! route(Get, "/api/v1/tanks/{tank}/supplies", Look, supplies::list, "What runs out, and when")
//!     .answers(of::<supplies::List>)          the type derives schemars::JsonSchema; left out, any JSON is allowed
//!     .refuses(&[NotFound, Unavailable]),     kinds that the handler itself answers; the guard's are known
//! route(Post, "/api/v1/tanks/{tank}/supplies", Keeper, supplies::refill, "A container was filled")
//!     .takes(of::<supplies::Refill>)
//!     .answers(of::<Answer>),
//! ```
//! A new verb of `ask` is a row of [`super::openapi::asks`].

use std::collections::BTreeMap;

use axum::Router;
use axum::handler::Handler;
use axum::http::Method;
use axum::routing::{self, MethodRouter};
use schemars::{JsonSchema, Schema, SchemaGenerator};

use crate::control::effect::Answer;
use crate::control::status::{Explanation, TankStatus};
use crate::shell::job::TankList;
use crate::shell::store::history::read::Bucket;
use crate::water::stats::days::Day;

use super::openapi::{self, asks};
use super::problem::{self, Kind};
use super::{GREATEST_BODY, Shared, api, calc, care, events, history, journal, metrics, notify, page, ready, session};

/// A method of a route.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Verb {
    Get,
    Post,
    Delete,
}

impl Verb {
    /// `HEAD` asks for what `GET` gives.
    pub(super) fn of(method: &Method) -> Option<Self> {
        match *method {
            Method::GET | Method::HEAD => Some(Self::Get),
            Method::POST => Some(Self::Post),
            Method::DELETE => Some(Self::Delete),
            _ => None,
        }
    }

    /// As it is written.
    pub(super) fn word(self) -> &'static str {
        match self {
            Self::Get => "GET",
            Self::Post => "POST",
            Self::Delete => "DELETE",
        }
    }
}

/// Who may.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Needs {
    /// Whoever reaches the port: what shows no fact of a tank, and the way in.
    Nothing,
    /// Any token.
    Look,
    /// A keeper's token.
    Keeper,
}

/// Whom a route speaks to: it decides what an order looks like, and a refusal.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Face {
    /// JSON, problem details.
    Program,
    /// HTML, forms with a token of their own; who is not known is shown the way in.
    Browser,
}

/// What stands before a route.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Gate {
    pub(super) needs: Needs,
    pub(super) face: Face,
    /// Bytes of a body at most.
    pub(super) most: usize,
}

/// How a schema is made; [`of`] for a type.
pub(super) type Shape = fn(&mut SchemaGenerator) -> Schema;

/// The schema of a type.
pub(super) fn of<T: JsonSchema>(generator: &mut SchemaGenerator) -> Schema {
    generator.subschema_for::<T>()
}

/// A row of the table.
pub(super) struct Route {
    pub(super) verb: Verb,
    pub(super) path: &'static str,
    pub(super) needs: Needs,
    pub(super) face: Face,
    pub(super) says: &'static str,
    /// Parameters of the query, each with its type and what it means.
    pub(super) query: &'static [(&'static str, &'static str, &'static str)],
    pub(super) takes: Option<Shape>,
    /// The media type of a good answer, and its schema, where it is JSON.
    pub(super) answers: (&'static str, Option<Shape>),
    /// Refusals of the handler itself; the guard's are known.
    pub(super) refuses: &'static [Kind],
    /// The bytes of a body, at most.
    pub(super) most: usize,
    handler: MethodRouter<Shared>,
}

impl Route {
    fn query(self, query: &'static [(&'static str, &'static str, &'static str)]) -> Self {
        Self { query, ..self }
    }

    fn takes(self, shape: Shape) -> Self {
        Self { takes: Some(shape), ..self }
    }

    fn answers(self, shape: Shape) -> Self {
        Self { answers: ("application/json", Some(shape)), ..self }
    }

    fn answers_by(self, media: &'static str) -> Self {
        Self { answers: (media, None), ..self }
    }

    fn refuses(self, refuses: &'static [Kind]) -> Self {
        Self { refuses, ..self }
    }

    fn up_to(self, most: usize) -> Self {
        Self { most, ..self }
    }
}

fn route<H: Handler<T, Shared>, T: 'static>(
    verb: Verb,
    path: &'static str,
    needs: Needs,
    handler: H,
    says: &'static str,
) -> Route {
    let handler = match verb {
        Verb::Get => routing::get(handler),
        Verb::Post => routing::post(handler),
        Verb::Delete => routing::delete(handler),
    };
    let answers = ("application/json", None);
    let face = Face::Program;
    let most = GREATEST_BODY;
    Route { verb, path, needs, face, says, query: &[], takes: None, answers, refuses: &[], most, handler }
}

const RANGE: &[(&str, &str, &str)] = &[
    ("signal", "string", "The signal; must be given"),
    ("from", "string", "From when on: RFC 3339, a local date, or Unix seconds; a day before `to` if not given"),
    ("to", "string", "Until when; a date counts whole; now if not given"),
];
const CHART: &[(&str, &str, &str)] =
    &[RANGE[0], RANGE[1], RANGE[2], ("points", "integer", "About so many points, 1 to 5000; 500 if not given")];
const PAGE: &[(&str, &str, &str)] = &[
    ("kind", "string", "Only lines of this kind, such as `hold`, `trip`, `alarm`, `system`"),
    ("before", "integer", "Only lines older than the one of this number: `next` of the page before"),
    ("lines", "integer", "So many at most, 1 to 1000; 100 if not given"),
];

const LOG: &[(&str, &str, &str)] = &[
    ("name", "string", "Only entries of this quantity or subject"),
    ("days", "integer", "Only entries of so many days; all if not given"),
    ("all", "boolean", "What was corrected or deleted too"),
];
const TRIP: &[(&str, &str, &str)] = &[
    ("from", "string", "The first day away, `2026-12-20`; must be given"),
    ("until", "string", "The last day away; must be given"),
];

/// Every guarded route.
pub(super) fn table() -> Vec<Route> {
    let mut table = core();
    table.extend(of_care());
    table
}

/// The keeper's side: log, supplies, chores, items, spots.
fn of_care() -> Vec<Route> {
    use Kind::{NoAnswer, NotFound, NotUnderstood, Refused};
    use Needs::{Keeper, Look};
    use Verb::{Get, Post};
    const ABSENT: &[Kind] = &[NotFound, NoAnswer];
    const ASKED: &[Kind] = &[NotFound, NoAnswer, Refused, NotUnderstood];
    let noted = |path, says| {
        route(Post, path, Keeper, care::ask, says)
            .takes(care::shape)
            .answers(of::<care::CareAnswer>)
            .refuses(ASKED)
            .up_to(care::GREATEST_FILE)
    };
    vec![
        route(Get, "/api/v1/tanks/{tank}/log", Look, care::log, "The keeper's log").query(LOG).refuses(ABSENT),
        noted("/api/v1/tanks/{tank}/log", "Note something: a measurement, a dose, an event, a file of entries"),
        route(Get, "/api/v1/tanks/{tank}/log/export", Look, care::export, "The log as a file")
            .answers_by("text/csv")
            .refuses(ABSENT),
        route(Get, "/api/v1/tanks/{tank}/supplies", Look, care::supplies, "What runs out, and when").refuses(ABSENT),
        noted("/api/v1/tanks/{tank}/supplies", "Note a refill, a use, or what is left"),
        route(Get, "/api/v1/tanks/{tank}/chores", Look, care::chores, "What is to be done, and when").refuses(ABSENT),
        noted("/api/v1/tanks/{tank}/chores", "A chore is done, or waits"),
        route(Get, "/api/v1/tanks/{tank}/chores/sheet", Look, care::sheet, "A sheet for whoever looks after the tank")
            .answers_by("text/markdown")
            .refuses(ABSENT),
        route(Get, "/api/v1/tanks/{tank}/items", Look, care::items, "What has a place, dates and notes")
            .refuses(ABSENT),
        noted("/api/v1/tanks/{tank}/items", "An item came, moved, is noted about, or is gone"),
        route(Get, "/api/v1/tanks/{tank}/spots", Look, care::spots, "The light map").refuses(ABSENT),
        noted("/api/v1/tanks/{tank}/spots", "The light was measured or changed"),
        route(Get, "/api/v1/tanks/{tank}/audit", Look, care::audit, "What is to be seen to before a trip")
            .query(TRIP)
            .refuses(&[NotFound, NoAnswer, NotUnderstood]),
    ]
}

fn core() -> Vec<Route> {
    use Kind::{NoAnswer, NotFound, NotUnderstood, Refused, Unavailable};
    use Needs::{Keeper, Look, Nothing};
    use Verb::{Delete, Get, Post};
    vec![
        route(Get, "/api/problems", Nothing, problem::kinds, "The kinds of problems"),
        route(Get, "/api/openapi.json", Look, openapi::document, "This document"),
        route(Get, "/api/v1/version", Look, api::version, "Which daemon this is").answers(of::<api::Version>),
        route(Post, "/api/v1/session", Nothing, session::login, "Log in with a token, for the page")
            .takes(of::<session::Login>)
            .answers(of::<session::WhoAmI>)
            .refuses(&[Refused, Kind::NeedsToken, Kind::TooMany]),
        route(Get, "/api/v1/session", Look, session::whoami, "Who is asking, and what that one may")
            .answers(of::<session::WhoAmI>),
        route(Delete, "/api/v1/session", Look, session::logout, "Log out").answers(of::<api::Said>),
        route(Get, "/api/v1/tanks", Look, api::tanks, "The tanks, and how the daemon is")
            .answers(of::<TankList>)
            .refuses(&[Unavailable]),
        route(Get, "/api/v1/events", Look, events::of_all, "All tanks as they change, as a stream")
            .answers_by("text/event-stream")
            .refuses(&[Unavailable]),
        route(Get, "/api/v1/tanks/{tank}/events", Look, events::of_tank, "One tank as it changes, as a stream")
            .answers_by("text/event-stream")
            .refuses(&[NotFound, Unavailable]),
        route(Get, "/api/v1/tanks/{tank}/status", Look, api::status, "What a tank looks like now")
            .answers(of::<TankStatus>)
            .refuses(&[NotFound, Unavailable]),
        route(Get, "/api/v1/tanks/{tank}/alarms", Look, api::alarms, "Its alarms, and whether there are too many")
            .answers(of::<api::AlarmList>)
            .refuses(&[NotFound, Unavailable]),
        route(Get, "/api/v1/tanks/{tank}/explain/{output}", Look, api::explain, "Why an output is as it is")
            .answers(of::<Explanation>)
            .refuses(&[NotFound, Unavailable]),
        route(Post, "/api/v1/tanks/{tank}/ask", Keeper, api::ask, "Ask a tank for something")
            .takes(asks::shape)
            .answers(of::<Answer>)
            .refuses(&[NotFound, Refused, NotUnderstood, NoAnswer]),
        route(Post, "/api/v1/ask", Keeper, api::ask_all, "Ask all tanks at once")
            .takes(asks::shape)
            .answers(api::of_all)
            .refuses(&[Refused, NotUnderstood, Unavailable]),
        route(Get, "/api/v1/tanks/{tank}/history", Look, history::chart, "A signal over a range, for a chart")
            .query(CHART)
            .answers(of::<history::Chart>)
            .refuses(&[NotFound, NotUnderstood, Unavailable]),
        route(Get, "/api/v1/tanks/{tank}/readings", Look, history::readings, "Readings as they are kept")
            .query(RANGE)
            .answers(of::<history::Page<Bucket>>)
            .refuses(&[NotFound, NotUnderstood, Unavailable]),
        route(Get, "/api/v1/tanks/{tank}/days", Look, history::days, "How steady each local day was")
            .query(RANGE)
            .answers(of::<history::Page<Day>>)
            .refuses(&[NotFound, NotUnderstood, Unavailable]),
        route(Get, "/api/v1/journal", Look, journal::of_all, "What happened, the newest first")
            .query(PAGE)
            .answers(of::<journal::Lines>)
            .refuses(&[NotUnderstood, Unavailable]),
        route(Get, "/api/v1/tanks/{tank}/journal", Look, journal::of_tank, "What happened to a tank, the newest first")
            .query(PAGE)
            .answers(of::<journal::Lines>)
            .refuses(&[NotFound, NotUnderstood, Unavailable]),
        route(Get, "/api/v1/calc", Look, calc::known, "The calculations, and what each wants"),
        route(Post, "/api/v1/calc/{what}", Look, calc::calculate, "Work something out; no tank is asked")
            .takes(calc::shape)
            .refuses(&[NotFound, Refused, NotUnderstood]),
        route(Post, "/api/v1/reload", Keeper, api::reload, "Read the config anew").answers(of::<api::Said>).refuses(&[
            Refused,
            NotUnderstood,
            Unavailable,
        ]),
        route(Get, "/api/v1/notify", Look, notify::channels, "How the channels are")
            .answers(of::<notify::Channels>)
            .refuses(&[Unavailable]),
        route(Post, "/api/v1/notify/test", Keeper, notify::test, "Try one channel, or all")
            .takes(of::<notify::Wish>)
            .answers(of::<notify::Tested>)
            .refuses(&[NotFound, NotUnderstood, Unavailable]),
    ]
}

/// The page: HTML for people. No part of the API, nor of its document.
pub(super) fn pages() -> Vec<Route> {
    use Needs::{Keeper, Look, Nothing};
    use Verb::{Get, Post};
    let rows = vec![
        route(Get, "/", Look, page::index, "The tanks"),
        route(Get, "/login", Nothing, page::login::form, "The way in"),
        route(Post, "/login", Nothing, page::login::enter, "Log in"),
        route(Post, "/logout", Nothing, page::login::leave, "Log out"),
        route(Get, "/assets/{name}", Nothing, page::assets::give, "Style and script"),
        route(Get, "/tanks/{tank}", Look, page::tank, "A tank"),
        route(Get, "/tanks/{tank}/hold/{procedure}", Look, page::hold, "What a hold will do, before it does"),
        route(Get, "/tanks/{tank}/release/{procedure}", Look, page::release, "What a release will do, before it does"),
        route(Get, "/tanks/{tank}/outputs/{output}", Look, page::output, "Why an output is as it is"),
        route(Get, "/tanks/{tank}/journal", Look, page::journal, "What happened, the newest first"),
        route(Get, "/tanks/{tank}/log", Look, page::keeping, "Supplies, chores and the keeper's log"),
        route(Get, "/tanks/{tank}/proofs", Look, page::proofs, "What is proven, and the session that goes on"),
        route(Get, "/tanks/{tank}/safeguards", Look, page::safeguards, "Interlocks and their bypasses"),
        route(Get, "/tanks/{tank}/doses", Look, page::doses, "Dosing pumps and what is proposed for them"),
        route(Post, "/tanks/{tank}/ask", Keeper, page::ask, "Ask a tank for something"),
        route(Post, "/tanks/{tank}/note", Keeper, page::note, "Note something in the keeper's log"),
        route(Get, "/calc", Look, page::calc::list, "The calculations"),
        route(Get, "/calc/{what}", Look, page::calc::one, "A calculation as a form, and what it comes to"),
    ];
    rows.into_iter().map(|row| Route { face: Face::Browser, ..row.answers_by("text/html") }).collect()
}

/// Routes that are open to whoever reaches the port, and say nothing that is secret.
pub(super) fn open() -> Vec<Route> {
    use Needs::Nothing;
    use Verb::Get;
    vec![
        route(Get, "/healthz", Nothing, async || "alive\n", "Whether the process lives").answers_by("text/plain"),
        route(Get, "/readyz", Nothing, ready, "Whether control turns and the broker is there")
            .answers_by("text/plain")
            .refuses(&[Kind::Unavailable]),
        route(Get, "/metrics", Nothing, metrics::metrics, "Metrics for the monitoring stack")
            .answers_by("text/plain")
            .refuses(&[Kind::Unavailable]),
    ]
}

/// What stands before each guarded route, by method and template.
pub(super) fn gates() -> BTreeMap<(Verb, String), Gate> {
    let gate = |route: Route| {
        let Route { verb, path, needs, face, most, .. } = route;
        ((verb, path.to_owned()), Gate { needs, face, most })
    };
    table().into_iter().chain(pages()).map(gate).collect()
}

/// Routes as a router, without what stands around them.
pub(super) fn router(routes: Vec<Route>) -> Router<Shared> {
    routes.into_iter().fold(Router::new(), |router, route| router.route(route.path, route.handler))
}
