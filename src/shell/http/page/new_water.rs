//! The new water of a water change: what goes in, told before the release, which is judged by it.

use std::fmt::Write as _;

use crate::control::status::HoldStatus;

use super::Look;
use super::html::E;
use super::parts::{button, form};

/// Fields: name, label.
const FIELDS: [(&str, &str); 3] = [
    ("litres", "How much goes in, such as 9 L"),
    ("salinity", "Its salinity, such as 35 psu"),
    ("temperature", "Its temperature, such as 24.5 °C"),
];

/// What was told, and the form to tell it. Nothing for another hold.
pub(super) fn of(look: &Look, hold: &HoldStatus) -> String {
    let mut out = String::new();
    if !(hold.active && hold.changes_water) {
        return out;
    }
    if let Some(told) = &hold.told_water {
        let _ = writeln!(out, "<p class=\"do\">New water: {}.</p>", E(told));
    }
    if !look.may {
        return out;
    }
    out.push_str(
        "<details id=\"new-water\"><summary>Tell what new water goes in</summary><p>Where a field is left empty, what the \
         probes of its bin say counts, and the usual amount.</p>",
    );
    out.push_str(&form(look, "new-water", &[]));
    for (name, label) in FIELDS {
        let _ = write!(
            out,
            "<label for=\"water-{name}\">{label}</label><input id=\"water-{name}\" name=\"{name}\" autocomplete=\"off\">"
        );
    }
    out.push_str(
        "<p class=\"check\"><input type=\"checkbox\" id=\"water-confirm\" name=\"confirm\" value=\"yes\">\
         <label for=\"water-confirm\">I confirm a change that is too much at once for most animals</label></p>",
    );
    out.push_str(&button(look, "act", "Judge this water"));
    out.push_str("</details>\n");
    out
}
