//! `slackwater status --stability`: how steady the last days were, from what the daemon wrote down.

use std::fmt::Write as _;

use serde_json::Value;

use super::client::{Client, Failed, escaped};

/// Days that are shown.
const SHOWN: usize = 14;
/// Days that are asked for: more, so that days without a daemon do not shorten the table.
const ASKED: i64 = 60 * 86_400;

/// The days of every signal that has any, as the API gives them.
pub fn fetch(client: &Client, tank: &str, status: &Value) -> Result<Vec<Value>, Failed> {
    let mut all = Vec::new();
    let from = crate::shell::clock::unix_millis() / 1000 - ASKED;
    for signal in status["signals"].as_array().into_iter().flatten().filter(|signal| signal["measures"] != "contact") {
        let name = signal["signal"].as_str().unwrap_or_default();
        let path = format!("/api/v1/tanks/{}/days?signal={}&from={from}", escaped(tank), escaped(name));
        match client.get(&path) {
            Ok(days) => all.push(days),
            // Nothing is written down of it yet.
            Err(Failed::Refused(text)) if text.contains("nothing is written down") => {}
            Err(failed) => return Err(failed),
        }
    }
    Ok(all)
}

/// As a person reads it: one table a signal, the newest day last.
pub fn text(signals: &[Value]) -> String {
    let mut out = String::new();
    for signal in signals {
        let rows = signal["rows"].as_array().map_or(&[][..], Vec::as_slice);
        let rows = &rows[rows.len().saturating_sub(SHOWN)..];
        if rows.is_empty() {
            continue;
        }
        let word = |key: &str| signal[key].as_str().unwrap_or_default();
        let unit = if word("unit").is_empty() { String::new() } else { format!(", {}", word("unit")) };
        let _ = writeln!(out, "\n{}{unit}; days of {}", word("signal"), word("zone"));
        out.push_str("  day           mean     sd  swing   lowest  highest  in band   below   above  known\n");
        for row in rows {
            day(&mut out, row);
        }
        if let Some(weeks) = rows.last().and_then(|row| row["heating_weeks"].as_f64()) {
            let _ = writeln!(out, "  degree heating weeks at the end: {weeks:.1} °C weeks");
        }
    }
    if out.is_empty() {
        out.push_str("\nno day is complete yet: the first one is shown after the next midnight of the tank\n");
    }
    out
}

fn day(out: &mut String, row: &Value) {
    let number = |key: &str, width: usize, decimals: usize| match row[key].as_f64() {
        Some(value) => format!("{value:>width$.decimals$}"),
        None => format!("{:>width$}", "-"),
    };
    let swing = row["greatest"].as_f64().zip(row["least"].as_f64()).map(|(greatest, least)| greatest - least);
    let swing = swing.map_or(format!("{:>6}", "-"), |swing| format!("{swing:>6.2}"));
    let covered = row["covered"].as_f64().unwrap_or(0.0);
    let lasts = (row["until"].as_f64().unwrap_or(0.0) - row["from"].as_f64().unwrap_or(0.0)) / 1000.0;
    let band = |key: &str, width: usize| match row["band"][key].as_f64() {
        Some(seconds) if covered > 0.0 => format!("{:>width$.1} %", 100.0 * seconds / covered, width = width - 2),
        _ => format!("{:>width$}", "-"),
    };
    let _ = writeln!(
        out,
        "  {:<10}  {}  {} {swing}  {}  {}  {}  {} {}  {:>3.0} %",
        row["date"].as_str().unwrap_or_default(),
        number("mean", 6, 2),
        number("sd", 5, 3),
        number("least", 7, 2),
        number("greatest", 7, 2),
        band("inside", 7),
        band("below", 7),
        band("above", 7),
        (100.0 * covered / lasts.max(1.0)).min(100.0),
    );
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    #[test]
    fn a_table_has_a_line_a_day_and_says_what_is_not_known() {
        let signals = [json!({
            "signal": "water-temp", "unit": "°C", "zone": "Europe/Lisbon",
            "rows": [
                { "date": "2026-06-01", "from": 0, "until": 86_400_000, "covered": 86_000.0, "mean": 25.012, "sd": 0.081,
                  "least": 24.81, "greatest": 25.22, "band": { "low": 24.5, "high": 25.5, "inside": 86_000.0, "below": 0.0, "above": 0.0 },
                  "heating_weeks": 0.0 },
                { "date": "2026-06-02", "from": 0, "until": 86_400_000, "covered": 0.0, "mean": null, "sd": null,
                  "least": null, "greatest": null, "band": null, "heating_weeks": 0.4 },
            ],
        })];
        assert_eq!(
            text(&signals),
            "\nwater-temp, °C; days of Europe/Lisbon\n\
             \x20 day           mean     sd  swing   lowest  highest  in band   below   above  known\n\
             \x20 2026-06-01   25.01  0.081   0.41    24.81    25.22  100.0 %    0.0 %   0.0 %  100 %\n\
             \x20 2026-06-02       -      -      -        -        -        -        -       -    0 %\n\
             \x20 degree heating weeks at the end: 0.4 °C weeks\n"
        );
        assert!(text(&[]).contains("after the next midnight"));
    }
}
