//! Chores by each of their reasons, items with their moves, and the light map.

use super::*;

fn named(name: &str) -> ChorePlan {
    ChorePlan { name: name.to_owned(), ..ChorePlan::default() }
}

fn done(home: &mut Home, chore: &str) {
    home.ask(Request::Done { chore: chore.to_owned(), note: None }).unwrap();
}

#[test]
fn a_chore_is_due_by_days_of_the_tanks_own_calendar() {
    let sock = ChorePlan { every_days: Some(5.0), ..named("filter-sock") };
    let mut home = Home::new(TankCare { chores: vec![sock], ..lagoon() });
    assert!(home.chore("filter-sock").due, "nobody knows when it was done");
    // Late in the evening: days count, not hours.
    home.now = Wall::from_rfc3339("2026-10-23T23:50:00+01:00").unwrap();
    done(&mut home, "filter-sock");
    home.now = Wall::from_rfc3339("2026-10-27T23:59:00Z").unwrap();
    assert!(!home.chore("filter-sock").due, "through the long night of the clock change");
    home.now = Wall::from_rfc3339("2026-10-28T00:01:00Z").unwrap();
    assert!(home.chore("filter-sock").due);
    let until = "2 days".to_owned();
    let reason = "no new sock in the house".to_owned();
    home.ask(Request::Postpone { chore: "filter-sock".to_owned(), until, reason: reason.clone() }).unwrap();
    home.restart();
    assert_eq!(home.chore("filter-sock").postponed, Some((day("2026-10-30"), reason)));
    assert!(!home.chore("filter-sock").due);
    home.pass(days(2));
    assert!(home.chore("filter-sock").due);
    assert!(
        home.ask(Request::Done { chore: "sock".to_owned(), note: None }).unwrap_err().details[0]
            .contains("filter-sock")
    );
}

#[test]
fn a_chore_is_due_by_run_hours_litres_or_a_test() {
    let impeller = ChorePlan { run: Some((Span::from_hours(100), "return-pump".to_owned())), ..named("impeller") };
    let carbon = ChorePlan { litres: Some((20.0, RunSource::WaterChanges)), ..named("carbon") };
    let cartridge =
        ChorePlan { litres: Some((10.0, RunSource::Output("top-off".to_owned(), 0.5 / 60.0))), ..named("cartridge") };
    let change = ChorePlan { when: Some(Limit::parse("nitrate over 10 ppm").unwrap()), ..named("extra-change") };
    let mut home = Home::new(TankCare { chores: vec![impeller, carbon, cartridge, change], ..lagoon() });
    home.run("return-pump", 50_000.0);
    home.run("top-off", 0.0);
    assert!(!home.chore("extra-change").due, "no test, no reason");
    for chore in ["impeller", "carbon", "cartridge"] {
        done(&mut home, chore);
    }
    for _ in 0..4 {
        home.pass(days(1));
        home.run("return-pump", 24.0 * 3600.0);
        home.run("top-off", 2.0 * 120.0);
        home.count();
    }
    let impeller = home.chore("impeller");
    assert!(!impeller.due && impeller.due_on == Some(day("2026-07-05")), "96 of 100 h: {impeller:?}");
    assert!(!home.chore("cartridge").due, "8 of 10 L");
    home.restart();
    home.pass(days(1));
    home.run("return-pump", 24.0 * 3600.0);
    home.run("top-off", 2.5 * 120.0);
    assert!(home.chore("impeller").due && home.chore("cartridge").due);
    for _ in 0..2 {
        home.pass(Span::from_hours(1));
        home.ask(Request::WaterChange { amount: "10 L".to_owned() }).unwrap();
    }
    assert!(home.chore("carbon").due, "{:?}", home.chore("carbon"));
    home.ask(measure("nitrate", "10 ppm")).unwrap();
    assert!(!home.chore("extra-change").due);
    home.pass(Span::from_hours(1));
    home.ask(measure("nitrate", "2.5 mg/L NO3-N")).unwrap();
    assert!(home.chore("extra-change").due, "2.5 mg/L of nitrogen are 11 mg/L of nitrate");
    home.pass(Span::from_hours(1));
    done(&mut home, "extra-change");
    assert!(!home.chore("extra-change").due, "until the next test");
}

fn add(item: &str, place: &str, light: Option<&str>, remind: &[&str]) -> Request {
    Request::AddItem {
        item: item.to_owned(),
        sort: "coral".to_owned(),
        place: Some(place.to_owned()),
        beside: None,
        light: light.map(str::to_owned),
        expires: None,
        remind: remind.iter().map(|text| (*text).to_owned()).collect(),
    }
}

fn move_to(item: &str, tank: Option<&str>, place: Option<&str>) -> Request {
    Request::MoveItem {
        item: item.to_owned(),
        to_tank: tank.map(str::to_owned),
        place: place.map(str::to_owned),
        reason: Some("too bright".to_owned()),
        beside: Some("old leather".to_owned()),
    }
}

#[test]
fn an_item_has_a_place_an_age_and_reminders() {
    let mut home = Home::new(lagoon());
    home.ask(add("clip", "rock-left", Some("80..150 µmol/m²/s"), &["soak 24 h", "replace after 2 years"])).unwrap();
    assert!(home.ask(add("clip", "rock-left", None, &[])).is_err(), "the name is taken");
    home.pass(days(40));
    let item = home.care.items(&home.plans, home.now).remove(0);
    assert_eq!((item.age_days, item.due.as_slice()), (40, ["soak, due since 2026-07-02".to_owned()].as_slice()));
    let note = |text: &str, done: Option<&str>| Request::NoteItem {
        item: "clip".to_owned(),
        text: Some(text.to_owned()),
        done: done.map(str::to_owned),
        light: None,
        expires: Some("2027-01-01".to_owned()),
        remind: Vec::new(),
    };
    home.ask(note("rinsed", Some("soak"))).unwrap();
    assert!(home.ask(note("rinsed", Some("polish"))).is_err());
    home.ask(move_to("clip", None, Some("sand"))).unwrap();
    home.restart();
    let item = home.care.items(&home.plans, home.now).remove(0);
    assert_eq!(item.whereabouts(), "lagoon sand");
    assert_eq!(item.moves, ["2026-08-10  lagoon rock-left to lagoon sand: too bright"]);
    assert_eq!(
        (item.beside.as_deref(), item.expires, item.due.len()),
        (Some("old leather"), Some(day("2027-01-01")), 0)
    );
    home.ask(Request::RetireItem { item: "clip".to_owned(), reason: Some("given away".to_owned()) }).unwrap();
    assert!(home.ask(move_to("clip", None, Some("sand"))).is_err());
    assert!(home.ask(add("clip", "sand", None, &[])).is_ok(), "the name is free again");
}

#[test]
fn a_move_out_of_quarantine_before_its_day_is_warned_of() {
    let mut home = Home::new(TankCare { observation_days: Some(28), ..lagoon() });
    home.plans.tanks.insert("display".to_owned(), lagoon());
    home.ask(add("wrasse", "tub", None, &[])).unwrap();
    home.pass(days(27));
    let early = home.decide(move_to("wrasse", Some("display"), None), None, "early", "lagoon").unwrap();
    assert!(early.caution.is_some_and(|caution| caution.contains("until 2026-07-29, 1 days")));
    home.pass(days(1));
    let in_time = home.ask(move_to("wrasse", Some("display"), None)).unwrap();
    assert_eq!(in_time.caution, None);
    let item = home.care.items(&home.plans, home.now).remove(0);
    assert_eq!((item.tank.as_str(), item.observed_until), ("display", None));
}

#[test]
fn the_light_map_compares_before_after_and_who_stands_there() {
    let spots = vec![("rock-left".to_owned(), "upper ledge".to_owned())];
    let mut home = Home::new(TankCare { spots, light_seconds: Some(9.0 * 3600.0), ..lagoon() });
    home.ask(add("clip", "rock-left", Some("80..150 µmol/m²/s"), &[])).unwrap();
    home.ask(at_spot("150 µmol/m²/s", "rock-left")).unwrap();
    home.pass(days(1));
    home.ask(Request::LightChanged { text: "blue to 60 %".to_owned() }).unwrap();
    home.pass(Span::from_hours(1));
    let spot = home.care.spots("lagoon", &home.plans, home.now).spots.remove(0);
    assert!(spot.outdated && spot.change_percent.is_none(), "{spot:?}");
    home.ask(at_spot("180 PAR", "rock-left")).unwrap();
    let spot = home.care.spots("lagoon", &home.plans, home.now).spots.remove(0);
    assert!((spot.change_percent.unwrap() - 20.0).abs() < 1e-9 && !spot.outdated);
    // 180 × 9 × 3600 / 1e6 = 5.832 mol/m²/d.
    assert!((spot.daily_integral.unwrap() - 5.832).abs() < 1e-9, "{spot:?}");
    assert_eq!(spot.items, ["clip: 80 to 150, 20 % too much"]);
    assert_eq!(spot.notices.len(), 1, "20 % at once is told: {spot:?}");
    let told = home.ask(move_to("clip", None, Some("rock-left"))).unwrap();
    assert!(told.details[1].contains("more than its 80 to 150"), "{told:?}");
}
