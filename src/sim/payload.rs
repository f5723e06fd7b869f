//! Messages, and payloads written by the very bindings that the daemon reads them with.
//!
//! Several probes may share one topic, each with its own pointer: then they make one JSON object.
//! A word goes out as a JSON literal where it is one (`true`, `1`), else as a string.

use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::sync::Arc;

use serde_json::{Map, Value};

use crate::wire::binding::Pointer;

/// A message on the broker.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Message {
    /// The topic.
    pub topic: Arc<str>,
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
    Word(Arc<str>),
}

impl Scalar {
    fn write(&self, out: &mut String) {
        // Writing into a string does not fail.
        let _ = match self {
            Self::Number(value, decimals) => match scaled(*value, *decimals) {
                // Several times as fast as the exact formatting of a float; a rehearsal writes two of them a second.
                Some((whole, unit)) if unit > 1 => {
                    let sign = if whole < 0 { "-" } else { "" };
                    let (whole, unit) = (whole.unsigned_abs(), unit.unsigned_abs());
                    write!(out, "{sign}{}.{:0decimals$}", whole / unit, whole % unit)
                }
                Some((whole, _)) => write!(out, "{whole}"),
                None => write!(out, "{value:.decimals$}"),
            },
            Self::Word(word) => out.write_str(word),
        };
    }

    fn write_json(&self, out: &mut String) {
        match self {
            Self::Number(value, _) if !value.is_finite() => out.push_str("null"),
            Self::Word(word) if !is_literal(word) => out.push_str(&Value::from(&**word).to_string()),
            Self::Number(..) | Self::Word(_) => self.write(out),
        }
    }
}

/// Whether JSON takes a word as it stands, as a number or a truth value.
fn is_literal(word: &str) -> bool {
    matches!(serde_json::from_str(word), Ok(Value::Bool(_) | Value::Number(_)))
}

/// A number in units of its last decimal, and how many of them make one; `None`: too large for that.
fn scaled(value: f64, decimals: usize) -> Option<(i64, i64)> {
    let unit = 10_i64.checked_pow(u32::try_from(decimals).ok()?)?;
    let scaled = (value * unit as f64).round();
    // Whole numbers up to 2^53 are exact.
    #[expect(clippy::cast_possible_truncation, reason = "its magnitude was just looked at")]
    (scaled.abs() < 9.007e15).then_some((scaled as i64, unit))
}

/// How the scalars of one topic stand in its payload: made once, and filled millions of times in a rehearsal.
#[derive(Clone, Debug)]
pub(super) enum Form {
    /// The bare scalar of this place: one of them has no pointer.
    Bare(usize),
    /// One object: each scalar by its place after a piece of text, and the end.
    Object(Vec<(String, usize)>, String),
}

impl Form {
    /// The form for scalars with these pointers, in their order.
    pub fn of<'a>(pointers: impl IntoIterator<Item = Option<&'a Pointer>>) -> Self {
        let mut object = Map::new();
        for (place, pointer) in pointers.into_iter().enumerate() {
            match pointer.filter(|pointer| !pointer.0.is_empty()) {
                None => return Self::Bare(place),
                Some(pointer) => put(&mut object, &pointer.0, Value::from(mark(place))),
            }
        }
        let text = Value::Object(object).to_string();
        let mut pieces = Vec::new();
        let mut rest = text.as_str();
        // A pointer may hide another one that leads into it; its mark is not there then.
        while let Some((before, after)) = rest.split_once(MARK_BEGINS) {
            let Some((place, after)) = after.split_once(MARK_ENDS) else { break };
            let Ok(place) = place.parse() else { break };
            pieces.push((before.to_owned(), place));
            rest = after;
        }
        Self::Object(pieces, rest.to_owned())
    }

    /// The payload with these scalars; `None` without any.
    pub fn fill(&self, scalars: &[Scalar]) -> Option<Vec<u8>> {
        let mut out = String::with_capacity(32);
        match self {
            Self::Bare(place) => scalars.get(*place)?.write(&mut out),
            Self::Object(pieces, _) if pieces.is_empty() => return None,
            Self::Object(pieces, end) => {
                for (before, place) in pieces {
                    out.push_str(before);
                    scalars.get(*place)?.write_json(&mut out);
                }
                out.push_str(end);
            }
        }
        Some(out.into_bytes())
    }
}

/// A string that no topic and no member has, so that it is found again in the object's text.
const MARK_BEGINS: &str = "\"\u{e000}";
const MARK_ENDS: &str = "\u{e001}\"";

fn mark(place: usize) -> String {
    format!("\u{e000}{place}\u{e001}")
}

/// Puts a value where the tokens point to; a number as token becomes a member of that name, which
/// RFC 6901 finds as well.
fn put(object: &mut Map<String, Value>, tokens: &[String], value: Value) {
    match tokens {
        [] => {}
        [last] => {
            object.insert(last.clone(), value);
        }
        [first, rest @ ..] => {
            let inner = object.entry(first.clone()).or_insert_with(|| Value::Object(Map::new()));
            if let Value::Object(inner) = inner {
                put(inner, rest, value);
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

    fn word(text: &str) -> Scalar {
        Scalar::Word(text.into())
    }

    fn payload(fields: &[(Option<&Pointer>, Scalar)]) -> Option<String> {
        let scalars: Vec<Scalar> = fields.iter().map(|(_, scalar)| scalar.clone()).collect();
        let bytes = Form::of(fields.iter().map(|(pointer, _)| *pointer)).fill(&scalars);
        bytes.map(|bytes| String::from_utf8(bytes).unwrap())
    }

    #[test]
    fn fields_of_one_topic_make_one_object() {
        let (temp, wet) = (pointer(&["air", "temp"]), pointer(&["air", "rh"]));
        let fields = [(Some(&temp), Scalar::Number(21.4375, 2)), (Some(&wet), word("true"))];
        assert_eq!(payload(&fields).unwrap(), r#"{"air":{"rh":true,"temp":21.44}}"#);
        assert_eq!(payload(&[(Some(&temp), word("a \"b\""))]).unwrap(), r#"{"air":{"temp":"a \"b\""}}"#);
        assert_eq!(payload(&[(Some(&temp), Scalar::Number(f64::NAN, 2))]).unwrap(), r#"{"air":{"temp":null}}"#);
        assert_eq!(payload(&[(None, Scalar::Number(25.0625, 4))]).unwrap(), "25.0625");
        assert_eq!(payload(&[(None, word("ON"))]).unwrap(), "ON");
        assert_eq!(payload(&[]), None);
        let (outer, inner) = (pointer(&["a"]), pointer(&["a", "b"]));
        assert_eq!(payload(&[(Some(&inner), word("1")), (Some(&outer), word("2"))]).unwrap(), r#"{"a":2}"#);
    }

    #[test]
    fn a_number_is_written_with_its_decimals() {
        let cases = [
            (25.0625, 4, "25.0625"),
            (-0.05, 2, "-0.05"),
            (-0.004, 2, "0.00"),
            (1_780_308_000.125, 3, "1780308000.125"),
            (7.0, 0, "7"),
            (0.999, 2, "1.00"),
            (-1.5, 1, "-1.5"),
            (25.067, 2, "25.07"),
        ];
        for (value, decimals, expected) in cases {
            assert_eq!(payload(&[(None, Scalar::Number(value, decimals))]).unwrap(), expected);
        }
        assert_eq!(payload(&[(None, Scalar::Number(1e300, 1))]).unwrap(), format!("{:.1}", 1e300));
    }

    #[test]
    fn a_lease_is_read_by_its_template() {
        let template = r#"{"on":true,"for":{seconds}}"#;
        assert_eq!(seconds_in(template, r#"{"on":true,"for":180}"#), Some(180));
        assert_eq!(seconds_in(template, r#"{"on":true,"for":soon}"#), None);
        assert_eq!(seconds_in(template, "ON"), None);
    }
}
