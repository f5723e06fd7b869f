//! One message's payload on its way to a number, a word or a time.
//!
//! Duty: the checks that hold for every binding (size, UTF-8), the JSON tree at most once, and the
//! reading of scalars. Direction of failure: whatever is not exactly what the binding names is
//! unreadable with its reason; nothing is taken for zero, off or dry.

use crate::control::event::{Alive, Unreadable};
use crate::control::plan::Switch;
use crate::time::{Span, Wall};
use crate::units::{Quantity, Unit};

use super::binding::{Pointer, ProbeForm, WordBinding};
use super::json::Node;
use super::number;

/// No reading is larger. What is larger is not even looked at.
pub const GREATEST: usize = 4096;

/// A sample that says of itself that it is older than this is no news (a burst after a partition).
pub const OLDEST_SAMPLE: Span = Span::from_seconds(30);

/// A sample from further in the future than this has a wrong clock, and its age is unknown.
pub const MOST_AHEAD: Span = Span::from_seconds(30);

/// A payload, and its JSON tree once somebody asked for it.
#[derive(Debug)]
pub struct Payload<'a> {
    text: Result<&'a str, Unreadable>,
    tree: Option<Result<Node<'a>, Unreadable>>,
}

impl<'a> Payload<'a> {
    /// The payload of a message.
    pub fn new(bytes: &'a [u8]) -> Self {
        let text = match bytes.len() {
            0 => Err(Unreadable::Empty),
            length if length > GREATEST => Err(Unreadable::TooLarge),
            _ => std::str::from_utf8(bytes).map_err(|_| Unreadable::NotText),
        };
        Self { text, tree: None }
    }

    /// The whole text.
    pub fn text(&self) -> Result<&'a str, Unreadable> {
        self.text
    }

    fn node(&mut self, pointer: &Pointer) -> Result<&Node<'a>, Unreadable> {
        let text = self.text?;
        let tree = self.tree.get_or_insert_with(|| Node::parse(text));
        tree.as_ref().map_err(|reason| *reason)?.at(pointer).ok_or(Unreadable::NoSuchField)
    }

    /// A probe's value in its canonical unit; a contact is 1 wet, 0 dry.
    pub fn probe(&mut self, pointer: Option<&Pointer>, form: &ProbeForm) -> Result<f64, Unreadable> {
        match form {
            ProbeForm::Number(unit) => self.number(pointer, unit),
            ProbeForm::Contact { wet, dry } => {
                let wet = self.word(pointer, wet, dry)?;
                Ok(if wet { 1.0 } else { 0.0 })
            }
        }
    }

    /// A number in the canonical unit. In JSON a number, or a string that holds one.
    pub fn number(&mut self, pointer: Option<&Pointer>, unit: &Unit) -> Result<f64, Unreadable> {
        let Some(pointer) = pointer else {
            return number::parse(self.text?, unit);
        };
        match self.node(pointer)? {
            Node::Number(written) => number::canonical(*written, unit),
            Node::Text(text) => number::parse(text, unit),
            Node::Null | Node::Bool(_) | Node::List(_) | Node::Map(_) => Err(Unreadable::NotANumber),
        }
    }

    /// A bare count, in whatever unit.
    pub fn count(&mut self, pointer: Option<&Pointer>) -> Result<f64, Unreadable> {
        self.number(pointer, Quantity::Contact.canonical())
    }

    /// A relay's report.
    pub fn switch(&mut self, binding: &WordBinding) -> Result<Switch, Unreadable> {
        let on = self.word(binding.pointer.as_ref(), &binding.on, &binding.off)?;
        Ok(if on { Switch::On } else { Switch::Off })
    }

    /// Whether a plug is alive.
    pub fn alive(&mut self, binding: &WordBinding) -> Result<Alive, Unreadable> {
        let yes = self.word(binding.pointer.as_ref(), &binding.on, &binding.off)?;
        Ok(if yes { Alive::Yes } else { Alive::No })
    }

    /// Whether it is one of the first words (`true`) or one of the second ones (`false`).
    fn word(&mut self, pointer: Option<&Pointer>, first: &[String], second: &[String]) -> Result<bool, Unreadable> {
        let is: &dyn Fn(&String) -> bool = match pointer {
            None => {
                let text = self.text?.trim();
                if text.is_empty() {
                    return Err(Unreadable::Empty);
                }
                &move |word| word == text
            }
            Some(pointer) => match self.node(pointer)? {
                Node::Text(text) => &move |word| word == text.trim(),
                Node::Bool(value) => &move |word| word == if *value { "true" } else { "false" },
                Node::Number(value) => &move |word| word.parse() == Ok(*value),
                Node::Null | Node::List(_) | Node::Map(_) => return Err(Unreadable::UnknownWord),
            },
        };
        match () {
            () if first.iter().any(is) => Ok(true),
            () if second.iter().any(is) => Ok(false),
            () => Err(Unreadable::UnknownWord),
        }
    }

    /// Whether the sample's own time says that it is fresh.
    pub fn fresh(&mut self, stamped: &Pointer, now: Wall) -> Result<(), Unreadable> {
        let at = match self.node(stamped)? {
            Node::Number(seconds) => unix_seconds(*seconds),
            Node::Text(text) => Wall::from_rfc3339(text).or_else(|| text.trim().parse().ok().and_then(unix_seconds)),
            Node::Null | Node::Bool(_) | Node::List(_) | Node::Map(_) => None,
        };
        match at {
            Some(at) if now.since(at) <= OLDEST_SAMPLE && at.since(now) <= MOST_AHEAD => Ok(()),
            _ => Err(Unreadable::OldTimeStamp),
        }
    }
}

/// Unix seconds, with or without fraction, of this and the next century.
fn unix_seconds(seconds: f64) -> Option<Wall> {
    #[expect(clippy::cast_possible_truncation, reason = "range checked")]
    (0.0..=7.3e9).contains(&seconds).then(|| Wall::from_unix_millis((seconds * 1000.0).round() as i64))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::Quantity;

    fn celsius() -> &'static Unit {
        Quantity::Temperature.canonical()
    }

    fn at(tokens: &[&str]) -> Pointer {
        Pointer(tokens.iter().map(|t| (*t).to_owned()).collect())
    }

    fn words(list: &[&str]) -> Vec<String> {
        list.iter().map(|w| (*w).to_owned()).collect()
    }

    #[test]
    fn json_scalars_are_read_where_the_pointer_stands() {
        let text = br#"{"temp":25.25,"text":"25.5","far":"77 \u00b0F","none":null,"list":[1,26.0],"on":true}"#;
        let mut payload = Payload::new(text);
        assert_eq!(payload.number(Some(&at(&["temp"])), celsius()), Ok(25.25));
        assert_eq!(payload.number(Some(&at(&["text"])), celsius()), Ok(25.5));
        assert_eq!(payload.number(Some(&at(&["list", "1"])), celsius()), Ok(26.0));
        assert_eq!(payload.number(Some(&at(&["far"])), celsius()), Err(Unreadable::WrongUnit));
        assert_eq!(payload.number(Some(&at(&["none"])), celsius()), Err(Unreadable::NotANumber));
        assert_eq!(payload.number(Some(&at(&["on"])), celsius()), Err(Unreadable::NotANumber));
        assert_eq!(payload.number(Some(&at(&["humidity"])), celsius()), Err(Unreadable::NoSuchField));
        assert_eq!(Payload::new(b"{\"temp\"").number(Some(&at(&["temp"])), celsius()), Err(Unreadable::NotJson));
    }

    #[test]
    fn size_and_text_are_checked_before_anything_else() {
        let unit = celsius();
        assert_eq!(Payload::new(b"").number(None, unit), Err(Unreadable::Empty));
        assert_eq!(Payload::new(&[b'1'; GREATEST]).number(None, unit), Err(Unreadable::NotFinite));
        assert_eq!(Payload::new(&[b'1'; GREATEST + 1]).number(None, unit), Err(Unreadable::TooLarge));
        assert_eq!(Payload::new(&vec![0xff; 1 << 20]).number(None, unit), Err(Unreadable::TooLarge));
        assert_eq!(Payload::new(&[0x32, 0xff]).number(None, unit), Err(Unreadable::NotText));
    }

    #[test]
    fn only_the_bound_words_mean_wet_or_dry() {
        let form = ProbeForm::Contact { wet: words(&["wet", "1", "true"]), dry: words(&["dry", "0", "false"]) };
        let field = at(&["v"]);
        for (payload, expected) in [
            (&b"wet"[..], Ok(1.0)),
            (b" dry ", Ok(0.0)),
            (b"1", Ok(1.0)),
            (b"WET", Err(Unreadable::UnknownWord)),
            (b"on", Err(Unreadable::UnknownWord)),
            (b"2", Err(Unreadable::UnknownWord)),
            (b" ", Err(Unreadable::Empty)),
        ] {
            assert_eq!(Payload::new(payload).probe(None, &form), expected, "{payload:?}");
        }
        for (payload, expected) in [
            (&br#"{"v":true}"#[..], Ok(1.0)),
            (br#"{"v":false}"#, Ok(0.0)),
            (br#"{"v":1}"#, Ok(1.0)),
            (br#"{"v":0.0}"#, Ok(0.0)),
            (br#"{"v":"wet"}"#, Ok(1.0)),
            (br#"{"v":null}"#, Err(Unreadable::UnknownWord)),
            (br#"{"v":7}"#, Err(Unreadable::UnknownWord)),
        ] {
            assert_eq!(Payload::new(payload).probe(Some(&field), &form), expected, "{payload:?}");
        }
    }

    #[test]
    fn a_sample_that_says_it_is_old_is_refused() {
        let now = Wall::from_unix_millis(1_774_745_999_000);
        let field = at(&["at"]);
        for (payload, fresh) in [
            (r#"{"at":1774745999}"#, true),
            (r#"{"at":1774745970.5}"#, true),
            (r#"{"at":1774745960}"#, false),
            (r#"{"at":1774746100}"#, false),
            (r#"{"at":"2026-03-29T00:59:58Z"}"#, true),
            (r#"{"at":"2026-03-29T02:59:58+02:00"}"#, true),
            (r#"{"at":"2026-03-28T00:59:58Z"}"#, false),
            (r#"{"at":"yesterday"}"#, false),
            (r#"{"at":1774745999000}"#, false),
            (r#"{"at":null}"#, false),
        ] {
            assert_eq!(Payload::new(payload.as_bytes()).fresh(&field, now).is_ok(), fresh, "{payload}");
        }
    }
}
