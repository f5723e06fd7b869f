//! Who speaks for whom as things come and go, what one notice names, and what the journal keeps of it.

use super::alarms::*;
use super::lagoon::*;
use crate::control::Remembered;
use crate::control::effect::NoticeKind;
use crate::control::event::{Event, Request};
use crate::control::plan::*;
use crate::control::status::Nuisance;
use crate::units::Quantity;

fn told(world: &World, name: &str) -> usize {
    notices(world, NoticeKind::Raised).iter().filter(|told| *told == name).count()
}

fn lines(world: &World, name: &str) -> Vec<String> {
    let of = world.journal.iter().filter(|line| line.subject == name);
    of.map(|line| line.text.split([':', ',']).next().unwrap_or_default().to_owned()).collect()
}

fn priority(plan: &mut TankPlan, name: &str, priority: Priority, on_delay: u64) {
    let alarm = plan.alarms.iter_mut().find(|alarm| &*alarm.name == name).expect("an alarm of that name");
    alarm.priority = priority;
    alarm.on_delay = seconds(on_delay);
}

/// The level falls below the intake of the pump at once, and the trip follows ten seconds later.
fn world_where_the_alarm_comes_first(of_alarm: Priority, of_trip: Priority) -> World {
    let mut plan = grouped();
    let low = plan.add(compare(1, Estimate::Voted, Side::Below, -95.0, Doubtful::Counts));
    let at = plan.alarms.iter().position(|alarm| &*alarm.name == "sump-low").unwrap();
    plan.alarms[at].source = AlarmSource::Condition(low);
    priority(&mut plan, "sump-low", of_alarm, 0);
    priority(&mut plan, "return-pump-dry-trip", of_trip, 0);
    let mut world = World::with(plan, Remembered::Nothing);
    world.advance(minutes(5));
    world.reads[LEVEL] = Some(-100.0);
    world.advance(seconds(45));
    assert_eq!(told(&world, "sump-low"), 1);
    assert_eq!(status(&world, "return-pump-dry-trip").state, "UNACK");
    world
}

#[test]
fn a_head_that_was_told_before_speaks_for_its_like_and_for_nothing_more_urgent() {
    for (head, member, speaks) in [
        (Priority::Medium, Priority::Low, true),
        (Priority::Medium, Priority::Medium, true),
        (Priority::Medium, Priority::High, false),
        (Priority::Medium, Priority::Urgent, false),
        (Priority::Urgent, Priority::High, true),
        (Priority::Urgent, Priority::Urgent, false),
    ] {
        let world = world_where_the_alarm_comes_first(head, member);
        assert_eq!(told(&world, "return-pump-dry-trip") == 0, speaks, "{head:?} for {member:?}");
        let part = status(&world, "return-pump-dry-trip").part_of;
        assert_eq!(part.as_deref(), Some("sump-low"), "it says so either way");
    }
}

#[test]
fn an_alarm_that_once_spoke_for_itself_is_a_member_the_next_time_and_speaks_again_when_its_head_is_over() {
    let mut world = settled();
    world.ask(shelve("sump-low", 1));
    world.reads[LEVEL] = Some(-100.0);
    world.advance(minutes(1));
    assert_eq!(told(&world, "return-pump-dry-trip"), 1, "nobody waits for what is shelved");
    world.reads[LEVEL] = Some(0.0);
    world.advance(minutes(2));
    assert_eq!(status(&world, "return-pump-dry-trip").state, "RTNUN");
    world.ask(Request::Unshelve { alarm: "sump-low".to_owned() });
    world.reads[LEVEL] = Some(-100.0);
    world.advance(minutes(1));
    assert_eq!((told(&world, "sump-low"), told(&world, "return-pump-dry-trip")), (1, 1));
    world.ask(shelve("sump-low", 1));
    world.advance(seconds(10));
    assert_eq!(told(&world, "return-pump-dry-trip"), 2, "its head is shelved, and it stands");
    let written = lines(&world, "return-pump-dry-trip");
    assert_eq!(written, ["raised", "cleared", "raised", "told"]);
}

#[test]
fn what_was_told_is_not_told_again_when_another_one_is_freed() {
    let mut world = settled();
    world.reads[LEVEL] = Some(-100.0);
    world.advance(minutes(10));
    assert_eq!(told(&world, "sump-low"), 1);
    // A member stands untold for all that time, and is looked at in each step.
    assert!(status(&world, "return-pump-dry-trip").active);
    assert_eq!(told(&world, "return-pump-dry-trip"), 0);
}

#[test]
fn an_alarm_in_the_step_of_one_that_is_explained_is_told() {
    let mut plan = grouped();
    let low = plan.interlocks[2].cause;
    let first = AlarmPlan { ..alarm("very-low", Priority::Urgent, AlarmSource::Condition(low), 20) };
    plan.alarms.insert(0, first);
    let mut world = World::with(plan, Remembered::Nothing);
    world.advance(minutes(5));
    world.hold("feeding");
    world.reads[LEVEL] = Some(-100.0);
    world.advance(minutes(1));
    assert_eq!(status(&world, "sump-low").state, "DSUPR", "the hold explains it");
    assert_eq!((told(&world, "very-low"), told(&world, "sump-low")), (1, 0), "and nothing explains an urgent one");
}

#[test]
fn things_that_fall_silent_minutes_apart_are_each_told() {
    let mut world = settled();
    for (probe, name) in [(LEVEL, "sump-level-lost"), (FLOAT, "float-high-lost"), (LEAK, "floor-leak-lost")] {
        world.reads[probe] = None;
        world.advance(minutes(6));
        assert_eq!(told(&world, name), 1, "{name}");
        let notice = notice(&world, name);
        assert!(!notice.text.contains("probes and plugs"), "{}", notice.text);
        assert_eq!((notice.group.len(), &notice.part_of), (0, &None));
    }
}

#[test]
fn things_that_fall_silent_one_after_the_other_are_one_fault_since_the_first() {
    let mut plan = grouped();
    priority(&mut plan, "floor-leak-lost", Priority::Urgent, 60);
    let mut world = World::with(plan, Remembered::Nothing);
    world.advance(minutes(5));
    // 10:05 and 10:07 in UTC are 11:05 and 11:07 in Lisbon; silent is what said nothing for a minute.
    for probe in [LEVEL, FLOAT, LEAK] {
        world.reads[probe] = None;
        world.advance(minutes(1));
    }
    world.advance(minutes(4));
    let all = ["sump-level-lost", "float-high-lost", "floor-leak-lost"];
    assert_eq!(all.map(|name| told(&world, name)), [1, 0, 1], "the first, and the urgent one for itself");
    let notice = notice(&world, "floor-leak-lost");
    assert!(notice.text.starts_with("3 probes and plugs are silent since 11:05"), "{}", notice.text);
    assert_eq!(notice.part_of.as_deref(), Some("sump-level-lost"));
}

#[test]
fn a_notice_names_those_for_whom_it_speaks_and_nobody_else() {
    let mut world = settled();
    // A silent probe in its delay has nothing to do with the level.
    world.reads[SUMP] = None;
    world.advance(seconds(70));
    world.reads[LEVEL] = Some(-100.0);
    world.advance(minutes(3));
    assert_eq!(told(&world, "sump-temp-lost"), 1);
    assert_eq!(notice(&world, "sump-low").group, ["return-pump-dry-trip"]);
    assert_eq!(notice(&world, "sump-temp-lost").group, [""; 0]);
}

#[test]
fn a_trip_whose_cause_cannot_be_seen_is_explained_by_the_broker_alone() {
    // Nothing is heard of the water: the cut-off trips for that, and is told.
    let mut world = settled();
    for probe in [DISPLAY, SUMP] {
        world.reads[probe] = None;
    }
    world.advance(minutes(3));
    assert_eq!(told(&world, "heater-cutoff-trip"), 1);
    assert_eq!(status(&world, "heater-cutoff-trip").state, "UNACK");
    // The same while the broker is away is told as that.
    let mut world = settled();
    world.broker = false;
    world.step(Event::BrokerLost);
    world.advance(minutes(3));
    assert_eq!((told(&world, "heater-cutoff-trip"), status(&world, "heater-cutoff-trip").state), (0, "DSUPR"));
    // Hot water is hot, whoever is away: it was seen.
    let mut world = settled();
    for probe in [DISPLAY, SUMP] {
        world.reads[probe] = Some(26.4);
    }
    world.advance(seconds(30));
    assert_eq!(told(&world, "heater-cutoff-trip"), 1);
    world.broker = false;
    world.step(Event::BrokerLost);
    world.advance(seconds(5));
    assert_eq!(status(&world, "heater-cutoff-trip").state, "UNACK");
}

#[test]
fn two_returns_in_a_minute_are_no_chatter_and_three_are() {
    let mut world = splashed();
    for (returns, chatters) in [(1, false), (2, false), (3, true)] {
        for wet in [1.0, 0.0] {
            world.read(LEAK, wet);
            world.advance(seconds(10));
        }
        let shown = status(&world, "splash").nuisance.contains(&Nuisance::Chattering);
        assert_eq!(shown, chatters, "after {returns} returns");
    }
    for alarm in world.tank.status(world.now).alarms.iter().filter(|alarm| &*alarm.alarm != "splash") {
        assert!(!alarm.nuisance.contains(&Nuisance::Chattering), "{alarm:?}");
    }
}

#[test]
fn the_journal_says_what_became_of_an_alarm_in_its_own_words() {
    let mut world = settled();
    world.reads[SUMP] = None;
    world.advance(minutes(5));
    let name = || "sump-temp-lost".to_owned();
    world.ask(shelve("sump-temp-lost", 1));
    world.ask(Request::Unshelve { alarm: name() });
    world.advance(seconds(10));
    world.ask(Request::OutOfService { alarm: name(), why: "its cable is at the mender's".to_owned() });
    world.ask(Request::ReturnToService { alarm: name() });
    world.advance(seconds(10));
    world.broker = false;
    world.step(Event::BrokerLost);
    world.advance(minutes(5));
    world.reads[SUMP] = Some(25.0);
    world.broker = true;
    world.step(Event::BrokerConnected);
    world.advance(minutes(5));
    let expected =
        ["raised", "shelved", "unshelved", "raised", "removed", "returned", "raised", "suppressed", "unsuppressed"];
    assert_eq!(lines(&world, "sump-temp-lost"), expected);
    let shown = status(&world, "sump-temp-lost");
    assert!(shown.state == "NORM" && shown.aside.is_none(), "{shown:?}");
}

#[test]
fn what_is_out_of_service_and_made_urgent_comes_back_and_says_so() {
    let mut world = settled();
    world.ask(Request::OutOfService { alarm: "sump-temp-lost".to_owned(), why: "no cable".to_owned() });
    world.reads[SUMP] = None;
    world.advance(minutes(5));
    assert_eq!(told(&world, "sump-temp-lost"), 0);
    let mut plan = grouped();
    priority(&mut plan, "sump-temp-lost", Priority::Urgent, 0);
    world.reload(plan);
    world.advance(seconds(10));
    assert_eq!(told(&world, "sump-temp-lost"), 1);
    assert_eq!(lines(&world, "sump-temp-lost"), ["removed", "returned", "raised"]);
}

#[test]
fn a_flow_probe_is_measured_in_its_notice_and_a_float_is_not() {
    let mut plan = plan();
    let flow = plan.probes.len();
    plan.probes.push(probe("return-flow", Quantity::Flow, 0.0, 30.0));
    plan.signals.push(signal("return-flow", Quantity::Flow, &[flow]));
    let little = plan.add(compare(plan.signals.len() - 1, Estimate::Highest, Side::Below, 3.0, Doubtful::Counts));
    plan.alarms.push(at_once("little-flow", AlarmSource::Condition(little)));
    let mut world = World::with(plan, Remembered::Nothing);
    world.reads.push(Some(1.0));
    world.advance(minutes(5));
    let measured = notice(&world, "little-flow").value.clone().unwrap();
    assert_eq!((measured.value, measured.unit.as_str()), (Some(1.0), "L/min"));
    world.reads[FLOAT] = Some(1.0);
    world.advance(minutes(1));
    let measured = notice(&world, "top-off-high-trip").value.clone().unwrap();
    assert_eq!((measured.value, measured.unit.as_str()), (None, ""));
}

#[test]
fn acknowledging_a_doubt_is_to_believe_the_probe_and_acknowledging_something_else_is_not() {
    let doubted = || {
        let mut world = settled();
        // 1.2 K within half a minute is faster than this water can, and it stays there: 120 s on it is told.
        world.reads[DISPLAY] = Some(23.9);
        world.advance(minutes(4));
        assert_eq!(status(&world, "display-temp-lost").state, "UNACK");
        world
    };
    let mut world = doubted();
    world.ask(Request::Acknowledge { alarm: Some("bypassed".to_owned()) });
    world.advance(minutes(4));
    assert_eq!(status(&world, "display-temp-lost").state, "UNACK", "nobody has said that it is so");
    world.ask(Request::Acknowledge { alarm: Some("display-temp-lost".to_owned()) });
    world.advance(minutes(1));
    assert_eq!(status(&world, "display-temp-lost").state, "NORM", "the keeper believes it");

    // Of a signal: both jumped together, so that nothing good is left.
    let mut world = settled();
    for probe in [DISPLAY, SUMP] {
        world.reads[probe] = Some(23.9);
    }
    world.advance(minutes(4));
    assert_eq!(status(&world, "water-temp-lost").state, "UNACK");
    world.ask(Request::Acknowledge { alarm: Some("water-temp-lost".to_owned()) });
    world.advance(minutes(1));
    assert_eq!(status(&world, "water-temp-lost").state, "NORM");
}

#[test]
fn a_reload_keeps_what_was_seen_told_and_set_aside() {
    let mut world = settled();
    world.reads[SUMP] = None;
    world.reads[LEVEL] = Some(-100.0);
    world.advance(minutes(4));
    world.ask(Request::Acknowledge { alarm: Some("sump-temp-lost".to_owned()) });
    world.ask(shelve("proof-failed", 1));
    let before = notices(&world, NoticeKind::Raised).len();
    world.reload(grouped());
    world.advance(minutes(4));
    assert_eq!(status(&world, "sump-temp-lost").state, "ACKED");
    assert_eq!(status(&world, "proof-failed").state, "SHLVD");
    assert_eq!(status(&world, "return-pump-dry-trip").part_of.as_deref(), Some("sump-low"));
    assert_eq!(notices(&world, NoticeKind::Raised).len(), before, "nothing is told a second time");
}

#[test]
fn a_member_that_was_not_told_is_still_its_head_s_after_a_kill() {
    let mut world = settled();
    world.reads[LEVEL] = Some(-100.0);
    world.advance(minutes(1));
    assert_eq!(told(&world, "return-pump-dry-trip"), 0);
    world.kill_and_restart();
    world.advance(minutes(1));
    assert_eq!(told(&world, "return-pump-dry-trip"), 0, "its head was told, and still stands");
    world.ask(shelve("sump-low", 1));
    world.advance(seconds(10));
    assert_eq!(told(&world, "return-pump-dry-trip"), 1);
}

#[test]
fn who_acknowledges_a_head_has_seen_only_those_for_whom_it_spoke() {
    let world = || world_where_the_alarm_comes_first(Priority::Medium, Priority::Urgent);
    let mut with = world();
    with.reads[SUMP] = None;
    with.advance(minutes(4));
    assert_eq!(status(&with, "sump-temp-lost").state, "UNACK");
    with.ask(Request::Acknowledge { alarm: Some("sump-low".to_owned()) });
    assert_eq!(status(&with, "sump-low").state, "ACKED");
    assert_eq!(status(&with, "return-pump-dry-trip").state, "UNACK", "it speaks for itself, so it is seen by itself");
    assert_eq!(status(&with, "sump-temp-lost").state, "UNACK");
}

#[test]
fn an_acknowledged_jump_of_the_clock_is_over() {
    let mut world = settled();
    world.now.wall = world.now.wall.after(crate::time::Span::from_hours(3));
    world.advance(seconds(20));
    assert_eq!(status(&world, "clock-jumped").state, "UNACK");
    world.ask(Request::Acknowledge { alarm: Some("clock-jumped".to_owned()) });
    world.advance(seconds(20));
    assert_eq!(status(&world, "clock-jumped").state, "NORM");
}

#[test]
fn a_notice_says_what_was_done_and_how_far_that_is_proven() {
    let did = |alarm: &str, set: &dyn Fn(&mut World)| {
        let mut world = settled();
        set(&mut world);
        // No faster than water can.
        for celsius in [24.8, 24.6, 24.4, 24.2, 24.0, 23.8, 23.8, 23.8] {
            (world.reads[DISPLAY], world.reads[SUMP]) = (Some(celsius), Some(celsius));
            world.advance(minutes(1));
        }
        let told = notice(&world, alarm);
        told.did.iter().find(|did| did.starts_with("heater")).cloned().unwrap_or_default()
    };
    let proven = did("water-temp-low", &|_| {});
    assert!(proven.starts_with("heater was turned on at ") && proven.ends_with(", and that is proven"), "{proven}");
    let deaf = did("heater-not-proven", &|world| world.faults[HEATER] = PlugFault::Ignores);
    assert!(deaf.ends_with(", and that is NOT proven"), "{deaf}");
}
