//! Proof tests in the example's simulated home: a keeper who reads what the daemon says, and does it.
//!
//! The whole way is there: probe or plug, topic, payload, core, command, relay. Water is simulated, demo data invented.

#[path = "common/staged.rs"]
mod staged;

use slackwater::config::Setup;
use slackwater::control::plan::ChannelPlan;
use slackwater::control::prove::{Check, ProofState, ProofsStatus, SessionStatus};
use slackwater::sim::rehearsal::{Detail, Rehearsal, Rule};
use slackwater::time::Span;

use staged::{example, staged};

struct Home {
    setup: Setup,
    run: Rehearsal,
    tank: usize,
    /// The step and phase that was acted on last.
    acted: Option<(String, Check, u8)>,
}

impl Home {
    fn new(tank: &str, faults: &[&str]) -> Self {
        let mut setup = example();
        // The example leaves its channels commented out; a rehearsal reads what would be sent.
        let phone = ChannelPlan { name: "phone".into(), by: "webhook", mark: String::new() };
        for tank in &mut setup.tanks {
            tank.plan.proofs.channels = vec![phone.clone()];
        }
        let run = staged(&setup, 3, 22.0, faults, Detail::Everything);
        let tank = setup.tanks.iter().position(|one| &*one.plan.name == tank).expect("it is in the example");
        let mut home = Self { setup, run, tank, acted: None };
        home.run.pass(Span::from_minutes(25));
        home
    }

    fn name(&self) -> String {
        self.setup.tanks[self.tank].plan.name.to_string()
    }

    fn proofs(&self) -> ProofsStatus {
        self.run.status(&self.name()).expect("the daemon lives").proofs
    }

    fn say(&mut self, words: &str) {
        self.run.ask(self.tank, words);
    }

    /// A fault of the simulator is the keeper's hand.
    fn hand(&mut self, of: &str, does: &str) {
        let shared = ["room-temp", "floor-leak"].contains(&of);
        let subject = if shared { of.to_owned() } else { format!("{}/{of}", self.name()) };
        let at = Span::from_millis(self.run.passed().millis() + 100);
        let (what, lasts) =
            does.split_once(" for ").map_or((does, String::new()), |(what, span)| (what, format!(" for {span}")));
        let sentence = format!("{subject} {what} at {} ms{lasts}", at.millis());
        let fault = self.run.catalogue().read(&sentence).unwrap_or_else(|error| panic!("{sentence}: {error}"));
        self.run.inject(fault);
    }

    /// Does what a step says, once in each phase.
    fn act(&mut self, session: &SessionStatus) {
        let key = (session.of.clone(), session.check, session.phase);
        if self.acted.as_ref() == Some(&key) {
            return;
        }
        let of = session.of.as_str();
        match (session.check, session.phase) {
            (Check::Moves, 0) => {
                let does = match of {
                    "sump-level" => "reads -40 mm for 60 s",
                    "salinity" => "reads 28 psu for 6 min",
                    "return-flow" => "reads 150 L/h for 60 s",
                    _ => "reads 29 °C for 60 s",
                };
                self.hand(of, does);
            }
            (Check::WetAndDry, 0) => {
                let does = match of {
                    "low-float" => "sticks dry for 60 s",
                    "floor-leak" => "sticks wet for 3 min",
                    _ => "sticks wet for 60 s",
                };
                self.hand(of, does);
            }
            (Check::FallsSilent, 0) => self.hand(of, "goes silent for 6 min"),
            (Check::Boots, 1) => self.hand(of, "plug reboots"),
            (Check::CutsOff, 1) => {
                self.hand(if self.name() == "lagoon" { "sump-temp" } else { "water-temp" }, "reads 27.2 °C for 60 s");
            }
            _ => return,
        }
        self.acted = Some(key);
    }

    fn code(&self) -> String {
        let lines = self.run.record().entries().iter().rev();
        let test = lines.filter(|line| line.tank == Some(self.tank)).find_map(|line| line.text.split_once("type "));
        test.map(|(_, rest)| rest.chars().take_while(char::is_ascii_digit).collect()).expect("a test message")
    }

    /// Begins, and goes through to the end.
    fn prove(&mut self, what: &str) {
        self.say(&format!("prove begin {what}"));
        for _ in 0..20_000 {
            let Some(session) = self.proofs().session else { return };
            match session.stage {
                "ready" => {
                    self.acted = None;
                    assert!(
                        session.said.is_none(),
                        "{} {:?}: {:?}\n{}",
                        session.of,
                        session.check,
                        session.said,
                        self.all()
                    );
                    self.say("prove ready");
                    let refused = self.proofs().session.is_some_and(|now| now.stage == "ready" && now.of == session.of);
                    if refused {
                        // A thermometer that was just warmed has to cool, a top-off to end its run.
                        self.run.pass(Span::from_seconds(20));
                    }
                }
                "asking" if session.check == Check::Arrives => {
                    let code = self.code();
                    self.say(&format!("prove yes {code}"));
                }
                "asking" => self.say("prove yes"),
                _ => self.act(&session),
            }
            self.run.pass(Span::from_seconds(1));
        }
        panic!("it never ends: {:#?}\n{}", self.proofs().session, self.all());
    }

    fn all(&self) -> String {
        let lines = self.run.record().entries().iter().filter(|line| line.tank == Some(self.tank));
        let lines = lines.map(|line| format!("{} {} {}: {}", line.at, line.kind, line.subject, line.text));
        lines.collect::<Vec<_>>().join("\n")
    }

    fn state(&self, of: &str, check: Check) -> (ProofState, String) {
        let proofs = self.proofs().proofs;
        let one = proofs.into_iter().find(|one| one.of == of && one.check == check).expect("it can be proven");
        (one.state, one.text.unwrap_or_default())
    }

    fn sound(&self) {
        let broken: Vec<_> = self.run.violations().iter().filter(|one| one.rule != Rule::Water).collect();
        assert!(broken.is_empty(), "{broken:#?}\n{}", self.all());
    }

    fn all_is_proven(&self) {
        let proofs = self.proofs().proofs;
        let bad: Vec<_> = proofs.iter().filter(|one| one.state != ProofState::Proven).collect();
        assert!(bad.is_empty(), "{bad:#?}\n{}", self.all());
        let status = self.run.status(&self.name()).expect("the daemon lives");
        assert!(status.outputs.iter().all(|output| output.untested.is_empty() && output.force.is_none()));
        assert!(status.interlocks.iter().all(|interlock| interlock.state == "armed"), "{:#?}", status.interlocks);
    }
}

#[test]
fn every_step_of_the_lagoon_is_proven_and_nothing_stays_tripped() {
    let mut home = Home::new("lagoon", &[]);
    home.prove("all");
    home.run.pass(Span::from_minutes(10));
    home.all_is_proven();
    let (_, cut_off) = home.state("heater-cutoff", Check::CutsOff);
    assert!(cut_off.contains("heater: off, proven by its report, draws 0.0 W"), "{cut_off}");
    home.sound();
}

#[test]
fn every_step_of_the_quarantine_tub_is_proven_with_a_person_s_word_for_plugs_that_report_nothing() {
    let mut home = Home::new("quarantine", &[]);
    home.prove("all");
    home.run.pass(Span::from_minutes(10));
    home.all_is_proven();
    let (_, switches) = home.state("heater", Check::Switches);
    assert!(switches.contains("commanded") && switches.contains("a person saw it"), "{switches}");
    home.sound();
}

#[test]
fn a_plug_that_ignores_off_fails_and_is_told_as_an_alarm() {
    let mut home = Home::new("lagoon", &["skimmer plug ignores off"]);
    home.prove("skimmer switches");
    let (state, text) = home.state("skimmer", Check::Switches);
    assert!(state == ProofState::Failed && text.contains("NOT proven"), "{text}");
    home.run.pass(Span::from_minutes(1));
    let status = home.run.status("lagoon").expect("the daemon lives");
    assert!(status.alarms.iter().any(|alarm| &*alarm.alarm == "proof-failed" && alarm.active));
    assert!(status.outputs.iter().all(|output| output.force.is_none()));
    home.sound();
}

/// Written `boots: off`, and set otherwise in the plug. [F28]
#[test]
fn a_heater_that_comes_back_on_from_a_power_cut_fails_its_proof_f28() {
    let mut home = Home::new("lagoon", &[]);
    home.say("prove begin heater boots");
    home.say("prove ready");
    for _ in 0..120 {
        home.run.pass(Span::from_seconds(1));
        let Some(session) = home.proofs().session else { break };
        if session.phase == 1 && home.acted.is_none() {
            home.hand("heater", "plug reboots on");
            home.acted = Some((session.of, session.check, 1));
        }
    }
    let (state, text) = home.state("heater", Check::Boots);
    assert!(state == ProofState::Failed && text.contains("came back on") && text.contains("boots: off"), "{text}");
    home.sound();
}

/// A real kill in the middle: the session is gone on with, the step is done again.
#[test]
fn a_daemon_that_is_killed_in_a_step_goes_on_with_the_session_and_switches_nothing_for_it() {
    let mut home = Home::new("lagoon", &[]);
    home.say("prove begin heater");
    home.say("prove ready");
    home.run.pass(Span::from_seconds(5));
    assert_eq!(home.proofs().session.expect("it goes on").stage, "watching");
    let at = home.run.passed().millis() + 1000;
    let fault = home.run.catalogue().read(&format!("daemon is killed at {at} ms for 20 s")).expect("a fault");
    home.run.inject(fault);
    home.run.pass(Span::from_minutes(2));
    let session = home.proofs().session.expect("it goes on");
    assert_eq!(session.stage, "ready");
    assert!(session.said.expect("it is told").contains("broken off by a restart"));
    let status = home.run.status("lagoon").expect("the daemon lives");
    assert!(status.outputs.iter().all(|output| output.force.is_none()), "{:#?}", status.outputs);
    home.sound();
}
