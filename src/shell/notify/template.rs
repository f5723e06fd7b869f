//! Bodies: ours, or the keeper's template with its places filled in and escaped as its content wants it.
//!
//! Duty: a value with quotes, braces, ampersands or line breaks in it never changes what the body means.

use std::fmt::Write as _;

use serde_json::json;

use crate::config::channel::PLACES;

use super::message::{Around, Notification};
use crate::time::Zone;

/// How values are escaped.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Content {
    /// As the inside of a JSON string.
    Json,
    /// Percent-encoded, for forms and URLs.
    Form,
    /// `&lt;` and the like, for XML and HTML.
    Markup,
    /// As they are.
    Plain,
}

impl Content {
    /// What a content type says; without one, what the template looks like.
    pub fn of(content_type: Option<&str>, template: &str) -> Self {
        let Some(content_type) = content_type else {
            return if template.trim_start().starts_with(['{', '[']) { Self::Json } else { Self::Plain };
        };
        let kind = content_type.split(';').next().unwrap_or_default().trim().to_ascii_lowercase();
        match kind.as_str() {
            "application/x-www-form-urlencoded" => Self::Form,
            json if json.ends_with("/json") || json.ends_with("+json") => Self::Json,
            xml if ["/xml", "+xml", "/html"].iter().any(|end| xml.ends_with(end)) => Self::Markup,
            _ => Self::Plain,
        }
    }

    /// The content type where the keeper wrote none.
    pub fn usual_type(self) -> &'static str {
        match self {
            Self::Json => "application/json",
            Self::Form => "application/x-www-form-urlencoded",
            Self::Markup => "application/xml; charset=utf-8",
            Self::Plain => "text/plain; charset=utf-8",
        }
    }

    fn escape(self, value: &str, into: &mut String) {
        match self {
            Self::Json => {
                let quoted = serde_json::Value::from(value).to_string();
                into.push_str(&quoted[1..quoted.len() - 1]);
            }
            Self::Form => value.bytes().for_each(|byte| match byte {
                b'a'..=b'z' | b'A'..=b'Z' | b'0'..=b'9' | b'-' | b'_' | b'.' | b'~' => into.push(char::from(byte)),
                _ => {
                    let _ = write!(into, "%{byte:02X}");
                }
            }),
            Self::Markup => value.chars().for_each(|c| match c {
                '&' => into.push_str("&amp;"),
                '<' => into.push_str("&lt;"),
                '>' => into.push_str("&gt;"),
                '"' => into.push_str("&quot;"),
                '\'' => into.push_str("&#39;"),
                // XML has no way to write the other control characters at all.
                c if c.is_control() && !"\n\t\r".contains(c) => into.push('\u{fffd}'),
                c => into.push(c),
            }),
            Self::Plain => into.push_str(value),
        }
    }
}

/// Our own JSON.
pub fn json(notification: &Notification, around: &Around) -> String {
    json!({
        "id": notification.id(), "tank": notification.tank, "alarm": notification.alarm,
        "priority": notification.priority.word(), "what": notification.what.word(),
        "since": Zone::UTC.rfc3339(notification.since), "text": notification.text, "value": notification.value,
        "did": notification.did, "consequence": notification.consequence, "advice": notification.advice,
        "group": notification.group, "acknowledge": notification.acknowledge(), "link": Notification::link(around),
        "title": notification.title(), "message": notification.message(around),
    })
    .to_string()
}

/// A template with its places filled in, in one pass, so that a value with braces in it is not filled again.
pub fn fill(template: &str, notification: &Notification, around: &Around, content: Content) -> String {
    let mut filled = String::with_capacity(template.len() + 128);
    let mut rest = template;
    while let Some(at) = rest.find('{') {
        filled.push_str(&rest[..at]);
        let inside = &rest[at + 1..];
        let known = PLACES.iter().find(|name| inside.strip_prefix(**name).is_some_and(|rest| rest.starts_with('}')));
        if let Some(name) = known {
            content.escape(&value(name, notification, around), &mut filled);
            rest = &inside[name.len() + 1..];
        } else {
            filled.push('{');
            rest = inside;
        }
    }
    filled.push_str(rest);
    filled
}

fn value(place: &str, notification: &Notification, around: &Around) -> String {
    match place {
        "id" => notification.id(),
        "tank" => notification.tank.clone(),
        "alarm" => notification.alarm.clone(),
        "priority" => notification.priority.word().to_owned(),
        "what" => notification.what.word().to_owned(),
        "since" => Zone::UTC.rfc3339(notification.since),
        "text" => notification.text.clone(),
        "value" => notification.value.clone(),
        "did" => notification.did.join("; "),
        "consequence" => notification.consequence.clone(),
        "advice" => notification.advice.clone(),
        "group" => notification.group.join(", "),
        "acknowledge" => notification.acknowledge(),
        "link" => Notification::link(around),
        "title" => notification.title(),
        _ => notification.message(around),
    }
}

#[cfg(test)]
mod tests {
    use super::super::message::What;
    use super::*;
    use crate::control::plan::Priority;
    use crate::time::Wall;

    fn leak() -> Notification {
        let since = Wall::from_unix_millis(1_774_745_999_000);
        let text = "the floor is \"wet\" & <cold> {tank}\n7 °C".to_owned();
        Notification::plain("lagoon", "leak", What::Raised, Priority::Urgent, since, text)
    }

    fn around() -> Around {
        Around { zone: Zone::UTC, public_url: None }
    }

    #[test]
    fn a_value_is_escaped_by_the_content_type_and_never_filled_again() {
        let of = |content_type: Option<&str>, template: &str| {
            fill(template, &leak(), &around(), Content::of(content_type, template))
        };
        let template = r#"{"msg":"{tank}: {text}","other":"{unknown}"}"#;
        let value: serde_json::Value = serde_json::from_str(&of(None, template)).unwrap();
        assert_eq!(value["msg"], "lagoon: the floor is \"wet\" & <cold> {tank}\n7 °C");
        assert_eq!(value["other"], "{unknown}");
        assert_eq!(of(Some("application/problem+json"), "[\"{alarm}\"]"), "[\"leak\"]");
        assert_eq!(
            of(Some("application/x-www-form-urlencoded; charset=utf-8"), "t={tank}&m={text}"),
            "t=lagoon&m=the%20floor%20is%20%22wet%22%20%26%20%3Ccold%3E%20%7Btank%7D%0A7%20%C2%B0C"
        );
        for markup in ["text/html", "application/xml", "application/soap+xml"] {
            assert_eq!(
                of(Some(markup), "<p>{text}</p>"),
                "<p>the floor is &quot;wet&quot; &amp; &lt;cold&gt; {tank}\n7 °C</p>"
            );
        }
        assert_eq!(of(Some("text/plain"), "{{tank}} {what"), "{lagoon} {what");
    }

    #[test]
    fn every_place_that_the_config_knows_is_in_our_own_json() {
        let value: serde_json::Value = serde_json::from_str(&json(&leak(), &around())).unwrap();
        for place in PLACES {
            assert!(value.get(place).is_some(), "{place}");
        }
        assert_eq!(value.as_object().unwrap().len(), PLACES.len());
        assert_eq!(value["since"], "2026-03-29T00:59:59.000Z");
    }
}
