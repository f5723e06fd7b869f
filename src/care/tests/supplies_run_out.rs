//! Forecasts against the arithmetic of the paper, with counts, by hand, and through dead daemons.

use super::*;

fn reservoir() -> SupplyPlan {
    // 0.5 L/min.
    let by = vec![("lagoon".to_owned(), "top-off".to_owned(), 0.5 / 60.0)];
    SupplyPlan { mean_days: 14, notice_days: 2.0, ..supply("reservoir", Stuff::Litres(9.0), SupplySource::Outputs(by)) }
}

fn with(supplies: Vec<SupplyPlan>) -> Home {
    let mut home = Home::new(TankCare { supplies, ..lagoon() });
    home.facts.tanks.get_mut("lagoon").unwrap().outputs.insert("top-off".to_owned(), OutputFact::default());
    home
}

/// A day in which the top-off gives so many litres.
fn a_day(home: &mut Home, litres: f64) {
    home.pass(days(1));
    home.run("top-off", litres * 120.0);
    home.count();
}

#[test]
fn a_metered_reservoir_says_how_long_it_lasts() {
    let mut home = with(vec![reservoir()]);
    assert!(home.supply("reservoir").notices[0].contains("slackwater refill reservoir"));
    home.ask(refill("reservoir", None)).unwrap();
    (0..3).for_each(|_| a_day(&mut home, 1.5));
    let view = home.supply("reservoir");
    // 9 L less 3 × 1.5 L is 4.5 L; above the reserve of 0.45 L, 4.05 L: 2.7 days at 1.5 L/d, 2.25 at 1.8 L/d.
    assert!((view.left_ratio.unwrap() - 0.5).abs() < 1e-9, "{view:?}");
    let (short, mean) = view.days_left.unwrap();
    assert!((mean - 2.7).abs() < 1e-6 && (short - 2.25).abs() < 1e-6, "{view:?}");
    assert!(view.notices.is_empty(), "{view:?}");
    a_day(&mut home, 1.5);
    assert!(home.supply("reservoir").notices[0].starts_with("empty on 2026-07-06"), "{:?}", home.supply("reservoir"));
    home.restart();
    assert_eq!(home.supply("reservoir").left.as_deref(), Some("3.00 L"));
    // Half a canister more, and never more than it holds.
    home.ask(refill("reservoir", Some("1 gal"))).unwrap();
    assert_eq!(home.supply("reservoir").left.as_deref(), Some("6.79 L"));
    assert!(home.ask(refill("reservoir", Some("12 L"))).is_err());
    assert!(home.ask(refill("reservoir", Some("2 kg"))).is_err());
}

#[test]
fn a_container_dosed_by_hand_has_the_same_forecast() {
    let mut home = with(vec![supply("alkalinity", Stuff::Litres(1.0), SupplySource::Log)]);
    home.ask(refill("alkalinity", None)).unwrap();
    for _ in 0..7 {
        home.pass(days(1));
        home.ask(dose("alkalinity", "26.4 mL")).unwrap();
    }
    let view = home.supply("alkalinity");
    // (1000 mL - 7 × 26.4 mL - 5 %) / 26.4 mL/d = 29.0 d; at 20 % more 24.2 d.
    let (short, mean) = view.days_left.unwrap();
    assert!((mean - 28.98).abs() < 0.01 && (short - 24.15).abs() < 0.01, "{view:?}");
    assert_eq!(view.empty_on, Some(day("2026-08-01")));
    // A dose in fluid ounces is a dose; something else is refused.
    assert!(home.ask(dose("alkalinity", "0.5 fl oz")).is_ok());
    assert!(home.ask(dose("alkalinity", "12")).is_err());
    assert!(home.ask(dose("alkalinity", "12 g")).is_err());
    assert!(home.ask(dose("iodine-mix", "2 mL")).is_ok(), "a dose of what is no supply is noted too");
}

#[test]
fn who_notes_no_dose_gets_the_forecast_of_the_plan() {
    let usual = SupplyPlan { usual_a_day: Some(0.020), ..supply("alkalinity", Stuff::Litres(1.0), SupplySource::Log) };
    let mut home = with(vec![usual]);
    home.ask(refill("alkalinity", None)).unwrap();
    home.pass(days(10));
    let view = home.supply("alkalinity");
    assert_eq!(view.left.as_deref(), Some("800 mL"));
    assert!((view.days_left.unwrap().1 - 37.5).abs() < 1e-6, "{view:?}");
}

#[test]
fn empty_before_the_keeper_is_back_is_told_a_week_ahead() {
    let mut home = with(vec![supply("alkalinity", Stuff::Litres(1.0), SupplySource::Log)]);
    home.ask(refill("alkalinity", None)).unwrap();
    for _ in 0..7 {
        home.pass(days(1));
        home.ask(dose("alkalinity", "26.4 mL")).unwrap();
    }
    home.ask(Request::Away { days: "2026-07-20..2026-08-05".to_owned() }).unwrap();
    assert!(home.supply("alkalinity").notices.is_empty(), "twelve days before");
    for _ in 0..6 {
        home.pass(days(1));
        home.ask(dose("alkalinity", "26.4 mL")).unwrap();
    }
    assert_eq!(home.supply("alkalinity").notices, ["empty on 2026-08-02; you are away until 2026-08-05"]);
    for wrong in ["2026-08-05..2026-07-20", "2026-07-20", "2020-01-01..2020-01-05", "soon..later"] {
        assert!(home.ask(Request::Away { days: wrong.to_owned() }).is_err(), "{wrong}");
    }
}

#[test]
fn days_without_a_daemon_say_nothing_of_the_use() {
    let mut home = with(vec![reservoir()]);
    home.ask(refill("reservoir", None)).unwrap();
    (0..2).for_each(|_| a_day(&mut home, 1.5));
    // Four days of outage: nothing ran, and nobody counted.
    home.pass(days(4));
    home.restart();
    home.count();
    a_day(&mut home, 1.5);
    let view = home.supply("reservoir");
    assert_eq!(view.use_a_day.as_deref(), Some("1.50 L"), "{view:?}");
    assert_eq!(view.left.as_deref(), Some("4.50 L"));
}

#[test]
fn a_count_that_a_kill_set_back_is_not_counted_twice() {
    let mut home = with(vec![reservoir()]);
    home.ask(refill("reservoir", None)).unwrap();
    a_day(&mut home, 1.0);
    // The last 0.2 L before the kill were counted and are forgotten by control.
    home.run("top-off", 0.2 * 120.0);
    home.count();
    home.run("top-off", -0.2 * 120.0);
    home.restart();
    a_day(&mut home, 1.0);
    // 9 - 1.0 - 0.2 - 1.0 + 0: after the setback only what is new counts.
    let left = home.supply("reservoir").left_litres.unwrap();
    assert!((6.8 - 1e-9..=7.0 + 1e-9).contains(&left), "{left}");
    // A clock that is set back a day breaks nothing.
    home.now = home.now.before(days(1));
    home.run("top-off", 0.5 * 120.0);
    home.count();
    let after = home.supply("reservoir").left_litres.unwrap();
    assert!((left - 0.5 - 1e-9..=left + 1e-9).contains(&after), "{after}");
    // And when it is right again, nothing was lost.
    home.pass(days(2));
    assert!((home.supply("reservoir").left_litres.unwrap() - (left - 0.5)).abs() < 1e-6);
}

#[test]
fn a_look_that_contradicts_the_count_is_told() {
    let mut home = with(vec![reservoir()]);
    home.ask(refill("reservoir", None)).unwrap();
    (0..2).for_each(|_| a_day(&mut home, 1.0));
    let left = |amount: &str| Request::Left { supply: "reservoir".to_owned(), amount: amount.to_owned() };
    home.ask(left("6.9 L")).unwrap();
    assert!(home.supply("reservoir").notices.is_empty());
    (0..2).for_each(|_| a_day(&mut home, 1.0));
    home.ask(left("3.5 L")).unwrap();
    let notices = home.supply("reservoir").notices.join(" ");
    assert!(notices.contains("2.00 L were used, and 3.40 L are gone"), "{notices}");
}

#[test]
fn salt_reagents_and_media_are_reckoned_and_a_month_has_its_price() {
    let price = |amount| Some(Price { amount, currency: "EUR".to_owned() });
    let salt = SupplyPlan {
        price: price(60.0),
        reserve: 0.0,
        ..supply("salt", Stuff::Grams(10_000.0), SupplySource::WaterChanges(38.0))
    };
    let reagent = supply("kh-test", Stuff::Tests(50.0), SupplySource::Tests(vec!["alkalinity".to_owned()]));
    let media = SupplyPlan {
        lasts_days: Some(60.0),
        price: price(12.0),
        ..supply("carbon", Stuff::Grams(200.0), SupplySource::Log)
    };
    let mut home = with(vec![salt, reagent, media]);
    for name in ["salt", "kh-test", "carbon"] {
        home.ask(refill(name, None)).unwrap();
    }
    for _ in 0..4 {
        home.pass(days(7));
        home.ask(Request::WaterChange { amount: "9 L".to_owned() }).unwrap();
        home.ask(measure("alkalinity", "8.1 dKH")).unwrap();
    }
    // 36 L × 38 g/L = 1368 g in 28 days: 48.86 g/d, 0.1487 of 10 kg a month of 30.44 days.
    let salt = home.supply("salt");
    assert_eq!((salt.left.as_deref(), salt.cost_a_month.as_deref()), (Some("8.63 kg"), Some("8.92 EUR")), "{salt:?}");
    assert_eq!(home.supply("kh-test").left.as_deref(), Some("46 tests"));
    let carbon = home.supply("carbon");
    assert_eq!(
        (carbon.due_on, carbon.cost_a_month.as_deref()),
        (Some(day("2026-08-30")), Some("6.09 EUR")),
        "{carbon:?}"
    );
    home.pass(days(27));
    assert_eq!(home.supply("carbon").notices, ["to be replaced on 2026-08-30"]);
}

#[test]
fn a_shared_supply_counts_all_tanks() {
    let mut home = with(Vec::new());
    home.plans.tanks.insert("quarantine".to_owned(), lagoon());
    home.plans.shared.push(supply("salt", Stuff::Grams(1000.0), SupplySource::WaterChanges(38.0)));
    home.ask(refill("salt", None)).unwrap();
    home.pass(days(1));
    for tank in ["lagoon", "quarantine"] {
        let decided = home.decide(Request::WaterChange { amount: "5 L".to_owned() }, None, tank, tank).unwrap();
        home.write(&decided);
    }
    assert_eq!(home.supply("salt").left.as_deref(), Some("620 g"));
}

#[test]
fn litres_that_control_counted_come_before_seconds_at_the_rate_of_the_file() {
    let by = vec![("lagoon".to_owned(), "alkalinity".to_owned(), 0.005 / 60.0)];
    let mut home = with(vec![supply("alkalinity", Stuff::Litres(0.5), SupplySource::Outputs(by))]);
    home.run("alkalinity", 600.0);
    home.ask(refill("alkalinity", None)).unwrap();
    // Before control counted litres: ten minutes at 5 mL a minute.
    home.pass(days(1));
    home.run("alkalinity", 600.0);
    home.count();
    assert!((home.supply("alkalinity").left_litres.unwrap() - 0.45).abs() < 1e-9);
    // A daemon that counts begins; what it has counted in all is no use of one day.
    home.pass(days(1));
    home.give("alkalinity", 12.0);
    home.count();
    assert!((home.supply("alkalinity").left_litres.unwrap() - 0.45).abs() < 1e-9);
    // A calibrated pump gives 4 mL a minute: 40 mL, though the file says 5.
    home.pass(days(1));
    home.run("alkalinity", 600.0);
    home.give("alkalinity", 0.04);
    home.count();
    home.restart();
    assert!((home.supply("alkalinity").left_litres.unwrap() - 0.41).abs() < 1e-9, "{:?}", home.supply("alkalinity"));
}
