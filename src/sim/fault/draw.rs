//! Faults at random: by the rates of the rehearsal model, or exactly one out of the whole vocabulary.
//!
//! Rates a day, for the whole home [of the project's rehearsal model; those marked choice are ours]:
//!
//! | what | a day |
//! | --- | --- |
//! | a plug reboots | 0.2 |
//! | a probe or a plug drops out for 10 min | 0.1 |
//! | a probe's reading jumps for 10 s | 2 |
//! | power cut of 10 min | 0.02 |
//! | a float sticks | 0.005 |
//! | a heater's relay welds | 0.002 |
//! | the broker vanishes for 10 min, the daemon is killed for 10 s | 0.05 each, choice |
//! | messages take up to 10 s, or come twice, for 10 min | 0.05 each, choice |
//! | the clock jumps by an hour | 0.01, choice |

use crate::control::plan::OutputKind;
use crate::time::Span;

use super::super::Chance;
use super::catalogue::{Class, Subject};
use super::vocabulary::{all, delay, jump, pick};
use super::{Catalogue, Fault, OutputFault, ProbeFault, What};

/// Whom it can happen to.
type Fits = fn(Class) -> bool;
/// Makes one fault for a subject that was picked.
type Make = fn(&Subject, &mut Chance) -> (What, Option<Span>);

const TEN_MINUTES: Option<Span> = Some(Span::from_minutes(10));

/// How often a day, to whom, and what.
const RATES: [(f64, Fits, Make); 11] = [
    (0.2, is_output, |subject, _| (What::Output(subject.index, OutputFault::PlugReboots(None)), None)),
    (0.1, |class| is_output(class) || is_number(class) || class == Class::Contact, drops_out),
    (2.0, is_number, |subject, chance| {
        (What::Probe(subject.index, spike(subject.class, chance)), Some(Span::from_seconds(10)))
    }),
    (0.02, |class| class == Class::Power, |_, _| (What::PowerCut, TEN_MINUTES)),
    (
        0.005,
        |class| class == Class::Contact,
        |subject, chance| (What::Probe(subject.index, ProbeFault::Sticks(coin(chance))), None),
    ),
    (
        0.002,
        |class| class == Class::Output(OutputKind::Heater),
        |subject, _| (What::Output(subject.index, OutputFault::Welds), None),
    ),
    (0.05, |class| class == Class::Broker, |_, _| (What::BrokerVanishes, TEN_MINUTES)),
    (0.05, |class| class == Class::Broker, |_, chance| (delay(chance), TEN_MINUTES)),
    (0.05, |class| class == Class::Broker, |_, _| (What::BrokerDoubles, TEN_MINUTES)),
    (0.05, |class| class == Class::Daemon, |_, _| (What::DaemonKilled, Some(Span::from_seconds(10)))),
    (
        0.01,
        |class| class == Class::Clock,
        |_, chance| (What::ClockJumps(if coin(chance) { 3_600_000 } else { -3_600_000 }), None),
    ),
];

impl Catalogue {
    /// Faults over a time, so many times as often as by their rates, sorted by time.
    pub fn draw_by_rates(&self, chance: &mut Chance, lasts: Span, times: f64) -> Vec<Fault> {
        let mut faults = Vec::new();
        for (rate, fits, make) in RATES {
            let subjects = self.fitting(fits);
            if subjects.is_empty() {
                continue;
            }
            for _ in 0..count(times * rate * lasts.hours() / 24.0, chance) {
                let subject = pick(&subjects, chance);
                let (what, for_) = make(subject, chance);
                faults.push(self.fault(subject, what, for_, lasts, chance));
            }
        }
        faults.sort_by_key(|fault| fault.at);
        faults
    }

    /// Exactly one fault of the whole vocabulary, that stays for a while or for ever.
    pub fn draw_one(&self, chance: &mut Chance, lasts: Span) -> Fault {
        let subjects = self.fitting(|class| class != Class::Keeper);
        let subject = pick(&subjects, chance);
        let what = *pick(&all(subject, chance), chance);
        let for_ = (!what.is_momentary() && (what == What::DaemonKilled || coin(chance)))
            .then(|| chance.span(Span::from_seconds(10), Span::from_hours(2)));
        self.fault(subject, what, for_, lasts, chance)
    }

    fn fitting(&self, fits: Fits) -> Vec<&Subject> {
        self.subjects.iter().filter(|subject| !subject.alias && fits(subject.class)).collect()
    }

    fn fault(&self, subject: &Subject, what: What, for_: Option<Span>, lasts: Span, chance: &mut Chance) -> Fault {
        // Not in the first minutes, when the daemon has not heard of anything yet.
        let earliest = Span::from_minutes(10).min(lasts);
        let at = chance.span(earliest, lasts);
        // Whole seconds read better in a sentence.
        let at = Span::from_seconds(at.millis() / 1000);
        let for_ = for_.map(|span| Span::from_seconds(span.millis() / 1000));
        Fault { subject: self.shortest(subject), what, at: Some(at), lasts: for_ }
    }
}

fn is_output(class: Class) -> bool {
    matches!(class, Class::Output(_))
}

fn is_number(class: Class) -> bool {
    matches!(class, Class::Number(_))
}

fn coin(chance: &mut Chance) -> bool {
    chance.between(0.0, 1.0) < 0.5
}

/// Poisson by Knuth's product, in parts so small that the product of one never vanishes.
fn count(mean: f64, chance: &mut Chance) -> u32 {
    let (mut left, mut n) = (mean, 0);
    while left > 0.0 {
        let part = left.min(50.0);
        left -= part;
        let least = (-part).exp();
        let mut product = chance.between(0.0, 1.0);
        while product > least {
            product *= chance.between(0.0, 1.0);
            n += 1;
        }
    }
    n
}

fn drops_out(subject: &Subject, _: &mut Chance) -> (What, Option<Span>) {
    let what = if is_output(subject.class) {
        What::Output(subject.index, OutputFault::PlugVanishes)
    } else {
        What::Probe(subject.index, ProbeFault::Silent)
    };
    (what, TEN_MINUTES)
}

/// A jump, either way.
fn spike(class: Class, chance: &mut Chance) -> ProbeFault {
    let by = if let Class::Number(quantity) = class { jump(quantity) } else { 1.0 };
    ProbeFault::Shifted(if coin(chance) { by } else { -by })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::sim::fixture::world;

    #[test]
    fn what_is_drawn_can_be_said_and_read_back() {
        let world = world(1);
        let catalogue = world.catalogue();
        let mut chance = Chance::new(5, "campaign");
        let mut faults = catalogue.draw_by_rates(&mut chance, Span::from_hours(24 * 1000), 1.0);
        faults.extend((0..500).map(|_| catalogue.draw_one(&mut chance, Span::from_hours(24))));
        for fault in &faults {
            let sentence = catalogue.sentence(fault);
            assert_eq!(catalogue.read(&sentence).as_ref(), Ok(fault), "{sentence}");
        }
    }

    #[test]
    fn a_thousand_days_bring_what_the_rates_say() {
        let world = world(1);
        let faults = world.catalogue().draw_by_rates(&mut Chance::new(2, "campaign"), Span::from_hours(24 * 1000), 1.0);
        let count = |of: fn(&What) -> bool| faults.iter().filter(|fault| of(&fault.what)).count() as f64;
        // Four standard deviations of a Poisson count around its mean.
        let near = |count: f64, mean: f64| (count - mean).abs() < 4.0 * mean.sqrt();
        assert!(near(count(|what| matches!(what, What::Output(_, OutputFault::PlugReboots(_)))), 200.0));
        assert!(near(count(|what| matches!(what, What::Probe(_, ProbeFault::Shifted(_)))), 2000.0));
        assert!(near(count(|what| *what == What::PowerCut), 20.0));
        assert!(near(count(|what| *what == What::DaemonKilled), 50.0));
        assert!(faults.is_sorted_by_key(|fault| fault.at));
    }
}
