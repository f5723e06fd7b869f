//! Proof tests: what is proven and when it is due, and the session that goes on, step by step.
//!
//! Nothing is judged here: the daemon says what to do and what it saw, and a person says ready, yes or no. A step that is
//! watched moves by itself; without script the page looks again.

use std::fmt::Write as _;

use crate::control::prove::{Check, OneProof, ProofState, ProofsStatus, SessionStatus};

use super::Look;
use super::html::{E, capital, plain, said};
use super::parts::{button, clock, form, left, list, since};

/// Where its orders come back to.
const BACK: (&str, &str) = ("back", "proofs");

/// Whether a step is being watched: the page is to look again soon.
pub(super) fn moves(proofs: &ProofsStatus) -> bool {
    proofs.session.as_ref().is_some_and(|session| session.stage == "watching")
}

/// The page.
pub(super) fn page(look: &Look) -> String {
    let proofs = &look.status.proofs;
    let count = |state: ProofState| proofs.proofs.iter().filter(|proof| proof.state == state).count();
    let mut out = format!(
        "<h1>Proof tests</h1>\n<p class=\"lead\">{} of {} are proven.</p>\n<p>Never proven, or void since: {}. Overdue: {}. \
         Failed: {}.</p>\n",
        count(ProofState::Proven),
        proofs.proofs.len(),
        proofs.never,
        proofs.overdue,
        proofs.failed
    );
    match &proofs.session {
        Some(session) => self::session(look, session, &mut out),
        None => begin_all(look, &mut out),
    }
    out.push_str("<section><h2>What is proven</h2>\n");
    for proof in &proofs.proofs {
        one(look, proof, proofs.session.is_none(), &mut out);
    }
    out.push_str("</section>\n");
    out
}

fn name(of: &str, check: Check) -> String {
    format!("{} {}", said(of), plain(check.word()))
}

fn act(look: &Look, act: &str, class: &str, text: &str) -> String {
    form(look, "prove", &[("act", act), BACK]) + &button(look, class, text)
}

fn begin_all(look: &Look, out: &mut String) {
    if !look.may {
        return;
    }
    out.push_str("<p>Nothing is switched before you say that you are there.</p>\n<div class=\"pair\">");
    for (what, text) in [(None, "Begin what is due or was never done"), (Some("all"), "Begin all of them")] {
        let mut fields = vec![("act", "begin"), BACK];
        fields.extend(what.map(|what| ("what", what)));
        out.push_str(&form(look, "prove", &fields));
        out.push_str(&button(look, "big", text));
    }
    out.push_str("</div>\n");
}

fn session(look: &Look, session: &SessionStatus, out: &mut String) {
    let _ = writeln!(
        out,
        "<section id=\"session\" aria-labelledby=\"step\"><h2 id=\"step\">{}</h2>\n<p class=\"state\">Begun by {}, {}; {} \
         left, this one among them.</p>",
        E(name(&session.of, session.check)),
        E(&session.by),
        since(look, session.begun),
        session.left
    );
    if let Some(before) = &session.said {
        let _ = writeln!(out, "<p class=\"bad\">Before: {}</p>", E(before));
    }
    let _ = writeln!(out, "<p class=\"do\" id=\"instruction\">{}</p>", E(capital(&session.instruction)));
    if !session.seen.is_empty() {
        let _ = writeln!(out, "<h3>Seen so far</h3>\n{}", list(&session.seen));
    }
    if let Some(until) = session.until {
        let at = clock(look, until);
        let _ = writeln!(out, "<p>What it changed is back by {} at the latest: {}.</p>", E(at), left(look, until));
    }
    if look.may {
        acts(look, session, out);
    }
    if !session.done.is_empty() {
        let done: Vec<String> =
            session.done.iter().map(|(of, how, seen)| format!("{of}: {}: {seen}", how.word())).collect();
        let _ = writeln!(out, "<h3>Done in this session</h3>\n{}", list(&done));
    }
    out.push_str("</section>\n");
}

fn acts(look: &Look, session: &SessionStatus, out: &mut String) {
    match session.stage {
        "ready" => out.push_str(&act(look, "ready", "big", "I am there: begin this step")),
        "asking" if session.check == Check::Arrives => {
            out.push_str(&form(look, "prove", &[("act", "yes"), BACK]));
            out.push_str(
                "<label for=\"code\">The digits of the test message</label>\
                 <input id=\"code\" name=\"code\" inputmode=\"numeric\" pattern=\"[0-9]+\" autocomplete=\"off\" required>",
            );
            out.push_str(&button(look, "big", "These arrived"));
        }
        "asking" => {
            out.push_str("<div class=\"pair\">");
            out.push_str(&act(look, "yes", "big", "Yes"));
            out.push_str(&act(look, "no", "big", "No"));
            out.push_str("</div>");
        }
        _ => {}
    }
    out.push_str("<div class=\"acts\">");
    out.push_str(&act(look, "skip", "act", "Leave this step out"));
    out.push_str(&act(look, "stop", "act", "End the session"));
    out.push_str("</div>\n");
}

fn one(look: &Look, proof: &OneProof, is_free: bool, out: &mut String) {
    let (class, state) = match proof.state {
        ProofState::Proven => ("keep", "proven"),
        ProofState::Due => ("keep due", "overdue"),
        ProofState::Never => ("keep", "never proven"),
        ProofState::Void => ("keep due", "void, its binding is another now"),
        ProofState::Failed => ("keep due", "FAILED"),
    };
    let name = name(&proof.of, proof.check);
    let _ = writeln!(out, "<article class=\"{class}\"><h3>{}: {state}</h3>", E(&name));
    let by = || proof.by.as_deref().map(|by| format!(" by {by}")).unwrap_or_default();
    let facts: Vec<String> = [
        proof.failed.map(|at| format!("failed {}{}", clock(look, at), by())),
        proof.proven.map(|at| {
            format!("proven {}{}", clock(look, at), if proof.failed.is_some() { String::new() } else { by() })
        }),
        proof.due.map(|at| format!("due {}", clock(look, at))),
    ]
    .into_iter()
    .flatten()
    .collect();
    let _ = writeln!(out, "<p class=\"state\">{}</p>", E(facts.join("; ")));
    if let Some(text) = &proof.text {
        let _ = writeln!(out, "<p>{}</p>", E(text));
    }
    if look.may && is_free {
        let what = format!("{} {}", proof.of, proof.check.word());
        out.push_str(&form(look, "prove", &[("act", "begin"), ("what", &what), BACK]));
        out.push_str(&button(look, "act", &format!("Prove: {}", plain(&what))));
    }
    out.push_str("</article>\n");
}
