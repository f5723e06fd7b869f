//! A table for a terminal: columns as wide as their widest cell, two spaces between them.

/// The lines of a table; the first row is the head.
pub(super) fn table(rows: &[Vec<String>]) -> String {
    let columns = rows.iter().map(Vec::len).max().unwrap_or(0);
    let width = |column: usize| {
        rows.iter().filter_map(|row| row.get(column)).map(|cell| cell.chars().count()).max().unwrap_or(0)
    };
    let widths: Vec<usize> = (0..columns).map(width).collect();
    let line = |row: &Vec<String>| {
        let cells = row.iter().zip(&widths).map(|(cell, width)| format!("{cell:width$}"));
        cells.collect::<Vec<_>>().join("  ").trim_end().to_owned() + "\n"
    };
    rows.iter().map(line).collect()
}

#[cfg(test)]
mod tests {
    #[test]
    fn columns_stand_below_each_other() {
        let row = |a: &str, b: &str| vec![a.to_owned(), b.to_owned()];
        assert_eq!(super::table(&[row("what", "left"), row("µ", "9 L")]), "what  left\nµ     9 L\n");
    }
}
