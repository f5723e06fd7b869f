//! When a reading is evidence, and what is learned from it.

use super::*;
use crate::control::tests::lagoon;

const OVER_5: Ask = (Side::Above, DrawLimit::Watts(5.0));

fn heater() -> OutputPlan {
    lagoon::plan().outputs[lagoon::HEATER].clone()
}

fn at(seconds: u64) -> Steady {
    Steady::from_millis(seconds * 1000)
}

/// A meter that speaks every ten seconds from 10 s on, of a plug that was switched at 0.
fn heard(plan: &OutputPlan, watts: &[f64]) -> (Power, Steady) {
    let mut power = Power::new(at(0));
    let mut now = at(0);
    for watts in watts {
        now = now.after(Span::from_seconds(10));
        power.metered(plan, &[OVER_5], *watts, true, now);
    }
    (power, now)
}

#[test]
fn a_reading_is_evidence_for_three_of_its_intervals_and_never_past_the_stale_limit() {
    let plan = heater();
    let (power, now) = heard(&plan, &[100.0; 4]);
    let draws = |millis| power.draws(&plan, OVER_5.0, OVER_5.1, now.after(Span::from_millis(millis)));
    assert_eq!(draws(29_999), Truth::True);
    assert_eq!(draws(30_000), Truth::Unknown, "three of ten seconds");
    // One reading alone has no interval yet.
    let (once, first) = heard(&plan, &[100.0]);
    let draws = |seconds| once.draws(&plan, OVER_5.0, OVER_5.1, first.after(Span::from_seconds(seconds)));
    assert_eq!((draws(59), draws(60)), (Truth::True, Truth::Unknown), "the stale limit of 60 s");
}

#[test]
fn doubled_messages_do_not_make_a_meter_stale() {
    let plan = heater();
    let mut power = Power::new(at(0));
    for second in (10..200).step_by(10) {
        for millis in [0, 3] {
            let now = Steady::from_millis(second * 1000 + millis);
            power.metered(&plan, &[OVER_5], 100.0, true, now);
        }
    }
    assert_eq!(power.draws(&plan, OVER_5.0, OVER_5.1, at(219)), Truth::True);
}

#[test]
fn a_reading_from_before_a_switch_or_right_after_it_is_no_evidence() {
    let plan = heater();
    let (mut power, now) = heard(&plan, &[100.0; 4]);
    power.switched(now.after(Span::from_seconds(1)));
    let draws = |power: &Power, seconds| power.draws(&plan, OVER_5.0, OVER_5.1, now.after(Span::from_seconds(seconds)));
    assert_eq!(draws(&power, 2), Truth::Unknown);
    // In flight while the relay moved.
    power.metered(&plan, &[OVER_5], 100.0, false, now.after(Span::from_seconds(3)));
    assert_eq!(draws(&power, 4), Truth::Unknown);
    power.metered(&plan, &[OVER_5], 0.0, false, now.after(Span::from_seconds(10)));
    assert_eq!(draws(&power, 10), Truth::False);
}

#[test]
fn twenty_settled_readings_while_proven_on_are_learned_by_their_median() {
    let plan = heater();
    let (mut power, mut now) = heard(&plan, &[100.0; 19]);
    assert_eq!(power.usual, None);
    let mut say = |power: &mut Power, watts, proven_on| {
        now = now.after(Span::from_seconds(10));
        power.metered(&plan, &[OVER_5], watts, proven_on, now)
    };
    say(&mut power, 180.0, false);
    say(&mut power, 0.2, true);
    assert_eq!(power.usual, None, "what is not proven on, or nothing, is not learned");
    assert!(say(&mut power, 140.0, true), "worth saving");
    let usual = power.usual.expect("learned");
    assert!((usual.watts - 100.0).abs() < 1e-9, "one reading moves no median: {usual:?}");
    assert!((usual.greatest - 100.0).abs() < 1e-9, "{usual:?}");
}

#[test]
fn what_nobody_confirmed_moves_no_trip() {
    let plan = heater();
    let excess = |power: &Power, now| power.draws(&plan, Side::Above, DrawLimit::ExcessTwice, now);
    // 60 W are learned; the rating says 100 W.
    let (mut power, now) = heard(&plan, &[60.0; 20]);
    let (first, second) = (now.after(Span::from_seconds(10)), now.after(Span::from_seconds(20)));
    power.metered(&plan, &[OVER_5], 75.0, true, first);
    power.metered(&plan, &[OVER_5], 75.0, true, second);
    assert_eq!(excess(&power, second), Truth::False, "the rating is what counts");
    power.confirmed = power.usual.map(|usual| usual.watts);
    assert_eq!(excess(&power, second), Truth::True, "over 69 W");
}

#[test]
fn one_spike_is_no_excess_and_two_in_a_row_are() {
    let plan = heater();
    let (mut power, mut now) = heard(&plan, &[100.0; 3]);
    let excess = |power: &Power, now| power.draws(&plan, Side::Above, DrawLimit::ExcessTwice, now);
    let mut say = |power: &mut Power, watts| {
        now = now.after(Span::from_seconds(10));
        power.metered(&plan, &[OVER_5], watts, true, now);
        excess(power, now)
    };
    assert_eq!(say(&mut power, 125.0), Truth::False, "a high mains voltage is no fault");
    assert_eq!(say(&mut power, 180.0), Truth::False, "one reading");
    assert_eq!(say(&mut power, 100.0), Truth::False);
    assert_eq!(say(&mut power, 180.0), Truth::False);
    assert_eq!(say(&mut power, 180.0), Truth::True);
}

#[test]
fn a_damaged_record_is_not_believed() {
    let mut power = Power::new(at(0));
    let broken = UsualPower { watts: f64::NAN, least: 0.0, greatest: 0.0, lively: false };
    power.remember(Some(broken), Some(-3.0));
    assert_eq!((power.usual, power.confirmed), (None, None));
}

#[test]
fn the_idle_limit_follows_the_rating() {
    let mut plan = heater();
    assert!((plan.idle_watts() - 5.0).abs() < 1e-9);
    plan.rating = Watts::from_watts(5.0).ok();
    assert!((plan.idle_watts() - 1.0).abs() < 1e-9);
}

#[test]
fn energy_is_the_mean_of_two_readings_over_their_time_and_a_silence_has_none() {
    let plan = heater();
    let (mut power, now) = heard(&plan, &[100.0; 4]);
    let joules_after = |power: &mut Power, watts, seconds| {
        power.metered(&plan, &[OVER_5], watts, true, now.after(Span::from_seconds(seconds)));
        power.joules
    };
    let near = |joules: f64, expected: f64| assert!((joules - expected).abs() < 1e-6, "{joules} J");
    near(power.joules, 100.0 * 30.0);
    near(joules_after(&mut power, 50.0, 10), 3000.0 + 75.0 * 10.0);
    // As long as the stale limit, and longer.
    near(joules_after(&mut power, 50.0, 70), 3750.0 + 50.0 * 60.0);
    near(joules_after(&mut power, 50.0, 131), 6750.0);
    // A meter that counts backwards gives nothing back, and what cannot be added is left out.
    near(joules_after(&mut power, -200.0, 141), 6750.0);
    near(joules_after(&mut power, f64::MAX, 202), 6750.0);
    near(joules_after(&mut power, f64::MAX, 212), 6750.0);
}

#[test]
fn control_looks_again_when_an_answer_changes_a_meter_is_found_or_speaks_more_often_and_only_then() {
    let plan = heater();
    let mut power = Power::new(at(0));
    let mut say = |asks: &[Ask], watts, seconds| power.metered(&plan, asks, watts, false, at(seconds));
    assert!(say(&[], 100.0, 10), "heard for the first time");
    for second in [40, 50, 60, 70, 80, 90, 100, 110] {
        assert!(!say(&[OVER_5], 100.0, second), "{second} s: the same");
    }
    assert!(say(&[OVER_5], 100.0, 120), "the gap of 30 s is not among the last eight: old after 30 s, and no more 60");
    assert!(!say(&[OVER_5], 100.0, 130));
    assert!(say(&[OVER_5], 2.0, 140), "below the limit");
    assert!(!say(&[OVER_5], 2.0, 150));
    let below_5 = (Side::Below, DrawLimit::Watts(5.0));
    assert!(say(&[below_5, OVER_5], 100.0, 160));
    assert!(!say(&[below_5, OVER_5], 100.0, 170));
    assert!(say(&[], 100.0, 230), "it was lost");
    assert!(say(&[OVER_5; 33], 100.0, 240), "more asks than are followed");
}

#[test]
fn what_is_usual_is_worked_out_anew_each_ten_readings_and_saved_when_it_moved() {
    let plan = heater();
    let (mut power, mut now) = heard(&plan, &[100.0; 20]);
    let mut say = |power: &mut Power, watts: f64, times: usize| {
        let news = (0..times).filter(|_| {
            now = now.after(Span::from_seconds(10));
            power.metered(&plan, &[OVER_5], watts, true, now)
        });
        news.count()
    };
    assert_eq!(power.progress(), (20, 20));
    assert_eq!(say(&mut power, 110.0, 9), 0);
    let range = |power: &Power| power.usual.map(|usual| (usual.least, usual.watts, usual.greatest));
    assert_eq!(range(&power), Some((100.0, 100.0, 100.0)));
    assert_eq!(say(&mut power, 110.0, 1), 0, "the median did not move");
    assert_eq!(range(&power), Some((100.0, 100.0, 110.0)));
    // Of the last sixty, one in twenty at each end is left out.
    assert_eq!(say(&mut power, 101.9, 60), 0, "by less than a fiftieth");
    assert_eq!(range(&power), Some((101.9, 101.9, 101.9)));
    assert_eq!(say(&mut power, 102.1, 60), 1);
    assert_eq!(say(&mut power, 150.0, 3), 0);
    assert_eq!(say(&mut power, 103.0, 57), 0);
    assert_eq!(range(&power), Some((103.0, 103.0, 103.0)));
}

#[test]
fn too_soon_after_a_switch_nothing_is_learned() {
    let plan = heater();
    let mut power = Power::new(at(0));
    let at = |millis| Steady::from_millis(millis);
    power.metered(&plan, &[], 100.0, true, at(9_999));
    assert_eq!(power.progress().0, 0);
    power.metered(&plan, &[], 100.0, true, at(10_000));
    assert_eq!(power.progress().0, 1);
    power.metered(&plan, &[], 1.0, true, at(20_000));
    assert_eq!(power.progress().0, 1, "nothing is drawn");
}

#[test]
fn evidence_begins_five_seconds_after_a_switch_and_a_pair_of_readings_is_of_one_state() {
    let plan = heater();
    let (mut power, now) = heard(&plan, &[180.0; 3]);
    let after = |millis| now.after(Span::from_millis(millis));
    power.switched(now);
    let excess = |power: &Power, now| power.draws(&plan, Side::Above, DrawLimit::ExcessTwice, now);
    power.metered(&plan, &[], 180.0, true, after(4_999));
    assert_eq!(excess(&power, after(4_999)), Truth::Unknown);
    power.metered(&plan, &[], 180.0, true, after(5_000));
    assert_eq!(excess(&power, after(5_000)), Truth::False, "the one before was no evidence");
    assert_eq!(power.settled_now(&plan, after(5_000)), None);
    power.metered(&plan, &[], 180.0, true, after(6_000));
    assert_eq!(excess(&power, after(6_000)), Truth::True);
    power.forget();
    power.metered(&plan, &[], 180.0, true, after(9_000));
    assert_eq!(excess(&power, after(9_000)), Truth::False, "what was read before an outage is no second reading");
}

#[test]
fn two_readings_agree_within_a_tenth_or_two_watts() {
    let plan = heater();
    let settled = |watts: [f64; 2]| {
        let (power, now) = heard(&plan, &watts);
        power.settled_now(&plan, now)
    };
    assert_eq!(settled([100.0, 111.0]), Some(111.0));
    assert_eq!(settled([100.0, 111.2]), None);
    assert_eq!(settled([5.0, 7.0]), Some(7.0));
    assert_eq!(settled([5.0, 7.1]), None);
}

#[test]
fn a_small_load_may_differ_by_two_watts_whatever_the_share() {
    let plan = heater();
    let draws = |confirmed, side, limit, watts| {
        let (mut power, now) = heard(&plan, &[watts; 2]);
        power.confirm(confirmed);
        power.draws(&plan, side, limit, now)
    };
    let excess = |confirmed, watts| draws(confirmed, Side::Above, DrawLimit::Excess, watts);
    assert_eq!((excess(5.0, 6.9), excess(5.0, 7.1)), (Truth::False, Truth::True), "5 W and 2");
    assert_eq!((excess(100.0, 114.9), excess(100.0, 115.1)), (Truth::False, Truth::True), "115 %");
    let half = |confirmed, watts| draws(confirmed, Side::Below, DrawLimit::Share(0.5), watts);
    assert_eq!((half(3.0, 1.1), half(3.0, 0.9)), (Truth::False, Truth::True), "3 W less 2");
    assert_eq!((half(100.0, 50.1), half(100.0, 49.9)), (Truth::False, Truth::True), "half");
}

#[test]
fn a_reading_grows_old_at_a_known_moment() {
    let plan = heater();
    let (power, now) = heard(&plan, &[100.0; 4]);
    assert_eq!(power.expires(&plan, now), Some(now.after(Span::from_seconds(30))));
    assert_eq!(power.expires(&plan, now.after(Span::from_seconds(30))), None);
}
