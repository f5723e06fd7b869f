//! The one grammar of conditions: rules, interlocks, starts, releases and alarms are all written in it.
//!
//! | write | true while |
//! | --- | --- |
//! | `{ signal: s, over: 26 °C }`, `under:` | the voted value is beyond the limit |
//! | `{ signal: s, fell: 20 mm, within: 2 min }`, `rose:` | the voted value moved by more than that in that time |
//! | `{ any_probe_of: s, over: ... }` | any single probe of the signal is, no vote first |
//! | `{ highest_of: s, ... }`, `{ lowest_of: s, ... }` | the highest or lowest usable probe is |
//! | `{ signal: s, is: wet }`, `is: dry` | the float or leak probe says so |
//! | `{ known: s }` | the signal has a good value |
//! | `{ output: o, is: on }`, `is: off` | it is commanded so |
//! | `{ output: o, proven: on }`, `proven: off` | its plug freshly reports so |
//! | `{ output: o, draws_over: 5 W }`, `draws_under:` | its power meter freshly says so |
//! | `{ time: 22:00-07:30 }` | the local time of day is inside; several as a list |
//! | `{ hold: water-change }`, `{ hold: any }` | that hold is on |
//! | `{ all: [...] }`, `{ any: [...] }`, `{ not: {...} }` | Kleene's three-valued logic |
//!
//! Beside any of them: `lasting: 10 s`. Beside a comparison: `deadband:`, and `alone_margin:` (taken off an
//! upper limit while only one of several probes is good). What unknown does follows from the use: a trip
//! counts doubtful readings and keeps a running time; everything else does neither.

use std::str::FromStr;

use crate::control::ids::{ConditionId, HoldId, OutputId, SignalId};
use crate::control::plan::{Condition, Doubtful, DrawLimit, Estimate, Fitted, OutputFact, Side, Switch, TimerUnknown};
use crate::time::{DailyWindow, LocalTime, Span};
use crate::units::Quantity;

use super::kinds::usual_deadband;
use super::read::{Fields, Item};
use super::scope::Scope;

/// What a condition is for; it decides what doubt and unknown mean.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Use {
    /// A safe effect follows: doubtful readings count, a running time freezes while unknown.
    Trip,
    /// A warning follows: as for a trip.
    Alarm,
    /// Something may start or is wished: doubtful readings are unknown, a running time starts again.
    Permit,
}

impl Use {
    fn doubtful(self) -> Doubtful {
        match self {
            Self::Trip | Self::Alarm => Doubtful::Counts,
            Self::Permit => Doubtful::IsUnknown,
        }
    }

    fn timer(self) -> TimerUnknown {
        match self {
            Self::Trip | Self::Alarm => TimerUnknown::Freezes,
            Self::Permit => TimerUnknown::Resets,
        }
    }
}

/// The keys of which each condition has exactly one.
const HEADS: [&str; 11] =
    ["signal", "any_probe_of", "highest_of", "lowest_of", "known", "output", "time", "hold", "all", "any", "not"];

/// Keys that mean something beside one of them.
const BESIDE: [&str; 11] = [
    "over",
    "under",
    "fell",
    "rose",
    "within",
    "is",
    "proven",
    "draws_over",
    "draws_under",
    "deadband",
    "alone_margin",
];

/// The longest `lasting`.
const LONGEST: Span = Span::from_hours(24 * 7);

/// Reads a condition and everything below it into the scope's arena.
pub(super) fn read(item: &Item, scope: &Scope, usage: Use) -> Option<ConditionId> {
    read_with(item, scope, usage, &[])
}

/// As [`read`], with keys beside the condition that the caller reads.
pub(super) fn read_with(item: &Item, scope: &Scope, usage: Use, beside: &[&'static str]) -> Option<ConditionId> {
    let mut known = HEADS.to_vec();
    known.extend(BESIDE);
    known.push("lasting");
    known.extend(beside);
    let fields = item.fields(&known)?;
    let heads: Vec<&str> = HEADS.into_iter().filter(|head| fields.get(head).is_some()).collect();
    let [head] = heads[..] else {
        if heads.is_empty() && HEADS.into_iter().any(|head| fields.is_misspelt(head)) {
            return None;
        }
        item.wrong(match heads[..] {
            [] => "a condition says nothing that could be true\nwrite one of `signal`, `any_probe_of`, `output`, \
                   `time`, `hold`, `all`, `any`, `not`"
                .to_owned(),
            _ => format!(
                "one condition asks for `{}` and `{}`\nwrite `all: [...]` or `any: [...]` around two conditions",
                heads[0], heads[1]
            ),
        });
        return None;
    };
    let subject = fields.get(head)?;
    let inner = match head {
        "signal" if fields.get("is").is_some() => contact(&fields, &subject, scope, usage),
        "signal" if ["fell", "rose", "within"].iter().any(|key| fields.get(key).is_some()) => {
            moved(&fields, &subject, scope, usage)
        }
        "signal" => compare(&fields, &subject, scope, usage, Estimate::Voted),
        "any_probe_of" => compare(&fields, &subject, scope, usage, Estimate::EachProbe),
        "highest_of" => compare(&fields, &subject, scope, usage, Estimate::Highest),
        "lowest_of" => compare(&fields, &subject, scope, usage, Estimate::Lowest),
        "known" => {
            only(&fields, head, &[]);
            let signal = SignalId::new(subject.one_of("signal", &scope.signals)?);
            Some(scope.add(Condition::Known { signal, doubtful: usage.doubtful() }))
        }
        "output" => output(&fields, &subject, scope),
        "time" => {
            only(&fields, head, &[]);
            let windows: Vec<_> = windows(&subject).into_iter().map(|w| scope.add(Condition::TimeOfDay(w))).collect();
            (!windows.is_empty()).then(|| scope.any(windows))
        }
        "hold" => {
            only(&fields, head, &[]);
            if subject.is_word("any") {
                Some(scope.add(Condition::Held(None)))
            } else {
                let hold = HoldId::new(subject.one_of("hold", &scope.holds)?);
                Some(scope.add(Condition::Held(Some(hold))))
            }
        }
        "not" => {
            only(&fields, head, &[]);
            let inner = read(&subject, scope, usage)?;
            Some(scope.not(inner))
        }
        _ => {
            only(&fields, head, &[]);
            let wanted = subject.list();
            let read: Vec<_> = wanted.iter().filter_map(|item| read(item, scope, usage)).collect();
            if read.is_empty() || read.len() < wanted.len() {
                return None;
            }
            Some(if head == "all" { scope.all(read) } else { scope.any(read) })
        }
    };
    let lasting = fields.get("lasting").map(|item| item.span(Span::ZERO, LONGEST));
    match (inner?, lasting) {
        (inner, None | Some(Some(Span::ZERO))) => Some(inner),
        (inner, Some(Some(span))) => Some(scope.add(Condition::Lasting { inner, span, unknown: usage.timer() })),
        (_, Some(None)) => None,
    }
}

/// Reports keys that mean nothing beside this head.
fn only(fields: &Fields, head: &str, allowed: &[&str]) {
    for key in BESIDE {
        if !allowed.contains(&key)
            && let Some(item) = fields.get(key)
        {
            item.wrong(format!("`{key}` means nothing beside `{head}`\nremove it"));
        }
    }
}

/// The longest span over which a movement is looked at.
const LONGEST_WITHIN: Span = Span::from_hours(24);

fn moved(fields: &Fields, subject: &Item, scope: &Scope, usage: Use) -> Option<ConditionId> {
    only(fields, "fell", &["fell", "rose", "within"]);
    let signal = SignalId::new(subject.one_of("signal", &scope.signals)?);
    let known = &scope.signals[signal.index()];
    let quantity = known.measures?.quantity();
    if quantity == Quantity::Contact {
        subject
            .wrong(format!("`{}` is a contact: it neither falls nor rises\nwrite `is: wet` or `is: dry`", known.name));
        return None;
    }
    let example = format!("20 {}", quantity.difference().canonical().symbol);
    let (side, by) = match (fields.get("fell"), fields.get("rose")) {
        (Some(by), None) => (Side::Below, by),
        (None, Some(by)) => (Side::Above, by),
        _ => {
            fields
                .item
                .wrong(format!("how did `{}` move?\nwrite one of `fell: {example}` and `rose: {example}`", known.name));
            return None;
        }
    };
    let width = (known.range.1 - known.range.0).max(0.0);
    let by = by.amount(quantity.difference(), 0.0, width)?;
    let within = fields.need("within", "2 min")?.span(Span::from_seconds(8), LONGEST_WITHIN)?;
    Some(scope.add(Condition::Moved { signal, side, by, within, doubtful: usage.doubtful() }))
}

fn compare(fields: &Fields, subject: &Item, scope: &Scope, usage: Use, estimate: Estimate) -> Option<ConditionId> {
    only(fields, subject.last_key(), &["over", "under", "deadband", "alone_margin"]);
    let signal = SignalId::new(subject.one_of("signal", &scope.signals)?);
    let known = &scope.signals[signal.index()];
    let quantity = known.measures?.quantity();
    if quantity == Quantity::Contact {
        subject.wrong(format!(
            "`{}` is a contact: it has no limit\nwrite `signal: {}, is: wet` or `is: dry`",
            known.name, known.name
        ));
        return None;
    }
    let (side, limit) = match (fields.get("over"), fields.get("under")) {
        (Some(limit), None) => (Side::Above, limit),
        (None, Some(limit)) => (Side::Below, limit),
        (Some(_), Some(under)) => {
            under.wrong(
                "one condition has `over` and `under`\nwrite `all: [...]` or `any: [...]` around two conditions",
            );
            return None;
        }
        (None, None) => {
            fields.item.wrong(format!(
                "nothing is asked of `{}`\nwrite a limit beside it, such as `over: 26.0 {}`",
                known.name,
                quantity.canonical().symbol
            ));
            return None;
        }
    };
    let (least, greatest) = known.range;
    let limit = limit.amount(quantity, least, greatest)?;
    let width = (greatest - least).max(0.0);
    let difference = quantity.difference();
    let deadband =
        fields.get("deadband").map_or(Some(usual_deadband(quantity)), |item| item.amount(difference, 0.0, width))?;
    let alone_margin = match fields.get("alone_margin") {
        Some(item) => item.amount(difference, 0.0, width)?,
        // A tank that lost one of two probes is cut off 0.5 K earlier.
        None if usage == Use::Trip && quantity == Quantity::Temperature && side == Side::Above && known.probes > 1 => {
            0.5
        }
        None => 0.0,
    };
    let doubtful = usage.doubtful();
    Some(scope.add(Condition::Compare { signal, estimate, side, limit, deadband, alone_margin, doubtful }))
}

fn contact(fields: &Fields, subject: &Item, scope: &Scope, usage: Use) -> Option<ConditionId> {
    only(fields, "is", &["is"]);
    let signal = SignalId::new(subject.one_of("signal", &scope.signals)?);
    let known = &scope.signals[signal.index()];
    let wet = fields.get("is")?.word(&[(true, "wet"), (false, "dry")]);
    if known.measures?.quantity() != Quantity::Contact {
        let quantity = known.measures?.quantity();
        subject.wrong(format!(
            "`{}` is a {}: it is neither wet nor dry\nwrite a limit such as `over: 26.0 {}`",
            known.name,
            quantity.noun(),
            quantity.canonical().symbol
        ));
        return None;
    }
    Some(scope.add(Condition::Contact { signal, wet: wet?, doubtful: usage.doubtful() }))
}

fn output(fields: &Fields, subject: &Item, scope: &Scope) -> Option<ConditionId> {
    only(fields, "output", &["is", "proven", "draws_over", "draws_under"]);
    let output = OutputId::new(subject.one_of("output", &scope.outputs)?);
    let known = &scope.outputs[output.index()];
    let draws = [("draws_over", Side::Above), ("draws_under", Side::Below)];
    let draws: Vec<_> = draws.iter().filter_map(|(key, side)| Some((fields.get(key)?, *side))).collect();
    if let ([(limit, side)], None, None) = (&draws[..], fields.get("is"), fields.get("proven")) {
        if known.meter == Fitted::NotFitted {
            limit.wrong(format!(
                "the plug of `{}` has no power meter\nwrite `is:` or `proven:`, or a `meter` in its plug",
                known.name
            ));
            return None;
        }
        let limit = DrawLimit::Watts(limit.amount(Quantity::Power, 0.1, 100_000.0)?);
        return Some(scope.add(Condition::Draws { output, side: *side, limit }));
    }
    let fact = match (fields.get("is"), fields.get("proven")) {
        (Some(is), None) => match is.switch()? {
            Switch::On => OutputFact::CommandedOn,
            Switch::Off => OutputFact::CommandedOff,
        },
        (None, Some(proven)) => {
            let fact = match proven.switch()? {
                Switch::On => OutputFact::ProvenOn,
                Switch::Off => OutputFact::ProvenOff,
            };
            if known.report == Fitted::NotFitted {
                proven.wrong(format!(
                    "the plug of `{}` reports nothing, so nothing can prove it\nwrite `is:` for what is commanded, or a `report` in its plug",
                    known.name
                ));
                return None;
            }
            fact
        }
        _ => {
            fields.item.wrong(format!(
                "nothing is asked of `{}`, or too much\nwrite one of `is: on`, `is: off`, `proven: on`, `proven: off`, `draws_over: 5 W`, `draws_under: 5 W`",
                known.name
            ));
            return None;
        }
    };
    Some(scope.add(Condition::Output { output, fact }))
}

/// Parts of the day: one or a list.
pub(super) fn windows(item: &Item) -> Vec<DailyWindow> {
    item.list().iter().filter_map(|item| item.parsed::<Window>().map(|window| window.0)).collect()
}

pub(super) struct Window(DailyWindow);

impl FromStr for Window {
    type Err = String;
    fn from_str(text: &str) -> Result<Self, String> {
        let bad =
            || format!("`{text}` is not a part of the day\nwrite two times such as `08:00-20:30` or `22:00-07:30`");
        let (from, until) = text.split_once('-').ok_or_else(bad)?;
        let (from, until): (LocalTime, LocalTime) = (from.parse()?, until.parse()?);
        if from == until {
            return Err(format!("`{text}` has no length\nwrite two different times; the whole day is `00:00-24:00`"));
        }
        Ok(Self(DailyWindow { from, until }))
    }
}
