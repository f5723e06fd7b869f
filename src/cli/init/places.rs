//! Where something stands on the broker, as a keeper types it: `lagoon/display/climate /temp °F`.

use crate::units::{Quantity, units_of};

/// A topic, a pointer into its JSON, and the words behind them.
#[derive(Debug, PartialEq, Eq)]
pub struct Place<'t> {
    /// The topic.
    pub topic: &'t str,
    /// RFC 6901.
    pub pointer: Option<&'t str>,
    /// A unit, or the words for yes and no.
    pub words: Vec<&'t str>,
}

impl<'t> Place<'t> {
    /// Reads one.
    pub fn read(text: &'t str) -> Result<Self, String> {
        let mut words = text.split_whitespace().peekable();
        let topic = words.next().unwrap_or_default();
        let bare = topic.replace("{at}", "at");
        let sound = !bare.is_empty()
            && !bare.contains(['#', '+', '{', '}'])
            && !bare.starts_with(['/', '$'])
            && !bare.ends_with('/')
            && !bare.contains("//");
        if !sound {
            return Err(format!("`{topic}` is not a topic\n  write levels with slashes such as `lagoon/sump/temp`"));
        }
        let pointer = words.next_if(|word| word.starts_with('/'));
        Ok(Self { topic, pointer, words: words.collect() })
    }

    /// The unit, or the usual one.
    pub fn unit(&self, quantity: Quantity, usual: &'static str) -> Result<&'static str, String> {
        let written = self.words.join(" ");
        if written.is_empty() {
            return Ok(usual);
        }
        let found = units_of(quantity).find(|unit| unit.is_spelt(&written));
        found.map(|unit| unit.symbol).ok_or_else(|| {
            let known: Vec<_> = units_of(quantity).map(|unit| format!("`{}`", unit.symbol)).collect();
            format!("`{written}` is no unit of a {}\n  write one of {}", quantity.noun(), known.join(", "))
        })
    }

    /// The words for yes and no, or the usual ones.
    pub fn pair(&self, usual: (&'t str, &'t str)) -> Result<(&'t str, &'t str), String> {
        match self.words[..] {
            [] => Ok(usual),
            [yes, no] if yes != no => Ok((yes, no)),
            _ => Err(format!(
                "`{}` are not two words\n  write both behind the topic, such as `{} {}`",
                self.words.join(" "),
                usual.0,
                usual.1
            )),
        }
    }
}
