//! What is owed, what was given, what is in the container: each at its limits. Invented pump.

use super::*;
use crate::control::dosing::{Adds, DosingPlan};
use crate::control::ids::OutputId;

/// Twenty-four slots of 1 mL.
fn plan() -> DosingPlan {
    DosingPlan {
        output: OutputId::new(0),
        adds: Adds::Carbonate,
        per_day: 24.0,
        slots: slots::even(24, 0, 0.5),
        delivers: 5.0,
        most_per_day: 48.0,
        most_per_hour: 4.0,
        dkh_per_ml: None,
        container: 500.0,
        partner: None,
        apart: Span::from_minutes(15),
    }
}

fn book() -> Book {
    let mut book = Book::default();
    book.adopt(&plan());
    book
}

fn slot(day: i32, hour: u32) -> SlotId {
    SlotId { day, at: hour * 3600 }
}

fn near(value: f64, expected: f64) {
    assert!((value - expected).abs() < 1e-9, "{value}, not {expected}");
}

#[test]
fn a_slot_gives_its_part_and_at_most_a_quarter_more_of_what_is_owed() {
    let book = |owed, correction, correction_left| Book { owed, correction, correction_left, ..book() };
    assert_eq!(book(0.0, 0.0, 0.0).slot_ml(0.5), (12.0, 0.0));
    assert_eq!(book(1.0, 0.0, 0.0).slot_ml(0.5), (12.0, 1.0));
    assert_eq!(book(5.0, 0.0, 0.0).slot_ml(0.5), (12.0, 3.0));
    // A correction counts until nothing of it is left, and takes no more away than there is.
    assert_eq!(book(0.0, 6.0, 1.0).slot_ml(0.5), (15.0, 0.0));
    assert_eq!(book(0.0, 6.0, 0.0).slot_ml(0.5), (12.0, 0.0));
    assert_eq!(book(1.0, -30.0, -9.0).slot_ml(0.5), (0.0, 0.0));
}

#[test]
fn what_is_missed_is_owed_up_to_a_quarter_of_a_day_and_after_a_day_not_at_all() {
    let plan = plan();
    let missed = |hours: u32| {
        let mut book = book();
        assert_eq!(book.advance(&plan, slot(1, 0)), None, "a new pump begins with its next slot");
        book.begin(slot(1, 0), 1.0, 0.0);
        let text = book
            .advance(&plan, SlotId { day: 1 + i32::try_from((hours + 1) / 24).unwrap(), at: (hours + 1) % 24 * 3600 });
        (book.missed_in_row, book.owed, text)
    };
    assert_eq!(missed(0), (0, 0.0, None));
    let (slots, owed, text) = missed(1);
    near(owed, 1.0);
    assert!(slots == 1 && text.is_some_and(|text| text.contains("1 slot was missed; 1.00 mL are made up for")));
    let (_, owed, text) = missed(2);
    near(owed, 2.0);
    assert!(text.is_some_and(|text| text.contains("2 slots were missed")));
    near(missed(23).1, 6.0);
    let (slots, owed, text) = missed(24);
    assert_eq!((slots, owed), (24, 0.0));
    assert!(text.is_some_and(|text| text.contains("test the water first")));
}

#[test]
fn slots_of_a_pump_without_a_plan_are_not_missed() {
    let mut book = Book { maintenance: 0.0, ..book() };
    book.advance(&plan(), slot(1, 0));
    assert_eq!(book.advance(&plan(), slot(2, 0)), None);
    assert_eq!((book.missed_in_row, book.last), (0, Some(slot(1, 23))));
}

#[test]
fn a_dose_pays_what_was_owed_and_its_part_of_a_correction() {
    let mut book = Book { owed: 1.0, behind: 0.5, missed_in_row: 3, correction: 6.0, correction_left: 1.0, ..book() };
    // A day has 30 mL with the correction, of which a fifth is it.
    book.begin(slot(1, 3), 2.5, 0.6);
    near(book.owed, 0.4);
    near(book.behind, 0.5 - 0.6 / 30.0);
    near(book.correction_left, 0.5);
    assert_eq!((book.missed_in_row, book.doses, book.last), (0, 1, Some(slot(1, 3))));
    book.begin(slot(1, 4), 5.0, 0.6);
    near(book.correction_left, 0.0);
    near(book.owed, 0.0);
    // One that takes away comes to its end from the other side.
    let mut less = Book { correction: -12.0, correction_left: -1.0, ..self::book() };
    less.begin(slot(1, 3), 0.5, 0.0);
    near(less.correction_left, -0.5);
    less.begin(slot(1, 4), 1.0, 0.0);
    near(less.correction_left, 0.0);
    near(less.per_day(), 24.0);
}

#[test]
fn what_nobody_knows_counts_as_given_and_only_a_correction_that_takes_away_stays() {
    let mut more =
        Book { owed: 2.0, behind: 0.4, correction: 3.0, correction_left: 9.0, last: Some(slot(5, 1)), ..book() };
    more.assume_given(&plan(), slot(4, 0));
    assert_eq!((more.owed, more.behind, more.correction, more.correction_left), (0.0, 0.0, 0.0, 0.0));
    assert_eq!((more.last, more.missed_in_row), (Some(slot(5, 1)), 24), "no slot comes back");
    let mut less = Book { correction: -3.0, correction_left: -9.0, ..book() };
    less.assume_given(&plan(), slot(4, 0));
    assert_eq!((less.correction, less.correction_left, less.last), (-3.0, -9.0, Some(slot(4, 0))));
}

#[test]
fn a_dose_that_was_cut_short_is_owed_and_counts_as_not_given() {
    let mut book = book();
    book.cut_short(0.6);
    near(book.owed, 0.6);
    near(book.behind, 0.6 / 24.0);
    book.cut_short(-1.0);
    near(book.owed, 0.6);
    assert!(!Book { behind: 1.0, ..self::book() }.is_behind());
    assert!(Book { behind: 1.001, ..self::book() }.is_behind());
}

#[test]
fn three_doses_without_proof_are_told_and_one_with_it_ends_that() {
    let mut book = book();
    let told: Vec<bool> = [false, false, false, true, false]
        .map(|proven| {
            book.proven(proven);
            book.is_unproven()
        })
        .into();
    assert_eq!(told, [false, false, true, false, false]);
}

#[test]
fn the_container_loses_what_was_pumped_and_counts_as_empty_at_a_twentieth() {
    let mut book = book();
    book.pumped(470.0);
    assert_eq!((book.container, book.since_look, book.total), (Some(30.0), 470.0, 470.0));
    assert!(!book.is_empty(&plan(), 5.0) && book.is_empty(&plan(), 5.1));
    book.pumped(40.0);
    assert_eq!((book.container, book.total), (Some(0.0), 510.0));
    assert!(!Book::default().is_empty(&plan(), 1.0), "one that nobody counts is not empty");
    // Another container in the file is a full one.
    book.adopt(&DosingPlan { container: 250.0, ..plan() });
    assert_eq!((book.container, book.since_look), (Some(250.0), 0.0));
}

#[test]
fn a_look_at_the_container_compares_when_enough_was_given() {
    let plan = plan();
    let looked = |commanded, left| {
        let mut book = book();
        book.pumped(commanded);
        let text = book.looked(&plan, left, false).unwrap();
        (text, book.unbalanced.is_some(), book.container, book.since_look)
    };
    let (text, unbalanced, container, since) = looked(24.9, 400.0);
    assert!(text.contains("too little was given") && !unbalanced && container == Some(400.0) && since == 0.0);
    assert!(looked(25.0, 475.0).0.contains("25 mL left the container, and 25 mL were commanded"));
    assert!(!looked(100.0, 386.0).1 && looked(100.0, 384.0).1, "15 % more");
    assert!(!looked(100.0, 414.0).1 && looked(100.0, 416.0).1, "15 % less");
    let mut book = book();
    for wrong in [-0.1, 500.1, f64::NAN] {
        assert!(book.looked(&plan, wrong, true).is_err());
    }
    book.pumped(100.0);
    assert!(book.looked(&plan, 500.0, true).is_ok_and(|text| text.contains("filled to 500 mL; the book said 400 mL")));
    assert_eq!((book.container, book.since_look), (Some(500.0), 0.0));
}

#[test]
fn a_cylinder_that_cannot_be_is_refused_and_three_that_scatter_change_nothing() {
    let now = Wall::from_unix_millis(1_780_000_000_000);
    let measured = |cylinders: [f64; 3]| {
        let mut book = book();
        let said = cylinders.map(|ml| {
            book.to_measure = true;
            book.measured(ml, now)
        });
        (book, said)
    };
    for (ml, sound) in [(0.0, false), (f64::NAN, false), (0.5, false), (0.51, true), (49.9, true), (50.0, false)] {
        assert_eq!(Book { to_measure: true, ..book() }.measured(ml, now).is_ok(), sound, "{ml} mL of a pump of 5");
    }
    assert!(book().measured(5.0, now).is_err(), "nothing was run");
    let (book, said) = measured([5.1, 5.2, 5.3]);
    assert!(
        said[0].as_ref().is_ok_and(|text| text.contains("2 more"))
            && said[1].as_ref().is_ok_and(|text| text.contains("1 more"))
    );
    near(book.rate, 5.2);
    assert!(book.rated_at == Some(now) && book.worn.is_none() && !book.to_measure && book.cylinders.is_empty());
    // Standard deviations of three: 0.15 of 5 is 3 %.
    assert!(measured([4.86, 5.0, 5.14]).1[2].is_ok());
    let (book, said) = measured([4.84, 5.0, 5.16]);
    assert!(said[2].is_err() && book.rated_at.is_none() && book.cylinders.is_empty());
    near(book.rate, 5.0);
    // A tenth more or less is a worn tube.
    let worn = |ml: f64| measured([ml; 3]).0.worn.is_some();
    assert_eq!([4.49, 4.51, 5.49, 5.51].map(worn), [true, false, false, true]);
}

#[test]
fn what_was_given_between_two_tests_is_told_day_by_day() {
    let at = |hours: i64| Wall::from_unix_millis(1_780_000_000_000 + hours * 3_600_000);
    let mut book = book();
    for (day, total) in [(0, 0.0), (1, 20.0), (2, 50.0)] {
        book.total = total;
        book.mark(day, at(24 * i64::from(day)));
        book.total += 1.0;
        book.mark(day, at(24 * i64::from(day) + 12));
    }
    assert_eq!(book.marks.len(), 3, "one a day");
    book.total = 60.0;
    let given = book.given(at(24), at(60));
    assert_eq!(given.len(), 4);
    let expected = [(f64::MIN, 24.0), (-1.0, 20.0), (0.0, 30.0), (1.0, 20.0)];
    for ((from, rate), (expected_from, expected_rate)) in given.into_iter().zip(expected) {
        assert!(from.total_cmp(&expected_from).is_eq() || (from - expected_from).abs() < 1e-6, "{from}");
        assert!((rate - expected_rate).abs() < 1e-6, "{rate} mL a day from {from}");
    }
    assert_eq!(
        book.given(at(24), Wall::from_unix_millis(at(48).unix_millis() + 40 * 60_000)).len(),
        3,
        "minutes after a mark say nothing"
    );
    // A clock that was set back drops what was noted ahead, and more than two months are not kept.
    book.mark(1, at(29));
    assert_eq!(book.marks.iter().map(|mark| mark.day).collect::<Vec<_>>(), [0, 1]);
    for day in 2..100 {
        book.mark(day, at(24 * i64::from(day)));
    }
    assert_eq!((book.marks.len(), book.marks[0].day), (60, 40));
}

#[test]
fn a_line_that_changed_in_the_file_counts_and_the_same_line_again_does_not() {
    let mut book = Book { rate: 5.5, worn: Some("worn".to_owned()), ..book() };
    book.pumped(100.0);
    let kept = book.clone();
    book.adopt(&plan());
    assert_eq!(book, kept);
    book.adopt(&DosingPlan { delivers: 6.0, ..plan() });
    assert_eq!((book.rate, book.worn.as_deref(), book.container), (6.0, None, Some(400.0)));
    // More a day is only proposed.
    book.adopt(&DosingPlan { per_day: 30.0, delivers: 6.0, ..plan() });
    assert!(book.proposed.is_some());
    near(book.maintenance, 24.0);
}
