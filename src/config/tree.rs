//! A YAML file as a tree in which every key and value knows its line and column.
//!
//! Duty: the first of config's two types: what the file says, before it means anything. Scalars keep the
//! text as written, so that `25.50` is shown as `25.50` and a bare number can be refused with its own fix.
//! Duplicate keys and merge keys are kept in the tree, to be reported all at once instead of one a run.
//! Limits: 1 MiB a file, 64 levels, few aliases; booleans are `true` and `false` only; tags are refused.

use std::fmt;

use serde::de::{Deserialize, Deserializer, Error as _, MapAccess, SeqAccess, Visitor};
use serde_yaml::options::{DuplicateKeyPolicy, MergeKeyPolicy, NonFiniteFloatPolicy};
use serde_yaml::{Location, Spanned};

use super::problem::Place;

/// More than any keeper writes; less than what makes trouble.
pub(super) const LARGEST_FILE: usize = 1 << 20;

/// More keys in one map than any keeper writes.
const MOST_KEYS: usize = 2_000;

/// A value with its place.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Node {
    pub(super) place: Place,
    pub(super) value: Value,
}

/// What stands there.
#[derive(Clone, Debug, PartialEq)]
pub(super) enum Value {
    /// Nothing, `~` or `null`.
    Nothing,
    /// A text, a number, `true` or `false`, as written.
    Scalar(String),
    /// A list.
    List(Vec<Node>),
    /// Keys and values, in the order of the file; a key may stand twice.
    Map(Vec<(Key, Node)>),
}

/// A key with its place.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Key {
    pub(super) place: Place,
    pub(super) text: String,
}

/// A file that is not YAML, and where the reader gave up.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct NotYaml {
    pub(super) place: Place,
    pub(super) what: String,
}

/// Reads one document.
pub(super) fn parse(text: &str) -> Result<Node, NotYaml> {
    if text.len() > LARGEST_FILE {
        return Err(NotYaml { place: Place::default(), what: format!("a file of {} bytes is too large", text.len()) });
    }
    let options = serde_yaml::options! {
        budget: serde_yaml::budget! { max_depth: 64, max_nodes: 100_000, max_aliases: 1_000 },
        alias_limits: serde_yaml::alias_limits! { max_total_replayed_events: 20_000 },
        duplicate_keys: DuplicateKeyPolicy::PassThrough,
        merge_keys: MergeKeyPolicy::AsOrdinary,
        non_finite_float_policy: NonFiniteFloatPolicy::AsString,
        strict_booleans: true,
        reject_unsupported_tags: true,
        // A snippet would print neighbouring lines, where a secret may stand.
        with_snippet: false,
    };
    let raw: Spanned<Raw> = serde_yaml::from_str_with_options(text, options).map_err(|error| {
        let place = error.location().map(place).unwrap_or_default();
        let message = error.without_snippet().to_string();
        let what = message.lines().next().unwrap_or("not YAML");
        // The place is printed in front already.
        let what = what.rsplit_once(" at line ").map_or(what, |(before, _)| before);
        NotYaml { place, what: format!("not YAML: {what}") }
    })?;
    Ok(node(raw, text))
}

fn place(at: Location) -> Place {
    let short = |n: u64| u32::try_from(n).unwrap_or(u32::MAX);
    Place { line: short(at.line()), column: short(at.column()) }
}

/// The text of a scalar as it stands in the file.
fn written(text: &str, at: Location) -> Option<&str> {
    let start = usize::try_from(at.span().byte_offset()?).ok()?;
    let end = start.checked_add(usize::try_from(at.span().byte_len()?).ok()?)?;
    text.get(start..end).map(str::trim).filter(|text| !text.is_empty())
}

fn node(raw: Spanned<Raw>, text: &str) -> Node {
    let value = match raw.value {
        Raw::Nothing => Value::Nothing,
        Raw::Text(text) => Value::Scalar(text),
        Raw::Other(shown) => Value::Scalar(written(text, raw.defined).map_or(shown, str::to_owned)),
        Raw::List(items) => Value::List(items.into_iter().map(|item| node(item, text)).collect()),
        Raw::Map(entries) => Value::Map(
            entries
                .into_iter()
                .map(|(key, value)| {
                    let key = node(key, text);
                    let shown = match key.value {
                        Value::Scalar(text) => text,
                        Value::Nothing => "~".to_owned(),
                        Value::List(_) | Value::Map(_) => "?".to_owned(),
                    };
                    (Key { place: key.place, text: shown }, node(value, text))
                })
                .collect(),
        ),
    };
    Node { place: place(raw.referenced), value }
}

/// What serde hands over, before the text as written is looked up.
enum Raw {
    Nothing,
    Text(String),
    Other(String),
    List(Vec<Spanned<Raw>>),
    Map(Vec<(Spanned<Raw>, Spanned<Raw>)>),
}

impl<'de> Deserialize<'de> for Raw {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        deserializer.deserialize_any(RawVisitor)
    }
}

struct RawVisitor;

impl<'de> Visitor<'de> for RawVisitor {
    type Value = Raw;

    fn expecting(&self, f: &mut fmt::Formatter) -> fmt::Result {
        f.write_str("a value, a list or keys with values")
    }

    fn visit_unit<E>(self) -> Result<Raw, E> {
        Ok(Raw::Nothing)
    }

    fn visit_none<E>(self) -> Result<Raw, E> {
        Ok(Raw::Nothing)
    }

    fn visit_some<D: Deserializer<'de>>(self, inner: D) -> Result<Raw, D::Error> {
        Raw::deserialize(inner)
    }

    fn visit_str<E>(self, text: &str) -> Result<Raw, E> {
        Ok(Raw::Text(text.to_owned()))
    }

    fn visit_bool<E>(self, value: bool) -> Result<Raw, E> {
        Ok(Raw::Other(value.to_string()))
    }

    fn visit_i64<E>(self, value: i64) -> Result<Raw, E> {
        Ok(Raw::Other(value.to_string()))
    }

    fn visit_u64<E>(self, value: u64) -> Result<Raw, E> {
        Ok(Raw::Other(value.to_string()))
    }

    fn visit_i128<E>(self, value: i128) -> Result<Raw, E> {
        Ok(Raw::Other(value.to_string()))
    }

    fn visit_u128<E>(self, value: u128) -> Result<Raw, E> {
        Ok(Raw::Other(value.to_string()))
    }

    fn visit_f64<E>(self, value: f64) -> Result<Raw, E> {
        Ok(Raw::Other(value.to_string()))
    }

    fn visit_bytes<E: serde::de::Error>(self, _: &[u8]) -> Result<Raw, E> {
        Err(E::custom("binary data has no meaning here"))
    }

    fn visit_seq<A: SeqAccess<'de>>(self, mut items: A) -> Result<Raw, A::Error> {
        let mut list = Vec::new();
        while let Some(item) = items.next_element()? {
            list.push(item);
        }
        Ok(Raw::List(list))
    }

    fn visit_map<A: MapAccess<'de>>(self, mut entries: A) -> Result<Raw, A::Error> {
        let mut map: Vec<(Spanned<Raw>, Spanned<Raw>)> = Vec::new();
        while let Some(entry) = entries.next_entry()? {
            if map.len() >= MOST_KEYS {
                return Err(A::Error::custom(format!("more than {MOST_KEYS} keys in one place")));
            }
            map.push(entry);
        }
        Ok(Raw::Map(map))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_value_knows_its_place_and_its_text_as_written() {
        let tree = parse("a: 25.50\nb: [yes, true, ~, 'x']\nc:\n  d: .nan\n  d: 2\n").unwrap();
        let Value::Map(entries) = &tree.value else { panic!("{tree:?}") };
        let at = |line, column| Place { line, column };
        let scalar = |text: &str| Value::Scalar(text.to_owned());
        assert_eq!(entries[0].1, Node { place: at(1, 4), value: scalar("25.50") });
        let Value::List(items) = &entries[1].1.value else { panic!() };
        let items: Vec<_> = items.iter().map(|item| item.value.clone()).collect();
        assert_eq!(items, [scalar("yes"), scalar("true"), Value::Nothing, scalar("x")]);
        let Value::Map(inner) = &entries[2].1.value else { panic!() };
        assert_eq!(inner.len(), 2, "a duplicate key is kept, to be reported");
        assert_eq!(inner[0].1, Node { place: at(4, 6), value: scalar(".nan") });
        assert_eq!(inner[1].0.place, at(5, 3));
    }

    #[test]
    fn what_is_not_yaml_says_where() {
        let error = parse("a: [1, 2\nb: 3\n").unwrap_err();
        assert!(error.place.line >= 1, "{error:?}");
        let bomb = "a: &a [x,x,x,x,x,x,x,x,x]\nb: &b [*a,*a,*a,*a,*a,*a,*a,*a,*a]\nc: &c [*b,*b,*b,*b,*b,*b,*b,*b,*b]\n\
                    d: &d [*c,*c,*c,*c,*c,*c,*c,*c,*c]\ne: &e [*d,*d,*d,*d,*d,*d,*d,*d,*d]\nf: [*e,*e,*e,*e,*e,*e,*e,*e,*e]\n";
        assert!(parse(bomb).is_err(), "an alias bomb is refused");
        assert!(parse(&"[".repeat(100_000)).is_err());
    }
}
