//! Dosing pumps: the plan in force, and a proposal that waits for a keeper's word.

use std::fmt::Write as _;

use crate::control::dosing::DosingStatus;

use super::Look;
use super::html::{E, said};
use super::parts::{button, form, list};

/// Where its orders come back to.
const BACK: (&str, &str) = ("back", "doses");

/// The page.
pub(super) fn page(look: &Look) -> String {
    let mut out = "<h1>Dosing</h1>\n".to_owned();
    if look.status.dosing.is_empty() {
        out += "<p class=\"lead\">No dosing pump of this tank has a plan.</p>\n";
    }
    for pump in &look.status.dosing {
        one(look, pump, &mut out);
    }
    out
}

fn one(look: &Look, pump: &DosingStatus, out: &mut String) {
    let name: &str = &pump.output;
    let mut facts = vec![
        format!("in force: {:.1} mL a day of {}", pump.maintenance_ml_per_day, pump.adds),
        format!("given in 24 h: {:.1} mL; the day's limit leaves {:.1} mL", pump.ml_in_24_hours, pump.day_left_ml),
        format!("next slot: {}", pump.next_slot),
        format!("in its container by the book: {:.0} of {:.0} mL", pump.container_ml, pump.container_size_ml),
        format!("it delivers {:.2} mL a minute", pump.rate_ml_per_minute),
    ];
    if pump.correction_left_ml.abs() > 0.0 {
        facts.push(format!(
            "correction: {:+.1} mL a day, {:.1} mL left of it",
            pump.correction_ml_per_day, pump.correction_left_ml
        ));
    }
    if pump.owed_ml > 0.0 {
        facts.push(format!("to be made up for: {:.1} mL", pump.owed_ml));
    }
    let _ = writeln!(
        out,
        "<section id=\"pump-{}\"><h2>{}: {}</h2>\n{}",
        E(name),
        E(said(name)),
        E(pump.state),
        list(&facts)
    );
    for wrong in pump.worn.iter().chain(&pump.unbalanced) {
        let _ = writeln!(out, "<p class=\"bad\">{}</p>", E(wrong));
    }
    match &pump.proposal {
        Some(lines) => {
            let _ = writeln!(out, "<div class=\"held\"><h3>Proposed, and not in force</h3>{}", list(lines));
            if look.may {
                out.push_str("<div class=\"pair\">");
                for (what, class, text) in [("approve", "big", "Put it in force"), ("decline", "big", "Drop it")] {
                    out.push_str(&form(look, "dose", &[("pump", name), ("what", what), BACK]));
                    out.push_str(&button(look, class, text));
                }
                out.push_str("</div>");
            }
            out.push_str("</div>\n");
        }
        None => out.push_str("<p>Nothing is proposed.</p>\n"),
    }
    out.push_str("</section>\n");
}
