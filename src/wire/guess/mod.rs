//! What a topic may mean, guessed from its name and from what was overheard on it.
//!
//! Duty: guesses for a person to check, each with its reasons and with how sure it is. A guess never becomes
//! a binding by itself: `slackwater check` refuses a draft until a person took each mark out.
//!
//! Parts: `scalar` guesses one scalar, `plug` groups topics that look like one plug. The words that count
//! are plain English ones in topics and keys, never those of a make.

mod plug;
mod scalar;
#[cfg(test)]
mod tests;

pub use plug::{Place, Plug, plugs};
pub use scalar::{Contact, Role, guess, spelling};

use super::overheard::Overheard;

/// How sure a guess is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, serde::Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Sure {
    /// One sign only, or signs that say little.
    Maybe,
    /// Name and values say the same.
    Likely,
}

/// A guess with its reasons.
#[derive(Clone, Debug, PartialEq)]
pub struct Guess {
    /// What it may be.
    pub role: Role,
    /// How sure.
    pub sure: Sure,
    /// Why, in words.
    pub because: Vec<String>,
}

/// One scalar with its guess.
#[derive(Clone, Debug, PartialEq)]
pub struct Finding {
    /// Where.
    pub place: Place,
    /// What.
    pub guess: Guess,
}

/// A guess for each scalar that was overheard, in the order of topics.
pub fn all(overheard: &Overheard) -> Vec<Finding> {
    overheard
        .topics()
        .flat_map(|(name, topic)| {
            topic.fields.iter().filter_map(move |(pointer, field)| {
                let place = Place { topic: name.to_owned(), pointer: pointer.clone() };
                guess(&place, field).map(|guess| Finding { place, guess })
            })
        })
        .collect()
}

/// The words of a topic or a pointer in lower case: `sumpTemp_1` is sump, temp, 1.
pub fn words(name: &str) -> Vec<String> {
    let mut words = vec![String::new()];
    let mut small = false;
    for c in name.chars() {
        if !c.is_alphanumeric() || (c.is_uppercase() && small) {
            words.push(String::new());
        }
        small = c.is_lowercase();
        if c.is_alphanumeric() {
            let word = words.last_mut().expect("there is always one");
            word.extend(c.to_lowercase());
        }
    }
    words.retain(|word| !word.is_empty());
    words
}
