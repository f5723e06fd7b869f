//! Holds: maintenance procedures that pause outputs. A hold is not isolation.
//!
//! Five come with the daemon, as far as there is something to pause, and a file may replace each:
//!
//! | hold | pauses | longest | then |
//! | --- | --- | --- | --- |
//! | `water-change` | top-off, dosers, heater, chiller, fan, skimmer, return pump | 60 min | alarm |
//! | `feeding` | top-off, dosers, heater where a return pump feeds it, skimmer, return pump, powerheads | 15 min | release |
//! | `hands-in` | heater, powerheads | 30 min | alarm |
//! | `top-view` | heater where a return pump feeds it, return pump, powerheads | 10 min | release |
//! | `probe-care` | nothing; the probe that is named counts for nothing | 45 min | alarm |
//!
//! [PICK]; top-off first, since it misreads everything that follows.

use crate::control::ids::{Name, OutputId};
use crate::control::plan::{AtLimit, HoldPlan, OutputKind, Permissive};
use crate::time::Span;

use super::condition::{self, Use};
use super::read::Item;
use super::rules::outputs_of;
use super::scope::{HoldName, Scope};
use super::starts;

const KEYS: [&str; 4] = ["pause", "limit", "at_limit", "release_needs"];
const AT_LIMIT: [(AtLimit, &str); 2] = [(AtLimit::Alarm, "alarm"), (AtLimit::Release, "release")];

struct BuiltIn {
    name: &'static str,
    kinds: &'static [OutputKind],
    minutes: u64,
    at_limit: AtLimit,
}

/// The one that takes probes in hand.
const PROBE_CARE: &str = "probe-care";

const BUILT_IN: [BuiltIn; 5] = [
    BuiltIn {
        name: "water-change",
        kinds: &[
            OutputKind::TopOff,
            OutputKind::Doser,
            OutputKind::Heater,
            OutputKind::Chiller,
            OutputKind::Fan,
            OutputKind::Skimmer,
            OutputKind::ReturnPump,
        ],
        minutes: 60,
        at_limit: AtLimit::Alarm,
    },
    BuiltIn {
        name: "feeding",
        kinds: &[
            OutputKind::TopOff,
            OutputKind::Doser,
            OutputKind::Heater,
            OutputKind::Skimmer,
            OutputKind::ReturnPump,
            OutputKind::Powerhead,
        ],
        minutes: 15,
        at_limit: AtLimit::Release,
    },
    BuiltIn {
        name: "hands-in",
        kinds: &[OutputKind::Heater, OutputKind::Powerhead],
        minutes: 30,
        at_limit: AtLimit::Alarm,
    },
    BuiltIn {
        name: "top-view",
        kinds: &[OutputKind::Heater, OutputKind::ReturnPump, OutputKind::Powerhead],
        minutes: 10,
        at_limit: AtLimit::Release,
    },
    BuiltIn { name: PROBE_CARE, kinds: &[], minutes: 45, at_limit: AtLimit::Alarm },
];

/// The names of all holds: the file's in their order, then the built-in ones that it does not define.
pub(super) fn names(file: Option<&Item>) -> Vec<HoldName> {
    let mut names: Vec<HoldName> = file.map(Item::entry_names).unwrap_or_default().into_iter().map(HoldName).collect();
    for built_in in &BUILT_IN {
        if !names.iter().any(|name| &*name.0 == built_in.name) {
            names.push(HoldName(Name::new(built_in.name)));
        }
    }
    names
}

/// Reads the holds, in the order of [`names`].
pub(super) fn holds(file: Option<&Item>, scope: &Scope) -> Vec<HoldPlan> {
    let written = file.map(Item::named).unwrap_or_default();
    scope
        .holds
        .iter()
        .map(|HoldName(name)| match written.iter().find(|(other, _)| other == name) {
            Some((_, item)) => hold(name, item, scope),
            None => usual(name, scope),
        })
        .collect()
}

fn usual(name: &Name, scope: &Scope) -> HoldPlan {
    let Some(built_in) = BUILT_IN.iter().find(|built_in| built_in.name == &**name) else {
        return plan(name, Vec::new(), Span::from_minutes(15), AtLimit::Alarm, Vec::new());
    };
    let has_return = scope.of_kind(OutputKind::ReturnPump).next().is_some();
    let pauses: Vec<OutputId> = built_in
        .kinds
        .iter()
        // A heater in still display water may go on; one in a sump chamber may not.
        .filter(|kind| **kind != OutputKind::Heater || has_return || built_in.at_limit == AtLimit::Alarm)
        .flat_map(|kind| scope.of_kind(*kind))
        .collect();
    let release_needs = starts::release(&pauses, scope);
    plan(name, pauses, Span::from_minutes(built_in.minutes), built_in.at_limit, release_needs)
}

fn plan(
    name: &Name,
    pauses: Vec<OutputId>,
    limit: Span,
    at_limit: AtLimit,
    release_needs: Vec<Permissive>,
) -> HoldPlan {
    let cares_for_probes = &**name == PROBE_CARE;
    HoldPlan { name: name.clone(), pauses, limit, at_limit, release_needs, cares_for_probes }
}

fn hold(name: &Name, item: &Item, scope: &Scope) -> HoldPlan {
    let (least, greatest) = (Span::from_minutes(1), Span::from_hours(8));
    let Some(fields) = item.fields(&KEYS) else { return usual(name, scope) };
    let pauses = fields.need("pause", "[top-off, heater]").map(|item| outputs_of(&item, scope)).unwrap_or_default();
    if &**name == "any" {
        item.wrong("`any` means every hold in a condition\ngive this hold another name");
    }
    let built_in = BUILT_IN.iter().find(|built_in| built_in.name == &**name);
    let limit = match built_in {
        Some(usual) => fields.span_or("limit", least, greatest, Span::from_minutes(usual.minutes)),
        // Of a hold of the keeper's own nobody knows how long it may take.
        None => fields.need("limit", "30 min").and_then(|item| item.span(least, greatest)).unwrap_or(least),
    };
    let at_limit = fields.get("at_limit").and_then(|item| item.word(&AT_LIMIT));
    let at_limit = at_limit.or(built_in.map(|usual| usual.at_limit)).unwrap_or(AtLimit::Alarm);
    if at_limit == AtLimit::Release
        && let Some(item) = fields.get("at_limit")
        && matches!(&**name, "water-change" | "hands-in" | PROBE_CARE)
    {
        item.wrong(format!(
            "`{name}` never ends by itself: hands may be in the water, the tank half empty or a probe in the air\nwrite `at_limit: alarm`"
        ));
    }
    let mut release_needs = starts::release(&pauses, scope);
    for (name, item) in fields.get("release_needs").map(|item| item.named()).unwrap_or_default() {
        release_needs.retain(|permissive| permissive.name != name);
        if item.is_word("none") {
            continue;
        }
        if let Some(condition) = condition::read(&item, scope, Use::Permit) {
            release_needs.push(Permissive { name, condition });
        }
    }
    plan(name, pauses, limit, at_limit, release_needs)
}
