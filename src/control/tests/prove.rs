//! Proof tests: a simulated keeper does what each step says; the daemon sees it, or what is wrong instead.

use super::lagoon::*;
use crate::control::effect::{NoticeKind, Outcome};
use crate::control::event::{Alive, ProveAct};
use crate::control::ids::OutputId;
use crate::control::plan::Switch;
use crate::control::prove::{Check, OneProof, ProofState, SessionStatus};
use crate::control::{Event, Request};
use crate::time::Span;

pub(super) fn say(world: &mut World, act: ProveAct, what: Option<&str>, code: Option<u32>) -> Outcome {
    let what = what.map(str::to_owned);
    let id = world.ask(Request::Prove { act, what, code, signed: Some("Ana".to_owned()) });
    world.answers[&id].outcome
}

pub(super) fn session(world: &World) -> Option<SessionStatus> {
    world.tank.status(world.now).proofs.session
}

pub(super) fn proof(world: &World, of: &str, check: Check) -> OneProof {
    let proofs = world.tank.status(world.now).proofs.proofs;
    proofs.into_iter().find(|one| one.of == of && one.check == check).unwrap_or_else(|| panic!("no {of} {check:?}"))
}

/// What each probe says when nobody touches it.
const AT_REST: [f64; 5] = [25.0, 25.1, 0.0, 0.0, 0.0];
const PROBES: [&str; 5] = ["display-temp", "sump-temp", "sump-level", "float-high", "floor-leak"];
const OUTPUTS: [&str; 6] = ["heater", "chiller", "return-pump", "powerhead", "top-off", "fan"];

/// A lagoon with meters, ready for any start.
pub(super) fn ready_lagoon() -> World {
    let mut world = World::new();
    world.meters = vec![Meter::Follows(100.0); 6];
    // Neither heating nor cooling is wished.
    world.reads[DISPLAY] = Some(AT_REST[DISPLAY]);
    world.advance(minutes(25));
    world
}

/// What a keeper can do wrongly, or what can be wrong with what they touch.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Wrong {
    Nothing,
    /// Another probe answers.
    Swapped(usize, usize),
    /// A plug comes back on.
    BootsOn(usize),
}

/// Does what the step at hand says, once; lets a second pass.
pub(super) fn act(world: &mut World, wrong: Wrong) {
    let Some(session) = session(world) else { return };
    let at = |names: &[&str]| names.iter().position(|name| *name == session.of);
    match (session.stage, session.check) {
        ("ready", _) => {
            say(world, ProveAct::Ready, None, None);
        }
        ("asking", Check::Arrives) => {
            let code = code(world);
            say(world, ProveAct::Yes, None, Some(code));
        }
        ("asking", _) => {
            say(world, ProveAct::Yes, None, None);
        }
        (_, Check::Boots) if session.phase == 1 => {
            let output = at(&OUTPUTS).unwrap();
            let boots = if output == RETURN || output == POWERHEAD || wrong == Wrong::BootsOn(output) {
                Switch::On
            } else {
                Switch::Off
            };
            restart(world, output, boots);
        }
        (_, Check::CutsOff) => {
            world.reads[SUMP] = Some(if matches!(session.phase, 1 | 2) { 27.0 } else { AT_REST[SUMP] });
        }
        (_, check) => {
            if let Some(touched) = at(&PROBES) {
                touch(world, check, touched, session.phase, wrong);
            }
        }
    }
    world.advance(seconds(1));
}

fn touch(world: &mut World, check: Check, touched: usize, phase: u8, wrong: Wrong) {
    let answers = match wrong {
        Wrong::Swapped(a, b) if a == touched => b,
        Wrong::Swapped(a, b) if b == touched => a,
        _ => touched,
    };
    let far = if touched == LEVEL { -40.0 } else { 2.5 };
    let away = match check {
        Check::Moves if phase == 0 => Some(AT_REST[answers] + far),
        Check::WetAndDry if phase < 2 => Some(1.0),
        Check::FallsSilent if phase < 2 => None,
        _ => Some(AT_REST[answers]),
    };
    world.reads[answers] = away;
}

fn restart(world: &mut World, output: usize, boots: Switch) {
    let id = OutputId::new(output);
    world.plugs[output] = Switch::Off;
    world.step(Event::AliveArrived { output: id, alive: Ok(Alive::No) });
    world.advance(seconds(10));
    world.step(Event::AliveArrived { output: id, alive: Ok(Alive::Yes) });
    world.report(output, boots);
    world.advance(seconds(8));
}

fn code(world: &World) -> u32 {
    code_by(world, "phone")
}

/// What the test message of a channel says.
fn code_by(world: &World, channel: &str) -> u32 {
    let test = world.notices.iter().rev().find(|notice| notice.only.as_deref() == Some(channel));
    let test = test.expect("a test message");
    assert!(test.what == NoticeKind::Test && test.text.starts_with("TEST"), "{test:?}");
    let digits: String = test.text.chars().filter(char::is_ascii_digit).collect();
    digits.parse().unwrap()
}

/// Goes through a whole session.
pub(super) fn go_through(world: &mut World, wrong: Wrong) {
    for _ in 0..6000 {
        if session(world).is_none() {
            world.reads = AT_REST.map(Some).to_vec();
            return;
        }
        act(world, wrong);
    }
    panic!("it never ends: {:#?}", session(world));
}

pub(super) fn prove(world: &mut World, what: &str, wrong: Wrong) {
    assert_eq!(say(world, ProveAct::Begin, Some(what), None), Outcome::Done, "{what}");
    go_through(world, wrong);
}

fn at_rest(world: &World) -> Vec<String> {
    let status = world.tank.status(world.now);
    let outputs =
        status.outputs.iter().map(|one| format!("{} {:?} {} {:?}", one.output, one.decided, one.layer, one.force));
    let interlocks = status.interlocks.iter().map(|one| format!("{} {}", one.interlock, one.state));
    let probes = status.probes.iter().map(|one| format!("{} {:?}", one.probe, one.quality));
    let holds = status.holds.iter().filter(|one| one.active).map(|one| one.hold.to_string());
    outputs.chain(interlocks).chain(probes).chain(holds).collect()
}

#[test]
fn a_keeper_proves_everything_of_a_sound_lagoon_and_leaves_it_as_it_was() {
    let mut world = ready_lagoon();
    let before = at_rest(&world);
    assert!(!world.tank.status(world.now).outputs[HEATER].untested.is_empty());
    assert_eq!(say(&mut world, ProveAct::Begin, None, None), Outcome::Done);
    go_through(&mut world, Wrong::Nothing);
    let status = world.tank.status(world.now);
    let bad: Vec<_> = status.proofs.proofs.iter().filter(|one| one.state != ProofState::Proven).collect();
    assert!(bad.is_empty(), "{bad:#?}");
    assert_eq!(status.proofs.proofs.len(), 3 + 6 + 6 + 2 + 3 + 1 + 1);
    assert!(status.outputs[HEATER].untested.is_empty(), "{:?}", status.outputs[HEATER].untested);
    let cut_off = proof(&world, "heater-cutoff", Check::CutsOff);
    assert!(cut_off.text.as_ref().is_some_and(|text| text.contains("sump-temp at 27")), "{cut_off:?}");
    assert_eq!(cut_off.by.as_deref(), Some("Ana (the keeper)"));
    world.advance(minutes(30));
    assert_eq!(at_rest(&world), before);
    assert!(!world.raised("proof-failed") && !world.raised("proofs-due"));
}

#[test]
fn a_lifted_float_trips_what_it_guards_and_the_test_s_own_latch_is_reset_by_it() {
    let mut world = ready_lagoon();
    prove(&mut world, "float-high", Wrong::Nothing);
    let text = proof(&world, "float-high", Check::WetAndDry).text.unwrap();
    assert!(text.contains("top-off-high acted (top-off: off, proven by its report)"), "{text}");
    let reset = world
        .journal
        .iter()
        .find(|line| line.subject == "top-off-high" && line.text.contains("reset after its proof test"));
    assert!(reset.is_some(), "{:#?}", world.journal);
    assert!(world.raised("top-off-high-trip"), "the way of alarms is that of a real one");
}

#[test]
fn a_float_that_was_wet_by_water_is_not_reset_by_a_test() {
    let mut world = ready_lagoon();
    world.read(FLOAT, 1.0);
    world.advance(seconds(20));
    // It latched before; now the keeper tests it while it is wet: lifting is no proof of anything that was at rest.
    assert_eq!(say(&mut world, ProveAct::Begin, Some("float-high wet-and-dry"), None), Outcome::Done);
    say(&mut world, ProveAct::Ready, None, None);
    world.reads[FLOAT] = Some(0.0);
    world.advance(minutes(15));
    say(&mut world, ProveAct::Stop, None, None);
    world.advance(minutes(15));
    let status = world.tank.status(world.now);
    assert_eq!(status.interlocks[1].state, "latched");
}

#[test]
fn swapped_topics_are_found_by_the_first_probe_that_is_touched_f08() {
    let mut world = ready_lagoon();
    prove(&mut world, "display-temp moves", Wrong::Swapped(DISPLAY, SUMP));
    let one = proof(&world, "display-temp", Check::Moves);
    assert_eq!(one.state, ProofState::Failed);
    assert!(one.text.unwrap().contains("sump-temp answered and display-temp did not"));
    world.advance(seconds(10));
    assert!(world.raised("proof-failed"));
    // The same with two contacts.
    prove(&mut world, "floor-leak wet-and-dry", Wrong::Swapped(FLOAT, LEAK));
    assert_eq!(proof(&world, "floor-leak", Check::WetAndDry).state, ProofState::Failed);
    // Mended, and proven.
    prove(&mut world, "display-temp moves", Wrong::Nothing);
    prove(&mut world, "floor-leak wet-and-dry", Wrong::Nothing);
    world.advance(minutes(2));
    assert!(world.notices.iter().any(|one| one.name == "proof-failed" && one.what == NoticeKind::Cleared));
}

#[test]
fn a_stuck_float_is_no_result_until_the_person_says_that_it_was_lifted_f16() {
    let mut world = ready_lagoon();
    say(&mut world, ProveAct::Begin, Some("float-high wet-and-dry"), None);
    say(&mut world, ProveAct::Ready, None, None);
    world.advance(minutes(11));
    let now = session(&world).unwrap();
    assert_eq!(now.stage, "ready");
    assert!(now.said.unwrap().contains("nothing was shown within its time"));
    assert_eq!(proof(&world, "float-high", Check::WetAndDry).state, ProofState::Never);
    say(&mut world, ProveAct::Ready, None, None);
    world.advance(seconds(30));
    say(&mut world, ProveAct::No, None, None);
    let one = proof(&world, "float-high", Check::WetAndDry);
    assert_eq!(one.state, ProofState::Failed);
    assert!(one.text.unwrap().contains("a person did it, and it was not seen"));
}

#[test]
fn a_plug_that_ignores_and_a_plug_that_boots_on_fail() {
    let mut world = ready_lagoon();
    world.faults[FAN] = PlugFault::Ignores;
    prove(&mut world, "fan switches", Wrong::Nothing);
    let one = proof(&world, "fan", Check::Switches);
    assert!(one.state == ProofState::Failed && one.text.clone().unwrap().contains("NOT proven"), "{one:?}");
    prove(&mut world, "heater boots", Wrong::BootsOn(HEATER));
    let one = proof(&world, "heater", Check::Boots);
    // It was on before the cut, so coming back on is as bad as remembering.
    assert!(one.state == ProofState::Failed && one.text.clone().unwrap().contains("came back on"), "{one:?}");
    // Nothing hangs on it.
    world.meters[FAN] = Meter::Says(0.0);
    world.faults[FAN] = PlugFault::None;
    prove(&mut world, "fan switches", Wrong::Nothing);
    let one = proof(&world, "fan", Check::Switches);
    assert!(one.state == ProofState::Failed && one.text.clone().unwrap().contains("nothing hangs there"), "{one:?}");
}

#[test]
fn a_wrong_code_is_no_proof_that_the_message_arrived() {
    let mut world = ready_lagoon();
    say(&mut world, ProveAct::Begin, Some("alarm-path"), None);
    say(&mut world, ProveAct::Ready, None, None);
    assert_eq!(say(&mut world, ProveAct::Yes, None, None), Outcome::Refused);
    let code = code(&world);
    assert_eq!(say(&mut world, ProveAct::Yes, None, Some(code + 1)), Outcome::Refused);
    assert_eq!(say(&mut world, ProveAct::Yes, None, Some(code)), Outcome::Done);
    assert_eq!(proof(&world, "alarm-path", Check::Arrives).state, ProofState::Proven);
}

#[test]
fn the_code_of_any_channel_proves_the_alarm_path_and_says_which_one_it_was() {
    for (channel, others) in [("phone", "mail, siren"), ("mail", "phone, siren"), ("siren", "phone, mail")] {
        let mut world = ready_lagoon();
        say(&mut world, ProveAct::Begin, Some("alarm-path"), None);
        say(&mut world, ProveAct::Ready, None, None);
        let asked = session(&world).unwrap().instruction;
        assert!(asked.contains("phone (webhook), mail (mail), siren (topic)"), "{asked}");
        let code = code_by(&world, channel);
        assert_eq!(say(&mut world, ProveAct::Yes, None, Some(code)), Outcome::Done);
        let text = proof(&world, "alarm-path", Check::Arrives).text.unwrap();
        assert!(text.contains(&format!("came by {channel} (")), "{text}");
        assert!(text.contains(&format!("not shown of {others}")), "{text}");
    }
}

#[test]
fn without_a_channel_the_alarm_path_is_refused_and_another_channel_voids_its_proof() {
    let mut lonely = plan();
    lonely.proofs.channels.clear();
    let mut world = World::with(lonely.clone(), crate::control::Remembered::Nothing);
    world.advance(minutes(3));
    say(&mut world, ProveAct::Begin, Some("alarm-path"), None);
    let id = world.ask(Request::Prove { act: ProveAct::Ready, what: None, code: None, signed: None });
    assert_eq!(world.answers[&id].outcome, Outcome::Refused);
    assert!(world.answers[&id].details[0].contains("`notify:`"), "{:?}", world.answers[&id]);
    let mut world = ready_lagoon();
    say(&mut world, ProveAct::Begin, Some("alarm-path"), None);
    say(&mut world, ProveAct::Ready, None, None);
    let code = code(&world);
    say(&mut world, ProveAct::Yes, None, Some(code));
    let now = world.now;
    world.tank = world.tank.clone().replan(lonely, now);
    assert_eq!(proof(&world, "alarm-path", Check::Arrives).state, ProofState::Void);
}

#[test]
fn a_trip_a_hold_and_a_missing_permissive_outrank_a_proof() {
    let mut world = ready_lagoon();
    // Too hot: the heater is not made to heat for anybody.
    world.reads[SUMP] = Some(27.0);
    world.advance(minutes(1));
    say(&mut world, ProveAct::Begin, Some("heater switches"), None);
    assert_eq!(say(&mut world, ProveAct::Ready, None, None), Outcome::Refused);
    world.reads[SUMP] = Some(25.1);
    world.advance(minutes(15));
    assert_eq!(say(&mut world, ProveAct::Ready, None, None), Outcome::Done);
    let from = world.now.steady;
    world.advance(seconds(5));
    assert_eq!(world.plugs[HEATER], Switch::On);
    world.hold("water-change");
    world.advance(seconds(10));
    assert_eq!(world.plugs[HEATER], Switch::Off, "a hold beats it");
    assert_eq!(world.commands_since(from, HEATER), [Switch::On, Switch::Off]);
}

#[test]
fn a_step_that_is_left_gives_back_what_it_changed_and_waits_at_its_beginning() {
    let mut world = ready_lagoon();
    let before = at_rest(&world);
    // Its report does not come, so that the step waits.
    world.faults[RETURN] = PlugFault::Mute;
    assert_eq!(say(&mut world, ProveAct::Begin, Some("return-pump switches"), None), Outcome::Done);
    assert_eq!(say(&mut world, ProveAct::Leave, None, None), Outcome::Done, "nothing is begun, nothing is lost");
    assert_eq!(session(&world).map(|one| (one.stage, one.said)), Some(("ready", None)));
    assert_eq!(say(&mut world, ProveAct::Ready, None, None), Outcome::Done);
    // Between two tries of its command.
    world.advance(Span::from_millis(4500));
    assert_eq!(world.plugs[RETURN], Switch::Off);
    let from = world.now.steady;
    assert_eq!(say(&mut world, ProveAct::Leave, None, None), Outcome::Done);
    assert_eq!(world.commands_since(from, RETURN), [Switch::On], "at once, not at the step's limit");
    let left = session(&world).expect("it is gone on with");
    assert_eq!((left.of.as_str(), left.stage), ("return-pump", "ready"));
    assert!(left.said.is_some_and(|said| said.contains("left")));
    world.advance(minutes(15));
    assert_eq!(at_rest(&world), before);
    // What was asked stays asked: by then everything went back.
    world.faults[RETURN] = PlugFault::None;
    assert_eq!(say(&mut world, ProveAct::Ready, None, None), Outcome::Done);
    world.advance(minutes(1));
    let stage = |world: &World| session(world).map(|one| one.stage);
    assert_eq!(stage(&world), Some("asking"));
    assert_eq!(say(&mut world, ProveAct::Leave, None, None), Outcome::Done);
    assert_eq!(stage(&world), Some("asking"));
    assert_eq!(say(&mut world, ProveAct::Stop, None, None), Outcome::Done);
    assert_eq!(say(&mut world, ProveAct::Leave, None, None), Outcome::Refused, "nothing goes on");
}

#[test]
fn a_proof_grows_old_is_told_once_for_the_tank_and_counts_again_when_it_is_done() {
    let mut plan = plan();
    plan.proofs.safeguards = Span::from_hours(24);
    let mut world = World::with(plan, crate::control::Remembered::Nothing);
    world.meters = vec![Meter::Follows(100.0); 6];
    world.advance(minutes(25));
    for what in ["float-high", "floor-leak", "heater-cutoff", "falls-silent", "alarm-path"] {
        prove(&mut world, what, Wrong::Nothing);
    }
    world.advance(Span::from_hours(23));
    assert!(!world.raised("proofs-due"));
    world.advance(Span::from_hours(2));
    let raised: Vec<_> =
        world.notices.iter().filter(|one| one.name == "proofs-due" && one.what == NoticeKind::Raised).collect();
    assert_eq!(raised.len(), 1);
    assert_eq!(proof(&world, "float-high", Check::WetAndDry).state, ProofState::Due);
    // Bindings have a year.
    assert_eq!(proof(&world, "heater", Check::Switches).state, ProofState::Never);
    say(&mut world, ProveAct::Begin, None, None);
    go_through(&mut world, Wrong::Nothing);
    world.advance(minutes(2));
    assert_eq!(proof(&world, "float-high", Check::WetAndDry).state, ProofState::Proven);
    assert!(!world.tank.status(world.now).alarms.iter().any(|one| &*one.alarm == "proofs-due" && one.active));
}

#[test]
fn another_topic_voids_what_was_proven_of_the_old_one() {
    let mut world = ready_lagoon();
    prove(&mut world, "float-high wet-and-dry", Wrong::Nothing);
    let mut plan = world.tank.plan().clone();
    plan.proofs.probe_marks = vec![String::new(), String::new(), String::new(), "another".to_owned(), String::new()];
    world.reload(plan);
    world.advance(seconds(5));
    assert_eq!(proof(&world, "float-high", Check::WetAndDry).state, ProofState::Void);
    assert_eq!(proof(&world, "float-high", Check::FallsSilent).state, ProofState::Never);
}

/// Killed in each step, at each phase: what was finished stays, and the tank goes on as if nobody had tested.
#[test]
fn a_kill_in_any_step_leaves_what_was_proven_and_nothing_off_or_on() {
    let lagoon = ready_lagoon();
    let steps = lagoon.tank.status(lagoon.now).proofs.proofs.len();
    for step in 0..steps {
        for wait in [0, 20] {
            let mut world = ready_lagoon();
            let before = at_rest(&world);
            say(&mut world, ProveAct::Begin, None, None);
            while session(&world).is_some_and(|session| session.done.len() < step) {
                if session(&world).is_some_and(|session| session.stage == "ready") {
                    say(&mut world, ProveAct::Skip, None, None);
                }
            }
            let at = session(&world).unwrap();
            say(&mut world, ProveAct::Ready, None, None);
            for _ in 0..wait {
                act(&mut world, Wrong::Nothing);
            }
            let done = session(&world).map(|session| session.done.len());
            world.kill_and_restart();
            if let Some(done) = done {
                let now = session(&world).expect("it is gone on with");
                assert_eq!(now.done.len(), done, "{} {:?}", at.of, at.check);
                assert_eq!(now.stage, "ready");
            }
            assert!(world.tank.status(world.now).outputs.iter().all(|output| output.force.is_none()));
            // The keeper goes home, everything is put back.
            world.reads = AT_REST.map(Some).to_vec();
            world.advance(minutes(40));
            assert_eq!(at_rest(&world), before, "{} {:?} after {wait}", at.of, at.check);
        }
    }
}

/// Sessions begun and broken off at random, with whatever is touched, end as if there had been none.
#[test]
fn sessions_broken_off_at_random_leave_the_tank_as_one_without() {
    let mut seed = 7_u64;
    let mut random = |below: u64| {
        seed = seed.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (seed >> 33) % below
    };
    let mut twin = ready_lagoon();
    twin.advance(minutes(75));
    let expected = at_rest(&twin);
    let mut switched = 0;
    for run in 0..16 {
        let mut world = ready_lagoon();
        let keys: Vec<String> = {
            let proofs = world.tank.status(world.now).proofs.proofs;
            proofs.iter().map(|one| format!("{} {}", one.of, one.check.word())).collect()
        };
        for _ in 0..3 {
            let what = &keys[usize::try_from(random(keys.len() as u64)).unwrap()];
            say(&mut world, ProveAct::Begin, Some(what), None);
            say(&mut world, ProveAct::Ready, None, None);
            for _ in 0..random(60) {
                match random(12) {
                    0 => world.advance(seconds(random(90))),
                    1 => drop(say(&mut world, ProveAct::Skip, None, None)),
                    _ => act(&mut world, Wrong::Nothing),
                }
            }
            match random(4) {
                0 => world.kill_and_restart(),
                1 => drop(say(&mut world, ProveAct::Stop, None, None)),
                2 => {
                    world.step(Event::BrokerLost);
                    world.advance(seconds(5));
                    world.step(Event::BrokerConnected);
                }
                _ => {}
            }
            world.reads = AT_REST.map(Some).to_vec();
            if random(2) == 0 {
                world.advance(seconds(random(400)));
            }
        }
        world.advance(minutes(75));
        switched += world.journal.iter().filter(|line| line.text.contains("forced by proof test")).count();
        assert!(session(&world).is_none(), "it ends by itself");
        assert_eq!(
            at_rest(&world),
            expected,
            "run {run}: {:#?}",
            world.journal.iter().rev().take(40).collect::<Vec<_>>()
        );
    }
    assert!(switched > 3, "the sessions did switch something: {switched}");
}
