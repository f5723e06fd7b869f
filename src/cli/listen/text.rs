//! What was heard, in words and as JSON: topics, then what looks like probes, then what looks like plugs.

use std::fmt::{self, Write as _};

use serde_json::{Value, json};

use crate::time::Span;
use crate::wire::guess::{Finding, Place, Plug, Role, Sure};
use crate::wire::overheard::{Overheard, Topic};

/// For a terminal.
pub fn text(overheard: &Overheard, found: &[Finding], plugs: &[Plug]) -> String {
    let mut out = String::new();
    write(&mut out, overheard, found, plugs).expect("a string takes all that is written");
    out
}

fn write(out: &mut String, overheard: &Overheard, found: &[Finding], plugs: &[Plug]) -> fmt::Result {
    let count = overheard.topics().count();
    if count == 0 {
        return writeln!(
            out,
            "nothing was heard\n  listen longer (`--for \"10 min\"`), look at `--topics`, and whether this user may read them"
        );
    }
    writeln!(out, "{count} topic{}", if count == 1 { "" } else { "s" })?;
    let width = overheard.topics().map(|(name, _)| name.chars().count()).max().unwrap_or(0).min(40);
    for (name, topic) in overheard.topics() {
        writeln!(out, "  {name:width$}  {:12}  {}", rate(topic), topic.sample)?;
    }
    if overheard.beyond > 0 {
        writeln!(out, "  ... and {} messages on more topics than are kept; narrow `--topics`", overheard.beyond)?;
    }
    let probes: Vec<_> = found.iter().filter(|f| matches!(f.guess.role, Role::Reading(_) | Role::Contact(_))).collect();
    if !probes.is_empty() {
        writeln!(out, "\nmay be probes")?;
    }
    for finding in probes {
        let unit = unit(&finding.guess.role).map(|unit| format!(" in {unit}")).unwrap_or_default();
        let sure = if finding.guess.sure == Sure::Likely { "" } else { ", perhaps" };
        writeln!(out, "  {}: {}{unit}{sure}", place(&finding.place), finding.guess.role.word())?;
        writeln!(out, "    {}", finding.guess.because.join("; "))?;
    }
    if !plugs.is_empty() {
        writeln!(out, "\nmay be plugs")?;
    }
    for plug in plugs {
        writeln!(out, "  {}", plug.stem)?;
        for (what, at) in parts(plug) {
            writeln!(out, "    {what:8}{}", at.map_or_else(|| "not heard".to_owned(), place))?;
        }
    }
    if plugs.iter().any(|plug| plug.command.is_none()) {
        writeln!(
            out,
            "\na command shows only when somebody commands: switch the plug by whatever switches it now, and listen again"
        )?;
    }
    writeln!(out, "\nguesses, by names and values: see each probe move and each plug answer before you trust one")
}

fn parts(plug: &Plug) -> [(&'static str, Option<&Place>); 5] {
    [
        ("command", plug.command.as_ref()),
        ("report", plug.report.as_ref()),
        ("power", plug.power.as_ref()),
        ("alive", plug.alive.as_ref()),
        ("uptime", plug.uptime.as_ref()),
    ]
}

fn place(place: &Place) -> String {
    if place.pointer.is_empty() { place.topic.clone() } else { format!("{} at {}", place.topic, place.pointer) }
}

fn unit(role: &Role) -> Option<&'static str> {
    match role {
        Role::Reading(unit) | Role::Power(unit) => Some(unit.symbol),
        _ => None,
    }
}

fn rate(topic: &Topic) -> String {
    match topic.interval() {
        Some(interval) => format!("each {}", rounded(interval)),
        None if topic.retained == topic.messages => "kept".to_owned(),
        None => "once".to_owned(),
    }
}

fn rounded(interval: Span) -> Span {
    let millis = interval.millis();
    Span::from_millis(if millis >= 1000 { (millis + 500) / 1000 * 1000 } else { millis })
}

/// For a program.
pub fn json(overheard: &Overheard, found: &[Finding], plugs: &[Plug]) -> Value {
    let topics: Vec<Value> = overheard
        .topics()
        .map(|(name, topic)| {
            json!({
                "topic": name, "messages": topic.messages, "retained": topic.retained, "shape": topic.shape,
                "interval_seconds": topic.interval().map(Span::seconds), "sample": topic.sample,
            })
        })
        .collect();
    let guesses: Vec<Value> = found
        .iter()
        .map(|f| {
            json!({
                "topic": f.place.topic, "pointer": f.place.pointer, "may_be": f.guess.role.word(),
                "unit": unit(&f.guess.role), "sure": f.guess.sure, "because": f.guess.because,
            })
        })
        .collect();
    let plugs: Vec<Value> = plugs
        .iter()
        .map(|plug| {
            let parts = parts(plug).into_iter().map(|(what, at)| (what.to_owned(), json!(at)));
            json!({ "stem": plug.stem, "parts": parts.collect::<serde_json::Map<_, _>>() })
        })
        .collect();
    json!({ "topics": topics, "beyond": overheard.beyond, "guesses": guesses, "plugs": plugs })
}
