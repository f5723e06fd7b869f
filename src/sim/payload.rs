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
            Self::Number(value, decimals) => match scaled(*value, *decimals) {
                // Several times as fast as the exact formatting of a float; a rehearsal writes two of them a second.
                Some((whole, unit)) if unit > 1 => {
                    let sign = if whole < 0 { "-" } else { "" };
                    let (whole, unit) = (whole.unsigned_abs(), unit.unsigned_abs());
                    format!("{sign}{}.{:0decimals$}", whole / unit, whole % unit)
                }
                Some((whole, _)) => whole.to_string(),
                None => format!("{value:.decimals$}"),
            },
            Self::Word(word) => word.clone(),
        }
    }

    fn json(&self) -> Value {
        match self {
            Self::Number(value, decimals) => {
                let rounded = scaled(*value, *decimals).map(|(whole, unit)| whole as f64 / unit as f64);
                rounded.or(Some(*value)).and_then(Number::from_f64).map_or(Value::Null, Value::Number)
            }
            Self::Word(word) => match serde_json::from_str(word) {
                Ok(literal @ (Value::Bool(_) | Value::Number(_))) => literal,
                _ => Value::String(word.clone()),
            },
        }
    }
}

/// A number in units of its last decimal, and how many of them make one; `None`: too large for that.
fn scaled(value: f64, decimals: usize) -> Option<(i64, i64)> {
    let unit = 10_i64.checked_pow(u32::try_from(decimals).ok()?)?;
    let scaled = (value * unit as f64).round();
    // Whole numbers up to 2^53 are exact.
    #[expect(clippy::cast_possible_truncation, reason = "its magnitude was just looked at")]
    (scaled.abs() < 9.007e15).then_some((scaled as i64, unit))
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
    fn a_number_is_written_with_its_decimals() {
        let cases = [
            (25.0625, 4, "25.0625"),
            (-0.05, 2, "-0.05"),
            (-0.004, 2, "0.00"),
            (1_780_308_000.125, 3, "1780308000.125"),
            (7.0, 0, "7"),
            (0.999, 2, "1.00"),
            (-1.5, 1, "-1.5"),
        ];
        for (value, decimals, expected) in cases {
            assert_eq!(Scalar::Number(value, decimals).text(), expected);
        }
        assert_eq!(Scalar::Number(1e300, 1).text(), format!("{:.1}", 1e300));
        assert_eq!(Scalar::Number(25.067, 2).json().to_string(), "25.07");
        assert_eq!(Scalar::Number(f64::NAN, 2).json(), Value::Null);
    }

    #[test]
    fn a_lease_is_read_by_its_template() {
        let template = r#"{"on":true,"for":{seconds}}"#;
        assert_eq!(seconds_in(template, r#"{"on":true,"for":180}"#), Some(180));
        assert_eq!(seconds_in(template, r#"{"on":true,"for":soon}"#), None);
        assert_eq!(seconds_in(template, "ON"), None);
    }
}
