//! Typed readers over the tree: each takes what it wants and reports what is wrong, and reading goes on.
//!
//! Words: an [`Item`] is a value with its file, place and key path; [`Fields`] are the keys of a map whose
//! known keys are listed in one place, so that every unknown one is reported with its nearest neighbour.
//! A reader that returns `None` has reported why.

use std::str::FromStr;
use std::sync::Arc;

use crate::control::ids::Name;
use crate::control::plan::Switch;
use crate::time::Span;
use crate::units::{Amount, Quantity};

use super::problem::{Place, Problem, Report, listed, nearest};
use super::tree::{Node, Value};

/// A value with its file, place and key path.
#[derive(Clone, Debug)]
pub(super) struct Item<'a> {
    pub(super) report: &'a Report,
    pub(super) file: Arc<str>,
    pub(super) key: String,
    pub(super) place: Place,
    pub(super) node: &'a Node,
}

/// The keys of a map.
#[derive(Clone, Debug)]
pub(super) struct Fields<'a> {
    /// The map itself.
    pub(super) item: Item<'a>,
}

/// More probes, outputs or alarms than this in one tank are refused.
pub(super) const MOST_ENTRIES: usize = 500;

/// What a missing value looks like.
static NOTHING: Node = Node { place: Place { line: 0, column: 0 }, value: Value::Nothing };

impl<'a> Item<'a> {
    /// The top of a file.
    pub(super) fn root(report: &'a Report, file: &Arc<str>, node: &'a Node) -> Self {
        Item { report, file: file.clone(), key: String::new(), place: node.place, node }
    }

    /// Reports a problem here. A text of several lines is a problem and, below the first, its fix.
    pub(super) fn wrong(&self, text: impl AsRef<str>) {
        self.wrong_at(self.place, &self.key, text.as_ref());
    }

    fn wrong_at(&self, place: Place, key: &str, text: &str) {
        let (what, fix) = match text.split_once('\n') {
            Some((what, fix)) => (what, Some(fix.to_owned())),
            None => (text, None),
        };
        let (file, key, what) = (self.file.clone(), key.to_owned(), what.to_owned());
        self.report.add(Problem { file, place, key, what, fix });
    }

    fn child(&self, key: &str, place: Place, node: &'a Node) -> Self {
        let key = if self.key.is_empty() { key.to_owned() } else { format!("{}.{key}", self.key) };
        Item { report: self.report, file: self.file.clone(), key, place, node }
    }

    /// File, line and column, for a message about another place.
    pub(super) fn where_it_is(&self) -> String {
        format!("{}:{}:{}", self.file, self.place.line, self.place.column)
    }

    /// The last key of the path.
    pub(super) fn last_key(&self) -> &str {
        self.key.rsplit('.').next().unwrap_or_default()
    }

    /// How a value is called in a message.
    fn described(&self) -> String {
        match &self.node.value {
            Value::Nothing => "nothing".to_owned(),
            Value::Scalar(text) => format!("`{text}`"),
            Value::List(_) => "a list".to_owned(),
            Value::Map(_) => "keys".to_owned(),
        }
    }

    /// Whether it is this bare word.
    pub(super) fn is_word(&self, word: &str) -> bool {
        matches!(&self.node.value, Value::Scalar(text) if text == word)
    }

    /// Whether it is keys with values.
    pub(super) fn is_map(&self) -> bool {
        matches!(&self.node.value, Value::Map(_))
    }

    /// The entries of a map, each key once; duplicates and merge keys are reported and left out.
    fn map(&self, wanted: &str) -> Option<Vec<Item<'a>>> {
        let Value::Map(entries) = &self.node.value else {
            self.wrong(format!("{} stands where {wanted} belongs", self.described()));
            return None;
        };
        let mut seen = std::collections::BTreeMap::new();
        let mut items = Vec::with_capacity(entries.len());
        for (key, node) in entries {
            let item = self.child(&key.text, key.place, node);
            if key.text == "<<" {
                item.wrong("merge keys are refused: what counts must stand where it is read\nwrite the keys out");
            } else if let Some(first) = seen.insert(key.text.as_str(), key.place) {
                let first: Place = first;
                item.wrong(format!("`{}` stands twice, first in line {}\nremove one of them", key.text, first.line));
            } else {
                items.push(Item { place: if node.place.line > 0 { node.place } else { key.place }, ..item });
            }
        }
        Some(items)
    }

    /// A map with known keys; every unknown key is reported.
    pub(super) fn fields(&self, known: &[&str]) -> Option<Fields<'a>> {
        self.map(&format!("a map with {}", listed(known.iter().copied(), "or")))?;
        let Value::Map(entries) = &self.node.value else { return None };
        for (key, _) in entries {
            if key.text != "<<" && !known.contains(&key.text.as_str()) {
                let path = if self.key.is_empty() { key.text.clone() } else { format!("{}.{}", self.key, key.text) };
                let fix = match nearest(&key.text, known.iter().copied()) {
                    Some(near) => format!("did you mean `{near}`?"),
                    None => format!("known here: {}", listed(known.iter().copied(), "and")),
                };
                self.wrong_at(key.place, &path, &format!("`{}` is not a key here\n{fix}", key.text));
            }
        }
        Some(Fields { item: self.clone() })
    }

    /// A map whose keys are names that the keeper chose.
    pub(super) fn named(&self) -> Vec<(Name, Item<'a>)> {
        let items = self.map("a map of names").unwrap_or_default();
        if items.len() > MOST_ENTRIES {
            self.wrong(format!("{} entries in one place\nwrite {MOST_ENTRIES} at most", items.len()));
            return Vec::new();
        }
        if items.is_empty() && self.is_map() {
            self.wrong("nothing stands in here\nremove the key or write an entry");
        }
        let Value::Map(entries) = &self.node.value else { return Vec::new() };
        for (key, _) in entries {
            if key.text != "<<"
                && let Err(why) = name_problem(&key.text)
            {
                self.child(&key.text, key.place, &NOTHING).wrong(why);
            }
        }
        items.into_iter().map(|item| (Name::new(last_of(&item.key, &self.key)), item)).collect()
    }

    /// A map whose keys are not ours and no names either, such as the headers of a request.
    pub(super) fn pairs(&self) -> Vec<(String, Item<'a>)> {
        let items = self.map("a map").unwrap_or_default();
        items.into_iter().map(|item| (last_of(&item.key, &self.key).to_owned(), item)).collect()
    }

    /// The names in a map, without a word about what is wrong with it: [`Self::named`] says that.
    pub(super) fn entry_names(&self) -> Vec<Name> {
        let Value::Map(entries) = &self.node.value else { return Vec::new() };
        let mut names: Vec<Name> = Vec::new();
        for (key, _) in entries {
            if key.text != "<<" && names.len() < MOST_ENTRIES && !names.iter().any(|name| **name == *key.text) {
                names.push(Name::new(&key.text));
            }
        }
        names
    }

    /// The entries of a list that is not empty; a single value is a list of one.
    pub(super) fn list(&self) -> Vec<Item<'a>> {
        match &self.node.value {
            Value::List(items) if items.is_empty() => {
                self.wrong("an empty list says nothing\nremove the key or write an entry");
                Vec::new()
            }
            Value::List(items) => items
                .iter()
                .enumerate()
                .map(|(at, node)| Item { key: format!("{}[{at}]", self.key), place: node.place, node, ..self.clone() })
                .collect(),
            Value::Nothing => {
                self.wrong("nothing stands where a list belongs\nremove the key or write an entry");
                Vec::new()
            }
            Value::Scalar(_) | Value::Map(_) => vec![self.clone()],
        }
    }

    /// A scalar's text.
    pub(super) fn text(&self) -> Option<&'a str> {
        match &self.node.value {
            Value::Scalar(text) if !text.trim().is_empty() => Some(text),
            _ => {
                self.wrong(format!("{} stands where a text belongs", self.described()));
                None
            }
        }
    }

    /// Anything that reads itself from a text and says what is wrong.
    pub(super) fn parsed<T: FromStr<Err: ToString>>(&self) -> Option<T> {
        self.text()?.parse().map_err(|error: T::Err| self.wrong(error.to_string())).ok()
    }

    /// A quantity in its canonical unit, inside a range that is told where it is left.
    pub(super) fn amount(&self, quantity: Quantity, least: f64, greatest: f64) -> Option<f64> {
        let text = self.text()?;
        let amount = Amount::parse(text, quantity).map_err(|error| self.wrong(error.to_string())).ok()?;
        if amount.value().is_finite() && (least..=greatest).contains(&amount.value()) {
            return Some(amount.value());
        }
        let symbol = quantity.canonical().symbol;
        self.wrong(format!(
            "`{text}` is out of range for a {} here\nwrite a value from {least} {symbol} to {greatest} {symbol}",
            quantity.noun()
        ));
        None
    }

    /// A duration inside a range.
    pub(super) fn span(&self, least: Span, greatest: Span) -> Option<Span> {
        let span: Span = self.parsed()?;
        if (least..=greatest).contains(&span) {
            return Some(span);
        }
        self.wrong(format!("`{}` is out of range here\nwrite a duration from {least} to {greatest}", self.text()?));
        None
    }

    /// A whole number inside a range.
    pub(super) fn whole(&self, least: u64, greatest: u64) -> Option<u64> {
        let text = self.text()?;
        match text.parse::<u64>() {
            Ok(number) if (least..=greatest).contains(&number) => Some(number),
            _ => {
                self.wrong(format!("`{text}` is not a whole number from {least} to {greatest}"));
                None
            }
        }
    }

    /// One of a few words.
    pub(super) fn word<T: Copy>(&self, words: &[(T, &str)]) -> Option<T> {
        let text = self.text()?;
        if let Some((value, _)) = words.iter().find(|(_, word)| *word == text) {
            return Some(*value);
        }
        let known = || words.iter().map(|(_, word)| *word);
        let fix = nearest(text, known()).map(|near| format!("did you mean `{near}`? ")).unwrap_or_default();
        self.wrong(format!("`{text}` is not known here\n{fix}known here: {}", listed(known(), "and")));
        None
    }

    /// `yes` or `no`.
    pub(super) fn yes_no(&self) -> Option<bool> {
        self.word(&[(true, "yes"), (false, "no"), (true, "true"), (false, "false")])
    }

    /// `on` or `off`.
    pub(super) fn switch(&self) -> Option<Switch> {
        self.word(&[(Switch::On, "on"), (Switch::Off, "off")])
    }

    /// The index of a name among those that exist.
    pub(super) fn one_of<T: AsRef<str>>(&self, noun: &str, known: &[T]) -> Option<usize> {
        let text = self.text()?;
        if let Some(at) = known.iter().position(|name| name.as_ref() == text) {
            return Some(at);
        }
        let names = || known.iter().map(AsRef::as_ref);
        let fix = match nearest(text, names()) {
            Some(near) => format!("did you mean `{near}`?"),
            None if known.is_empty() => format!("there is no {noun} here"),
            None => format!("known {noun}s: {}", listed(names(), "and")),
        };
        self.wrong(format!("there is no {noun} `{text}`\n{fix}"));
        None
    }
}

/// What of `key` comes after `parent`; a name may hold dots only if it is wrong anyway.
fn last_of<'k>(key: &'k str, parent: &str) -> &'k str {
    key.strip_prefix(parent).map_or(key, |rest| rest.strip_prefix('.').unwrap_or(rest))
}

/// Why a text is no name.
pub(super) fn name_problem(text: &str) -> Result<(), String> {
    let fits = |c: char| c.is_ascii_lowercase() || c.is_ascii_digit();
    let good = text.len() <= 48
        && text.starts_with(|c: char| c.is_ascii_lowercase())
        && text.ends_with(fits)
        && text.chars().all(|c| fits(c) || c == '-')
        && !text.contains("--");
    if good {
        return Ok(());
    }
    let mut mended: String = text
        .chars()
        .take(48)
        .map(|c| if fits(c.to_ascii_lowercase()) { c.to_ascii_lowercase() } else { '-' })
        .collect();
    while mended.contains("--") {
        mended = mended.replace("--", "-");
    }
    let mended = mended.trim_matches(|c: char| !c.is_ascii_lowercase() && !c.is_ascii_digit());
    let mended = mended.trim_start_matches(|c: char| c.is_ascii_digit() || c == '-');
    let example = if mended.is_empty() { "sump-temp" } else { mended };
    Err(format!("`{text}` is not a name\nwrite a-z, 0-9 and single hyphens, such as `{example}`"))
}

impl<'a> Fields<'a> {
    /// The value of a key; `None` if it is not there.
    pub(super) fn get(&self, key: &str) -> Option<Item<'a>> {
        let Value::Map(entries) = &self.item.node.value else { return None };
        let (key, node) = entries.iter().find(|(known, _)| known.text == key)?;
        let place = if node.place.line > 0 { node.place } else { key.place };
        Some(self.item.child(&key.text, place, node))
    }

    /// The value of a key that must be there.
    pub(super) fn need(&self, key: &str, such_as: &str) -> Option<Item<'a>> {
        let found = self.get(key);
        if found.is_none() {
            self.item.wrong(format!("`{key}` is missing\nwrite `{key}: {such_as}`"));
        }
        found
    }

    /// A duration, or the usual one.
    pub(super) fn span_or(&self, key: &str, least: Span, greatest: Span, usual: Span) -> Span {
        self.get(key).and_then(|item| item.span(least, greatest)).unwrap_or(usual)
    }
}
