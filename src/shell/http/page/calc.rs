//! Calculations as forms: each field is what the calculation itself says it wants. Nothing is asked of a tank, so a form
//! is a plain link with values, and can be kept as one.

use std::collections::BTreeMap;
use std::fmt::Write as _;

use axum::Extension;
use axum::extract::{Path, Query, State};
use axum::http::StatusCode;
use axum::response::Response;
use serde_json::{Map, Value};

use super::super::access::Who;
use super::super::calc::{Calculated, Calculations};
use super::super::problem::{Kind, Problem};
use super::super::{Shared, each};
use super::html::{E, Frame, Name, plain, said};

/// Lines of a field that may be given several times: one a line.
const MANY_ROWS: usize = 3;

fn word<'a>(value: &'a Value, key: &str) -> &'a str {
    value[key].as_str().unwrap_or_default()
}

/// Which there are.
pub(in super::super) async fn list(State(shared): State<Shared>, Extension(who): Extension<Who>) -> Response {
    let mut body =
        "<h1>Calculations</h1>\n<p class=\"lead\">No tank is asked, and none is changed.</p>\n<ul class=\"tanks\">\n"
            .to_owned();
    for one in shared.calculations.iter().flat_map(Calculations::all) {
        let name = word(one, "calc");
        let _ = writeln!(
            body,
            "<li><a href=\"/calc/{}\"><b>{}</b> <span>{}</span></a></li>",
            Name(name),
            E(said(name)),
            E(word(one, "says"))
        );
    }
    body += "</ul>\n";
    let top = super::top(&shared, &who, None);
    Frame { title: "Calculations - Slackwater", head: "", top: &top, body: &body }.answer(StatusCode::OK)
}

/// One, and what it comes to if something was filled in.
pub(in super::super) async fn one(
    State(shared): State<Shared>,
    Extension(who): Extension<Who>,
    Path(what): Path<String>,
    Query(given): Query<BTreeMap<String, String>>,
) -> Response {
    let Some(calculations) = &shared.calculations else {
        let fix = "start the daemon by `slackwater run`";
        return super::refused(&Problem::new(Kind::NotFound, "this daemon calculates nothing", fix), "/");
    };
    let Some(one) = calculations.all().find(|one| word(one, "calc") == what) else {
        let fix = format!("there are: {}", calculations.names().collect::<Vec<_>>().join(", "));
        return super::refused(
            &Problem::new(Kind::NotFound, format!("there is no calculation `{what}`"), fix),
            "/calc",
        );
    };
    let wants: Vec<&Value> = each(&one["wants"]).collect();
    let values = filled(&wants, &given);
    let mut body = format!("<h1>{}</h1>\n<p class=\"lead\">{}</p>\n", E(said(&what)), E(word(one, "says")));
    let mut code = StatusCode::OK;
    if !values.is_empty() {
        let run = calculations.run.clone();
        let name = what.clone();
        let (class, text) = match tokio::task::spawn_blocking(move || run(&name, &values)).await {
            Ok(Calculated::Done(_, text)) => ("told good", text),
            Ok(Calculated::Refused(why, fix) | Calculated::Misuse(why, fix)) => {
                code = StatusCode::UNPROCESSABLE_ENTITY;
                ("told bad", format!("{why}\n{fix}"))
            }
            Err(_) => {
                code = StatusCode::INTERNAL_SERVER_ERROR;
                ("told bad", "the calculation ended; see the daemon's log".to_owned())
            }
        };
        let _ = writeln!(
            body,
            "<section class=\"{class}\" role=\"status\"><h2>It comes to</h2><pre tabindex=\"0\">{}</pre></section>",
            E(text.trim_end())
        );
    }
    let _ = writeln!(body, "<form class=\"calc\" method=\"get\" action=\"/calc/{}\">", Name(&what));
    for want in wants {
        field(want, &given, &mut body);
    }
    body += "<button class=\"big\">Work it out</button></form>\n<p><a class=\"back\" href=\"/calc\">All calculations</a></p>\n";
    let top = super::top(&shared, &who, None);
    Frame { title: &format!("{} - Slackwater", said(&what)), head: "", top: &top, body: &body }.answer(code)
}

/// What was filled in, as the calculation takes it.
fn filled(wants: &[&Value], given: &BTreeMap<String, String>) -> Map<String, Value> {
    let mut values = Map::new();
    for want in wants {
        let name = word(want, "name");
        let Some(text) = given.get(name).map(|text| text.trim()).filter(|text| !text.is_empty()) else { continue };
        let value = match () {
            () if want["flag"] == true => Value::from(true),
            () if want["many"] == true => {
                Value::from(text.lines().map(str::trim).filter(|line| !line.is_empty()).collect::<Vec<_>>())
            }
            () => Value::from(text),
        };
        values.insert(name.to_owned(), value);
    }
    values
}

fn field(want: &Value, given: &BTreeMap<String, String>, body: &mut String) {
    let name = word(want, "name");
    let value = given.get(name).map_or("", String::as_str);
    let says = word(want, "says");
    let needed = want["required"] == true;
    let label = format!("{}{}", plain(&name.replace('_', " ")), if needed { " (needed)" } else { "" });
    let id = format!("calc-{}", E(name));
    if want["flag"] == true {
        let checked = if value.is_empty() { "" } else { " checked" };
        let _ = writeln!(
            body,
            "<p class=\"check\"><input type=\"checkbox\" id=\"{id}\" name=\"{n}\" value=\"yes\"{checked}>\
             <label for=\"{id}\"><b>{}</b> {}</label></p>",
            E(label),
            E(says),
            n = E(name)
        );
        return;
    }
    let _ = write!(body, "<p><label for=\"{id}\"><b>{}</b> {}</label>", E(label), E(says));
    if want["many"] == true {
        let _ = write!(body, "<textarea id=\"{id}\" name=\"{}\" rows=\"{MANY_ROWS}\">{}</textarea>", E(name), E(value));
    } else {
        let usual = want["usual"].as_str().unwrap_or_default();
        let required = if needed { " required" } else { "" };
        let _ = write!(
            body,
            "<input id=\"{id}\" name=\"{}\" value=\"{}\" placeholder=\"{}\"{required}>",
            E(name),
            E(value),
            E(usual)
        );
    }
    body.push_str("</p>\n");
}
