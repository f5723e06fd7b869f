//! `/api/v1/calc`: the keeper's calculations, as on the command line. No tank is asked, and none is changed.
//!
//! The calculations are the command line's, handed in by whoever starts the daemon: one reader of units, one text.

use std::sync::{Arc, LazyLock};

use axum::body::Bytes;
use axum::extract::{Path, State};
use axum::response::{IntoResponse, Json, Response};
use schemars::{Schema, SchemaGenerator, json_schema};
use serde_json::{Map, Value};

use crate::wire::ask;

use super::problem::{Kind, Problem};
use super::{Shared, each};

/// What a calculation came to.
pub enum Calculated {
    /// Its facts, for programs, and the same as people read it.
    Done(Value, String),
    /// There is no answer, or none that may be given: what is wrong, and what to do.
    Refused(String, String),
    /// The question is not complete, or is not one.
    Misuse(String, String),
}

/// Works out the calculation of this name from named values.
pub type Calculator = dyn Fn(&str, &Map<String, Value>) -> Calculated + Send + Sync;

/// The calculations that there are.
pub struct Calculations {
    /// An object whose `calculations` are each with what it wants, for people and programs. Made when somebody first looks.
    pub known: LazyLock<Value>,
    /// Works one out.
    pub run: Arc<Calculator>,
}

impl Calculations {
    pub(super) fn all(&self) -> impl Iterator<Item = &Value> {
        each(&self.known["calculations"])
    }

    pub(super) fn names(&self) -> impl Iterator<Item = &str> {
        self.all().filter_map(|one| one["calc"].as_str())
    }
}

/// The body: named values, each with its unit.
pub(super) fn shape(_: &mut SchemaGenerator) -> Schema {
    json_schema!({
        "type": "object",
        "description": "What `GET /api/v1/calc` lists for the calculation, each value a text with its unit, such as `90 L`; what may be given several times as a list; what is only said as `true`",
        "additionalProperties": { "anyOf": [
            { "type": "string" }, { "type": "boolean" }, { "type": "array", "items": { "type": "string" } },
        ] },
    })
}

/// Which there are.
pub(super) async fn known(State(shared): State<Shared>) -> Response {
    Json(shared.calculations.as_ref().map(|calculations| &*calculations.known)).into_response()
}

/// Works one out.
pub(super) async fn calculate(State(shared): State<Shared>, Path(what): Path<String>, body: Bytes) -> Response {
    let calculations = shared.calculations.as_ref();
    let names: Vec<&str> = calculations.into_iter().flat_map(Calculations::names).collect();
    let Some(run) =
        calculations.filter(|_| names.contains(&what.as_str())).map(|calculations| Arc::clone(&calculations.run))
    else {
        let near = ask::nearest(&what, names.iter().copied());
        let fix = near.map_or_else(String::new, |near| format!("did you mean `{near}`? "));
        let fix = format!("{fix}known: {}", names.join(", "));
        return Problem::new(Kind::NotFound, format!("there is no calculation `{what}`"), fix).into_response();
    };
    let Ok(Value::Object(values)) = serde_json::from_slice(&body) else {
        let fix = "send an object such as `{\"volume\": \"90 L\"}`; `GET /api/v1/calc` lists what each wants";
        return Problem::new(Kind::Malformed, "the body is not a JSON object", fix).into_response();
    };
    let done = tokio::task::spawn_blocking(move || run(&what, &values)).await;
    match done {
        Ok(Calculated::Done(facts, _)) => Json(facts).into_response(),
        Ok(Calculated::Refused(why, fix)) => Problem::new(Kind::Refused, why, fix).into_response(),
        Ok(Calculated::Misuse(why, fix)) => Problem::new(Kind::NotUnderstood, why, fix).into_response(),
        Err(_) => Problem::new(Kind::Fault, "the calculation ended", "see the daemon's log").into_response(),
    }
}
