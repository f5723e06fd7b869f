//! An output: the whole chain of reasons, the first opinion winning, and a force that ends by itself.

use std::fmt::Write as _;

use crate::control::plan::Switch;
use crate::control::status::Explanation;

use super::Look;
use super::html::{E, plain, said};
use super::parts::{button, form, left, list, plain_button};

/// How long a force may be chosen to last.
const SPANS: [&str; 6] = ["5 min", "10 min", "20 min", "1 h", "3 h", "12 h"];

/// The page of one output.
pub(super) fn page(look: &Look, why: &Explanation) -> String {
    let mut out = format!("<h1>{}</h1>\n<p class=\"lead\">{}.</p>\n", E(said(&why.output)), E(&why.summary));
    out += "<h2>Who says what</h2>\n<p>The first opinion from above wins.</p>\n<table class=\"chain\">\n<thead><tr>\
            <th scope=\"col\">Layer</th><th scope=\"col\">Says</th><th scope=\"col\">Why</th></tr></thead>\n<tbody>\n";
    for layer in &why.layers {
        let (class, mark) = if layer.decides { (" class=\"decides\"", " (decides)") } else { ("", "") };
        let says = layer.says.map_or("", Switch::word);
        let _ = writeln!(
            out,
            "<tr{class}><th scope=\"row\">{}{mark}</th><td>{}</td><td>{}</td></tr>",
            E(plain(layer.layer)),
            if says.is_empty() { "no opinion" } else { says },
            E(&layer.why)
        );
    }
    out += "</tbody></table>\n";
    if !why.rests_on.is_empty() {
        let _ = writeln!(out, "<h2>It rests on</h2>\n{}", list(&why.rests_on));
    }
    let _ = writeln!(out, "<h2>Proof</h2>\n<p>{}.</p>", E(&why.proof));
    force(look, why, &mut out);
    let _ = writeln!(out, "<p><a class=\"back\" href=\"/tanks/{}\">Back to the tank</a></p>", look.tank());
    out
}

fn force(look: &Look, why: &Explanation, out: &mut String) {
    let status = look.status.outputs.iter().find(|output| output.output == why.output);
    let Some(status) = status.filter(|_| look.may) else { return };
    out.push_str("<h2>Force it for a while</h2>\n");
    if let Some(force) = &status.force {
        let _ = writeln!(out, "<p>Forced {} by {}, {}.</p>", force.to.word(), E(&force.by), left(look, force.until));
        out.push_str(&form(look, "end-force", &[("output", &why.output)]));
        out.push_str(&button(look, "big", "End the force"));
        return;
    }
    out.push_str(
        "<p>A force ends by itself. Trips, missing permissives and holds stand above it, and what they refuse stays \
         refused.</p>\n<div class=\"pair\">",
    );
    for to in [Switch::On, Switch::Off] {
        let id = format!("lasting-{}", to.word());
        out.push_str(&form(look, "force", &[("output", &why.output), ("to", to.word())]));
        let _ = write!(out, "<label for=\"{id}\">{} for</label><select id=\"{id}\" name=\"lasting\">", said(to.word()));
        for span in SPANS {
            let chosen = if span == "20 min" { " selected" } else { "" };
            let _ = write!(out, "<option{chosen}>{span}</option>");
        }
        out.push_str("</select>");
        let text = format!("Force {} {}", plain(&why.output), to.word());
        let is_safe = to == Switch::Off && status.kind.may_always_be_off();
        out.push_str(&if is_safe { plain_button("big", &text) } else { button(look, "big", &text) });
    }
    out.push_str("</div>\n");
}
