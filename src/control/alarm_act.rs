//! What becomes of an alarm, as the journal says it: one vocabulary for whoever writes and whoever reads it.
//!
//! A line of kind `alarm` begins with one of these words. The report of a month and a rehearsal read them back.

/// What became of an alarm.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, serde::Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum AlarmAct {
    /// It occurred.
    Raised,
    /// It stands for long, and is told again.
    Repeated,
    /// It was told of late: the alarm that spoke for it is over.
    Told,
    /// Its condition is over.
    Cleared,
    /// A person has seen it.
    Acknowledged,
    /// A person cleared its latch.
    Reset,
    /// A person silenced it for a time.
    Shelved,
    /// That is over.
    Unshelved,
    /// Something known explains it.
    Suppressed,
    /// It is no longer explained.
    Unsuppressed,
    /// A person took it out of service.
    Removed,
    /// A person returned it to service.
    Returned,
}

impl AlarmAct {
    /// Every act, with the word that begins its line.
    pub const WORDS: [(Self, &'static str); 12] = [
        (Self::Raised, "raised"),
        (Self::Repeated, "repeated"),
        (Self::Told, "told"),
        (Self::Cleared, "cleared"),
        (Self::Acknowledged, "acknowledged"),
        (Self::Reset, "reset"),
        (Self::Shelved, "shelved"),
        (Self::Unshelved, "unshelved"),
        (Self::Suppressed, "suppressed"),
        (Self::Unsuppressed, "unsuppressed"),
        (Self::Removed, "removed"),
        (Self::Returned, "returned"),
    ];

    /// The word that begins its line.
    pub fn word(self) -> &'static str {
        Self::WORDS.iter().find(|(act, _)| *act == self).map_or("raised", |(_, word)| word)
    }

    /// What a line of the journal tells; `None`: nothing of this.
    pub fn of_line(text: &str) -> Option<Self> {
        let first = text.split(|letter: char| !letter.is_ascii_alphabetic()).next()?;
        Self::WORDS.iter().find(|(_, word)| *word == first).map(|(act, _)| *act)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_line_begins_with_its_act() {
        for (act, word) in AlarmAct::WORDS {
            assert_eq!(AlarmAct::of_line(&format!("{word}: water-temp is 27 °C")), Some(act));
            assert_eq!(act.word(), word);
        }
        assert_eq!(AlarmAct::of_line("raised, a consequence of flow-lost: no flow"), Some(AlarmAct::Raised));
        assert_eq!(AlarmAct::of_line("reminder: hold feeding stands"), None);
        assert_eq!(AlarmAct::of_line(""), None);
    }
}
