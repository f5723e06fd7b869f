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
use super::tree::{Key, Node, Value};

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
    /// The keys that mean something in it.
    known: Vec<&'static str>,
}

/// More probes, outputs or alarms than this in one tank are refused.
pub(super) const MOST_ENTRIES: usize = 500;

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

    /// The value of a key of a map, without a look at its other keys.
    pub(super) fn child_of_map(&self, key: &str) -> Option<Item<'a>> {
        self.pairs().into_iter().find(|(name, _)| name == key).map(|(_, item)| item)
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

    /// The entries of a map. What is no map, a duplicate and a merge key are reported.
    fn entries(&self, wanted: impl FnOnce() -> String) -> Option<&'a [(Key, Node)]> {
        let Value::Map(entries) = &self.node.value else {
            self.wrong(format!("{} stands where {}", self.described(), wanted()));
            return None;
        };
        for (at, (key, node)) in entries.iter().enumerate() {
            let item = || self.child(&key.text, key.place, node);
            if key.text == "<<" {
                item().wrong("merge keys are refused: what counts must stand where it is read\nwrite the keys out");
            } else if let Some((first, _)) = entries[..at].iter().find(|(other, _)| other.text == key.text) {
                item().wrong(format!(
                    "`{}` stands twice, first in line {}\nremove one of them",
                    key.text, first.place.line
                ));
            }
        }
        Some(entries)
    }

    /// The entries of a map as items, each key once.
    fn items(&self) -> Vec<(&'a str, Item<'a>)> {
        let Some(entries) = self.entries(|| "names with values belong".to_owned()) else { return Vec::new() };
        let first = |at: usize, key: &Key| !entries[..at].iter().any(|(other, _)| other.text == key.text);
        let wanted = entries.iter().enumerate().filter(|(at, (key, _))| key.text != "<<" && first(*at, key));
        wanted
            .map(|(_, (key, node))| {
                let place = if node.place.line > 0 { node.place } else { key.place };
                (key.text.as_str(), self.child(&key.text, place, node))
            })
            .collect()
    }

    /// A map with known keys; every unknown key is reported.
    pub(super) fn fields(&self, known: &[&'static str]) -> Option<Fields<'a>> {
        let here = || listed(known.iter().copied(), "and");
        let entries = self.entries(|| format!("keys with values belong\nknown here: {}", here()))?;
        for (key, _) in entries {
            if key.text != "<<" && !known.contains(&key.text.as_str()) {
                let path = if self.key.is_empty() { key.text.clone() } else { format!("{}.{}", self.key, key.text) };
                let fix = match nearest(&key.text, known.iter().copied()) {
                    Some(near) => format!("did you mean `{near}`?"),
                    None => format!("known here: {}", here()),
                };
                self.wrong_at(key.place, &path, &format!("`{}` is not a key here\n{fix}", key.text));
            }
        }
        Some(Fields { item: self.clone(), known: known.to_vec() })
    }

    /// A map whose keys are names that the keeper chose.
    pub(super) fn named(&self) -> Vec<(Name, Item<'a>)> {
        let items = self.items();
        if items.len() > MOST_ENTRIES {
            self.wrong(format!("{} entries in one place\nwrite {MOST_ENTRIES} at most", items.len()));
            return Vec::new();
        }
        if items.is_empty() && self.is_map() {
            self.wrong("nothing stands in here\nremove the key or write an entry");
        }
        for (name, item) in &items {
            if let Err(why) = name_problem(name) {
                let Value::Map(entries) = &self.node.value else { continue };
                let key = entries.iter().find(|(key, _)| key.text == *name);
                item.wrong_at(key.map_or(item.place, |(key, _)| key.place), &item.key, &why);
            }
        }
        items.into_iter().map(|(name, item)| (Name::new(name), item)).collect()
    }

    /// A map whose keys are not ours and no names either, such as the headers of a request.
    pub(super) fn pairs(&self) -> Vec<(String, Item<'a>)> {
        self.items().into_iter().map(|(name, item)| (name.to_owned(), item)).collect()
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

    /// The keys of a map whose keys are checked already.
    pub(super) fn checked(item: Item<'a>) -> Self {
        Self { item, known: Vec::new() }
    }

    /// Whether an unknown key, which is reported already, may have been meant for this one.
    pub(super) fn is_misspelt(&self, key: &str) -> bool {
        let Value::Map(entries) = &self.item.node.value else { return false };
        let unknown = entries.iter().filter(|(written, _)| !self.known.contains(&written.text.as_str()));
        unknown.into_iter().any(|(written, _)| nearest(&written.text, self.known.iter().copied()) == Some(key))
    }

    /// The value of a key that must be there.
    pub(super) fn need(&self, key: &str, such_as: &str) -> Option<Item<'a>> {
        let found = self.get(key);
        if found.is_none() && !self.is_misspelt(key) {
            self.item.wrong(format!("`{key}` is missing\nwrite `{key}: {such_as}`"));
        }
        found
    }

    /// A duration, or the usual one.
    pub(super) fn span_or(&self, key: &str, least: Span, greatest: Span, usual: Span) -> Span {
        self.get(key).and_then(|item| item.span(least, greatest)).unwrap_or(usual)
    }
}
