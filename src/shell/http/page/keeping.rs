//! The keeper's side: what runs out, what falls due, and the log, each with what one does about it.

use std::fmt::Write as _;

use serde_json::Value;

use super::super::each;
use super::Look;
use super::html::{E, said};
use super::parts::{note, plain_button};

/// So many days of the log stand on the page.
pub(super) const LOG_DAYS: u32 = 30;
/// And so many entries at most.
const LOG_LINES: usize = 60;

fn word(value: &Value) -> &str {
    value.as_str().unwrap_or_default()
}

/// The page, out of what the keeper's log says of supplies, chores and entries.
pub(super) fn page(look: &Look, supplies: &Value, chores: &Value, log: &Value) -> String {
    let mut out = "<h1>Log, supplies and chores</h1>\n".to_owned();
    self::supplies(look, supplies, &mut out);
    self::chores(look, chores, &mut out);
    self::log(look, log, &mut out);
    let _ = writeln!(out, "<p><a class=\"back\" href=\"/tanks/{}\">Back to the tank</a></p>", look.tank());
    out
}

fn supplies(look: &Look, supplies: &Value, out: &mut String) {
    out.push_str("<section><h2>What runs out</h2>\n");
    for supply in each(&supplies["supplies"]) {
        let name = word(&supply["supply"]);
        let lasts = supply["days_left"][0].as_f64().map(|days| format!("lasts {days:.0} days at 20 % more use"));
        let facts: Vec<String> = [
            Some(format!(
                "{} of {} left",
                supply["left"].as_str().unwrap_or("not known how much"),
                word(&supply["holds"])
            )),
            lasts,
            supply["due_on"].as_str().map(|day| format!("due {day}")),
            supply["use_a_day"].as_str().map(|used| format!("{used} a day")),
        ]
        .into_iter()
        .flatten()
        .collect();
        let _ = writeln!(out, "<article class=\"keep\"><h3>{}</h3><p>{}</p>", E(said(name)), E(facts.join("; ")));
        for notice in each(&supply["notices"]).chain([&supply["advice"]]).filter_map(Value::as_str) {
            let _ = writeln!(out, "<p class=\"do\">{}</p>", E(notice));
        }
        if look.may {
            out.push_str("<div class=\"acts\">");
            out.push_str(&note(look, "refill", &[("supply", name)]));
            out.push_str(&plain_button("act", "It is full"));
            let _ = write!(out, "<details id=\"left-{}\"><summary>Something else</summary>", E(name));
            for (what, label) in
                [("refill", "So much went in"), ("use", "So much was used"), ("left", "So much is left")]
            {
                let id = format!("{what}-{}", E(name));
                out.push_str(&note(look, what, &[("supply", name)]));
                let _ = write!(
                    out,
                    "<label for=\"{id}\">{label}, with its unit</label><input id=\"{id}\" name=\"amount\" required>"
                );
                out.push_str(&plain_button("act", "Note it"));
            }
            out.push_str("</details></div>");
        }
        out.push_str("</article>\n");
    }
    out.push_str("</section>\n");
}

fn chores(look: &Look, chores: &Value, out: &mut String) {
    out.push_str("<section><h2>What falls due</h2>\n");
    for chore in each(&chores["chores"]) {
        let name = word(&chore["chore"]);
        let class = if chore["due"] == true { "keep due" } else { "keep" };
        let when = match (chore["due"] == true, chore["due_on"].as_str()) {
            (true, _) => "due now".to_owned(),
            (false, Some(day)) => format!("due {day}"),
            (false, None) => "not due".to_owned(),
        };
        let why: Vec<&str> = each(&chore["why"]).map(word).collect();
        let _ = writeln!(
            out,
            "<article class=\"{class}\"><h3>{}: {when}</h3><p>{}</p><p class=\"state\">{}</p>",
            E(said(name)),
            E(word(&chore["does"])),
            E(why.join("; "))
        );
        if let (Some(until), reason) = (chore["postponed"][0].as_str(), word(&chore["postponed"][1])) {
            let _ = writeln!(out, "<p>It waits until {}: {}</p>", E(until), E(reason));
        }
        if look.may {
            out.push_str("<div class=\"acts\">");
            out.push_str(&note(look, "done", &[("chore", name)]));
            out.push_str(&plain_button("act", "Done"));
            let _ = write!(out, "<details id=\"wait-{}\"><summary>It waits</summary>", E(name));
            out.push_str(&note(look, "postpone", &[("chore", name)]));
            let _ = write!(
                out,
                "<label for=\"until-{n}\">until (a day, or so long: 3 d)</label><input id=\"until-{n}\" name=\"until\" required>\
                 <label for=\"reason-{n}\">because</label><input id=\"reason-{n}\" name=\"reason\" required>",
                n = E(name)
            );
            out.push_str(&plain_button("act", "Postpone"));
            out.push_str("</details></div>");
        }
        out.push_str("</article>\n");
    }
    out.push_str("</section>\n");
}

/// A form of the log: its verb, its title, and each field with its label.
type Entry = (&'static str, &'static str, &'static [(&'static str, &'static str)]);

const ENTRIES: &[Entry] = &[
    (
        "measure",
        "A measurement",
        &[
            ("quantity", "Of what: alkalinity, nitrate, salinity ..."),
            ("value", "Value with its unit, such as 8.1 dKH"),
        ],
    ),
    ("water-change", "A water change", &[("amount", "How much, such as 9 L")]),
    ("dose", "A dose by hand", &[("supply", "Of which supply"), ("amount", "How much, such as 5 mL")]),
    ("event", "Something else", &[("text", "What happened")]),
];

fn log(look: &Look, log: &Value, out: &mut String) {
    out.push_str("<section><h2>Log</h2>\n");
    if look.may {
        out.push_str("<div class=\"pair\">");
        for (what, title, fields) in ENTRIES {
            let _ = write!(out, "<details id=\"note-{what}\"><summary>{title}</summary>");
            out.push_str(&note(look, what, &[]));
            for (name, label) in *fields {
                let _ = write!(
                    out,
                    "<label for=\"{what}-{name}\">{label}</label><input id=\"{what}-{name}\" name=\"{name}\" required>"
                );
            }
            let _ = write!(
                out,
                "<label for=\"{what}-when\">When, if not now, such as yesterday 18:30</label>\
                 <input id=\"{what}-when\" name=\"when\">"
            );
            out.push_str(&plain_button("act", "Note it"));
            out.push_str("</details>");
        }
        out.push_str("</div>");
    }
    let lines: Vec<&Value> = each(&log["entries"]).collect();
    if lines.is_empty() {
        let _ = writeln!(out, "<p>Nothing in the last {LOG_DAYS} days.</p>");
    } else {
        out.push_str("<ol class=\"log\">\n");
        for line in lines.iter().take(LOG_LINES) {
            let _ = writeln!(
                out,
                "<li><time>{}</time> <b>{}</b> {} <small>{}</small></li>",
                E(word(&line["local"])),
                E(said(word(&line["name"]))),
                E(word(&line["says"])),
                E(word(&line["by"]))
            );
        }
        out.push_str("</ol>\n");
    }
    out.push_str("</section>\n");
}
