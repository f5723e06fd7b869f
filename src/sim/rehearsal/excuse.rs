//! What no daemon can prevent: a list that somebody thought through, read and applied.
//!
//! A line is a fault's kind, what stands beside it, a kind of harm and the physical reason, with tabs between; `#` begins
//! a comment. It excuses a harm only if it began while both acted on that tank, and never a violation of an invariant.
//! What stands beside is a second fault's kind or what the tank lacks (see [`LACKS`]), several joined by ` and `.

use std::collections::BTreeSet;

use super::harm::{Acting, Harm, Harmed, LACKS};

/// One line.
#[derive(Clone, Debug, PartialEq)]
pub struct Excuse {
    /// The kind of the first fault.
    pub fault: String,
    /// Kinds, and what is lacking.
    pub beside: Vec<String>,
    /// What is excused.
    pub harm: Harm,
    /// Why nobody could have prevented it.
    pub reason: String,
}

/// Reads a list; every line that is wrong is told, with its number.
pub fn read(text: &str, kinds: &BTreeSet<String>) -> Result<Vec<Excuse>, Vec<String>> {
    let (mut read, mut wrong) = (Vec::new(), Vec::new());
    let lines = text.lines().enumerate().filter(|(_, line)| !line.trim().is_empty() && !line.starts_with('#'));
    for (at, line) in lines.filter(|(_, line)| *line != "fault\tbeside\tharm\treason") {
        let at = at + 1;
        let [fault, beside, harm, reason] = line.split('\t').collect::<Vec<_>>()[..] else {
            wrong.push(format!("line {at}: four columns with tabs between: fault, beside, harm, reason"));
            continue;
        };
        let beside: Vec<String> = beside.split(" and ").map(str::to_owned).collect();
        if !kinds.contains(fault) {
            wrong.push(format!("line {at}: no fault here is `{fault}`\n  `--list-kinds` prints what is known"));
        }
        for one in beside.iter().filter(|one| !kinds.contains(*one) && !LACKS.contains(&one.as_str())) {
            let lacks = LACKS.join("`, `");
            wrong.push(format!("line {at}: `{one}` is neither a fault here nor one of `{lacks}`"));
        }
        if reason.trim().len() < 10 {
            wrong.push(format!("line {at}: write the physical reason"));
        }
        if let Some(harm) = Harm::of_word(harm) {
            read.push(Excuse { fault: fault.to_owned(), beside, harm, reason: reason.to_owned() });
        } else {
            let known = Harm::ALL.map(|(_, word, _)| word).join("`, `");
            wrong.push(format!("line {at}: no harm is `{harm}`\n  write one of `{known}`"));
        }
    }
    if wrong.is_empty() { Ok(read) } else { Err(wrong) }
}

/// The place of the first line that excuses a harm.
pub fn of(harmed: &Harmed, excuses: &[Excuse]) -> Option<usize> {
    excuses.iter().position(|excuse| {
        excuse.harm == harmed.harm
            && harmed.acting.iter().enumerate().any(|(place, first)| {
                first.kind == excuse.fault && excuse.beside.iter().all(|one| stands(one, excuse, place, &harmed.acting))
            })
    })
}

/// A kind is another fault than the first; a lack is the first fault's, or that of another one that the line names.
fn stands(beside: &str, excuse: &Excuse, first: usize, acting: &[Acting]) -> bool {
    let mut others = acting.iter().enumerate().filter(|(place, _)| *place != first).map(|(_, one)| one);
    if LACKS.contains(&beside) {
        let named = |one: &Acting| excuse.beside.contains(&one.kind);
        return acting[first].lacks.contains(&beside) || others.any(|one| named(one) && one.lacks.contains(&beside));
    }
    others.any(|one| one.kind == beside)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::time::Span;

    fn kinds() -> BTreeSet<String> {
        ["heater welds", "drain clogs", "powerhead stops", "tank leaks"].map(str::to_owned).into()
    }

    fn harmed(harm: Harm, acting: &[(&str, &[&'static str])]) -> Harmed {
        let acting = acting.iter().map(|(kind, lacks)| Acting { kind: (*kind).to_owned(), lacks: lacks.to_vec() });
        let text = String::new();
        Harmed { tank: "lagoon".to_owned(), harm, from: Span::ZERO, until: None, text, acting: acting.collect() }
    }

    #[test]
    fn an_excuse_is_for_one_harm_while_both_act() {
        let list = "heater welds\tno isolator\ttoo-warm\tnothing upstream opens\ndrain clogs\tpowerhead stops\tstill\tno pump is left\n";
        let list = read(list, &kinds()).unwrap();
        let excused = |harm, acting: &[(&str, &[&'static str])]| of(&harmed(harm, acting), &list).is_some();
        assert!(excused(Harm::TooWarm, &[("heater welds", &["no isolator"])]));
        assert!(!excused(Harm::TooWarm, &[("heater welds", &[])]), "this one has an isolator");
        assert!(!excused(Harm::Floor, &[("heater welds", &["no isolator"])]), "another harm");
        assert!(excused(Harm::Still, &[("powerhead stops", &[]), ("drain clogs", &[])]), "in either order");
        assert!(!excused(Harm::Still, &[("drain clogs", &[])]), "the other one was over");
        assert!(!excused(Harm::TooWarm, &[]), "nothing acted");
    }

    #[test]
    fn a_list_with_mistakes_is_told_all_of_them() {
        let list = "heater melts\talone\ttoo-warm\tnothing upstream opens\nheater welds\tno luck\ttoo-hot\t\nshort\n";
        let wrong = read(list, &kinds()).unwrap_err().join("\n");
        for words in [
            "line 1: no fault here is `heater melts`",
            "`no luck` is neither",
            "no harm is `too-hot`",
            "physical reason",
            "line 3: four columns",
        ] {
            assert!(wrong.contains(words), "{wrong}");
        }
    }
}
