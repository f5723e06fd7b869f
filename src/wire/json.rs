//! A JSON payload as a small tree, parsed once for all the bindings that point into it.
//!
//! Duty: RFC 8259 text to a tree that RFC 6901 pointers can walk. A document that says two things
//! (the same key twice in one object) is refused: nobody can say which one the probe meant.

use std::borrow::Cow;
use std::fmt;

use serde::de::{Deserialize, Deserializer, Error, MapAccess, SeqAccess, Visitor};

use crate::control::event::Unreadable;

use super::binding::Pointer;

/// One value of a document. Text without escapes is borrowed from the payload.
#[derive(Clone, Debug, PartialEq)]
pub enum Node<'a> {
    /// `null`.
    Null,
    /// `true` or `false`.
    Bool(bool),
    /// Any number.
    Number(f64),
    /// A string.
    Text(Cow<'a, str>),
    /// An array.
    List(Vec<Node<'a>>),
    /// An object, in the order of the document, each key once.
    Map(Vec<(Cow<'a, str>, Node<'a>)>),
}

impl<'a> Node<'a> {
    /// Parses a document. Nesting beyond 128 levels is refused by the parser.
    pub fn parse(text: &'a str) -> Result<Self, Unreadable> {
        serde_json::from_str(text).map_err(|error| {
            // The parser has no kind of its own for a number beyond what a double can hold.
            let too_big = error.to_string().starts_with("number out of range");
            if too_big { Unreadable::NotFinite } else { Unreadable::NotJson }
        })
    }

    /// The value that an RFC 6901 pointer finds.
    pub fn at(&self, pointer: &Pointer) -> Option<&Self> {
        pointer.0.iter().try_fold(self, |node, token| match node {
            Self::Map(entries) => entries.iter().find(|(key, _)| key == token).map(|(_, value)| value),
            Self::List(items) => array_index(token).and_then(|index| items.get(index)),
            _ => None,
        })
    }
}

/// RFC 6901 section 4: digits without leading zeros.
fn array_index(token: &str) -> Option<usize> {
    let plain = token == "0" || (!token.starts_with('0') && token.bytes().all(|b| b.is_ascii_digit()));
    if plain { token.parse().ok() } else { None }
}

impl<'de> Deserialize<'de> for Node<'de> {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        deserializer.deserialize_any(Tree)
    }
}

/// A key, borrowed where it can be.
struct Key<'a>(Cow<'a, str>);

impl<'de> Deserialize<'de> for Key<'de> {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        match deserializer.deserialize_any(Tree)? {
            Node::Text(text) => Ok(Self(text)),
            _ => Err(D::Error::custom("a key is a string")),
        }
    }
}

struct Tree;

impl<'de> Visitor<'de> for Tree {
    type Value = Node<'de>;

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("a JSON value")
    }

    fn visit_unit<E>(self) -> Result<Node<'de>, E> {
        Ok(Node::Null)
    }

    fn visit_bool<E>(self, value: bool) -> Result<Node<'de>, E> {
        Ok(Node::Bool(value))
    }

    fn visit_i64<E>(self, value: i64) -> Result<Node<'de>, E> {
        Ok(Node::Number(value as f64))
    }

    fn visit_u64<E>(self, value: u64) -> Result<Node<'de>, E> {
        Ok(Node::Number(value as f64))
    }

    fn visit_f64<E>(self, value: f64) -> Result<Node<'de>, E> {
        Ok(Node::Number(value))
    }

    fn visit_borrowed_str<E>(self, value: &'de str) -> Result<Node<'de>, E> {
        Ok(Node::Text(Cow::Borrowed(value)))
    }

    fn visit_str<E>(self, value: &str) -> Result<Node<'de>, E> {
        Ok(Node::Text(Cow::Owned(value.to_owned())))
    }

    fn visit_seq<A: SeqAccess<'de>>(self, mut access: A) -> Result<Node<'de>, A::Error> {
        let mut items = Vec::new();
        while let Some(item) = access.next_element()? {
            items.push(item);
        }
        Ok(Node::List(items))
    }

    fn visit_map<A: MapAccess<'de>>(self, mut access: A) -> Result<Node<'de>, A::Error> {
        let mut entries: Vec<(Cow<'de, str>, Node<'de>)> = Vec::new();
        while let Some((Key(key), value)) = access.next_entry()? {
            // A payload has at most 4 KiB, so that looking through the keys again is cheap.
            if entries.iter().any(|(known, _)| *known == key) {
                return Err(A::Error::custom("the same key twice"));
            }
            entries.push((key, value));
        }
        Ok(Node::Map(entries))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn pointer(text: &str) -> Pointer {
        Pointer(text.split('/').skip(1).map(|token| token.replace("~1", "/").replace("~0", "~")).collect())
    }

    /// The document and the pointers of RFC 6901, section 5 (those without `%`, `^`, `|` and quotes work alike).
    #[test]
    fn pointers_find_what_rfc_6901_says() {
        let text = r#"{"foo":["bar","baz"],"":0,"a/b":1,"c%d":2,"e^f":3,"g|h":4,"i\\j":5,"k\"l":6," ":7,"m~n":8}"#;
        let document = Node::parse(text).unwrap();
        for (at, expected) in [
            ("/foo/0", Node::Text("bar".into())),
            ("/", Node::Number(0.0)),
            ("/a~1b", Node::Number(1.0)),
            ("/c%d", Node::Number(2.0)),
            ("/e^f", Node::Number(3.0)),
            ("/g|h", Node::Number(4.0)),
            ("/i\\j", Node::Number(5.0)),
            ("/k\"l", Node::Number(6.0)),
            ("/ ", Node::Number(7.0)),
            ("/m~0n", Node::Number(8.0)),
        ] {
            assert_eq!(document.at(&pointer(at)), Some(&expected), "{at}");
        }
        assert_eq!(document.at(&pointer("")), Some(&document));
        for nothing in ["/foo/2", "/foo/01", "/foo/-", "/bar", "/foo/0/x"] {
            assert_eq!(document.at(&pointer(nothing)), None, "{nothing}");
        }
    }

    #[test]
    fn a_document_that_says_two_things_is_no_document() {
        assert_eq!(Node::parse(r#"{"t":25.1,"t":99}"#), Err(Unreadable::NotJson));
        assert_eq!(Node::parse(r#"{"a":{"t":1},"b":{"t":1}}"#).map(|_| ()), Ok(()));
    }

    #[test]
    fn broken_and_endless_documents_are_refused() {
        for text in ["{", "25.1,", "{\"t\":NaN}", "[1,2", "{\"t\":1} x", ""] {
            assert_eq!(Node::parse(text), Err(Unreadable::NotJson), "{text}");
        }
        assert_eq!(Node::parse(&"[".repeat(4000)), Err(Unreadable::NotJson));
        assert_eq!(Node::parse("{\"t\":1e999}"), Err(Unreadable::NotFinite));
    }
}
