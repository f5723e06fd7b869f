//! The look at a tank before a trip: what would run out, fall due or stand in the way, with what to do about each.

use crate::time::{Date, Wall};

use super::facts::Facts;
use super::plan::Plans;
use super::state::Care;

/// A proof test older than this is to be made again before a trip, days.
const PROVEN_WITHIN: i64 = 14;

/// One line of an audit.
#[derive(Clone, Debug, PartialEq, serde::Serialize)]
pub struct Finding {
    /// What was looked at.
    pub about: String,
    /// Whether it is in order; `None`: nobody can say.
    pub fine: Option<bool>,
    /// What was found.
    pub says: String,
    /// What to do.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub fix: Option<String>,
}

/// The audit of a tank for a trip.
#[derive(Clone, Debug, PartialEq, serde::Serialize)]
pub struct Audit {
    /// The first day.
    pub from: Date,
    /// The day of coming back.
    pub until: Date,
    /// Everything that was looked at.
    pub findings: Vec<Finding>,
    /// Whether something is not in order, or cannot be said.
    pub wanting: bool,
}

fn finding(about: &str, fine: Option<bool>, says: impl Into<String>, fix: Option<String>) -> Finding {
    Finding { about: about.to_owned(), fine, says: says.into(), fix }
}

impl Care {
    /// Looks at a tank before a trip.
    pub fn audit(&self, tank: &str, plans: &Plans, facts: &Facts, (from, until): (Date, Date), now: Wall) -> Audit {
        let mut findings = Vec::new();
        let Some(plan) = plans.tanks.get(tank) else {
            return Audit { from, until, findings, wanting: true };
        };
        self.supplies_of_a_trip(tank, plans, facts, (from, until), now, &mut findings);
        self.work_of_a_trip(tank, plans, facts, until, now, &mut findings);
        for probe in self.probe_checks(tank, plan.zone, now) {
            let fine = probe.calibrate_by.is_none_or(|day| day > until);
            let fix = (!fine).then(|| format!("calibrate {} before you leave", probe.signal));
            findings.push(finding(&format!("probe {}", probe.signal), Some(fine), probe.advice, fix));
        }
        proofs(tank, plan, facts, now, &mut findings);
        alarm_path(facts, &mut findings);
        match facts.tanks.get(tank) {
            None => findings.push(finding(
                "tank",
                None,
                "control did not answer",
                Some("look at `slackwater status`".to_owned()),
            )),
            Some(facts) => {
                for text in facts.trips.iter().chain(&facts.alarms) {
                    findings.push(finding(
                        "now",
                        Some(false),
                        text.clone(),
                        Some("settle it before you leave: `slackwater status`".to_owned()),
                    ));
                }
            }
        }
        if plan.sitter.call.is_empty() {
            findings.push(finding("sitter", Some(false), "the config does not say whom to call", Some("write `keeper: { sitter: { call: [...] } }` into the tank file, and print `slackwater chores sheet`".to_owned())));
        }
        let wanting = findings.iter().any(|finding| finding.fine != Some(true));
        Audit { from, until, findings, wanting }
    }

    fn supplies_of_a_trip(
        &self,
        tank: &str,
        plans: &Plans,
        facts: &Facts,
        (from, until): (Date, Date),
        now: Wall,
        findings: &mut Vec<Finding>,
    ) {
        for supply in self.supplies_for_trip(tank, plans, facts, Some((from, until)), now) {
            let about = format!("supply {}", supply.supply);
            let fill = Some(format!("fill it on the last day before, and say `slackwater refill {}`", supply.supply));
            findings.push(match (supply.empty_on, supply.left, supply.due_on) {
                (_, None, _) if supply.filled.is_none() => {
                    finding(&about, None, "nobody said when it was filled", fill)
                }
                (Some(day), Some(left), _) if day <= until => {
                    let days = until.days_since(from);
                    finding(
                        &about,
                        Some(false),
                        format!("{left} left, empty on {day} at 20 % more use; you are away until {until}"),
                        fill.map(|fill| {
                            format!(
                                "{fill}; where a full one does not last {days} days, somebody must fill it meanwhile"
                            )
                        }),
                    )
                }
                (_, left, Some(day)) if day <= until && supply.empty_on.is_none() => finding(
                    &about,
                    Some(false),
                    format!(
                        "{}to be replaced on {day}",
                        left.map_or_else(String::new, |left| format!("{left} left, "))
                    ),
                    fill,
                ),
                (None, Some(left), _) if supply.use_a_day.is_none() => finding(
                    &about,
                    None,
                    format!("{left} left; its use is not known yet"),
                    Some(
                        "a pump is counted from its first full day on; by hand, note what you use or write `usual:`"
                            .to_owned(),
                    ),
                ),
                (Some(day), Some(left), _) => {
                    finding(&about, Some(true), format!("{left} left, until {day} at 20 % more use"), None)
                }
                (_, left, _) => finding(
                    &about,
                    Some(true),
                    left.map_or_else(|| "in use".to_owned(), |left| format!("{left} left")),
                    None,
                ),
            });
        }
    }

    fn work_of_a_trip(
        &self,
        tank: &str,
        plans: &Plans,
        facts: &Facts,
        until: Date,
        now: Wall,
        findings: &mut Vec<Finding>,
    ) {
        let Some(plan) = plans.tanks.get(tank) else { return };
        for chore in self.chores(tank, plan, facts, now) {
            let done = Some(format!("do it before you leave, and say `slackwater chores done {}`", chore.chore));
            let about = format!("chore {}", chore.chore);
            if chore.due {
                findings.push(finding(&about, Some(false), chore.why.join("; "), done));
            } else if let Some(day) = chore.due_on.filter(|day| *day <= until) {
                findings.push(finding(&about, Some(false), format!("falls due on {day}, before you are back"), done));
            }
        }
        for item in self.items(plans, now).into_iter().filter(|item| item.tank == tank && item.retired.is_none()) {
            let soon =
                item.reminders.iter().filter(|(_, day)| *day <= until).map(|(what, day)| format!("{what} on {day}"));
            let expires = item.expires.filter(|day| *day <= until).map(|day| format!("no longer good on {day}"));
            let all: Vec<String> = soon.chain(expires).collect();
            if !all.is_empty() {
                let fix = format!("settle it, and say `slackwater items note {} --done WHAT`", item.item);
                findings.push(finding(&format!("item {}", item.item), Some(false), all.join("; "), Some(fix)));
            }
        }
    }
}

/// Whether an alarm reaches the keeper far away.
fn alarm_path(facts: &Facts, findings: &mut Vec<Finding>) {
    match facts.channels.as_slice() {
        [] => findings.push(finding(
            "alarm path",
            Some(false),
            "no alarm leaves the house",
            Some("write `webhooks:` into daemon.yaml, and see one message arrive on the phone that you take along".to_owned()),
        )),
        channels => findings.push(finding(
            "alarm path",
            None,
            format!("alarms go to {}; whether one arrives nobody has seen for this trip", channels.join(", ")),
            Some("make a real alarm before you leave (unplug a thermometer for two minutes) and see it arrive on the phone that you take along".to_owned()),
        )),
    }
}

/// What guided tests have shown of late, and what they have not.
fn proofs(tank: &str, plan: &super::plan::TankCare, facts: &Facts, now: Wall, findings: &mut Vec<Finding>) {
    let Some(tests) = facts.tanks.get(tank).map(|facts| &facts.proof_tests).filter(|tests| !tests.is_empty()) else {
        return;
    };
    let old = |(name, last): (&String, &Option<Wall>)| {
        let days = last.map(|last| plan.zone.calendar_day(now).days_since(plan.zone.calendar_day(last)));
        match days {
            None => Some(format!("{name} (never)")),
            Some(days) if days > PROVEN_WITHIN => Some(format!("{name} ({days} days ago)")),
            Some(_) => None,
        }
    };
    let old: Vec<String> = tests.iter().filter_map(old).collect();
    if old.is_empty() {
        let says = format!("all {} were passed within {PROVEN_WITHIN} days", tests.len());
        return findings.push(finding("proof tests", Some(true), says, None));
    }
    let says = format!("not passed within {PROVEN_WITHIN} days: {}", old.join(", "));
    let fix = format!("go through `slackwater prove --tank {tank}` before you leave");
    findings.push(finding("proof tests", Some(false), says, Some(fix)));
}
