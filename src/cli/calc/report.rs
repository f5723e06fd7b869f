//! What a calculation says: facts, the formulas behind them, notes; as text for people or as JSON.
//!
//! Duty: one list of facts feeds both outputs, so that they cannot differ. JSON keys are plain and
//! name quantity and unit (`density_kg_per_m3`); numbers in it have nine significant digits.

use std::fmt::Write as _;

use serde_json::{Map, Value, json};

use crate::water::{Marked, Range, WaterError};

/// Why a calculation gave nothing.
#[derive(Debug)]
pub(super) enum Failure {
    /// There is no answer, or none inside a formula's range: exit code 1.
    Refused(String),
    /// The question is not complete or contradicts itself: exit code 2.
    Misuse(String),
}

impl From<WaterError> for Failure {
    fn from(error: WaterError) -> Self {
        Self::Refused(error.to_string())
    }
}

impl Failure {
    /// A question that cannot be worked out, and what to write.
    pub(super) fn misuse(problem: impl AsRef<str>, fix: impl AsRef<str>) -> Self {
        Self::Misuse(format!("{}\n  {}", problem.as_ref(), fix.as_ref()))
    }
}

/// What a calculation found.
#[derive(Debug, Default)]
pub(super) struct Report {
    title: String,
    items: Vec<Item>,
    formulas: Vec<(String, String)>,
    notes: Vec<String>,
    warnings: Vec<String>,
    wanting: bool,
}

#[derive(Debug)]
enum Item {
    Heading(String),
    Fact { key: String, label: String, shown: String, value: Value },
    Table { key: String, columns: Vec<Column>, rows: Vec<Vec<Cell>> },
}

/// A column of a table: its key, its heading with unit, and decimals of its numbers.
#[derive(Debug)]
pub(super) struct Column(String, String, usize);

/// A column, as keys and headings are mostly written.
pub(super) fn column(key: &str, heading: &str, decimals: usize) -> Column {
    Column(key.to_owned(), heading.to_owned(), decimals)
}

/// A cell of a table.
#[derive(Clone, Debug)]
pub(super) enum Cell {
    /// A number.
    Number(f64),
    /// A word.
    Text(String),
    /// Nothing to say.
    Nothing,
}

impl Report {
    /// A report on a question, told in the keeper's own values.
    pub(super) fn new(title: impl Into<String>) -> Self {
        Self { title: title.into(), ..Self::default() }
    }

    /// A group of facts follows.
    pub(super) fn heading(&mut self, text: &str) {
        self.items.push(Item::Heading(text.to_owned()));
    }

    /// A number.
    pub(super) fn fact(&mut self, key: &str, label: &str, value: f64, decimals: usize, unit: &str) {
        let shown = if unit.is_empty() { format!("{value:.decimals$}") } else { format!("{value:.decimals$} {unit}") };
        self.push(key, label, shown, number(value));
    }

    /// A number with its standard uncertainty, which has its own key.
    pub(super) fn uncertain(&mut self, key: &str, label: &str, value: f64, sd: f64, decimals: usize, unit: &str) {
        self.push(key, label, format!("{value:.decimals$} ± {sd:.decimals$} {unit}"), number(value));
        if let Some(Item::Fact { .. }) = self.items.last() {
            self.items.push(Item::Fact {
                key: format!("{key}_sd"),
                label: String::new(),
                shown: String::new(),
                value: number(sd),
            });
        }
    }

    /// A number, or why it is not given; an extrapolation is marked.
    pub(super) fn marked(
        &mut self,
        key: &str,
        label: &str,
        value: Result<Marked<f64>, WaterError>,
        decimals: usize,
        unit: &str,
    ) {
        match value {
            Ok(Marked { value, beyond: None }) => self.fact(key, label, value, decimals, unit),
            Ok(Marked { value, beyond: Some(range) }) => {
                let unit = if unit.is_empty() { String::new() } else { format!(" {unit}") };
                self.push(key, label, format!("{value:.decimals$}{unit}  (extrapolated)"), number(value));
                self.extrapolated(range);
            }
            Err(error) => {
                let reason = error.to_string().replace("\n  ", "; ");
                self.push(key, label, format!("not given: {reason}"), Value::Null);
            }
        }
    }

    /// A word.
    pub(super) fn text(&mut self, key: &str, label: &str, text: impl Into<String>) {
        let text = text.into();
        self.push(key, label, text.clone(), Value::String(text));
    }

    /// Yes or no.
    pub(super) fn verdict(&mut self, key: &str, label: &str, yes: bool) {
        self.push(key, label, if yes { "yes" } else { "NO" }.to_owned(), Value::Bool(yes));
    }

    /// Rows of numbers and words.
    pub(super) fn table(&mut self, key: &str, columns: Vec<Column>, rows: Vec<Vec<Cell>>) {
        self.items.push(Item::Table { key: key.to_owned(), columns, rows });
    }

    /// A formula that was used, and where it holds.
    pub(super) fn formula(&mut self, name: impl Into<String>, holds: impl Into<String>) {
        let entry = (name.into(), holds.into());
        if !self.formulas.contains(&entry) {
            self.formulas.push(entry);
        }
    }

    /// A formula that holds in these ranges.
    pub(super) fn ranges(&mut self, ranges: &[Range]) {
        let holds: Vec<_> = ranges.iter().map(ToString::to_string).collect();
        self.formula(ranges[0].formula, format!("holds for {}", holds.join(", ")));
    }

    /// What a keeper should know beside the numbers.
    pub(super) fn note(&mut self, text: impl Into<String>) {
        let text = text.into();
        if !self.notes.contains(&text) {
            self.notes.push(text);
        }
    }

    /// What may do harm or is not right.
    pub(super) fn warn(&mut self, text: impl Into<String>) {
        let text = text.into();
        if !self.warnings.contains(&text) {
            self.warnings.push(text);
        }
    }

    /// Says that a value lies beyond the range of its formula.
    pub(super) fn extrapolated(&mut self, range: Range) {
        self.warn(format!("extrapolated: {} was fitted for {range} only", range.formula));
    }

    /// Marks the result as found wanting: exit code 1.
    pub(super) fn found_wanting(&mut self) {
        self.wanting = true;
    }

    /// Whether something was found wanting.
    pub(super) fn is_wanting(&self) -> bool {
        self.wanting
    }

    fn push(&mut self, key: &str, label: &str, shown: String, value: Value) {
        self.items.push(Item::Fact { key: key.to_owned(), label: label.to_owned(), shown, value });
    }

    /// The report for people.
    pub(super) fn text_output(&self) -> String {
        let mut out = format!("{}\n", self.title);
        let width = self.items.iter().map(Item::label_width).max().unwrap_or(0);
        for item in &self.items {
            match item {
                Item::Heading(text) => _ = writeln!(out, "\n{text}"),
                Item::Fact { shown, .. } if shown.is_empty() => {}
                Item::Fact { label, shown, .. } => {
                    let pad = width - label.chars().count();
                    _ = writeln!(out, "  {label}{}  {shown}", " ".repeat(pad));
                }
                Item::Table { columns, rows, .. } => table_text(&mut out, columns, rows),
            }
        }
        section(&mut out, "Mind", self.warnings.iter().cloned());
        section(&mut out, "By", self.formulas.iter().map(|(name, holds)| format!("{name}: {holds}")));
        section(&mut out, "Note", self.notes.iter().cloned());
        out
    }

    /// The report for programs.
    pub(super) fn json_output(&self) -> String {
        serde_json::to_string_pretty(&self.facts()).expect("a map of plain values is JSON")
    }

    /// The facts, formulas, warnings and notes by their keys.
    pub(super) fn facts(&self) -> Value {
        let mut facts = Map::new();
        for item in &self.items {
            match item {
                Item::Heading(_) => {}
                Item::Fact { key, value, .. } => _ = facts.insert(key.clone(), value.clone()),
                Item::Table { key, columns, rows } => {
                    let rows: Vec<Value> = rows
                        .iter()
                        .map(|row| {
                            let cells = columns.iter().zip(row).map(|(column, cell)| (column.0.clone(), cell.json()));
                            Value::Object(cells.collect())
                        })
                        .collect();
                    facts.insert(key.clone(), Value::Array(rows));
                }
            }
        }
        let formulas: Vec<_> =
            self.formulas.iter().map(|(name, holds)| json!({"name": name, "holds": holds})).collect();
        facts.insert("formulas".to_owned(), Value::Array(formulas));
        facts.insert("warnings".to_owned(), json!(self.warnings));
        facts.insert("notes".to_owned(), json!(self.notes));
        Value::Object(facts)
    }
}

impl Item {
    fn label_width(&self) -> usize {
        match self {
            Self::Fact { label, .. } => label.chars().count(),
            _ => 0,
        }
    }
}

impl Cell {
    fn text(&self, decimals: usize) -> String {
        match self {
            Self::Number(value) => format!("{value:.decimals$}"),
            Self::Text(text) => text.clone(),
            Self::Nothing => "-".to_owned(),
        }
    }

    fn json(&self) -> Value {
        match self {
            Self::Number(value) => number(*value),
            Self::Text(text) => Value::String(text.clone()),
            Self::Nothing => Value::Null,
        }
    }
}

fn table_text(out: &mut String, columns: &[Column], rows: &[Vec<Cell>]) {
    let cells: Vec<Vec<String>> =
        rows.iter().map(|row| columns.iter().zip(row).map(|(column, cell)| cell.text(column.2)).collect()).collect();
    let widths: Vec<usize> = columns
        .iter()
        .enumerate()
        .map(|(i, column)| {
            cells.iter().map(|row| row[i].chars().count()).chain([column.1.chars().count()]).max().unwrap_or(0)
        })
        .collect();
    let named = |i: usize| rows.iter().any(|row| matches!(row[i], Cell::Text(_)));
    let line = |parts: Vec<&str>| {
        let mut text = String::new();
        for (i, part) in parts.iter().enumerate() {
            let pad = " ".repeat(widths[i] - part.chars().count());
            // Names stand to the left, numbers to the right.
            _ = if named(i) { write!(text, "  {part}{pad}") } else { write!(text, "  {pad}{part}") };
        }
        text.trim_end().to_owned()
    };
    _ = writeln!(out, "{}", line(columns.iter().map(|column| column.1.as_str()).collect()));
    for row in &cells {
        _ = writeln!(out, "{}", line(row.iter().map(String::as_str).collect()));
    }
}

fn section(out: &mut String, title: &str, lines: impl Iterator<Item = String>) {
    let mut first = true;
    for line in lines {
        if first {
            _ = writeln!(out, "\n{title}");
            first = false;
        }
        _ = writeln!(out, "  {line}");
    }
}

/// Nine significant digits: more than any instrument has, and no noise of arithmetic.
fn number(value: f64) -> Value {
    let rounded: f64 = format!("{value:.8e}").parse().unwrap_or(value);
    json!(if rounded == 0.0 { 0.0 } else { rounded })
}
