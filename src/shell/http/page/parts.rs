//! Small parts that several pages have: times, the fields that every order carries, and what came of one.

use std::fmt::Write as _;

use crate::control::effect::Outcome;
use crate::time::{Span, Wall};

use super::Look;
use super::html::E;
use super::told::Told;

/// A moment as a keeper says it: the time today, with the date on other days.
pub(super) fn clock(look: &Look, at: Wall) -> String {
    let text = look.zone.show(at);
    let (date, time) = text.split_once(' ').unwrap_or(("", &text));
    let time = time.get(..5).unwrap_or(time);
    if look.zone.date(at) == look.zone.date(look.now) { time.to_owned() } else { format!("{date} {time}") }
}

/// A span without what nobody counts: seconds only below a minute.
pub(super) fn about(span: Span) -> String {
    let minutes = span.millis() / 60_000;
    if minutes == 0 { format!("{} s", span.millis() / 1000) } else { Span::from_minutes(minutes).to_string() }
}

/// `since 14:03 (12 min)`; the script keeps the age going.
pub(super) fn since(look: &Look, at: Wall) -> String {
    format!(
        "since {} (<time class=\"age\" data-since=\"{}\">{}</time>)",
        E(clock(look, at)),
        at.unix_millis(),
        about(look.now.since(at))
    )
}

/// What is left until a moment.
pub(super) fn left(look: &Look, until: Wall) -> String {
    let text = if until > look.now {
        format!("{} left", about(until.since(look.now)))
    } else {
        format!("{} over", about(look.now.since(until)))
    };
    format!("<time class=\"left\" data-until=\"{}\">{text}</time>", until.unix_millis())
}

/// What a page rests on, and when it was made: the script's clock begins with that.
pub(super) fn as_of(look: &Look, on: &str) -> String {
    let (at, time) = (look.now.unix_millis(), look.zone.time_of_day(look.now));
    format!("<p class=\"rests\">{on}As of <time id=\"as-of\" data-at=\"{at}\">{time}</time>.</p>\n")
}

/// The beginning of a form that asks the tank for something; fields and a button follow.
pub(super) fn form(look: &Look, what: &str, fields: &[(&str, &str)]) -> String {
    form_to(look, "ask", what, fields)
}

/// The beginning of a form that notes something in the keeper's log.
pub(super) fn note(look: &Look, what: &str, fields: &[(&str, &str)]) -> String {
    form_to(look, "note", what, fields)
}

fn form_to(look: &Look, to: &str, what: &str, fields: &[(&str, &str)]) -> String {
    let mut out = format!(
        "<form method=\"post\" action=\"/tanks/{}/{to}\"><input type=\"hidden\" name=\"do\" value=\"{}\">",
        look.tank(),
        E(what)
    );
    for (name, value) in fields {
        let _ = write!(out, "<input type=\"hidden\" name=\"{}\" value=\"{}\">", E(name), E(value));
    }
    let _ = write!(out, "<input type=\"hidden\" name=\"mark\" value=\"{}\">", look.mark);
    out
}

/// The last touch. From another machine it says that somebody is at the tank, and so does the button.
pub(super) fn button(look: &Look, class: &str, text: &str) -> String {
    if look.here {
        format!("<button class=\"{class}\">{}</button></form>", E(text))
    } else {
        format!(
            "<button class=\"{class}\" name=\"on_site\" value=\"yes\"><small>I am at the tank and see it:</small> {}\
             </button></form>",
            E(text)
        )
    }
}

/// A button for what is safe wherever one is.
pub(super) fn plain_button(class: &str, text: &str) -> String {
    format!("<button class=\"{class}\">{}</button></form>", E(text))
}

/// What came of an order.
pub(super) fn told(told: &Told) -> String {
    let (class, word) = match told.outcome {
        Some(Outcome::Done) => ("good", "Done"),
        Some(Outcome::NotProven) => ("bad", "Not proven"),
        Some(Outcome::Refused) => ("bad", "Refused"),
        Some(Outcome::Unknown) => ("bad", "Not understood"),
        None => ("bad", "Not done"),
    };
    let mut out = format!(
        "<section class=\"told {class}\" id=\"told\" role=\"status\" tabindex=\"-1\"><h2>{word}</h2>\n<p>{}</p>\n",
        E(&told.summary)
    );
    if told.again {
        out += "<p>The same order came before and was answered then; nothing was done a second time.</p>\n";
    }
    out += &list(&told.details);
    for text in told.fix.iter().chain(&told.caution) {
        let _ = writeln!(out, "<p>{}</p>", E(text));
    }
    out += "</section>\n";
    out
}

/// Lines as a list; nothing for none.
pub(super) fn list<T: AsRef<str>>(lines: &[T]) -> String {
    if lines.is_empty() {
        return String::new();
    }
    let items = lines.iter().fold(String::new(), |mut items, line| {
        let line = line.as_ref();
        let class = if line.contains("NOT proven") || line.contains("pull its plug") { " class=\"bad\"" } else { "" };
        let _ = writeln!(items, "<li{class}>{}</li>", E(line));
        items
    });
    format!("<ul class=\"lines\">\n{items}</ul>\n")
}
