//! Safeguards: each interlock, what it forces, and its bypass: one cause, for a while, with a reason.
//!
//! Which one is never bypassed, and why, comes from the core. A bypass ends by itself.

use std::fmt::Write as _;

use crate::control::status::InterlockStatus;

use super::Look;
use super::html::{E, plain, said};
use super::parts::{button, clock, form, left, list, since};

/// How long a bypass may be chosen to last.
const SPANS: [&str; 6] = ["30 min", "1 h", "2 h", "4 h", "12 h", "24 h"];
const USUAL: &str = "2 h";
/// Where its orders come back to.
const BACK: (&str, &str) = ("back", "safeguards");

/// The page.
pub(super) fn page(look: &Look) -> String {
    let mut out = "<h1>Safeguards</h1>\n<p class=\"lead\">Each looks at its cause all the while and forces what it says, \
                   above every wish, hold and force.</p>\n<p class=\"caution\">A safeguard of software and plugs can fail. It \
                   replaces no residual-current device, no drip loop, no float switch and not the heater's own \
                   thermostat.</p>\n"
        .to_owned();
    if look.status.interlocks.is_empty() {
        out += "<p>This tank has none.</p>\n";
    }
    out += "<h2>Each of them</h2>\n";
    for interlock in &look.status.interlocks {
        one(look, interlock, &mut out);
    }
    out
}

/// The word of its state.
pub(super) fn state_in_words(interlock: &InterlockStatus) -> &'static str {
    match interlock.state {
        "unknown" => "armed, but its cause cannot be seen",
        other => other,
    }
}

fn one(look: &Look, interlock: &InterlockStatus, out: &mut String) {
    let name: &str = &interlock.interlock;
    let class = if interlock.state == "armed" { "keep" } else { "keep due" };
    let last = interlock.last_trip.map(|at| format!(", last {}", clock(look, at))).unwrap_or_default();
    let times = match interlock.trips {
        0 => "Never tripped".to_owned(),
        1 => "Tripped once".to_owned(),
        many => format!("Tripped {many} times"),
    };
    let _ = writeln!(
        out,
        "<article class=\"{class}\" id=\"safeguard-{}\"><h3>{}: {}</h3><p class=\"state\">{times}{last}. It \
         forces:</p>{}",
        E(name),
        E(said(name)),
        state_in_words(interlock),
        list(&interlock.effects)
    );
    if let Some(cause) = &interlock.cause {
        let _ = writeln!(out, "<p class=\"bad\">{}</p>", E(cause));
    }
    match (&interlock.bypass, interlock.never_bypassed) {
        (Some(bypass), _) => {
            let stands = if bypass.cause_stands { " <b>Its cause stands meanwhile.</b>" } else { "" };
            let _ = writeln!(
                out,
                "<p class=\"do\">Bypassed by {}, {}, {}: {}.{stands}</p>",
                E(&bypass.by),
                since(look, bypass.since),
                left(look, bypass.until),
                E(&bypass.reason)
            );
            if look.may {
                out.push_str(&form(look, "end-bypass", &[("interlock", name), BACK]));
                out.push_str(&button(look, "act", "It acts again now"));
            }
        }
        (None, Some(why)) => {
            let _ = writeln!(out, "<p>Never bypassed: {}.</p>", E(why.trim_end_matches('.')));
        }
        (None, None) if look.may => bypass(look, name, out),
        (None, None) => {}
    }
    out.push_str("</article>\n");
}

fn bypass(look: &Look, name: &str, out: &mut String) {
    let n = E(name);
    let _ = write!(
        out,
        "<details id=\"bypass-{n}\"><summary>Bypass it for a while</summary><p>Nothing takes its place: stay near, and end it \
         as soon as the cause is mended. It ends by itself.</p>"
    );
    out.push_str(&form(look, "bypass", &[("interlock", name), BACK]));
    let _ = write!(
        out,
        "<label for=\"reason-{n}\">Why, in words</label><input id=\"reason-{n}\" name=\"reason\" maxlength=\"200\" required>\
         <label for=\"lasting-{n}\">for</label><select id=\"lasting-{n}\" name=\"lasting\">"
    );
    for span in SPANS {
        let _ = write!(out, "<option{}>{span}</option>", if span == USUAL { " selected" } else { "" });
    }
    out.push_str("</select>");
    out.push_str(&button(look, "act", &format!("Bypass {}", plain(name))));
    out.push_str("</details>");
}
