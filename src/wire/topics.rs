//! The topics that are our own: where the daemon shows its state, is asked and answers.

use crate::control::ids::Name;

/// The first level, and what hangs below it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct OwnTopics {
    root: String,
}

impl OwnTopics {
    /// All our topics start with `root`, written without a slash at its end.
    pub fn new(root: &str) -> Self {
        Self { root: root.trim_end_matches('/').to_owned() }
    }

    /// Retained `true`; the will makes it `false`.
    pub fn online(&self) -> String {
        format!("{}/online", self.root)
    }

    /// Retained JSON, repeated every few seconds: which daemon is at work, so that a second one notices.
    pub fn daemon(&self) -> String {
        format!("{}/daemon", self.root)
    }

    /// A signal's value.
    pub fn reading(&self, tank: &Name, signal: &str) -> String {
        format!("{}/{tank}/reading/{signal}", self.root)
    }

    /// An output's decision, command and proof.
    pub fn output(&self, tank: &Name, output: &str) -> String {
        format!("{}/{tank}/output/{output}", self.root)
    }

    /// An alarm's state.
    pub fn alarm(&self, tank: &Name, alarm: &str) -> String {
        format!("{}/{tank}/alarm/{alarm}", self.root)
    }

    /// The holds that stand.
    pub fn hold(&self, tank: &Name) -> String {
        format!("{}/{tank}/hold", self.root)
    }

    /// What matters of the tank in one message.
    pub fn status(&self, tank: &Name) -> String {
        format!("{}/{tank}/status", self.root)
    }

    /// Where the tank is asked.
    pub fn ask(&self, tank: &Name) -> String {
        format!("{}/{tank}/ask", self.root)
    }

    /// Where all tanks are asked at once; each answers for itself.
    pub fn ask_all(&self) -> String {
        format!("{}/ask", self.root)
    }

    /// Where it answers those who name no response topic.
    pub fn answer(&self, tank: &Name) -> String {
        format!("{}/{tank}/answer", self.root)
    }
}
