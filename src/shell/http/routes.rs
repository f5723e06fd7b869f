//! The table of routes: path, method, who may, what it says. The router, the doorkeeper and the document are made of it.
//!
//! To add a route, write a handler and one row here, in [`table`]:
//! ```text
//! route(Get, "/api/v1/tanks/{tank}/supplies", Look, supplies::list, "What runs out, and when"),
//! route(Post, "/api/v1/tanks/{tank}/supplies", Keeper, supplies::refill, "A container was filled"),
//! ```

use std::collections::BTreeMap;

use axum::Router;
use axum::handler::Handler;
use axum::http::Method;
use axum::routing::{self, MethodRouter};

use super::{Shared, api, events, history, notify, page, problem, session};

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

/// A row of the table.
pub(super) struct Route {
    pub(super) verb: Verb,
    pub(super) path: &'static str,
    pub(super) needs: Needs,
    pub(super) says: &'static str,
    handler: MethodRouter<Shared>,
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
    Route { verb, path, needs, says, handler }
}

/// Every guarded route.
pub(super) fn table() -> Vec<Route> {
    use Needs::{Keeper, Look, Nothing};
    use Verb::{Delete, Get, Post};
    vec![
        route(Get, "/", Nothing, page, "The page"),
        route(Get, "/api/problems", Nothing, problem::kinds, "The kinds of problems"),
        route(Post, "/api/v1/session", Nothing, session::login, "Log in with a token, for the page"),
        route(Get, "/api/v1/session", Look, session::whoami, "Who is asking, and what that one may"),
        route(Delete, "/api/v1/session", Look, session::logout, "Log out"),
        route(Get, "/api/v1/tanks", Look, api::tanks, "The tanks, and how the daemon is"),
        route(Get, "/api/v1/events", Look, events::of_all, "All tanks as they change, as a stream"),
        route(Get, "/api/v1/tanks/{tank}/events", Look, events::of_tank, "One tank as it changes, as a stream"),
        route(Get, "/api/v1/tanks/{tank}/status", Look, api::status, "What a tank looks like now"),
        route(Get, "/api/v1/tanks/{tank}/explain/{output}", Look, api::explain, "Why an output is as it is"),
        route(Post, "/api/v1/tanks/{tank}/ask", Keeper, api::ask, "Ask a tank for something"),
        route(Get, "/api/v1/tanks/{tank}/history", Look, history::chart, "A signal over a range, for a chart"),
        route(Get, "/api/v1/tanks/{tank}/readings", Look, history::readings, "Readings as they are kept"),
        route(Get, "/api/v1/tanks/{tank}/days", Look, history::days, "How steady each local day was"),
        route(Post, "/api/v1/ask", Keeper, api::ask_all, "Ask all tanks at once"),
        route(Post, "/api/v1/reload", Keeper, api::reload, "Read the config anew"),
        route(Get, "/api/v1/notify", Look, notify::channels, "How the channels are"),
        route(Post, "/api/v1/notify/test", Keeper, notify::test, "Try one channel, or all"),
    ]
}

/// What each route needs, by method and template.
pub(super) fn needs() -> BTreeMap<(Verb, String), Needs> {
    table().into_iter().map(|route| ((route.verb, route.path.to_owned()), route.needs)).collect()
}

/// The routes as a router, without what stands around them.
pub(super) fn router() -> Router<Shared> {
    table().into_iter().fold(Router::new(), |router, route| router.route(route.path, route.handler))
}
