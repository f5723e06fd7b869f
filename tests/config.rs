//! The config as a keeper meets it: the example is sound, and everything that is wrong is said at once.

use std::path::Path;

fn example() -> std::path::PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("config")
}

#[test]
fn the_example_is_sound() {
    let setup = slackwater::config::load(&example()).unwrap_or_else(|problems| panic!("{problems}"));
    assert_eq!(setup.tanks.len(), 2);
}
