//! Who asks, and why: beside every request, in JSON or in words, and then in the journal.
//!
//! The way by which a request came is known to the daemon (`command line`, `ask topic`, the name of a token); who sat
//! there and why is what they say of themselves. It proves nothing and is written down as said.

use serde_json::Value;

/// More letters are cut off.
const LONGEST: usize = 200;

/// The word before a reason.
const BECAUSE: &str = " because ";

/// Who asks, for the journal: `command line`, `Ana (command line)`, with the reason where one was given. `payload` is
/// the request as it came; what of it cannot be read says nothing.
pub fn by(way: &str, payload: &[u8]) -> String {
    let Ok(text) = std::str::from_utf8(payload) else { return way.to_owned() };
    let (who, why) = if text.trim_start().starts_with('{') {
        let value: Value = serde_json::from_str(text).unwrap_or_default();
        // Out of service keeps its reason itself, as a bypass does.
        let why = if value["do"] == "out-of-service" { None } else { value["why"].as_str().and_then(plain) };
        (value["who"].as_str().and_then(plain), why)
    } else if ["out-of-service", "bypass "].iter().any(|verb| text.trim_start().starts_with(verb)) {
        (None, None)
    } else {
        (None, split(text.trim()).1.and_then(plain))
    };
    let by = who.map_or_else(|| way.to_owned(), |who| format!("{who} ({way})"));
    why.map_or(by.clone(), |why| format!("{by}: {why}"))
}

/// Whether a request in JSON says that whoever asks is at the tank.
pub fn is_on_site(payload: &[u8]) -> bool {
    serde_json::from_slice::<Value>(payload).is_ok_and(|value| value["on_site"] == true)
}

/// A request in words and the reason after `because`.
pub(super) fn split(text: &str) -> (&str, Option<&str>) {
    text.split_once(BECAUSE).map_or((text, None), |(request, why)| (request, Some(why)))
}

/// Takes who and why out of a request in JSON, so that what is left is the request alone.
pub(super) fn take_from(value: &mut Value) -> Result<(), String> {
    let keeps_why = value["do"] == "out-of-service";
    let Some(fields) = value.as_object_mut() else { return Ok(()) };
    if fields.remove("on_site").is_some_and(|said| !said.is_boolean() && !said.is_null()) {
        return Err("`on_site` is neither `true` nor `false`".to_owned());
    }
    for key in ["who", "why"] {
        if fields.get(key).is_some_and(|said| !said.is_string() && !said.is_null()) {
            return Err(format!("`{key}` is not a text; write it as `\"{key}\":\"...\"`"));
        }
        if key == "who" || !keeps_why {
            fields.remove(key);
        } else if let Some(why) = fields.get(key).and_then(Value::as_str).and_then(plain) {
            fields.insert(key.to_owned(), Value::from(why));
        }
    }
    if keeps_why && fields.get("why").is_none_or(Value::is_null) {
        fields.insert("why".to_owned(), Value::from(""));
    }
    Ok(())
}

/// On one line and not too long; nothing, if nothing is left.
fn plain(text: &str) -> Option<String> {
    let line: String =
        text.chars().map(|letter| if letter.is_control() { ' ' } else { letter }).take(LONGEST).collect();
    let line = line.trim();
    (!line.is_empty()).then(|| line.to_owned())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::control::event::Request;
    use crate::wire::ask;

    #[test]
    fn who_and_why_are_told_beside_the_request() {
        let payload = br#"{"do":"acknowledge","alarm":"leak","who":"Ana","why":"the hose\nwas loose"}"#;
        assert_eq!(by("command line", payload), "Ana (command line): the hose was loose");
        assert_eq!(ask::parse(payload).unwrap(), Request::Acknowledge { alarm: Some("leak".to_owned()) });
        assert_eq!(by("ask topic", b"ack leak because the hose was loose"), "ask topic: the hose was loose");
        let asked = ask::parse(b"ack leak because the hose was loose").unwrap();
        assert_eq!(asked, Request::Acknowledge { alarm: Some("leak".to_owned()) });
        assert_eq!(by("ask topic", b"hold feeding"), "ask topic");
        assert_eq!(by("ask topic", b"\xff"), "ask topic");
        assert!(ask::parse(br#"{"do":"acknowledge","who":7}"#).unwrap_err().summary.contains("`who`"));
    }

    #[test]
    fn out_of_service_keeps_its_reason() {
        let want = Request::OutOfService { alarm: "room-lost".to_owned(), why: "its battery is flat".to_owned() };
        assert_eq!(ask::parse(b"out-of-service room-lost because its battery is flat").unwrap(), want);
        let payload = br#"{"do":"out-of-service","alarm":"room-lost","why":"its battery is flat","who":"Ana"}"#;
        assert_eq!(ask::parse(payload).unwrap(), want);
        assert_eq!(by("HTTP", payload), "Ana (HTTP)");
        // Without a reason it is the core that refuses, and says what to do.
        let without = ask::parse(br#"{"do":"out-of-service","alarm":"room-lost"}"#).unwrap();
        assert_eq!(without, Request::OutOfService { alarm: "room-lost".to_owned(), why: String::new() });
    }

    #[test]
    fn a_shelving_says_how_long() {
        let asked = ask::parse(b"shelve room-lost for 2 h because its battery is on its way").unwrap();
        let two_hours = Some(crate::time::Span::from_hours(2));
        assert_eq!(asked, Request::Shelve { alarm: "room-lost".to_owned(), lasting: two_hours });
        assert!(ask::parse(b"shelve room-lost 2 h").is_err());
    }
}
