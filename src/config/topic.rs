//! Topics and pointers: strict, so that a typo is found here and not by silence on the broker.
//!
//! Also the ownership of command topics: an output has exactly one owner, over all tanks.

use std::cell::RefCell;
use std::collections::BTreeMap;

use crate::wire::binding::Pointer;

use super::read::Item;

/// Who reads and who commands which topic, over all files.
#[derive(Debug, Default)]
pub(super) struct Owners {
    commands: RefCell<BTreeMap<String, Owner>>,
    heard: RefCell<BTreeMap<String, Owner>>,
}

#[derive(Clone, Debug)]
struct Owner {
    /// The plug's key path with its file, to know it again.
    plug: String,
    shown: String,
}

impl Owners {
    /// Takes a command topic for a plug; reports it where another plug has it.
    pub(super) fn command(&self, item: &Item, topic: &str, plug: &Item) {
        let owner = Owner { plug: format!("{} {}", plug.file, plug.key), shown: item.where_it_is() };
        let mut commands = self.commands.borrow_mut();
        match commands.get(topic) {
            Some(first) if first.plug != owner.plug => item.wrong(format!(
                "`{topic}` is commanded by two outputs, the other at {}\ngive each plug its own topic: an output has one owner",
                first.shown
            )),
            Some(_) => {}
            None => {
                commands.insert(topic.to_owned(), owner);
            }
        }
    }

    /// Notes a topic that something reads.
    pub(super) fn heard(&self, item: &Item, topic: &str) {
        let owner = Owner { plug: String::new(), shown: item.where_it_is() };
        self.heard.borrow_mut().entry(topic.to_owned()).or_insert(owner);
        if let Some(first) = self.commands.borrow().get(topic) {
            echo(item, topic, first);
        }
    }

    /// A report on a topic that we command would prove itself.
    pub(super) fn command_is_not_heard(&self, item: &Item, topic: &str) {
        if let Some(first) = self.heard.borrow().get(topic) {
            echo(item, topic, first);
        }
    }
}

fn echo(item: &Item, topic: &str, other: &Owner) {
    item.wrong(format!(
        "`{topic}` is both commanded and read, the other at {}\nname the topic on which the device itself reports: a command must not prove itself",
        other.shown
    ));
}

/// A topic without wildcards. `{at}` is filled in from `at`.
pub(super) fn topic(item: &Item, at: Option<&str>, root: &str) -> Option<String> {
    let text = item.text()?;
    let filled = match (text.contains("{at}"), at) {
        (true, Some(at)) => text.replace("{at}", at),
        (true, None) => {
            item.wrong(format!("`{text}` needs to know where the plug is\nwrite `at: some/topic` in the plug"));
            return None;
        }
        (false, _) => text.to_owned(),
    };
    let wrong = |why: &str| {
        item.wrong(format!("`{filled}` is not a topic: {why}\nwrite levels with slashes such as `lagoon/sump/temp`"));
    };
    match () {
        () if filled.contains(['#', '+']) => wrong("a wildcard would mix several devices"),
        () if filled.contains(['{', '}']) => wrong("only `{at}` is filled in"),
        () if filled.starts_with('$') => wrong("`$` topics are the broker's own"),
        () if filled.starts_with('/') || filled.ends_with('/') || filled.contains("//") => wrong("a level is empty"),
        () if filled.chars().any(|c| c.is_control() || c.is_whitespace()) => wrong("it holds a blank"),
        () if filled.len() > 200 => wrong("it is longer than 200 bytes"),
        () if filled == root || filled.strip_prefix(root).is_some_and(|rest| rest.starts_with('/')) => {
            item.wrong(format!(
                "`{filled}` is under `{root}/`, where the daemon itself publishes\nname the device's own topic, or choose another `root` in daemon.yaml"
            ));
        }
        () => return Some(filled),
    }
    None
}

/// An RFC 6901 pointer.
pub(super) fn pointer(item: &Item) -> Option<Pointer> {
    let text = item.text()?;
    let Some(rest) = text.strip_prefix('/') else {
        item.wrong(format!(
            "`{text}` is not a JSON pointer (RFC 6901)\nwrite it with a slash in front, such as `/{}`",
            text.replace('.', "/")
        ));
        return None;
    };
    let bad = rest.split('/').any(|token| {
        token.char_indices().any(|(at, c)| c == '~' && !matches!(token[at + 1..].chars().next(), Some('0' | '1')))
    });
    if bad {
        item.wrong(format!(
            "`{text}` is not a JSON pointer (RFC 6901)\nwrite `~0` for `~` and `~1` for `/` inside a name"
        ));
        return None;
    }
    Some(Pointer(rest.split('/').map(|token| token.replace("~1", "/").replace("~0", "~")).collect()))
}

/// Payload words: one or a list.
pub(super) fn words(item: &Item) -> Vec<String> {
    item.list().iter().filter_map(|item| item.text().map(str::to_owned)).collect()
}
