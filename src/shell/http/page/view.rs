//! The tank's page, in the order of a keeper's questions: is everything all right, what needs me, hold, why is this on or
//! off, how has it been. What stands here is `live`: the script fetches it anew whenever something changed.

use std::fmt::Write as _;

use crate::control::AlarmState;
use crate::control::plan::{Priority, Switch};
use crate::control::status::{
    AlarmStatus, HoldStatus, InterlockStatus, OutputStatus, ProofStatus, SignalStatus, TankStatus,
};
use crate::shell::job::TankList;

use super::Look;
use super::html::{E, Name, plain, said};
use super::new_water;
use super::parts::{about, as_of, button, clock, form, left, list, plain_button, since};
use super::safeguards::state_in_words;
use super::seen::Tank;

/// The list of tanks.
pub(super) fn tanks(list: &TankList) -> String {
    let mut out = "<h1>Tanks</h1>\n<ul class=\"tanks\">\n".to_owned();
    for tank in &list.tanks {
        let sentence = tank.sentence.as_deref().unwrap_or("look");
        let _ = writeln!(
            out,
            "<li><a href=\"/tanks/{}\"><b>{}</b> <span>{}</span></a></li>",
            Name(&tank.tank),
            E(&tank.title),
            E(sentence)
        );
    }
    out + "</ul>\n"
}

/// All that changes.
pub(super) fn live(look: &Look, seen: &Tank) -> String {
    let mut out = String::with_capacity(24 * 1024);
    let (mood, text) = (look.status.mood.word(), E(&look.status.sentence));
    let _ =
        writeln!(out, "<h1>{}</h1>\n<p class=\"lead mood-{mood}\" id=\"sentence\">{text}</p>", E(&look.status.title));
    rests_on(look, &mut out);
    needs(look, &seen.list, &mut out);
    holds(look, &mut out);
    outputs(look, &mut out);
    readings(look, &mut out);
    safeguards(look, &mut out);
    out
}

/// How old what the sentence rests on is: the oldest usable reading, and those that are missing.
fn rests_on(look: &Look, out: &mut String) {
    let signals = &look.status.signals;
    let usable = signals.iter().filter(|signal| signal.quality.is_usable());
    let oldest = usable.clone().filter_map(|signal| signal.sampled_at).min();
    let count = usable.count();
    let of = if count == signals.len() {
        format!("{count} readings")
    } else {
        format!("{count} of {} readings", signals.len())
    };
    let age = oldest.map(|at| {
        let age = about(look.now.since(at));
        format!(", the oldest <time class=\"age\" data-since=\"{}\">{age}</time> old", at.unix_millis())
    });
    out.push_str(&as_of(look, &format!("By {of}{}. ", age.unwrap_or_default())));
}

/// What a person must do or know, the most urgent first.
fn needs(look: &Look, list: &TankList, out: &mut String) {
    out.push_str("<section id=\"needs\" aria-labelledby=\"needs-title\"><h2 id=\"needs-title\">What needs you</h2>\n");
    let begun = out.len();
    for alarm in &list.daemon_alarms {
        let _ = writeln!(
            out,
            "<article class=\"alarm {p}\"><h3>The daemon: {}</h3><p class=\"state\">{p}, {}</p><p>{}</p>\
             <p class=\"do\">{}</p></article>",
            E(&alarm.text),
            since(look, alarm.since),
            E(alarm.consequence),
            E(alarm.action),
            p = alarm.priority.word(),
        );
    }
    let mut standing: Vec<&AlarmStatus> =
        look.status.alarms.iter().filter(|alarm| alarm.state != "NORM" && alarm.aside.is_none()).collect();
    standing.sort_by_key(|alarm| (!alarm.active, std::cmp::Reverse(alarm.priority), alarm.since));
    let (own, parts): (Vec<&AlarmStatus>, Vec<_>) = standing.into_iter().partition(|alarm| alarm.part_of.is_none());
    if look.status.alarm_load.flood_since.is_some() {
        let count = look.status.alarm_load.raised_in_10_minutes;
        let _ = writeln!(
            out,
            "<p class=\"bad\">A flood: {count} alarms in 10 min. Begin with the most urgent one that was first.</p>"
        );
    }
    for alarm in own {
        let with = parts.iter().filter(|part| part.part_of.as_ref() == Some(&alarm.alarm));
        let with: Vec<String> = with.map(|part| format!("{}: {}", said(&part.alarm), part.text)).collect();
        self::alarm(look, alarm, &with, out);
    }
    for interlock in look.status.interlocks.iter().filter(|one| matches!(one.state, "tripped" | "latched")) {
        trip(look, interlock, out);
    }
    if out.len() == begun {
        out.push_str("<p>Nothing.</p>\n");
    }
    let aside: Vec<&AlarmStatus> = look.status.alarms.iter().filter(|alarm| alarm.aside.is_some()).collect();
    if !aside.is_empty() {
        let _ = writeln!(out, "<details id=\"aside\"><summary>Silenced alarms: {}</summary>", aside.len());
        for alarm in aside {
            self::aside(look, alarm, out);
        }
        out.push_str("</details>\n");
    }
    out.push_str("</section>\n");
}

fn alarm(look: &Look, alarm: &AlarmStatus, with: &[String], out: &mut String) {
    let state = AlarmState::in_words(alarm.state);
    let name: &str = &alarm.alarm;
    let class = if alarm.active { alarm.priority } else { Priority::Low };
    let _ = writeln!(
        out,
        "<article class=\"alarm {}\" id=\"alarm-{n}\"><h3>{}: {}</h3>\n<p class=\"state\">{}, {state}{}</p>",
        class.word(),
        E(said(name)),
        E(&alarm.text),
        alarm.priority.word(),
        alarm.since.map(|at| format!(", {}", since(look, at))).unwrap_or_default(),
        n = E(name),
    );
    let _ = writeln!(out, "<p class=\"do\">{}</p><p>{}</p>", E(&alarm.action), E(&alarm.consequence));
    if !with.is_empty() {
        let _ = writeln!(out, "<p>It explains these too:</p>{}", list(with));
    }
    if look.may {
        out.push_str("<div class=\"acts\">");
        if matches!(alarm.state, "UNACK" | "RTNUN" | "LTUNK") {
            out.push_str(&form(look, "acknowledge", &[("alarm", name)]));
            out.push_str(&plain_button("act", "Acknowledge"));
        }
        if alarm.latches && !alarm.on {
            out.push_str(&form(look, "reset", &[("interlock", name)]));
            out.push_str(&button(look, "act", "Reset"));
        }
        // An urgent one would be refused.
        if alarm.priority != Priority::Urgent {
            shelve(look, alarm, out);
        }
        out.push_str("</div>");
    }
    out.push_str("</article>\n");
}

/// Silence, for a while and with a reason.
fn shelve(look: &Look, alarm: &AlarmStatus, out: &mut String) {
    let name: &str = &alarm.alarm;
    let _ = write!(out, "<details id=\"shelve-{}\"><summary>Shelve it</summary>", E(name));
    out.push_str(&form(look, "shelve", &[("alarm", name)]));
    let _ = write!(
        out,
        "<label for=\"for-{n}\">for</label><select id=\"for-{n}\" name=\"lasting\"><option>1 h</option>\
         <option selected>4 h</option><option>8 h</option></select>\
         <label for=\"why-{n}\">because</label><input id=\"why-{n}\" name=\"why\" maxlength=\"150\">",
        n = E(name)
    );
    out.push_str(&button(look, "act", "Shelve"));
    out.push_str("</details>");
}

fn aside(look: &Look, alarm: &AlarmStatus, out: &mut String) {
    let Some(aside) = &alarm.aside else { return };
    let (word, back) = match alarm.state {
        "SHLVD" => ("shelved", Some("unshelve")),
        "OOSRV" => ("out of service", Some("return-to-service")),
        _ => ("suppressed by design", None),
    };
    let stands = if alarm.on { " It STANDS meanwhile." } else { "" };
    let until = aside.until.map(|until| format!(", {}", left(look, until))).unwrap_or_default();
    let _ = write!(
        out,
        "<article class=\"aside\"><h3>{}</h3><p>{}, {word}{until}: {}.{stands}</p>",
        E(said(&alarm.alarm)),
        alarm.priority.word(),
        E(&aside.why)
    );
    if let Some(verb) = back.filter(|_| look.may) {
        out.push_str(&form(look, verb, &[("alarm", &alarm.alarm)]));
        out.push_str(&plain_button("act", "Bring it back"));
    }
    out.push_str("</article>\n");
}

fn trip(look: &Look, interlock: &InterlockStatus, out: &mut String) {
    let name: &str = &interlock.interlock;
    // Its alarm stands above it and says the cause already.
    let tells = |alarm: &AlarmStatus| alarm.state != "NORM" && alarm.trip_of.as_ref() == Some(&interlock.interlock);
    let is_told = look.status.alarms.iter().any(tells);
    let cause = interlock.cause.as_ref().filter(|_| !is_told).map(|cause| format!(": {cause}")).unwrap_or_default();
    let _ = write!(
        out,
        "<article class=\"trip\"><h3>{} {}{}</h3><p>{}{}</p>",
        E(said(name)),
        if interlock.state == "latched" { "is latched" } else { "tripped" },
        E(cause),
        E(interlock.effects.join(", ")),
        interlock.since.map(|at| format!(", {}", since(look, at))).unwrap_or_default(),
    );
    if look.may && interlock.state == "latched" {
        out.push_str(&form(look, "reset", &[("interlock", name)]));
        out.push_str(&button(look, "act", "Reset"));
    }
    out.push_str("</article>\n");
}

fn holds(look: &Look, out: &mut String) {
    out.push_str("<section id=\"hold\" aria-labelledby=\"hold-title\"><h2 id=\"hold-title\">Hold</h2>\n");
    for hold in look.status.holds.iter().filter(|hold| hold.active || !hold.starting.is_empty()) {
        held(look, hold, out);
    }
    if let Some(caution) = &look.status.caution {
        let _ = writeln!(out, "<p class=\"caution\">{}</p>", E(caution));
    }
    out.push_str("<ul class=\"procedures\">\n");
    for hold in look.status.holds.iter().filter(|hold| !hold.active) {
        let _ = writeln!(
            out,
            "<li><a class=\"big\" href=\"/tanks/{}/hold/{}\">{} <small>{}</small></a></li>",
            look.tank(),
            Name(&hold.hold),
            E(said(&hold.hold)),
            E(pauses(hold)),
        );
    }
    out.push_str("</ul></section>\n");
}

/// `pauses heater and skimmer, 60 min at most`.
fn pauses(hold: &HoldStatus) -> String {
    let what = match &hold.stops[..] {
        [] if hold.cares_for_probes => "takes a probe in hand".to_owned(),
        [] => "pauses nothing".to_owned(),
        [one] => format!("pauses {}", plain(one)),
        [all @ .., last] => {
            let all: Vec<String> = all.iter().map(|output| plain(output)).collect();
            format!("pauses {} and {}", all.join(", "), plain(last))
        }
    };
    format!("{what}, {} at most", about(hold.limit))
}

fn held(look: &Look, hold: &HoldStatus, out: &mut String) {
    let name = said(&hold.hold);
    if !hold.active {
        let _ = writeln!(
            out,
            "<div class=\"held\"><h3>{} is released; still to start</h3>{}</div>",
            E(name),
            list(&hold.starting)
        );
        return;
    }
    let _ = writeln!(out, "<div class=\"held{}\"><h3>{}</h3>", if hold.overdue { " overdue" } else { "" }, E(&name));
    if let Some(until) = hold.until {
        let overdue = if hold.overdue { "<b>Overdue.</b> " } else { "" };
        let _ = writeln!(out, "<p class=\"count\">{overdue}{}, until {}</p>", left(look, until), E(clock(look, until)));
    }
    let by = hold.by.as_deref().unwrap_or("nobody");
    let _ = writeln!(
        out,
        "<p>Begun by {}{}.</p>",
        E(by),
        hold.since.map(|at| format!(" {}", since(look, at))).unwrap_or_default()
    );
    out.push_str(&list(&hold.pauses));
    out.push_str(&list(&hold.probes));
    if let Some(until) = hold.hot_until.filter(|until| *until > look.now) {
        let _ = writeln!(
            out,
            "<p class=\"bad\">The heater is still too hot to stand in air: {}. Keep the water above it until {}.</p>",
            left(look, until),
            E(clock(look, until))
        );
    }
    if let Some(new_water) = &hold.new_water {
        let _ = writeln!(out, "<p>{}</p>", E(new_water));
    }
    out.push_str(&new_water::of(look, hold));
    if look.may {
        let _ = writeln!(
            out,
            "<p><a class=\"big\" href=\"/tanks/{}/release/{}\">Release {}</a></p>",
            look.tank(),
            Name(&hold.hold),
            E(plain(&hold.hold))
        );
    }
    out.push_str("</div>\n");
}

fn outputs(look: &Look, out: &mut String) {
    out.push_str(
        "<section id=\"outputs\" aria-labelledby=\"outputs-title\"><h2 id=\"outputs-title\">What is on, and why</h2>\n\
         <table class=\"outputs\"><thead><tr><th scope=\"col\">Output</th><th scope=\"col\">Is</th>\
         <th scope=\"col\">Proof</th><th scope=\"col\">Why</th></tr></thead>\n<tbody>\n",
    );
    for output in &look.status.outputs {
        let _ = writeln!(
            out,
            "<tr class=\"{}\"><th scope=\"row\"><a href=\"/tanks/{}/outputs/{}\">{}</a></th><td class=\"is\">{}</td>\
             <td{}>{}{}</td><td><b>{}</b>: {}, {}</td></tr>",
            output.decided.word(),
            look.tank(),
            Name(&output.output),
            E(said(&output.output)),
            output.decided.word(),
            if output.proof == ProofStatus::NotProven { " class=\"bad\"" } else { "" },
            proof(output),
            output.watts.map(|watts| format!(", {watts:.1} W")).unwrap_or_default(),
            E(plain(output.layer)),
            E(&output.cause),
            since(look, output.since),
        );
    }
    out.push_str("</tbody></table></section>\n");
}

fn proof(output: &OutputStatus) -> &'static str {
    match output.proof {
        ProofStatus::NothingCommanded => "not commanded yet",
        ProofStatus::Waiting => "awaited",
        ProofStatus::Proven => "proven",
        ProofStatus::NotProven => "NOT proven",
        ProofStatus::CannotBeProven if output.decided == Switch::Off => "cannot be proven off",
        ProofStatus::CannotBeProven => "cannot be proven",
    }
}

fn readings(look: &Look, out: &mut String) {
    out.push_str(
        "<section id=\"readings\" aria-labelledby=\"readings-title\"><h2 id=\"readings-title\">The water</h2>\n\
         <table class=\"readings\"><thead><tr><th scope=\"col\">Signal</th><th scope=\"col\">Reads</th>\
         <th scope=\"col\">Age</th></tr></thead>\n<tbody>\n",
    );
    for signal in &look.status.signals {
        let _ = writeln!(
            out,
            "<tr{}><th scope=\"row\">{}</th><td class=\"value\">{}</td><td>{}</td></tr>",
            if signal.quality.is_usable() { "" } else { " class=\"bad\"" },
            E(said(&signal.signal)),
            E(reads(signal)),
            signal.sampled_at.map_or_else(
                || "never".to_owned(),
                |at| format!(
                    "<time class=\"age\" data-since=\"{}\">{}</time>",
                    at.unix_millis(),
                    about(look.now.since(at))
                )
            ),
        );
    }
    out.push_str("</tbody></table></section>\n");
}

/// The text without the name that stands beside it.
fn reads(signal: &SignalStatus) -> &str {
    let rest = signal.text.strip_prefix(&*signal.signal).and_then(|rest| rest.strip_prefix(" is "));
    rest.unwrap_or(&signal.text)
}

fn safeguards(look: &Look, out: &mut String) {
    let TankStatus { interlocks, .. } = look.status;
    out.push_str("<section id=\"safeguards\"><details id=\"all-safeguards\"><summary>Safeguards</summary>\n<ul class=\"lines\">\n");
    for interlock in interlocks {
        let state = state_in_words(interlock);
        let last = interlock.last_trip.map(|at| format!(", last {}", clock(look, at))).unwrap_or_default();
        let _ = writeln!(
            out,
            "<li><b>{}</b>: {state}; forces {}; tripped {} times{last}</li>",
            E(said(&interlock.interlock)),
            E(interlock.effects.join(", ")),
            interlock.trips
        );
    }
    let _ = writeln!(
        out,
        "</ul><p><a href=\"/tanks/{}/safeguards\">Bypass one for a while</a></p></details></section>",
        look.tank()
    );
}
