//! Reading the tables of published values in tests.

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
