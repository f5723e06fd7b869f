//! What the pages say exists: every metric that they name.

use std::collections::BTreeSet;
use std::path::Path;

use slackwater::wire::metrics::{Meters, ProcessFacts, care_families, families};

fn names_in(text: &str) -> BTreeSet<String> {
    let words = text.split(|c: char| !(c.is_ascii_lowercase() || c.is_ascii_digit() || c == '_'));
    words.filter(|word| word.starts_with("slackwater_")).map(str::to_owned).collect()
}

#[test]
fn every_metric_that_the_pages_name_is_exported() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let mut known: BTreeSet<String> = families().map(|family| family.name.to_owned()).collect();
    known.extend(names_in(&Meters::new(&[], &[]).text(&ProcessFacts::default())));
    known.extend(care_families().map(str::to_owned));
    let mut seen = 0;
    for page in ["README.md", "dashboards/README.md"] {
        let text = std::fs::read_to_string(root.join(page)).expect(page);
        for name in names_in(&text) {
            seen += 1;
            assert!(known.contains(&name), "{page} names `{name}`, which is not exported");
        }
    }
    assert!(seen >= 10, "the pages name metrics: {seen}");
}
