//! What somebody who listens on a broker hears: each topic's rate, the shape of its payloads, and what each
//! scalar in them has been.
//!
//! Duty: facts, within bounds, of whatever comes: [`super::guess`] makes something of them. Nothing here is a
//! reading, and nothing of it reaches the core. What looks like a secret by its name is not kept.

use std::collections::BTreeMap;

use crate::time::Span;

use super::json::Node;
use super::number;
use super::payload::GREATEST;

/// Topics that are kept; of more than these only the number is.
const MOST_TOPICS: usize = 5_000;
/// Scalars of one payload.
const MOST_FIELDS: usize = 60;
/// Different texts of one scalar, beyond which only its numbers count.
const MOST_TEXTS: usize = 6;
/// Characters of a sample.
const SAMPLE: usize = 100;
/// Levels of a payload that are looked into.
const DEEPEST: usize = 6;

/// Everything that was heard.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Overheard {
    topics: BTreeMap<String, Topic>,
    /// Messages on topics beyond those that are kept.
    pub beyond: u64,
}

/// One topic.
#[derive(Clone, Debug, PartialEq)]
pub struct Topic {
    /// Messages, kept ones included.
    pub messages: u64,
    /// How many of them the broker had kept from earlier.
    pub retained: u64,
    first: Option<Span>,
    last: Option<Span>,
    /// The last payload as text, cut, without what looks like a secret.
    pub sample: String,
    /// What kind of bytes the last payload was.
    pub shape: Shape,
    /// Each scalar by its RFC 6901 pointer; the bare payload's is empty.
    pub fields: BTreeMap<String, Field>,
}

/// What kind of bytes a payload is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Shape {
    /// Nothing.
    Empty,
    /// One number or word.
    Scalar,
    /// A JSON object or list.
    Json,
    /// Not text.
    Bytes,
    /// More than a reading ever has (4 KiB).
    TooLarge,
}

/// What one scalar has been.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Field {
    /// Times that it was a number.
    pub numbers: u64,
    /// The least number.
    pub least: f64,
    /// The greatest number.
    pub greatest: f64,
    /// Times that it was another number than before.
    pub changes: u64,
    /// The different texts, if they are few.
    pub texts: Vec<String>,
    /// There were more texts than are kept.
    pub many_texts: bool,
    /// What stood behind the number.
    pub suffix: Option<String>,
    /// Times that it had a decimal comma.
    pub commas: u64,
    newest: Option<f64>,
}

/// Whether a topic or a key names something that must not be shown.
fn is_secret(name: &str) -> bool {
    let name = name.to_lowercase();
    ["passw", "secret", "token", "apikey", "api_key", "api-key", "credential", "psk"]
        .iter()
        .any(|word| name.contains(word))
}

impl Overheard {
    /// A message came, so long after the beginning.
    pub fn hear(&mut self, topic: &[u8], payload: &[u8], retained: bool, at: Span) {
        let name = String::from_utf8_lossy(topic);
        let full = self.topics.len() >= MOST_TOPICS;
        if full && !self.topics.contains_key(&*name) {
            self.beyond += 1;
            return;
        }
        self.topics.entry(name.into_owned()).or_insert_with_key(|_| Topic::new()).hear(topic, payload, retained, at);
    }

    /// The topics, in their order.
    pub fn topics(&self) -> impl Iterator<Item = (&str, &Topic)> {
        self.topics.iter().map(|(name, topic)| (name.as_str(), topic))
    }

    /// One topic.
    pub fn topic(&self, name: &str) -> Option<&Topic> {
        self.topics.get(name)
    }
}

impl Topic {
    fn new() -> Self {
        Self {
            messages: 0,
            retained: 0,
            first: None,
            last: None,
            sample: String::new(),
            shape: Shape::Empty,
            fields: BTreeMap::new(),
        }
    }

    fn hear(&mut self, topic: &[u8], payload: &[u8], retained: bool, at: Span) {
        self.messages += 1;
        if retained {
            self.retained += 1;
        } else {
            self.first.get_or_insert(at);
            self.last = Some(at);
        }
        let secret = is_secret(&String::from_utf8_lossy(topic));
        (self.shape, self.sample) = match payload.len() {
            0 => (Shape::Empty, String::new()),
            length if length > GREATEST => (Shape::TooLarge, format!("({length} bytes)")),
            length => match std::str::from_utf8(payload) {
                Err(_) => (Shape::Bytes, format!("({length} bytes that are not text)")),
                Ok(_) if secret => (Shape::Scalar, "(not shown: it may be a secret)".to_owned()),
                Ok(text) => self.text(text),
            },
        };
    }

    fn text(&mut self, text: &str) -> (Shape, String) {
        let begins_like_json = text.trim_start().starts_with(['{', '[']);
        if let Some(Ok(node)) = begins_like_json.then(|| Node::parse(text)) {
            self.walk(&node, &mut String::new(), 0);
            return (Shape::Json, cut(&shown(&node)));
        }
        self.scalar("", text.trim());
        (Shape::Scalar, cut(text.trim()))
    }

    fn walk(&mut self, node: &Node, pointer: &mut String, depth: usize) {
        let length = pointer.len();
        match node {
            _ if depth > DEEPEST => {}
            Node::Null => {}
            Node::Bool(value) => self.scalar(pointer, if *value { "true" } else { "false" }),
            Node::Number(number) => self.scalar(pointer, &number.to_string()),
            Node::Text(text) => self.scalar(pointer, text.trim()),
            Node::List(items) => {
                for (index, item) in items.iter().enumerate().take(MOST_FIELDS) {
                    pointer.push('/');
                    pointer.push_str(&index.to_string());
                    self.walk(item, pointer, depth + 1);
                    pointer.truncate(length);
                }
            }
            Node::Map(entries) => {
                for (key, value) in entries.iter().filter(|(key, _)| !is_secret(key)) {
                    pointer.push('/');
                    pointer.push_str(&key.replace('~', "~0").replace('/', "~1"));
                    self.walk(value, pointer, depth + 1);
                    pointer.truncate(length);
                }
            }
        }
    }

    fn scalar(&mut self, pointer: &str, text: &str) {
        if let Some(field) = self.fields.get_mut(pointer) {
            field.hear(text);
        } else if self.fields.len() < MOST_FIELDS {
            let mut field = Field::default();
            field.hear(text);
            self.fields.insert(pointer.to_owned(), field);
        }
    }

    /// The mean time between messages that were not kept ones; `None`: fewer than two came.
    pub fn interval(&self) -> Option<Span> {
        let fresh = self.messages - self.retained;
        let span = self.last?.millis().checked_sub(self.first?.millis())?;
        (fresh > 1).then(|| Span::from_millis(span / (fresh - 1)))
    }
}

impl Field {
    fn hear(&mut self, text: &str) {
        let length = number::number_length(text);
        let number = text.get(..length).and_then(|digits| digits.parse::<f64>().ok()).filter(|n| n.is_finite());
        let rest = text.get(length..).unwrap_or_default().trim();
        match number {
            Some(_) if rest.starts_with(',') => self.commas += 1,
            // `12:30` and `3 of 5` are no numbers with a unit.
            Some(number) if rest.chars().count() <= 8 && !rest.contains([':', ' ']) => self.number(number, rest),
            _ => {}
        }
        if !self.texts.iter().any(|known| known == text) {
            if self.texts.len() < MOST_TEXTS && text.chars().count() <= 40 {
                self.texts.push(text.to_owned());
            } else {
                self.many_texts = true;
            }
        }
    }

    fn number(&mut self, number: f64, suffix: &str) {
        let first = self.numbers == 0;
        self.least = if first { number } else { self.least.min(number) };
        self.greatest = if first { number } else { self.greatest.max(number) };
        self.changes += u64::from(self.newest.is_some_and(|newest| newest.to_bits() != number.to_bits()));
        self.newest = Some(number);
        self.numbers += 1;
        if !suffix.is_empty() {
            self.suffix = Some(suffix.to_owned());
        }
    }

    /// The newest number.
    pub fn newest(&self) -> Option<f64> {
        self.newest
    }

    /// Its texts, if it never was anything else.
    pub fn words(&self) -> Option<&[String]> {
        (!self.many_texts && !self.texts.is_empty()).then_some(&self.texts)
    }
}

/// The document in one line, without what looks like a secret.
fn shown(node: &Node) -> String {
    match node {
        Node::Null => "null".to_owned(),
        Node::Bool(value) => value.to_string(),
        Node::Number(number) => number.to_string(),
        Node::Text(text) => format!("{text:?}"),
        Node::List(items) => format!("[{}]", items.iter().map(shown).collect::<Vec<_>>().join(",")),
        Node::Map(entries) => {
            let each = entries.iter().map(|(key, value)| {
                if is_secret(key) { format!("{key:?}:(not shown)") } else { format!("{key:?}:{}", shown(value)) }
            });
            let each: Vec<String> = each.collect();
            format!("{{{}}}", each.join(","))
        }
    }
}

/// One line for a terminal: cut, and without what could move its cursor.
fn cut(text: &str) -> String {
    let plain = |c: char| if c.is_control() { '·' } else { c };
    let mut cut: String = text.chars().take(SAMPLE).map(plain).collect();
    if text.chars().nth(SAMPLE).is_some() {
        cut.push('…');
    }
    cut
}

#[cfg(test)]
mod tests {
    use super::*;

    fn heard(messages: &[(&str, &[u8])]) -> Overheard {
        let mut overheard = Overheard::default();
        for (n, (topic, payload)) in messages.iter().enumerate() {
            overheard.hear(topic.as_bytes(), payload, false, Span::from_seconds(10 * n as u64));
        }
        overheard
    }

    #[test]
    fn each_scalar_of_a_payload_has_its_history() {
        let all = heard(&[("a", br#"{"t":25.1,"in":{"rh":"61 %"}}"#), ("a", br#"{"t":25.3,"in":{"rh":"62 %"}}"#)]);
        let topic = all.topic("a").unwrap();
        assert_eq!((topic.messages, topic.shape, topic.interval()), (2, Shape::Json, Some(Span::from_seconds(10))));
        let field = &topic.fields["/t"];
        assert_eq!((field.numbers, field.least, field.greatest, field.changes), (2, 25.1, 25.3, 1));
        assert_eq!(topic.fields["/in/rh"].suffix.as_deref(), Some("%"));
        assert_eq!(topic.sample, r#"{"t":25.3,"in":{"rh":"62 %"}}"#);
    }

    #[test]
    fn what_looks_like_a_secret_is_neither_shown_nor_kept() {
        let all = heard(&[("a/token", b"hunter2"), ("b", br#"{"wifi_password":"hunter2","t":1}"#)]);
        assert!(!format!("{all:?}").contains("hunter2"), "{all:?}");
        assert!(all.topic("b").unwrap().fields.contains_key("/t"));
    }

    #[test]
    fn a_flood_of_topics_and_bytes_stays_within_bounds() {
        let mut all = Overheard::default();
        for n in 0..MOST_TOPICS + 7 {
            all.hear(format!("t/{n}").as_bytes(), &[0xff, 0x00], n % 2 == 0, Span::ZERO);
        }
        assert_eq!((all.topics().count(), all.beyond), (MOST_TOPICS, 7));
        let many = format!("{{{}}}", (0..300).map(|n| format!("\"k{n}\":{n}")).collect::<Vec<_>>().join(","));
        all.hear(b"t/1", many.as_bytes(), false, Span::ZERO);
        all.hear(b"t/2", &vec![b'x'; GREATEST + 1], false, Span::ZERO);
        assert_eq!(all.topic("t/1").unwrap().fields.len(), MOST_FIELDS);
        assert_eq!(all.topic("t/2").unwrap().shape, Shape::TooLarge);
    }

    #[test]
    fn a_terminal_is_never_told_what_to_do() {
        let all = heard(&[("a", b"\x1b[2Jhello")]);
        assert_eq!(all.topic("a").unwrap().sample, "·[2Jhello");
    }
}
