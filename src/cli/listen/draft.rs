//! A draft of a tank file from what was heard, with a mark on everything that only a person can know.
//!
//! Duty: each probe and plug that was guessed, under a name of its own, with the bindings that were heard; what was not
//! heard (a rating, litres, how a plug is leased) stands as a mark with an example. `slackwater check` refuses the file
//! until the last mark is answered. Limits: a draft never says more than was heard, and many devices are cut off.

use crate::config::Measures;
use crate::config::compose::{Entry, Form, Output, Plug, PlugParts, Probe, Tank, binding, quoted, scalar};
use crate::control::plan::OutputKind;
use crate::time::Span;
use crate::units::{Quantity, Unit};
use crate::wire::guess::{self, Contact, Finding, Place, Role, Sure};
use crate::wire::overheard::{Field, Overheard, Topic};

use super::names::{Names, hint};

/// More of each are no tank's: `--topics` narrows what is heard.
const MOST: usize = 40;

/// The draft, and how many devices were left out.
pub fn draft(overheard: &Overheard, found: &[Finding], plugs: &[guess::Plug]) -> (Tank, usize) {
    let mut names = Names::default();
    let probes: Vec<Probe> = found.iter().filter_map(|finding| probe(overheard, finding, &mut names)).collect();
    let outputs: Vec<Output> = plugs.iter().map(|plug| output(overheard, plug, &mut names)).collect();
    let beyond = probes.len().saturating_sub(MOST) + outputs.len().saturating_sub(MOST);
    let (mut probes, mut outputs) = (probes, outputs);
    probes.truncate(MOST);
    outputs.truncate(MOST);
    one_pump(&mut outputs);
    let tank = Tank {
        head: "A draft by `slackwater listen`: guesses from names and values. Every line with a mark is to be looked at; \
               take the mark out when the line is right. What is not of this tank goes out as a whole. Until the last mark \
               is gone `slackwater check` refuses this file."
            .to_owned(),
        title: Entry::guessed(quoted("My tank"), "its name for people"),
        timezone: Entry::guessed("UTC", "where it stands, such as `Europe/Lisbon`"),
        display: Entry::asked("the water that is really in the display, such as `70 L` or `18 gal`"),
        sump: outputs
            .iter()
            .any(|output| output.kind == OutputKind::ReturnPump)
            .then(|| Entry::asked("the water in the sump, such as `22 L`")),
        target: Entry::guessed("25.0 °C", "the temperature that your animals live at"),
        water_per_mm: Entry::asked("the water in one millimetre of that level, such as `37.5 mL` for 25 cm by 15 cm"),
        return_needs: Entry::guessed("-60 mm", "under this level the return pump draws air"),
        heater_needs: Entry::guessed("-40 mm", "under this level the heater comes out of the water"),
        level_high: Entry::default(),
        flow_over: Entry::asked("about half of what the meter says on a good day, such as `300 L/h`"),
        run: Entry::asked("what makes the low float wet again, such as `0.5 L`"),
        light_hours: Entry::guessed("[10:00-20:00]", "when it is on"),
        probes,
        outputs,
    };
    (tank, beyond)
}

fn field<'o>(overheard: &'o Overheard, place: &Place) -> Option<&'o Field> {
    overheard.topic(&place.topic)?.fields.get(&place.pointer)
}

fn probe(overheard: &Overheard, finding: &Finding, names: &mut Names) -> Option<Probe> {
    let Finding { place, guess } = finding;
    let field = field(overheard, place)?;
    let (measures, form) = match &guess.role {
        Role::Reading(unit) => (measures_of(unit.quantity)?, Form::Number(unit_entry(unit, guess.sure))),
        Role::Contact(contact) => (contact_of(*contact), contact_form(field)),
        _ => return None,
    };
    let unclear = guess.sure == Sure::Maybe;
    let check = match guess.role {
        Role::Contact(Contact::Unclear) => {
            Some("`high-float` (wet is too much), `low-float` (dry is too little), `leak`, or `contact`".to_owned())
        }
        _ if unclear => Some(format!("guessed: {}", guess.because.join("; "))),
        _ => None,
    };
    let interval = overheard.topic(&place.topic).and_then(Topic::interval);
    Some(Probe {
        name: names.of_probe(place, guess.role.word()),
        measures,
        check,
        of_room: hint(place, &["room", "air", "ambient", "outdoor", "outside", "house"]),
        topic: place.topic.clone(),
        pointer: (!place.pointer.is_empty()).then(|| place.pointer.clone()),
        form,
        stale_after: stale_after(interval),
    })
}

/// Three missed messages, a minute at least.
fn stale_after(interval: Option<Span>) -> Entry {
    match interval {
        None => Entry::guessed("60 s", "it was heard once; more than three times its usual silence"),
        Some(interval) if interval <= Span::from_seconds(20) => Entry::sure("60 s"),
        Some(interval) => Entry::sure(Span::from_seconds(interval.times(3).millis().div_ceil(10_000) * 10).to_string()),
    }
}

fn measures_of(quantity: Quantity) -> Option<Measures> {
    let measures = Measures::Number(quantity);
    Measures::WORDS.iter().any(|(known, _)| *known == measures).then_some(measures)
}

fn unit_entry(unit: &Unit, sure: Sure) -> Entry {
    let text = scalar(unit.symbol);
    if sure == Sure::Maybe { Entry::guessed(text, "the unit of its number") } else { Entry::sure(text) }
}

fn contact_of(contact: Contact) -> Measures {
    match contact {
        Contact::HighFloat => Measures::HighFloat,
        Contact::LowFloat => Measures::LowFloat,
        Contact::Leak => Measures::Leak,
        Contact::Unclear => Measures::Contact,
    }
}

fn contact_form(field: &Field) -> Form {
    let Some((wet, dry)) = guess::spelling(field) else {
        return Form::Contact {
            wet: Entry::asked("what it says when wet, such as `\"1\"`"),
            dry: Entry::asked("what it says when dry, such as `\"0\"`"),
        };
    };
    let (wet_text, dry_text) = (quoted(&wet), quoted(&dry));
    if wet.eq_ignore_ascii_case("wet") {
        return Form::Contact { wet: Entry::sure(wet_text), dry: Entry::sure(dry_text) };
    }
    let check = "wet it and see whether it is this word, and not the other";
    Form::Contact { wet: Entry::guessed(wet_text, check), dry: Entry::sure(dry_text) }
}

/// Words of a plug's name that say what hangs on it. [plain words]
const KINDS: [(OutputKind, &[&str]); 9] = [
    (OutputKind::Heater, &["heater", "heating", "heat"]),
    (OutputKind::Chiller, &["chiller", "cooler"]),
    (OutputKind::Fan, &["fan", "fans", "ventilator"]),
    (OutputKind::TopOff, &["topoff", "top", "refill"]),
    (OutputKind::ReturnPump, &["return"]),
    (OutputKind::Powerhead, &["powerhead", "wave", "circulation", "filter", "stream"]),
    (OutputKind::Skimmer, &["skimmer"]),
    (OutputKind::Doser, &["doser", "dosing", "alkalinity", "calcium"]),
    (OutputKind::Light, &["light", "lights", "lamp"]),
];

fn output(overheard: &Overheard, plug: &guess::Plug, names: &mut Names) -> Output {
    let at = Place { topic: plug.stem.clone(), pointer: String::new() };
    let kind = KINDS.into_iter().find(|(_, words)| hint(&at, words)).map(|(kind, _)| kind);
    let words = OutputKind::WORDS.iter().map(|(_, word)| *word).collect::<Vec<_>>().join(", ");
    let kind_check = match kind {
        None => Some(format!("what hangs on it: {words}")),
        Some(_) => Some("by its name alone: unplug it and see what stops".to_owned()),
    };
    let kind = kind.unwrap_or(OutputKind::Other);
    let parts = parts(overheard, plug, kind);
    let is_pump_of = |of: &[OutputKind]| of.contains(&kind);
    Output {
        name: names.of_output(&at),
        kind,
        check: kind_check,
        rating: Some(rating(overheard, plug)),
        delivers: is_pump_of(&[OutputKind::TopOff, OutputKind::Doser])
            .then(|| Entry::asked("measured with a cylinder, such as `500 mL/min`")),
        reservoir: is_pump_of(&[OutputKind::TopOff])
            .then(|| Entry::asked("at most a tenth of the water, such as `9 L`")),
        leased: parts.lease.is_some(),
        reports: parts.report.is_some(),
        boots: Some(Entry::guessed(
            kind.rest().word(),
            "set the plug itself so for after a power cut, and pull it once to see; take the line out if it cannot",
        )),
        plug: Plug::Own(Box::new(parts)),
    }
}

fn rating(overheard: &Overheard, plug: &guess::Plug) -> Entry {
    let heard = plug.power.as_ref().and_then(|place| field(overheard, place)).map(|field| field.greatest);
    match heard.filter(|watts| *watts >= 1.0) {
        Some(watts) => {
            Entry::guessed(format!("{} W", watts.round()), "the most that was heard; write the watts on its label")
        }
        None => Entry::asked("the watts on its label, such as `100 W`"),
    }
}

fn parts(overheard: &Overheard, plug: &guess::Plug, kind: OutputKind) -> PlugParts {
    let spelt = |place: &Option<Place>| {
        let place = place.as_ref()?;
        Some((place.clone(), guess::spelling(field(overheard, place)?)?))
    };
    let report = spelt(&plug.report);
    let worded = |part: Option<&(Place, (String, String))>, [yes, no]: [&str; 2]| {
        let (place, (on, off)) = part?;
        Some(at(place, &[(yes, &quoted(on)), (no, &quoted(off))]))
    };
    PlugParts {
        command: command(overheard, plug, report.as_ref().map(|(_, words)| words)),
        report: worded(report.as_ref(), ["on", "off"]),
        meter: plug.power.as_ref().map(|place| at(place, &[("unit", "W")])),
        alive: worded(spelt(&plug.alive).as_ref(), ["yes", "no"]),
        uptime: plug.uptime.as_ref().map(|place| at(place, &[])),
        lease: lease(overheard, plug, kind),
    }
}

fn at(place: &Place, more: &[(&str, &str)]) -> Entry {
    let pointer = Some(&*place.pointer).filter(|pointer| !pointer.is_empty());
    Entry::sure(binding(&place.topic, pointer, more))
}

fn command(overheard: &Overheard, plug: &guess::Plug, words: Option<&(String, String)>) -> Entry {
    let bare = plug.command.as_ref().filter(|place| place.pointer.is_empty());
    let heard = bare.and_then(|place| guess::spelling(field(overheard, place)?));
    let known = heard.is_some();
    let (on, off) = heard.or_else(|| words.cloned()).unwrap_or_else(|| ("ON".to_owned(), "OFF".to_owned()));
    let topic = plug.command.as_ref().map_or_else(|| format!("{}/set", plug.stem), |place| place.topic.clone());
    let text = binding(&topic, None, &[("on", &quoted(&on)), ("off", &quoted(&off))]);
    let check = match &plug.command {
        None => "no command was heard: its topic, and its payloads for on and off",
        Some(_) if known => "switch it with both payloads by hand and see",
        Some(_) => "the topic was heard, not the payloads for a plain on and off",
    };
    Entry::guessed(text, check)
}

/// Pumps get none; a plain `on for so long` that was heard is offered.
fn lease(overheard: &Overheard, plug: &guess::Plug, kind: OutputKind) -> Option<Entry> {
    use OutputKind::{Other, Powerhead, ReturnPump, Skimmer};
    if matches!(kind, ReturnPump | Powerhead | Skimmer | Other) {
        return None;
    }
    let heard = plug.command.as_ref().and_then(|place| countdown(&overheard.topic(&place.topic)?.sample));
    Some(match heard {
        Some(payload) => Entry::guessed(
            format!("{{ payload: {} }}", quoted(&payload)),
            "heard as a command; see whether the plug turns itself off after so many seconds",
        ),
        None => Entry::asked(
            "what switches it on for a while, such as `{ payload: '{\"on\":true,\"for\":{seconds}}' }`; `none` if it cannot",
        ),
    })
}

/// A payload with one whole number in it: its countdown.
fn countdown(payload: &str) -> Option<String> {
    let begin = payload.find(|c: char| c.is_ascii_digit())?;
    let length = payload[begin..].find(|c: char| !c.is_ascii_digit()).unwrap_or(payload.len() - begin);
    let (before, after) = (&payload[..begin], &payload[begin + length..]);
    let whole = before.ends_with(':') && !after.contains(|c: char| c.is_ascii_digit()) && !payload.contains('…');
    whole.then(|| format!("{before}{{seconds}}{after}"))
}

/// One pump tops off: others wait for a person.
fn one_pump(outputs: &mut [Output]) {
    for output in outputs.iter_mut().filter(|output| output.kind == OutputKind::TopOff).skip(1) {
        output.kind = OutputKind::Other;
        output.check = Some("a second top-off pump wants a section of its own under `top_off`".to_owned());
        (output.delivers, output.reservoir) = (None, None);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_countdown_is_the_only_whole_number_of_a_payload() {
        for (payload, expected) in [
            (r#"{"on":true,"for":180}"#, Some(r#"{"on":true,"for":{seconds}}"#)),
            (r#"{"on":1,"for":180}"#, None),
            ("ON", None),
            (r#"{"id":"a7"}"#, None),
        ] {
            assert_eq!(countdown(payload).as_deref(), expected, "{payload}");
        }
    }
}
