//! What became of a campaign: in words for people, in JSON for machines.

use std::collections::{BTreeMap, BTreeSet};
use std::fmt::Write as _;

use crate::sim::fault::Pairs;
use crate::time::Span;

use super::Rehearse;
use super::campaign::{Campaign, Run};

/// Runs that are told one by one.
const TOLD: usize = 100;

/// In words.
pub fn text(asked: &Rehearse, campaign: &Campaign, tanks: usize) -> String {
    let mut out = String::new();
    let (pairs, drawn): (Vec<&Run>, Vec<&Run>) = campaign.runs.iter().partition(|run| run.pair.is_some());
    let last = campaign.runs.last().map_or(asked.seed, |run| run.seed);
    let _ = writeln!(out, "campaign, simulated; seeds {} to {last}\n", asked.seed);
    for (what, runs) in [("drawn", &drawn), ("pairs", &pairs)] {
        let faults: usize = runs.iter().map(|run| run.faults.len()).sum();
        let passed = runs.iter().fold(Span::ZERO, |sum, run| sum.plus(run.passed));
        let years = passed.hours() / 8766.0 * tanks as f64;
        let rates = match (what, asked.rates) {
            ("drawn", Some(times)) => format!(", at {times} times the rates of the model"),
            _ => String::new(),
        };
        if !runs.is_empty() {
            let _ = writeln!(out, "{what}: {} runs, {years:.2} tank-years, {faults} faults{rates}", runs.len());
        }
    }
    if let Some(of) = &campaign.pairs {
        told_pairs(&mut out, of, &pairs);
    }
    excused(&mut out, campaign);
    violated(&mut out, campaign);
    let _ = write!(out, "\n{}", super::words::FOOTER);
    out
}

fn told_pairs(out: &mut String, of: &Pairs, played: &[&Run]) {
    let kinds: BTreeSet<&str> = of
        .possible
        .iter()
        .map(|pair| &pair.0)
        .chain(of.impossible.iter().map(|pair| &pair.0))
        .map(String::as_str)
        .collect();
    let _ = writeln!(
        out,
        "{} kinds of faults make {} unordered pairs that can meet, of which {} were played, and {} that cannot:",
        kinds.len(),
        of.possible.len(),
        played.len(),
        of.impossible.len()
    );
    let mut reasons: BTreeMap<&str, Vec<String>> = BTreeMap::new();
    for (one, other, why) in &of.impossible {
        reasons.entry(why).or_default().push(format!("{one} + {other}"));
    }
    for (why, pairs) in reasons {
        let _ = writeln!(out, "  {why}: {}", pairs.join(", "));
    }
}

fn excused(out: &mut String, campaign: &Campaign) {
    let mut used: BTreeMap<usize, u64> = BTreeMap::new();
    campaign.runs.iter().flat_map(|run| &run.excused).for_each(|(_, line)| *used.entry(*line).or_default() += 1);
    if campaign.excuses.is_empty() {
        return;
    }
    let times: u64 = used.values().sum();
    let _ = writeln!(out, "\nexcused harms: {times}, by {} of {} lines", used.len(), campaign.excuses.len());
    for (line, times) in used {
        let excuse = &campaign.excuses[line];
        let _ = writeln!(
            out,
            "  {times:>5}  {} by {} beside {}: {}",
            excuse.harm.word(),
            excuse.fault,
            excuse.beside.join(" and "),
            excuse.reason
        );
    }
}

fn violated(out: &mut String, campaign: &Campaign) {
    let mut rules: BTreeMap<String, (usize, u64)> = BTreeMap::new();
    for run in &campaign.runs {
        let mut seen = BTreeSet::new();
        if run.panicked {
            seen.insert("invariant 10, a panic".to_owned());
        }
        seen.extend(run.violations.iter().map(|one| format!("{}, {} {}", one.rule, one.tank, one.subject)));
        seen.extend(run.harms.iter().map(|one| format!("harm, {} {}", one.tank, one.harm.word())));
        for rule in seen {
            rules.entry(rule).or_insert((0, run.seed)).0 += 1;
        }
    }
    if rules.is_empty() {
        out.push_str("\nviolations and harms that nothing excuses: none in any run\n");
        return;
    }
    out.push_str("\nviolations and harms that nothing excuses, by the number of runs that saw them\n");
    for (rule, (count, first)) in &rules {
        let _ = writeln!(out, "  {count:>5}  {rule} (first with seed {first})");
    }
    let violated: Vec<&Run> = campaign.runs.iter().filter(|run| run.is_violated()).collect();
    let _ = writeln!(out, "\nruns found wanting: {} of {}", violated.len(), campaign.runs.len());
    for run in violated.iter().take(TOLD) {
        let plural = if run.faults.len() == 1 { "" } else { "s" };
        let _ = writeln!(out, "  seed {}, {} fault{plural}", run.seed, run.faults.len());
        for one in &run.violations {
            let _ = writeln!(out, "    {} after {}: {} {}: {}", one.rule, one.at, one.tank, one.subject, one.text);
        }
        for one in &run.harms {
            let acting: Vec<&str> = one.acting.iter().map(|acting| acting.kind.as_str()).collect();
            let acting = if acting.is_empty() { "nothing".to_owned() } else { acting.join(", ") };
            let _ = writeln!(
                out,
                "    {} after {}: {}: {}; there acted {acting}",
                one.harm.word(),
                one.from,
                one.tank,
                one.text
            );
        }
        let _ = writeln!(out, "    {}", run.replay);
    }
    if violated.len() > TOLD {
        let _ = writeln!(out, "  ... and {} runs more; `--json` has them", violated.len() - TOLD);
    }
}

/// For machines.
pub fn json(campaign: &Campaign) -> String {
    let json = serde_json::json!({
        "violated": campaign.is_violated(),
        "runs": campaign.runs,
        "limits_of_the_model": super::words::FOOTER,
    });
    format!("{json:#}\n")
}
