//! Who decides: the first layer that has an opinion wins.
//!
//! 1 interlock trip; 2 permissive missing or unknown (starts only), or a bounded run over; 3 hold; 4 force; 5 minimum on
//! and off times; 6 rules, then loop; 7 schedule; 8 rest. Trips beat minimum-on; nothing automatic
//! beats a compressor's minimum-off. This file is the whole order, and has no state.

use super::dosing::Undosed;
use super::ids::{DoserId, HoldId, InterlockId, OutputId, RuleId, TopOffId};
use super::plan::Switch;
use super::top_off::Withheld;

/// Which layer decided, and by what.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Layer {
    /// An interlock.
    Trip(InterlockId),
    /// The n-th permissive of the output is missing or unknown.
    Permissive(usize),
    /// The opposite output is on: heater and chiller are never both commanded on.
    Exclusion(OutputId),
    /// A top-off withholds a start of its pump.
    Withheld(TopOffId, Withheld),
    /// A top-off's run has lasted as long as any may.
    RunOver(TopOffId),
    /// Dosing withholds a dose.
    Undosed(DoserId, Undosed),
    /// A dose has been given.
    DoseOver(DoserId),
    /// A hold.
    Hold(HoldId),
    /// A keeper's force.
    Force,
    /// Another output started just now: one after the other.
    Turn,
    /// A minimum time.
    MinimumTime,
    /// A rule.
    Rule(RuleId),
    /// The temperature loop.
    Loop,
    /// The schedule.
    Schedule,
    /// Nobody wishes anything.
    Rest,
}

impl Layer {
    /// Every word, in order of rank.
    pub const WORDS: [&'static str; 9] =
        ["trip", "permissive", "hold", "force", "minimum-time", "rule", "loop", "schedule", "rest"];

    /// Its word in status, topics and metrics.
    pub fn word(self) -> &'static str {
        match self {
            Self::Trip(_) => "trip",
            Self::Permissive(_)
            | Self::Exclusion(_)
            | Self::Withheld(..)
            | Self::RunOver(_)
            | Self::Undosed(..)
            | Self::DoseOver(_) => "permissive",
            Self::Hold(_) => "hold",
            Self::Force => "force",
            Self::MinimumTime | Self::Turn => "minimum-time",
            Self::Rule(_) => "rule",
            Self::Loop => "loop",
            Self::Schedule => "schedule",
            Self::Rest => "rest",
        }
    }

    /// Whether it only withholds a start and so never turns off what runs.
    pub fn only_withholds(self) -> bool {
        matches!(
            self,
            Self::Permissive(_)
                | Self::Exclusion(_)
                | Self::Withheld(..)
                | Self::Undosed(..)
                | Self::Turn
                | Self::MinimumTime
        )
    }
}

/// What every layer says of one output.
#[derive(Clone, Copy, Debug)]
pub(super) struct Opinions {
    pub trip: Option<(Switch, InterlockId)>,
    /// A start is blocked by this layer.
    pub start_blocked: Option<Layer>,
    pub hold: Option<HoldId>,
    /// A hold has begun whose turn for this pump is still to come.
    pub pauses_soon: bool,
    pub force: Option<Switch>,
    pub rule: Option<(Switch, RuleId)>,
    pub control: Option<Switch>,
    pub schedule: Option<Switch>,
    pub rest: Switch,
    /// Whether current flows as far as we know: a start is from off to on.
    pub running: Switch,
    /// The decision in force, kept while a minimum time runs.
    pub decided: Switch,
    /// The minimum time of that decision still runs.
    pub minimum_runs: bool,
    /// A compressor's minimum-off still runs.
    pub compressor_rests: bool,
    /// A bounded run is over: off, whoever wishes it on.
    pub run_over: Option<Layer>,
}

impl Opinions {
    /// What rules, loop, schedule and rest wish.
    pub fn wish(&self) -> (Switch, Layer) {
        match (self.rule, self.control, self.schedule) {
            (Some((to, rule)), _, _) => (to, Layer::Rule(rule)),
            (None, Some(to), _) => (to, Layer::Loop),
            (None, None, Some(to)) => (to, Layer::Schedule),
            (None, None, None) => (self.rest, Layer::Rest),
        }
    }

    /// The decision.
    pub fn decide(&self) -> (Switch, Layer) {
        let below_permissives = || {
            if let Some(hold) = self.hold {
                return (Switch::Off, Layer::Hold(hold));
            }
            if let Some(to) = self.force {
                return (to, Layer::Force);
            }
            let (to, layer) = self.wish();
            if self.minimum_runs && to != self.decided { (self.decided, Layer::MinimumTime) } else { (to, layer) }
        };
        let (to, layer) = match self.trip {
            Some((to, interlock)) => (to, Layer::Trip(interlock)),
            None => below_permissives(),
        };
        if let (Some(over), Switch::On) = (self.run_over, to) {
            return (Switch::Off, over);
        }
        let starts = to == Switch::On && self.running == Switch::Off;
        match self.start_blocked {
            Some(blocked) if starts && self.trip.is_none() => (Switch::Off, blocked),
            _ if starts && self.compressor_rests => (Switch::Off, Layer::MinimumTime),
            _ => (to, layer),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const QUIET: Opinions = Opinions {
        trip: None,
        start_blocked: None,
        hold: None,
        force: None,
        rule: None,
        control: None,
        schedule: None,
        rest: Switch::Off,
        running: Switch::Off,
        decided: Switch::Off,
        minimum_runs: false,
        pauses_soon: false,
        compressor_rests: false,
        run_over: None,
    };

    #[test]
    fn the_first_opinion_wins_in_the_order_of_the_design() {
        use Switch::{Off, On};
        let trip = Some((Off, InterlockId::new(0)));
        let hold = Some(HoldId::new(0));
        let rule = Some((Off, RuleId::new(0)));
        let cases = [
            (QUIET, (Off, Layer::Rest)),
            (Opinions { schedule: Some(On), ..QUIET }, (On, Layer::Schedule)),
            (Opinions { control: Some(Off), schedule: Some(On), ..QUIET }, (Off, Layer::Loop)),
            (Opinions { rule, control: Some(On), ..QUIET }, (Off, Layer::Rule(RuleId::new(0)))),
            (Opinions { control: Some(On), minimum_runs: true, ..QUIET }, (Off, Layer::MinimumTime)),
            (Opinions { force: Some(On), rule, minimum_runs: true, ..QUIET }, (On, Layer::Force)),
            (Opinions { hold, force: Some(On), ..QUIET }, (Off, Layer::Hold(HoldId::new(0)))),
            (
                Opinions { force: Some(On), start_blocked: Some(Layer::Permissive(1)), ..QUIET },
                (Off, Layer::Permissive(1)),
            ),
            (
                Opinions { control: Some(On), start_blocked: Some(Layer::Permissive(0)), running: On, ..QUIET },
                (On, Layer::Loop),
            ),
            (
                Opinions { force: Some(On), running: On, run_over: Some(Layer::RunOver(TopOffId::new(0))), ..QUIET },
                (Off, Layer::RunOver(TopOffId::new(0))),
            ),
            (Opinions { trip, force: Some(On), running: On, ..QUIET }, (Off, Layer::Trip(InterlockId::new(0)))),
            (
                Opinions { trip: Some((On, InterlockId::new(2))), compressor_rests: true, ..QUIET },
                (Off, Layer::MinimumTime),
            ),
            (
                Opinions { trip, control: Some(On), running: On, decided: On, minimum_runs: true, ..QUIET },
                (Off, Layer::Trip(InterlockId::new(0))),
            ),
        ];
        for (opinions, expected) in cases {
            assert_eq!(opinions.decide(), expected, "{opinions:?}");
        }
    }
}
