//! Between the two touches: what a hold will pause and for how long, what a release waits for.

use std::fmt::Write as _;

use crate::control::NOT_ISOLATION;
use crate::control::plan::AtLimit;
use crate::control::status::HoldStatus;

use super::Look;
use super::html::{E, plain, said};
use super::new_water;
use super::parts::{button, form, left, list};

/// What a hold will do.
pub(super) fn hold(look: &Look, hold: &HoldStatus) -> String {
    let name = plain(&hold.hold);
    let mut out = format!("<h1>Hold: {}?</h1>\n", E(&name));
    if hold.active {
        let _ = writeln!(out, "<p class=\"lead\">It is held already{}.</p>", until(look, hold));
    }
    if hold.stops.is_empty() {
        let _ = writeln!(out, "<p class=\"lead\">It pauses nothing.</p>");
    } else {
        let stops: Vec<String> = hold.stops.iter().map(|output| plain(output)).collect();
        let _ = writeln!(out, "<p class=\"lead\">It turns off, in this order:</p>\n{}", list(&stops));
    }
    let at_limit = match hold.at_limit {
        AtLimit::Alarm => "then an alarm comes, and nothing starts again by itself",
        AtLimit::Release => "then it is released by itself, if everything that a release needs is there",
    };
    let _ = writeln!(out, "<p>For <b>{}</b> at most; {at_limit}.</p>", hold.limit);
    let _ = writeln!(out, "<p class=\"caution\">{}</p>", E(NOT_ISOLATION));
    if !look.may {
        out += "<p>You may look; a keeper's token is needed to hold.</p>\n";
        return out + &back(look);
    }
    if hold.cares_for_probes {
        for probe in &look.status.probes {
            let probe: &str = &probe.probe;
            out += &form(look, "hold", &[("procedure", &hold.hold), ("probe", probe)]);
            out += &button(look, "big", &format!("Take {} in hand", plain(probe)));
        }
    } else {
        out += &form(look, "hold", &[("procedure", &hold.hold)]);
        out += &button(look, "big", &format!("Hold for {name}"));
    }
    out + &back(look)
}

/// What a release will do.
pub(super) fn release(look: &Look, hold: &HoldStatus) -> String {
    let name = plain(&hold.hold);
    let mut out = format!("<h1>Release: {}?</h1>\n", E(&name));
    if !hold.active {
        let _ = writeln!(out, "<p class=\"lead\">{} is not held.</p>", E(said(&hold.hold)));
        return out + &back(look);
    }
    let _ = writeln!(
        out,
        "<p class=\"lead\">Hands and tools out of the water. What was paused starts again, one after the other, as soon \
         as what each needs is there; what is missing is said and keeps the hold.</p>"
    );
    let stops: Vec<String> = hold.stops.iter().rev().map(|output| plain(output)).collect();
    out += &list(&stops);
    out += &new_water::of(look, hold);
    if look.may {
        out += &form(look, "release", &[("procedure", &hold.hold)]);
        out += &button(look, "big", &format!("End {name}"));
    }
    out + &back(look)
}

fn until(look: &Look, hold: &HoldStatus) -> String {
    hold.until.map(|until| format!(", {}", left(look, until))).unwrap_or_default()
}

fn back(look: &Look) -> String {
    format!("<p><a class=\"back\" href=\"/tanks/{}\">Back, nothing is changed</a></p>\n", look.tank())
}
