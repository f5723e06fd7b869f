//! How it has been: strip charts, which the script draws out of the API's history, and the journal.

use std::fmt::Write as _;

use crate::control::effect::JournalKind;
use crate::shell::store::history::journal::Wanted;
use crate::shell::store::history::read::History;
use crate::units::Quantity;

use super::super::Shared;
use super::super::problem::{Kind, Problem};
use super::Look;
use super::assets;
use super::html::{E, plain, said};
use super::seen::Tank;

/// Lines of one page of the journal.
const LINES: u32 = 100;
/// Ranges of the charts: hours, and how they are called.
const RANGES: [(u32, &str); 6] =
    [(1, "an hour"), (24, "a day"), (168, "a week"), (744, "a month"), (8784, "a year"), (87_840, "ten years")];

/// What is asked of the journal.
#[derive(serde::Deserialize)]
pub(in super::super) struct Asked {
    kind: Option<String>,
    before: Option<i64>,
}

/// A chart for each signal that is a number; those with a band first.
pub(super) fn charts(look: &Look, seen: &Tank) -> String {
    let mut out = format!(
        "<section id=\"past\" aria-labelledby=\"past-title\" data-library=\"{}\" data-style=\"{}\">\
         <h2 id=\"past-title\">How it has been</h2>\n",
        assets::address("uplot.js"),
        assets::address("uplot.css")
    );
    out += "<noscript><p>The charts need a script; the journal does not.</p></noscript>\n\
            <div class=\"ranges\" role=\"group\" aria-label=\"How far back\" hidden>";
    for (hours, name) in RANGES {
        let _ = write!(
            out,
            "<button type=\"button\" class=\"act\" data-hours=\"{hours}\" aria-pressed=\"{}\">{name}</button>",
            hours == 24
        );
    }
    out += "</div>\n";
    let mut signals: Vec<_> =
        look.status.signals.iter().filter(|signal| signal.measures != Quantity::Contact).collect();
    signals.sort_by_key(|signal| seen.band(&signal.signal).is_none());
    for signal in signals {
        let name: &str = &signal.signal;
        let band =
            seen.band(name).map(|(low, high)| format!(" data-low=\"{low}\" data-high=\"{high}\"")).unwrap_or_default();
        let _ = writeln!(
            out,
            "<figure class=\"chart\" data-signal=\"{}\" data-unit=\"{}\"{band} hidden><figcaption>{}</figcaption>\
             <div class=\"plot\"></div></figure>",
            E(name),
            E(signal.unit),
            E(said(name))
        );
    }
    let _ = writeln!(
        out,
        "<p class=\"links\"><a href=\"/tanks/{t}/journal\">Journal</a> <a href=\"/tanks/{t}/journal?kind=hold\">Record of \
         holds</a> <a href=\"/tanks/{t}/log\">Log, supplies and chores</a> <a href=\"/tanks/{t}/proofs\">Proof tests</a> \
         <a href=\"/tanks/{t}/safeguards\">Safeguards</a> {doses}<a href=\"/calc\">Calculations</a></p></section>",
        t = look.tank(),
        doses = if look.status.dosing.is_empty() {
            String::new()
        } else {
            format!("<a href=\"/tanks/{}/doses\">Dosing</a> ", look.tank())
        }
    );
    out
}

/// What happened, the newest first.
pub(super) async fn journal(shared: &Shared, look: &Look<'_>, asked: Asked) -> Result<String, Problem> {
    let kind = asked.kind.filter(|kind| JournalKind::ALL.iter().any(|known| known.word() == kind));
    let wanted = Wanted { tank: Some(look.status.tank.to_string()), kind: kind.clone(), before: asked.before };
    let dir = shared.data_dir.clone();
    let read = tokio::task::spawn_blocking(move || History::open(&dir).and_then(|file| file.journal(&wanted, LINES)));
    let gone = || {
        let fix = "see the daemon's log; control goes on without its history";
        Problem::new(Kind::Unavailable, "the journal cannot be read", fix)
    };
    let (lines, next) = read.await.map_err(|_| gone())?.map_err(|_| gone())?;
    let mut out = "<h1>Journal</h1>\n<p class=\"links\">".to_owned();
    let all = std::iter::once(None).chain(JournalKind::ALL.iter().map(|kind| Some(kind.word())));
    for one in all {
        let current = if one == kind.as_deref() { " aria-current=\"page\"" } else { "" };
        let query = one.map(|kind| format!("?kind={kind}")).unwrap_or_default();
        let word = one.map_or_else(|| "everything".to_owned(), plain);
        let _ = write!(out, "<a href=\"/tanks/{}/journal{query}\"{current}>{word}</a> ", look.tank());
    }
    out += "</p>\n";
    if lines.is_empty() {
        out += "<p>Nothing is written here.</p>\n";
    } else {
        out += "<ol class=\"log\">\n";
        for line in &lines {
            let _ = writeln!(
                out,
                "<li><time>{}</time> <b>{} {}</b> {}</li>",
                E(look.zone.show(line.at)),
                E(plain(&line.kind)),
                E(&line.subject),
                E(&line.text)
            );
        }
        out += "</ol>\n";
    }
    if let Some(next) = next {
        let kind = kind.map(|kind| format!("kind={kind}&amp;")).unwrap_or_default();
        let _ = writeln!(out, "<p><a href=\"/tanks/{}/journal?{kind}before={next}\">Older</a></p>", look.tank());
    }
    let _ = writeln!(out, "<p><a class=\"back\" href=\"/tanks/{}\">Back to the tank</a></p>", look.tank());
    Ok(out)
}
