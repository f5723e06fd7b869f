//! What the tests of the science share: quantities from plain numbers, and the tables of published values.

use crate::units::{Conductivity, PracticalSalinity, Temperature};

/// A temperature in °C.
pub(crate) fn celsius(value: f64) -> Temperature {
    Temperature::from_celsius(value).unwrap()
}

/// A conductivity in mS/cm.
pub(crate) fn siemens(value: f64) -> Conductivity {
    Conductivity::from_millisiemens_per_cm(value).unwrap()
}

/// A practical salinity.
pub(crate) fn psu(value: f64) -> PracticalSalinity {
    PracticalSalinity::from_psu(value).unwrap()
}

/// The rows of a table of comma-separated values with a header.
pub(crate) fn rows(text: &'static str) -> impl Iterator<Item = Row> {
    let mut lines = text.lines().filter(|line| !line.starts_with('#') && !line.is_empty());
    let header: Vec<&str> = lines.next().expect("the table has a header").split(',').collect();
    lines.map(move |line| Row { header: header.clone(), cells: line.split(',').collect() })
}

/// One row of a table.
pub(crate) struct Row {
    header: Vec<&'static str>,
    cells: Vec<&'static str>,
}

impl Row {
    /// The text of a column.
    pub(crate) fn text(&self, column: &str) -> &'static str {
        let at = self.header.iter().position(|name| *name == column);
        self.cells[at.unwrap_or_else(|| panic!("no column {column} in {:?}", self.header))]
    }

    /// The number of a column.
    pub(crate) fn number(&self, column: &str) -> f64 {
        self.text(column).parse().unwrap_or_else(|_| panic!("{column}: {}", self.text(column)))
    }
}
