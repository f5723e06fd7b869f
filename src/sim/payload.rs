//! Messages, and payloads written by the very bindings that the daemon reads them with.
//!
//! Several probes may share one topic, each with its own pointer: then they make one JSON object.
//! A word goes out as a JSON literal where it is one (`true`, `1`), else as a string.

use std::collections::BTreeMap;

use serde_json::{Map, Number, Value};

use crate::wire::binding::Pointer;

/// A message on the broker.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Message {
    /// The topic.
    pub topic: String,
    /// The bytes.
    pub payload: Vec<u8>,
    /// Whether the broker is asked to keep it (or kept it).
    pub retained: bool,
}

/// One scalar of a payload.
#[derive(Clone, Debug, PartialEq)]
pub(super) enum Scalar {
    /// A number with so many decimals.
    Number(f64, usize),
    /// A word of a binding.
    Word(String),
}

impl Scalar {
    fn text(&self) -> String {
        match self {
            Self::Number(value, decimals) => format!("{value:.decimals$}"),
            Self::Word(word) => word.clone(),
        }
    }

    fn json(&self) -> Value {
        match self {
            Self::Number(..) => {
                let rounded = self.text().parse().ok().and_then(Number::from_f64);
                rounded.map_or(Value::Null, Value::Number)
            }
            Self::Word(word) => match serde_json::from_str(word) {
                Ok(literal @ (Value::Bool(_) | Value::Number(_))) => literal,
                _ => Value::String(word.clone()),
            },
        }
    }
}

/// The payload of these fields: the bare scalar of the one without pointer, else one object.
pub(super) fn payload<'a>(fields: impl IntoIterator<Item = (Option<&'a Pointer>, Scalar)>) -> Option<Vec<u8>> {
    let mut object = Map::new();
    for (pointer, scalar) in fields {
        match pointer.filter(|pointer| !pointer.0.is_empty()) {
            None => return Some(scalar.text().into_bytes()),
            Some(pointer) => place(&mut object, &pointer.0, scalar.json()),
        }
    }
    (!object.is_empty()).then(|| Value::Object(object).to_string().into_bytes())
}

/// Puts a value where the tokens point to; a number as token becomes a member of that name, which
/// RFC 6901 finds as well.
fn place(object: &mut Map<String, Value>, tokens: &[String], value: Value) {
    match tokens {
        [] => {}
        [last] => {
            object.insert(last.clone(), value);
        }
        [first, rest @ ..] => {
            let inner = object.entry(first.clone()).or_insert_with(|| Value::Object(Map::new()));
            if let Value::Object(inner) = inner {
                place(inner, rest, value);
            }
        }
    }
}

/// Reads `payload` by a template such as `{"on":true,"for":{seconds}}`; gives the seconds.
pub(super) fn seconds_in(template: &str, payload: &str) -> Option<u64> {
    let (before, after) = template.split_once("{seconds}")?;
    payload.strip_prefix(before)?.strip_suffix(after)?.trim().parse().ok()
}

/// Indices by topic, in the order of the topics.
pub(super) fn by_topic<'a>(topics: impl IntoIterator<Item = (&'a str, usize)>) -> BTreeMap<String, Vec<usize>> {
    let mut groups = BTreeMap::<String, Vec<usize>>::new();
    for (topic, index) in topics {
        groups.entry(topic.to_owned()).or_default().push(index);
    }
    groups
}

#[cfg(test)]
mod tests {
    use super::*;

    fn pointer(tokens: &[&str]) -> Pointer {
        Pointer(tokens.iter().map(|token| (*token).to_owned()).collect())
    }

    #[test]
    fn fields_of_one_topic_make_one_object() {
        let (temp, wet) = (pointer(&["air", "temp"]), pointer(&["air", "rh"]));
        let text = payload([(Some(&temp), Scalar::Number(21.4375, 2)), (Some(&wet), Scalar::Word("true".to_owned()))]);
        assert_eq!(String::from_utf8(text.unwrap()).unwrap(), r#"{"air":{"rh":true,"temp":21.44}}"#);
        assert_eq!(payload([(None, Scalar::Number(25.0625, 4))]).unwrap(), b"25.0625");
        assert_eq!(payload([(None, Scalar::Word("ON".to_owned()))]).unwrap(), b"ON");
        assert_eq!(payload([]), None);
    }

    #[test]
    fn a_lease_is_read_by_its_template() {
        let template = r#"{"on":true,"for":{seconds}}"#;
        assert_eq!(seconds_in(template, r#"{"on":true,"for":180}"#), Some(180));
        assert_eq!(seconds_in(template, r#"{"on":true,"for":soon}"#), None);
        assert_eq!(seconds_in(template, "ON"), None);
    }
}
