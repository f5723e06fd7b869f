//! `log`, `refill`, `away`, `supplies`, `chores`, `items`, `spots`: the keeper's side, by requests to the daemon.
//!
//! Every request carries a key of its own, and is sent again once where its answer was lost: it is noted once.
//! Exit codes: 0 noted or shown, 1 refused or found wanting, 2 misuse, 3 daemon not reachable.

pub mod audit;
pub mod chores;
pub mod items;
pub mod log;
mod plot;
pub mod spots;
pub mod supplies;
mod table;

use std::process::ExitCode;

use serde_json::{Value, json};

use super::ask::show;
use super::client::{Daemon, Failed, escaped};

/// Asks the daemon to note something, and prints what came of it.
fn ask(daemon: &Daemon, part: &str, request: Value) -> ExitCode {
    asked(daemon, part, request).unwrap_or_else(|failed| failed.report())
}

fn asked(daemon: &Daemon, part: &str, mut request: Value) -> Result<ExitCode, Failed> {
    let client = daemon.client()?;
    let tank = daemon.tank(&client)?;
    request["key"] = json!(own_key());
    if let Some(object) = request.as_object_mut() {
        object.retain(|_, value| !value.is_null());
    }
    let path = format!("/api/v1/tanks/{}/{part}", escaped(&tank));
    // An answer that was lost: the same key is noted once, so asking again does no harm.
    let answer = match client.post(&path, &request) {
        Err(Failed::NotReachable(_)) => client.post(&path, &request)?,
        other => other?,
    };
    Ok(show(daemon, &tank, &answer))
}

/// A key that no other request has: the time to the nanosecond, and this process.
fn own_key() -> String {
    format!("cli-{:x}-{:x}", crate::shell::unix_nanos(), std::process::id())
}

/// Facts of a part, printed as JSON or handed on.
fn facts(daemon: &Daemon, part: &str, print: impl FnOnce(&Value) -> ExitCode) -> ExitCode {
    let got = || -> Result<Value, Failed> {
        let client = daemon.client()?;
        let tank = daemon.tank(&client)?;
        client.get(&format!("/api/v1/tanks/{}/{part}", escaped(&tank)))
    };
    match got() {
        Ok(value) if daemon.json => {
            println!("{value:#}");
            ExitCode::SUCCESS
        }
        Ok(value) => print(&value),
        Err(failed) => failed.report(),
    }
}

fn misuse(text: &str) -> ExitCode {
    eprintln!("error: {text}");
    ExitCode::from(2)
}

fn texts(value: &Value) -> Vec<String> {
    value.as_array().into_iter().flatten().filter_map(|text| text.as_str().map(str::to_owned)).collect()
}

fn text(value: &Value) -> String {
    value.as_str().unwrap_or_default().to_owned()
}

/// The day of a moment in Unix milliseconds, in the zone that the answer names.
fn day(value: &Value, zone: &Value) -> String {
    let zone: crate::time::Zone = zone.as_str().and_then(|zone| zone.parse().ok()).unwrap_or(crate::time::Zone::UTC);
    value
        .as_i64()
        .map_or_else(|| "-".to_owned(), |at| zone.calendar_day(crate::time::Wall::from_unix_millis(at)).to_string())
}
