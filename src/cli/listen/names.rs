//! Names for what was heard: words of its topic, spelt as names are, each once.

use std::collections::BTreeSet;

use crate::wire::guess::{Place, words};

/// Names that are taken.
#[derive(Debug, Default)]
pub struct Names(BTreeSet<String>);

/// Words that say only what kind of thing it is, or nothing.
const EMPTY: [&str; 12] =
    ["set", "state", "status", "sensor", "sensors", "value", "plug", "plugs", "probe", "probes", "home", "tele"];

/// Whether a topic or pointer has one of these words.
pub fn hint(place: &Place, known: &[&str]) -> bool {
    let both = format!("{}/{}", place.topic, place.pointer);
    words(&both).iter().any(|word| known.contains(&word.as_str()))
}

impl Names {
    /// The name of a probe: the last words of its topic, with what it measures if they do not say it.
    pub fn of_probe(&mut self, place: &Place, noun: &str) -> String {
        let noun = match noun {
            "temperature" => "temp",
            "leak probe" => "leak",
            "pH" => "ph",
            noun => noun,
        };
        let mut parts = last(&place.topic, 2);
        let said = parts.iter().any(|part| noun.split(' ').any(|word| word == part));
        // A payload of several values names each by its kind.
        if !place.pointer.is_empty() || (!said && noun != "high float" && noun != "low float") {
            parts.retain(|part| part != noun && part != "climate" && part != "temp");
            parts.push(noun.replace(' ', "-"));
        }
        self.free(&parts.join("-"))
    }

    /// The name of an output: the last word of its topics' stem.
    pub fn of_output(&mut self, place: &Place) -> String {
        let level = place.topic.rsplit('/').find(|level| !EMPTY.contains(level)).unwrap_or(&place.topic);
        self.free(&words(level).join("-"))
    }

    fn free(&mut self, wanted: &str) -> String {
        let plain: String =
            wanted.chars().map(|c| if c.is_ascii_lowercase() || c.is_ascii_digit() { c } else { '-' }).collect();
        let parts: Vec<&str> = plain.split('-').filter(|part| !part.is_empty()).collect();
        let mut name: String = parts.join("-").chars().take(40).collect();
        name = name.trim_matches('-').to_owned();
        if !name.starts_with(|c: char| c.is_ascii_lowercase()) {
            name.insert_str(0, if name.is_empty() { "x" } else { "x-" });
        }
        // The vote of several thermometers is called so.
        let taken = |name: &str, all: &BTreeSet<String>| all.contains(name) || name == "water-temp";
        let mut free = name.clone();
        for n in 2.. {
            if !taken(&free, &self.0) {
                break;
            }
            free = format!("{name}-{n}");
        }
        self.0.insert(free.clone());
        free
    }
}

/// The last words of a topic that say something.
fn last(topic: &str, most: usize) -> Vec<String> {
    let all: Vec<String> = topic.split('/').filter(|level| !EMPTY.contains(level)).flat_map(words).collect();
    all[all.len().saturating_sub(most)..].to_vec()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_are_sound_and_each_is_given_once() {
        let mut names = Names::default();
        let place = |topic: &str, pointer: &str| Place { topic: topic.to_owned(), pointer: pointer.to_owned() };
        for (topic, pointer, noun, expected) in [
            ("lagoon/sump/temp", "", "temperature", "sump-temp"),
            ("lagoon/display/climate", "/temp", "temperature", "display-temp"),
            ("room/climate", "/hum", "humidity", "room-humidity"),
            ("lagoon/sump/float-high", "", "high float", "float-high"),
            ("other/sump/temp", "", "temperature", "sump-temp-2"),
            ("water/temp", "", "temperature", "water-temp-2"),
            ("7/ÄÖ", "", "pH", "x-7-ph"),
        ] {
            let name = names.of_probe(&place(topic, pointer), noun);
            assert_eq!(name, expected, "{topic}{pointer}");
            assert!(crate::config::compose::name_problem(&name).is_ok(), "{name}");
        }
        assert_eq!(names.of_output(&place("lagoon/plug/heater", "")), "heater");
        assert_eq!(names.of_output(&place("den/plug/heater", "")), "heater-2");
    }
}
