//! The log as CSV (RFC 4180), out and in: columns by name, every mistake with line and column, all or nothing.
//!
//! Columns: `when,kind,name,value,spot,with,note`; only `when`, `name` and `value` are needed. `kind` is `measured` if
//! it is left out, or `event`, `water-change`, `dosed`, `used`, `refilled`, `left`. A line that is in the log already
//! (same time, kind, name and value) is left out, so that a file may be imported twice.

use crate::time::Wall;

use super::ask::{At, Draft, Refusal};
use super::entry::{Measured, What};
use super::measure;
use super::state::Care;
use super::stocking::amount_up_to_full;

/// The columns of an export.
const COLUMNS: [&str; 7] = ["when", "kind", "name", "value", "spot", "with", "note"];
/// More lines than this in one file are refused: split it.
const MOST_LINES: usize = 50_000;
/// Mistakes that are told; nobody reads more at once.
const MOST_TOLD: usize = 50;

/// A field with the place where it begins.
struct Field {
    line: usize,
    column: usize,
    text: String,
}

/// The records of a text. A quote that is not closed is a mistake.
fn records(text: &str) -> Result<Vec<Vec<Field>>, String> {
    let mut records = vec![Vec::new()];
    let (mut line, mut column) = (1, 1);
    let mut chars = text.trim_start_matches('\u{feff}').chars().peekable();
    let mut field = Field { line, column, text: String::new() };
    let mut quoted = false;
    let close = |field: &mut Field, records: &mut Vec<Vec<Field>>, line, column| {
        let done = std::mem::replace(field, Field { line, column, text: String::new() });
        if let Some(record) = records.last_mut() {
            record.push(done);
        }
    };
    while let Some(c) = chars.next() {
        column += 1;
        match c {
            '"' if quoted && chars.peek() == Some(&'"') => {
                chars.next();
                column += 1;
                field.text.push('"');
            }
            '"' if quoted => quoted = false,
            '"' if field.text.is_empty() => quoted = true,
            ',' if !quoted => close(&mut field, &mut records, line, column),
            '\r' if !quoted && chars.peek() == Some(&'\n') => {}
            '\n' => {
                (line, column) = (line + 1, 1);
                if quoted {
                    field.text.push('\n');
                } else {
                    close(&mut field, &mut records, line, column);
                    records.push(Vec::new());
                }
            }
            other => field.text.push(other),
        }
    }
    if quoted {
        return Err(format!("line {}, column {}: this quote is never closed", field.line, field.column));
    }
    close(&mut field, &mut records, line, column);
    records.retain(|record| record.iter().any(|field| !field.text.trim().is_empty()));
    Ok(records)
}

fn quoted(text: &str) -> String {
    if text.contains([',', '"', '\n', '\r']) { format!("\"{}\"", text.replace('"', "\"\"")) } else { text.to_owned() }
}

/// The entries of a file, or everything that is wrong with it.
pub(super) fn import(at: &At, text: &str) -> Result<Draft, Refusal> {
    let refuse = |wrong: Vec<String>| {
        let count = wrong.len();
        let mut details: Vec<String> = wrong.into_iter().take(MOST_TOLD).collect();
        if count > MOST_TOLD {
            details.push(format!("... and {} more", count - MOST_TOLD));
        }
        let plural = if count == 1 { "mistake" } else { "mistakes" };
        Refusal { summary: format!("{count} {plural} in the file; nothing was imported"), details }
    };
    let records = records(text).map_err(|wrong| refuse(vec![wrong]))?;
    let Some((head, rows)) = records.split_first() else {
        return Err(Refusal::new(format!(
            "the file is empty\n  its first line names the columns: {}",
            COLUMNS.join(",")
        )));
    };
    if rows.len() > MOST_LINES {
        return Err(Refusal::new(format!(
            "{} lines are too many at once\n  split the file into parts of {MOST_LINES}",
            rows.len()
        )));
    }
    let mut wrong = Vec::new();
    for field in head {
        if !COLUMNS.contains(&field.text.trim()) && !["id", "unit", "by"].contains(&field.text.trim()) {
            wrong.push(format!(
                "line {}, column {}: `{}` is not a column; known: {}",
                field.line,
                field.column,
                field.text.trim(),
                COLUMNS.join(", ")
            ));
        }
    }
    let column = |name: &str| head.iter().position(|field| field.text.trim() == name);
    for needed in ["when", "value"] {
        if column(needed).is_none() {
            wrong.push(format!("line 1, column 1: there is no column `{needed}`"));
        }
    }
    if !wrong.is_empty() {
        return Err(refuse(wrong));
    }
    let mut draft = Draft::default();
    let mut there = 0;
    let known: std::collections::BTreeSet<(Wall, String)> =
        at.care.in_force(Some(at.tank)).into_iter().map(|(standing, what)| (standing.at, mark(what))).collect();
    for row in rows {
        let field = |name: &str| column(name).and_then(|place| row.get(place));
        let text = |name: &str| field(name).map_or("", |field| field.text.trim());
        let place = |name: &str| {
            let found = field(name).or(row.last());
            found.map_or_else(String::new, |field| format!("line {}, column {}", field.line, field.column))
        };
        if row.len() > head.len() {
            wrong.push(format!(
                "{}: {} fields under {} columns; put quotes around a text with commas",
                place("when"),
                row.len(),
                head.len()
            ));
            continue;
        }
        let mut problem = |name: &str, text: String| {
            wrong.push(format!("{}: {}", place(name), text.replace("\n  ", "; ").replace('\n', "; ")));
        };
        let when = match at.plan.zone.read(text("when"), at.now) {
            Ok(when) if when <= at.now => Some(when),
            Ok(_) => {
                problem("when", format!("`{}` is still to come", text("when")));
                None
            }
            Err(error) => {
                problem("when", error);
                None
            }
        };
        match what(at, text("kind"), text("name"), text("value"), &text) {
            Ok(what) => {
                if let Some(when) = when {
                    if known.contains(&(when, mark(&what))) {
                        there += 1;
                    } else {
                        draft.whats.push((at.tank.to_owned(), when, what));
                    }
                }
            }
            Err((name, error)) => problem(name, error),
        }
    }
    if !wrong.is_empty() {
        return Err(refuse(wrong));
    }
    let there = if there > 0 { format!(", {there} were there already") } else { String::new() };
    draft.summary = Some(format!("{} entries imported{there}", draft.whats.len()));
    Ok(draft)
}

/// What a line says, without what the daemon added to it.
fn mark(what: &What) -> String {
    match what {
        What::Measured(measured) => {
            let spot = measured.spot.as_deref().unwrap_or_default();
            format!("measured {} {:.6} {} {spot}", measured.quantity, measured.value, measured.unit)
        }
        other => format!("{} {}", other.kind(), other.words()),
    }
}

type Wrong = (&'static str, String);

fn what<'a>(at: &At, kind: &str, name: &str, value: &str, text: &impl Fn(&str) -> &'a str) -> Result<What, Wrong> {
    let some = |name: &str| Some(text(name)).filter(|text| !text.is_empty()).map(str::to_owned);
    let of_value = |refusal: Refusal| {
        ("value", std::iter::once(refusal.summary).chain(refusal.details).collect::<Vec<_>>().join("; "))
    };
    let supply = || measure::name(name).map_err(|error| ("name", error));
    match kind {
        "" | "measured" => {
            let quantity = measure::name(name).map_err(|error| ("name", error))?;
            let read = at.read(&quantity, value, None).map_err(of_value)?;
            Ok(What::Measured(Measured {
                quantity,
                value: read.value,
                unit: read.unit,
                written: value.to_owned(),
                with: some("with"),
                spot: some("spot").map(|spot| measure::name(&spot)).transpose().map_err(|error| ("spot", error))?,
                probe: None,
                note: some("note"),
            }))
        }
        "event" if !value.is_empty() => Ok(What::Event { text: value.to_owned() }),
        "event" => Err(("value", "an event without words".to_owned())),
        "water-change" => match value.parse::<crate::units::Volume>() {
            Ok(volume) if volume.litres() > 0.0 && volume.litres() <= at.plan.litres => {
                Ok(What::WaterChange { litres: volume.litres() })
            }
            Ok(volume) => Err(("value", format!("{volume} cannot be changed in this tank"))),
            Err(error) => Err(("value", error.to_string())),
        },
        "dosed" => Ok(What::Dosed { supply: supply()?, amount: at.amount(name, value).map_err(of_value)? }),
        "used" => Ok(What::Used { supply: supply()?, amount: at.amount(name, value).map_err(of_value)? }),
        "refilled" | "left" => {
            let plan = at.supply(name).map_err(|refusal| ("name", of_value(refusal).1))?;
            let amount = (value != "full").then(|| amount_up_to_full(plan, value)).transpose().map_err(of_value)?;
            match (kind, amount) {
                ("refilled", amount) => Ok(What::Refilled { supply: plan.name.clone(), amount }),
                (_, Some(amount)) => Ok(What::Left { supply: plan.name.clone(), amount }),
                _ => Ok(What::Left { supply: plan.name.clone(), amount: plan.holds }),
            }
        }
        other => Err((
            "kind",
            format!(
                "`{other}` is not a kind that can be imported; known: measured, event, water-change, dosed, used, refilled, left"
            ),
        )),
    }
}

impl Care {
    /// A tank's log as CSV: what is in force and can be imported again.
    pub fn export(&self, tank: &str, zone: crate::time::Zone) -> String {
        let mut out = COLUMNS.join(",") + "\n";
        for (standing, what) in self.in_force(Some(tank)) {
            let exact = |amount: &super::entry::Stuff| match amount {
                super::entry::Stuff::Litres(value) => format!("{value} L"),
                super::entry::Stuff::Grams(value) => format!("{value} g"),
                super::entry::Stuff::Tests(value) => format!("{value} tests"),
            };
            let (value, spot, with, note) = match what {
                What::Measured(measured) => {
                    let of = |text: &Option<String>| text.clone().unwrap_or_default();
                    // A nutrient is kept as its ion.
                    let value = format!("{} {}", measured.value, measured.unit).trim_end().to_owned();
                    (value, of(&measured.spot), of(&measured.with), of(&measured.note))
                }
                What::Event { text } => (text.clone(), String::new(), String::new(), String::new()),
                What::WaterChange { litres } => (format!("{litres} L"), String::new(), String::new(), String::new()),
                What::Dosed { amount, .. } | What::Used { amount, .. } | What::Left { amount, .. } => {
                    (exact(amount), String::new(), String::new(), String::new())
                }
                What::Refilled { amount, .. } => {
                    (amount.as_ref().map_or("full".to_owned(), exact), String::new(), String::new(), String::new())
                }
                _ => continue,
            };
            let name = if matches!(what, What::WaterChange { .. }) { "" } else { what.name() };
            let when = zone.rfc3339(standing.at);
            let fields = [&when, what.kind(), name, &value, &spot, &with, &note];
            out += &(fields.map(quoted).join(",") + "\n");
        }
        out
    }
}
