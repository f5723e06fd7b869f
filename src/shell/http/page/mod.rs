//! The page: is everything all right, what needs me, hold, why is this on or off, how has it been. For wet hands.
//!
//! ```text
//!   GET  /tanks/lagoon                 the tank, whole, as HTML; `?part=live` gives what changes, for the script
//!   GET  /tanks/lagoon/hold/feeding    first touch: what it will pause, and for how long
//!   POST /tanks/lagoon/ask             second touch: the API's request, by a form with a mark ──► 303 back, answer there
//! ```
//! Everything is said here, by the daemon: without script the page shows and does the same, it only does not move.
//! An order goes the API's own way; what the core refuses is refused here, in its words.

pub(super) mod assets;
pub(super) mod calc;
mod confirm;
mod doses;
mod form;
mod html;
mod keeping;
pub(super) mod login;
mod new_water;
mod output;
mod parts;
mod past;
mod proofs;
mod safeguards;
mod seen;
mod told;
mod view;

use std::hash::{DefaultHasher, Hash, Hasher};

use axum::Extension;
use axum::extract::{Form, Path, Query, State};
use axum::http::StatusCode;
use axum::response::{IntoResponse, Redirect, Response};

use crate::control::status::TankStatus;
use crate::shell::care::Part;
use crate::shell::job::Job;
use crate::time::{Wall, Zone};

use super::access::Who;
use super::problem::{Kind, Problem};
use super::{CONTROL_WITHIN, Shared, api, care, idempotency};
use form::Fields;
use html::{E, Frame, Name};

/// What the page keeps between two requests.
pub(super) struct Desk {
    marks: form::Marks,
    answers: told::Answers,
}

impl Desk {
    pub(super) fn new() -> Self {
        Self { marks: form::Marks::new(), answers: told::Answers::default() }
    }
}

/// Who looks, at what, when: what each part of the page needs.
struct Look<'a> {
    status: &'a TankStatus,
    zone: Zone,
    now: Wall,
    /// Whether he may ask for something.
    may: bool,
    /// Whether he is at the daemon's machine.
    here: bool,
    /// For the forms.
    mark: String,
}

impl<'a> Look<'a> {
    fn new(shared: &Shared, who: &Who, status: &'a TankStatus) -> Self {
        Self {
            status,
            zone: status.timezone.parse().unwrap_or(Zone::UTC),
            now: shared.clock.now().wall,
            may: who.role >= crate::config::setup::Role::Keeper,
            here: who.is_here(),
            mark: shared.desk.marks.new_mark(who),
        }
    }

    fn tank(&self) -> Name<'_> {
        Name(&self.status.tank)
    }
}

/// What may stand behind the address of a tank.
#[derive(serde::Deserialize)]
pub(super) struct Asked {
    /// The answer of an order.
    told: Option<String>,
    /// `live`: only what changes.
    part: Option<String>,
}

/// All tanks; where there is one, that one.
pub(super) async fn index(State(shared): State<Shared>, Extension(who): Extension<Who>) -> Response {
    let Some(list) = shared.control(Job::List, CONTROL_WITHIN).await else { return no_control() };
    if let [only] = &list.tanks[..] {
        return Redirect::to(&format!("/tanks/{}", Name(&only.tank))).into_response();
    }
    let body = view::tanks(&list);
    Frame { title: "Tanks - Slackwater", head: "", top: &top(&shared, &who, None), body: &body }.answer(StatusCode::OK)
}

/// A tank.
pub(super) async fn tank(
    State(shared): State<Shared>,
    Extension(who): Extension<Who>,
    Path(tank): Path<String>,
    Query(asked): Query<Asked>,
) -> Response {
    let seen = match seen::of(&shared, tank).await {
        Ok(seen) => seen,
        Err(refusal) => return foreign(refusal),
    };
    let status = &seen.status;
    let look = Look::new(&shared, &who, status);
    let live = view::live(&look, &seen);
    if asked.part.as_deref() == Some("live") {
        return html::answer(StatusCode::OK, live);
    }
    let told = told_of(&shared, &who, asked.told);
    let body = format!("{told}{}{}", moving(&shared, &look, "", &live), past::charts(&look, &seen));
    let title = format!("{} - Slackwater", status.title);
    // Without script the page looks again by itself.
    let head = "<noscript><meta http-equiv=\"refresh\" content=\"60\"></noscript>\n";
    Frame { title: &title, head, top: &top(&shared, &who, None), body: &body }.answer(StatusCode::OK)
}

/// What came of an order, where the address names its answer.
fn told_of(shared: &Shared, who: &Who, told: Option<String>) -> String {
    let told = told.and_then(|key| shared.desk.answers.find(who, &key));
    told.map(|told| parts::told(&told)).unwrap_or_default()
}

/// What the script fetches anew whenever something changed.
fn moving(shared: &Shared, look: &Look, page: &str, live: &str) -> String {
    let (tank, zone, speed) = (look.tank(), E(look.zone), shared.clock.speed());
    format!(
        "<div id=\"live\" data-tank=\"{tank}\" data-zone=\"{zone}\" data-speed=\"{speed}\" \
         data-from=\"/tanks/{tank}{page}?part=live\">\n{live}</div>\n"
    )
}

/// A page of a tank that moves: what came of an order stands above it, the way back below.
async fn of_tank(
    (shared, who): (&Shared, &Who),
    (tank, asked): (String, Asked),
    (page, title): (&str, &str),
    write: fn(&Look) -> String,
) -> Response {
    let status = match api::status_of(shared, tank).await {
        Ok(status) => status,
        Err(refusal) => return foreign(refusal),
    };
    let look = Look::new(shared, who, &status);
    let live = write(&look) + &parts::as_of(&look, "");
    if asked.part.as_deref() == Some("live") {
        return html::answer(StatusCode::OK, live);
    }
    let told = told_of(shared, who, asked.told);
    let back = format!("<p><a class=\"back\" href=\"/tanks/{}\">Back to the tank</a></p>\n", look.tank());
    let body = told + &moving(shared, &look, page, &live) + &back;
    let again = "<noscript><meta http-equiv=\"refresh\" content=\"5\"></noscript>\n";
    let head = if proofs::moves(&status.proofs) && page == "/proofs" { again } else { "" };
    let title = format!("{title} - {}", status.title);
    Frame { title: &title, head, top: &top(shared, who, Some(&status)), body: &body }.answer(StatusCode::OK)
}

/// Proof tests: what is proven, and the session that goes on.
pub(super) async fn proofs(
    State(shared): State<Shared>,
    Extension(who): Extension<Who>,
    Path(tank): Path<String>,
    Query(asked): Query<Asked>,
) -> Response {
    of_tank((&shared, &who), (tank, asked), ("/proofs", "Proof tests"), proofs::page).await
}

/// Interlocks and their bypasses.
pub(super) async fn safeguards(
    State(shared): State<Shared>,
    Extension(who): Extension<Who>,
    Path(tank): Path<String>,
    Query(asked): Query<Asked>,
) -> Response {
    of_tank((&shared, &who), (tank, asked), ("/safeguards", "Safeguards"), safeguards::page).await
}

/// Dosing pumps and what is proposed for them.
pub(super) async fn doses(
    State(shared): State<Shared>,
    Extension(who): Extension<Who>,
    Path(tank): Path<String>,
    Query(asked): Query<Asked>,
) -> Response {
    of_tank((&shared, &who), (tank, asked), ("/doses", "Dosing"), doses::page).await
}

/// What happened, the newest first.
pub(super) async fn journal(
    State(shared): State<Shared>,
    Extension(who): Extension<Who>,
    Path(tank): Path<String>,
    Query(asked): Query<past::Asked>,
) -> Response {
    let status = match api::status_of(&shared, tank).await {
        Ok(status) => status,
        Err(refusal) => return foreign(refusal),
    };
    let look = Look::new(&shared, &who, &status);
    let body = match past::journal(&shared, &look, asked).await {
        Ok(body) => body,
        Err(problem) => return refused(&problem, &format!("/tanks/{}", look.tank())),
    };
    let title = format!("Journal - {}", status.title);
    Frame { title: &title, head: "", top: &top(&shared, &who, Some(&status)), body: &body }.answer(StatusCode::OK)
}

/// Supplies, chores and the keeper's log.
pub(super) async fn keeping(
    State(shared): State<Shared>,
    Extension(who): Extension<Who>,
    Path(tank): Path<String>,
    Query(asked): Query<Asked>,
) -> Response {
    let status = match api::status_of(&shared, tank.clone()).await {
        Ok(status) => status,
        Err(refusal) => return foreign(refusal),
    };
    let mut parts = Vec::new();
    for part in [Part::Supplies, Part::Chores, Part::Log { name: None, days: Some(keeping::LOG_DAYS), all: false }] {
        match care::view(&shared, tank.clone(), part).await {
            Ok(value) => parts.push(value),
            Err(refusal) => return foreign(refusal),
        }
    }
    let look = Look::new(&shared, &who, &status);
    let body = told_of(&shared, &who, asked.told) + &keeping::page(&look, &parts[0], &parts[1], &parts[2]);
    let title = format!("Log - {}", status.title);
    Frame { title: &title, head: "", top: &top(&shared, &who, Some(&status)), body: &body }.answer(StatusCode::OK)
}

/// First touch of a hold.
pub(super) async fn hold(
    State(shared): State<Shared>,
    Extension(who): Extension<Who>,
    Path((tank, procedure)): Path<(String, String)>,
) -> Response {
    confirm(&shared, &who, tank, &procedure, confirm::hold).await
}

/// First touch of a release.
pub(super) async fn release(
    State(shared): State<Shared>,
    Extension(who): Extension<Who>,
    Path((tank, procedure)): Path<(String, String)>,
) -> Response {
    confirm(&shared, &who, tank, &procedure, confirm::release).await
}

async fn confirm(
    shared: &Shared,
    who: &Who,
    tank: String,
    procedure: &str,
    write: fn(&Look, &crate::control::status::HoldStatus) -> String,
) -> Response {
    let status = match api::status_of(shared, tank).await {
        Ok(status) => status,
        Err(refusal) => return foreign(refusal),
    };
    let look = Look::new(shared, who, &status);
    let Some(hold) = status.holds.iter().find(|hold| *hold.hold == *procedure) else {
        let fix = "go back to the tank: its procedures stand there";
        return refused(&Problem::new(Kind::NotFound, format!("there is no procedure `{procedure}`"), fix), "/");
    };
    let title = format!("{} - {}", html::said(procedure), status.title);
    let body = write(&look, hold);
    Frame { title: &title, head: "", top: &top(shared, who, Some(&status)), body: &body }.answer(StatusCode::OK)
}

/// Why an output is as it is, and a force.
pub(super) async fn output(
    State(shared): State<Shared>,
    Extension(who): Extension<Who>,
    Path((tank, output)): Path<(String, String)>,
) -> Response {
    let (status, explanation) = match api::explanation_of(&shared, tank.clone(), output).await {
        Ok(explanation) => match api::status_of(&shared, tank).await {
            Ok(status) => (status, explanation),
            Err(refusal) => return foreign(refusal),
        },
        Err(refusal) => return foreign(refusal),
    };
    let look = Look::new(&shared, &who, &status);
    let title = format!("{} - {}", html::said(&explanation.output), status.title);
    let body = output::page(&look, &explanation);
    Frame { title: &title, head: "", top: &top(&shared, &who, Some(&status)), body: &body }.answer(StatusCode::OK)
}

/// An order by a form: done once, and told on the tank's page.
pub(super) async fn ask(
    State(shared): State<Shared>,
    Extension(who): Extension<Who>,
    Path(tank): Path<String>,
    Form(fields): Form<Fields>,
) -> Response {
    let page = form::back(&fields).map(|page| format!("/{page}")).unwrap_or_default();
    let back = format!("/tanks/{}{page}", Name(&tank));
    let work = |shared: Shared, who: Who, body: String| async move {
        api::ask_tank(&shared, tank, &who, body.as_bytes()).await
    };
    once(&shared, &who, &fields, &back, work).await
}

/// An entry of the keeper's log by a form.
pub(super) async fn note(
    State(shared): State<Shared>,
    Extension(who): Extension<Who>,
    Path(tank): Path<String>,
    Form(fields): Form<Fields>,
) -> Response {
    let back = format!("/tanks/{}/log", Name(&tank));
    let work = |shared: Shared, who: Who, body: String| async move {
        care::ask_tank(&shared, tank, &who, body.as_bytes()).await
    };
    once(&shared, &who, &fields, &back, work).await
}

/// Does what a form asks, once, keeps what came of it, and sends the browser on to it.
async fn once<F: Future<Output = Response> + Send + 'static>(
    shared: &Shared,
    who: &Who,
    fields: &Fields,
    back: &str,
    work: impl FnOnce(Shared, Who, String) -> F,
) -> Response {
    let nonce = match shared.desk.marks.nonce(who, fields) {
        Ok(nonce) => nonce,
        Err(problem) => return refused(&problem, back),
    };
    let body = form::request(fields).to_string();
    let mut hasher = DefaultHasher::new();
    (back, &body).hash(&mut hasher);
    // A page has many forms and one nonce: each of its orders is one.
    let key = format!("{nonce}-{:08x}", hasher.finish() >> 32);
    let work = work(shared.clone(), who.clone(), body);
    let response = idempotency::by_key(shared, (who.name.clone(), key.clone()), hasher.finish(), work).await;
    shared.desk.answers.keep(who, &key, told::Told::of(response).await);
    Redirect::to(&format!("{back}?told={key}")).into_response()
}

/// Where one is, and who one is.
fn top(shared: &Shared, who: &Who, back: Option<&TankStatus>) -> String {
    let way = match back {
        Some(status) => format!("<a class=\"where\" href=\"/tanks/{}\">{}</a>", Name(&status.tank), E(&status.title)),
        None => "<a class=\"where\" href=\"/\">Slackwater</a>".to_owned(),
    };
    let Some(name) = &who.name else { return way };
    let role = if who.role >= crate::config::setup::Role::Keeper { "" } else { ", may look" };
    format!(
        "{way}<form method=\"post\" action=\"/logout\"><span>{}{role}</span>\
         <input type=\"hidden\" name=\"mark\" value=\"{}\"><button class=\"quiet\">Go out</button></form>",
        E(name),
        shared.desk.marks.new_mark(who)
    )
}

/// A refusal of the API, as a page.
fn foreign(mut response: Response) -> Response {
    match response.extensions_mut().remove::<Problem>() {
        Some(problem) => refused(&problem, "/"),
        None => response,
    }
}

fn no_control() -> Response {
    foreign(api::no_answer())
}

/// A refusal as a page; who is not known is shown the way in, and comes back to `asked`.
pub(super) fn refused(problem: &Problem, asked: &str) -> Response {
    if problem.kind() == Kind::NeedsToken {
        return Redirect::to(&format!("/login?to={}", Name(asked))).into_response();
    }
    let (detail, fix) = problem.words();
    let body = format!(
        "<h1>{}</h1>\n<div class=\"told bad\" role=\"alert\"><p>{}.</p><p>{}.</p></div>\n\
         <p><a class=\"big\" href=\"{}\">Back</a></p>\n",
        E(problem.kind().title()),
        E(detail),
        E(fix),
        E(asked)
    );
    let top = "<a class=\"where\" href=\"/\">Slackwater</a>";
    Frame { title: "Not done - Slackwater", head: "", top, body: &body }.answer(problem.kind().status())
}
