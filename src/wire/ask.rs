//! Requests as people and wall buttons write them: a bare word or JSON.
//!
//! ```text
//! hold water-change            release            release water-change            hold probe-care display-temp
//! force heater off             force heater off for 20 min              end-force heater
//! reset heater-cutoff          ack temperature-high                     confirm heater watts
//! shelve room-lost for 2 h because its battery is on its way             unshelve room-lost
//! out-of-service room-lost because the probe is at the mender's          return-to-service room-lost
//! bypass too-fresh for 2 h because the salinity probe is being cleaned  end-bypass too-fresh
//! {"do":"force","output":"heater","to":"off","lasting":"20 min"}
//! {"do":"new-water","litres":"9 L","salinity":"35 psu","temperature":"24.5 °C"}
//! ```
//! Whoever asks may say who (`"who":"Ana"`) and why (`"why":"..."`, or `because ...`): both go into the journal.
//! Whatever is not understood becomes an answer that lists what is, the nearest first; nothing is
//! guessed and nothing is done.

use serde_json::Value;

use crate::control::effect::{Answer, Outcome};
use crate::control::event::{Learned, ProveAct, Request};
use crate::control::plan::Switch;
use crate::time::Span;
use crate::units::{Amount, Quantity};

use super::said;

/// The greatest size of a request.
pub const GREATEST: usize = 4096;

/// Quantities of a request, each with its unit in the value.
const NEW_WATER: [(&str, Quantity); 3] =
    [("litres", Quantity::Volume), ("salinity", Quantity::Salinity), ("temperature", Quantity::Temperature)];

/// What may be asked, for the answer to what may not.
const FORMS: [&str; 18] = [
    "hold PROCEDURE",
    "hold probe-care PROBE",
    "release [PROCEDURE]",
    "{\"do\":\"new-water\",\"litres\":\"9 L\",\"salinity\":\"35 psu\",\"temperature\":\"24.5 °C\"}",
    "force OUTPUT on|off [for 20 min]",
    "end-force OUTPUT",
    "reset [INTERLOCK|ALARM]",
    "confirm OUTPUT watts",
    "bypass INTERLOCK for 2 h because WHY",
    "end-bypass INTERLOCK",
    "prove begin [WHAT] | ready | yes [CODE] | no | skip | stop | show",
    "acknowledge [ALARM] [because TEXT]",
    "shelve ALARM [for 2 h] [because TEXT]",
    "unshelve ALARM",
    "out-of-service ALARM because TEXT",
    "return-to-service ALARM",
    "dose PUMP calibrate|discard|approve|decline|resume",
    "dose PUMP measured 5.1 mL, dose PUMP refill [500 mL], dose PUMP left 380 mL",
];

/// Reads a payload of the `ask` topic, or the body of a POST.
pub fn parse(payload: &[u8]) -> Result<Request, Answer> {
    if payload.len() > GREATEST {
        return Err(unknown(format!("the request has {} bytes; at most {GREATEST} are read", payload.len())));
    }
    let text = std::str::from_utf8(payload).map_err(|_| unknown("the request is not UTF-8 text".to_owned()))?;
    let text = text.trim();
    if text.starts_with('{') { from_json(text) } else { from_words(text) }
}

/// Reads a request to all tanks at once: only what every tank knows by the same name.
pub fn parse_for_all(payload: &[u8]) -> Result<Request, Answer> {
    let request = parse(payload)?;
    match request {
        Request::Hold { .. } | Request::Release { .. } | Request::Reset { .. } | Request::Acknowledge { .. } => {
            Ok(request)
        }
        Request::NewWater { .. }
        | Request::Force { .. }
        | Request::EndForce { .. }
        | Request::Confirm { .. }
        | Request::Shelve { .. }
        | Request::Unshelve { .. }
        | Request::OutOfService { .. }
        | Request::ReturnToService { .. }
        | Request::Dose { .. }
        | Request::Bypass { .. }
        | Request::EndBypass { .. }
        | Request::Prove { .. } => {
            let summary = "this is asked of one tank; all at once take only hold, release, reset and acknowledge";
            Err(Answer { outcome: Outcome::Refused, summary: summary.to_owned(), details: Vec::new(), caution: None })
        }
    }
}

/// Whether a request harms nothing where nobody sees the tank: it starts nothing, stops nothing and hides nothing.
/// Everything else is for a person at the tank, who sees hands in the water, an open drain, a pump in air. A new kind
/// of request is for a person at the tank until it is listed here. [remote only in the safe direction]
pub fn is_safe_unseen(request: &Request) -> bool {
    matches!(request, Request::Acknowledge { .. } | Request::Unshelve { .. } | Request::ReturnToService { .. })
}

fn from_json(text: &str) -> Result<Request, Answer> {
    let mut value: Value =
        serde_json::from_str(text).map_err(|error| unknown(format!("the request is not JSON: {error}")))?;
    said::take_from(&mut value).map_err(unknown)?;
    if let Some(verb) = value.get("do").and_then(Value::as_str)
        && !Request::VERBS.contains(&verb)
    {
        return Err(unknown_verb(verb));
    }
    if let Some(lasting) = value.get_mut("lasting").filter(|lasting| !lasting.is_null()) {
        let Some(written) = lasting.as_str() else {
            return Err(unknown(format!("`lasting` is `{lasting}`, without a unit; write it as `\"20 min\"`")));
        };
        let span: Span = written.parse().map_err(|error| unknown(format!("`lasting`: {error}")))?;
        *lasting = Value::from(span.millis());
    }
    for (key, quantity) in NEW_WATER {
        let Some(given) = value.get_mut(key).filter(|given| !given.is_null()) else { continue };
        let Some(written) = given.as_str() else {
            return Err(unknown(format!("`{key}` is `{given}`, without a unit; write it as text such as `\"9 L\"`")));
        };
        let amount = Amount::parse(written, quantity).map_err(|error| unknown(format!("`{key}`: {error}")))?;
        *given = Value::from(amount.value());
    }
    super::ask_dose::with_units(&mut value).map_err(unknown)?;
    serde_json::from_value(value).map_err(|error| unknown(format!("the request cannot be understood: {error}")))
}

fn from_words(text: &str) -> Result<Request, Answer> {
    let (text, because) = said::split(text);
    let mut words = text.split_whitespace();
    let Some(verb) = words.next() else {
        return Err(unknown("the request is empty".to_owned()));
    };
    let rest: Vec<&str> = words.collect();
    let one = |noun: &str| match rest[..] {
        [name] => Ok(name.to_owned()),
        _ => Err(unknown(format!("`{verb}` wants one {noun}, and `{text}` has {}", rest.len()))),
    };
    let at_most_one = |noun: &str| match rest[..] {
        [] => Ok(None),
        [name] => Ok(Some(name.to_owned())),
        _ => Err(unknown(format!("`{verb}` wants at most one {noun}, and `{text}` has {}", rest.len()))),
    };
    match verb {
        "hold" => match rest[..] {
            [procedure, probe] => Ok(Request::Hold { procedure: procedure.to_owned(), probe: Some(probe.to_owned()) }),
            _ => Ok(Request::Hold { procedure: one("procedure")?, probe: None }),
        },
        "release" => Ok(Request::Release { procedure: at_most_one("procedure")? }),
        "force" => force(text, &rest),
        "end-force" => Ok(Request::EndForce { output: one("output")? }),
        "reset" => Ok(Request::Reset { interlock: at_most_one("interlock")? }),
        "confirm" => match rest[..] {
            [output, "watts"] => Ok(Request::Confirm { output: output.to_owned(), what: Learned::Watts }),
            _ => Err(unknown(format!("`{text}` does not say what to confirm; write `confirm OUTPUT watts`"))),
        },
        "dose" => super::ask_dose::from_words(&rest).map_err(unknown),
        "bypass" => bypass(text, &rest, because),
        "prove" => prove(text, &rest),
        "end-bypass" => Ok(Request::EndBypass { interlock: one("interlock")? }),
        "ack" | "acknowledge" => Ok(Request::Acknowledge { alarm: at_most_one("alarm")? }),
        "shelve" => match rest[..] {
            [alarm, ref lasting @ ..] => Ok(Request::Shelve { alarm: alarm.to_owned(), lasting: lasting_of(lasting)? }),
            [] => Err(unknown(format!("`{verb}` wants an alarm"))),
        },
        "unshelve" => Ok(Request::Unshelve { alarm: one("alarm")? }),
        "out-of-service" => {
            Ok(Request::OutOfService { alarm: one("alarm")?, why: because.unwrap_or_default().to_owned() })
        }
        "return-to-service" => Ok(Request::ReturnToService { alarm: one("alarm")? }),
        other => Err(unknown_verb(other)),
    }
}

/// `for 20 min`, or nothing.
fn lasting_of(words: &[&str]) -> Result<Option<Span>, Answer> {
    match words {
        [] => Ok(None),
        ["for", span @ ..] if !span.is_empty() => {
            span.join(" ").parse().map(Some).map_err(|error| unknown(format!("{error}")))
        }
        other => Err(unknown(format!("`{}` is not a time such as `for 20 min`", other.join(" ")))),
    }
}

fn force(text: &str, rest: &[&str]) -> Result<Request, Answer> {
    let [output, to, lasting @ ..] = rest else {
        return Err(unknown(format!("`{text}` wants an output and `on` or `off`")));
    };
    let to = match *to {
        "on" => Switch::On,
        "off" => Switch::Off,
        other => return Err(unknown(format!("`{other}` is neither `on` nor `off`"))),
    };
    Ok(Request::Force { output: (*output).to_owned(), to, lasting: lasting_of(lasting)? })
}

fn bypass(text: &str, rest: &[&str], because: Option<&str>) -> Result<Request, Answer> {
    let [interlock, rest @ ..] = rest else {
        return Err(unknown(format!("`{text}` wants an interlock, and why")));
    };
    let Some(reason) = because.map(str::trim) else {
        return Err(unknown(format!("`{text}` does not say why; write `bypass {interlock} for 2 h because ...`")));
    };
    let (interlock, reason) = ((*interlock).to_owned(), reason.to_owned());
    Ok(Request::Bypass { interlock, reason, lasting: lasting_of(rest)? })
}

fn prove(text: &str, rest: &[&str]) -> Result<Request, Answer> {
    let words = || ProveAct::WORDS.map(|(_, word)| word).join(", ");
    let Some((verb, rest)) = rest.split_first() else {
        return Err(unknown(format!("`{text}` does not say what to do; write one of {}", words())));
    };
    let Some((act, _)) = ProveAct::WORDS.into_iter().find(|(_, word)| word == verb) else {
        return Err(unknown(format!("`{verb}` is none of {}", words())));
    };
    let (mut what, mut code) = (None, None);
    match (act, rest) {
        (_, []) => {}
        (ProveAct::Begin, of) => what = Some(of.join(" ")),
        (ProveAct::Yes, [digits]) => {
            let read =
                digits.parse().map_err(|_| unknown(format!("`{digits}` are not the digits of a test message")))?;
            code = Some(read);
        }
        (_, more) => return Err(unknown(format!("`{}` means nothing after `prove {verb}`", more.join(" ")))),
    }
    Ok(Request::Prove { act, what, code, signed: None })
}

fn unknown_verb(verb: &str) -> Answer {
    let known = Request::VERBS.into_iter().chain(["ack"]);
    match nearest(verb, known) {
        Some(near) => unknown(format!("`{verb}` is not a request; did you mean `{near}`?")),
        None => unknown(format!("`{verb}` is not a request")),
    }
}

fn unknown(summary: String) -> Answer {
    let details = FORMS.iter().map(|form| format!("known: {form}")).collect();
    Answer { outcome: Outcome::Unknown, summary, details, caution: None }
}

/// The known word that a typo is nearest to, if one is near: a third of its letters at most.
pub fn nearest<'a>(word: &str, known: impl IntoIterator<Item = &'a str>) -> Option<&'a str> {
    let word: Vec<char> = word.chars().take(64).collect();
    let distances = known.into_iter().map(|name| (distance(&word, name), name));
    let (least, name) = distances.min_by_key(|(distance, _)| *distance)?;
    (least <= word.len().max(3).div_ceil(3)).then_some(name)
}

/// The number of letters to insert, delete or replace (Levenshtein).
fn distance(word: &[char], name: &str) -> usize {
    let mut row: Vec<usize> = (0..=word.len()).collect();
    for (i, theirs) in name.chars().enumerate() {
        let mut diagonal = row[0];
        row[0] = i + 1;
        for (j, ours) in word.iter().enumerate() {
            let replaced = diagonal + usize::from(*ours != theirs);
            diagonal = row[j + 1];
            row[j + 1] = replaced.min(row[j] + 1).min(row[j + 1] + 1);
        }
    }
    row[word.len()]
}

#[cfg(test)]
mod tests {
    use super::*;

    fn asked(text: &str) -> Request {
        parse(text.as_bytes()).unwrap_or_else(|answer| panic!("{text}: {answer:?}"))
    }

    fn refused(text: &str) -> String {
        let answer = parse(text.as_bytes()).expect_err(text);
        assert_eq!(answer.outcome, Outcome::Unknown);
        assert_eq!(answer.details.len(), FORMS.len());
        answer.summary
    }

    #[test]
    fn new_water_has_units() {
        let water = asked(r#"{"do":"new-water","litres":"9 L","salinity":"35.04 psu","temperature":"77 °F"}"#);
        let Request::NewWater { litres, salinity, temperature, confirm } = water else { panic!("{water:?}") };
        assert!((litres.unwrap() - 9.0).abs() < 1e-9 && !confirm);
        assert!((salinity.unwrap() - 35.04).abs() < 0.02 && (temperature.unwrap() - 25.0).abs() < 1e-9);
        assert!(refused(r#"{"do":"new-water","litres":9}"#).contains("without a unit"));
        assert!(refused(r#"{"do":"new-water","litres":"9 °C"}"#).contains("litres"));
    }

    #[test]
    fn a_wall_button_and_a_program_ask_the_same() {
        let hold = Request::hold("water-change");
        assert_eq!(asked("hold water-change"), hold);
        assert_eq!(asked("  hold   water-change\n"), hold);
        assert_eq!(asked(r#"{"do":"hold","procedure":"water-change"}"#), hold);
        let care = Request::Hold { procedure: "probe-care".to_owned(), probe: Some("ph".to_owned()) };
        assert_eq!(asked("hold probe-care ph"), care);
        assert_eq!(asked(r#"{"do":"hold","procedure":"probe-care","probe":"ph"}"#), care);
        assert_eq!(asked("release"), Request::Release { procedure: None });
        assert_eq!(asked(r#"{"do":"release"}"#), Request::Release { procedure: None });
        let force =
            Request::Force { output: "heater".to_owned(), to: Switch::Off, lasting: Some(Span::from_minutes(20)) };
        assert_eq!(asked("force heater off for 20 min"), force);
        assert_eq!(asked(r#"{"do":"force","output":"heater","to":"off","lasting":"20 min"}"#), force);
        assert_eq!(
            asked("force heater on"),
            Request::Force { output: "heater".to_owned(), to: Switch::On, lasting: None }
        );
        assert_eq!(asked("end-force heater"), Request::EndForce { output: "heater".to_owned() });
        assert_eq!(asked("reset heater-cutoff"), Request::Reset { interlock: Some("heater-cutoff".to_owned()) });
        let confirm = Request::Confirm { output: "heater".to_owned(), what: Learned::Watts };
        assert_eq!(asked("confirm heater watts"), confirm);
        assert_eq!(asked(r#"{"do":"confirm","output":"heater","what":"watts"}"#), confirm);
        assert!(refused("confirm heater").contains("write `confirm OUTPUT watts`"));
        let (interlock, reason) = ("too-fresh".to_owned(), "the probe is out".to_owned());
        let bypass = Request::Bypass { interlock: interlock.clone(), reason, lasting: Some(Span::from_hours(2)) };
        assert_eq!(asked("bypass too-fresh for 2 h because the probe is out"), bypass);
        let json = r#"{"do":"bypass","interlock":"too-fresh","reason":"the probe is out","lasting":"2 h"}"#;
        assert_eq!(asked(json), bypass);
        assert_eq!(asked("end-bypass too-fresh"), Request::EndBypass { interlock });
        assert!(refused("bypass too-fresh for 2 h").contains("does not say why"));
        assert_eq!(asked("ack"), Request::Acknowledge { alarm: None });
        assert_eq!(asked("acknowledge leak"), Request::Acknowledge { alarm: Some("leak".to_owned()) });
    }

    #[test]
    fn what_is_not_understood_is_answered_with_what_is() {
        assert_eq!(refused("hodl water-change"), "`hodl` is not a request; did you mean `hold`?");
        assert_eq!(refused("explode"), "`explode` is not a request");
        assert_eq!(refused(r#"{"do":"relase"}"#), "`relase` is not a request; did you mean `release`?");
        assert_eq!(refused(""), "the request is empty");
        assert_eq!(refused("hold"), "`hold` wants one procedure, and `hold` has 0");
        assert_eq!(refused("force heater up"), "`up` is neither `on` nor `off`");
        assert_eq!(
            refused("force heater on for ever"),
            "`ever` is not a duration\n  write a number and one of `ms`, `s`, `min`, `h`, `d`, such as `1 h 30 min`"
        );
        assert_eq!(refused("force heater on 20 min"), "`20 min` is not a time such as `for 20 min`");
        assert_eq!(
            refused(r#"{"do":"force","output":"heater","to":"on","lasting":86400}"#),
            "`lasting` is `86400`, without a unit; write it as `\"20 min\"`"
        );
        assert!(refused(r#"{"do":"hold","procedure":"x","until":"never"}"#).contains("unknown field `until`"));
        assert!(refused("{\"do\":").starts_with("the request is not JSON"));
        assert!(refused("[1]").starts_with("`[1]` is not a request"));
    }

    #[test]
    fn all_tanks_are_asked_only_for_what_each_of_them_knows() {
        for text in ["hold feeding", "release", "reset", "ack"] {
            assert_eq!(parse_for_all(text.as_bytes()).unwrap(), asked(text));
        }
        for text in ["force heater off", "end-force heater", r#"{"do":"new-water","litres":"9 L"}"#] {
            assert_eq!(parse_for_all(text.as_bytes()).unwrap_err().outcome, Outcome::Refused, "{text}");
        }
        assert_eq!(parse_for_all(b"hodl feeding").unwrap_err().outcome, Outcome::Unknown);
    }

    #[test]
    fn endless_and_binary_requests_are_refused() {
        assert!(parse(&vec![b'a'; 1 << 20]).is_err());
        assert!(parse(&[0xff, 0xfe]).is_err());
    }
}
