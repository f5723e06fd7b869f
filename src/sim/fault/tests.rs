//! The vocabulary: everything that is listed can be said, and comes back as it was said.

use super::catalogue::POSSIBLE;
use super::*;
use crate::sim::fixture::world;

#[test]
fn every_listed_sentence_is_read_and_printed_back_as_the_same_fault() {
    let world = world(1);
    let catalogue = world.catalogue();
    let mut said = 0;
    for subject in &catalogue.subjects {
        for (_, words, _) in POSSIBLE.iter().filter(|(row, _, _)| subject.class.fits(row)) {
            let (value, difference) = match subject.class {
                Class::Number(quantity) => (
                    format!("12.5 {}", quantity.canonical().symbol),
                    format!("0.75 {}", quantity.difference().canonical().symbol),
                ),
                _ => (String::new(), String::new()),
            };
            let words = words
                .replace("VALUE", &value)
                .replace("DIFFERENCE", &difference)
                .replace("TEMPERATURE", "30 °C")
                .replace("POWER", "180 W");
            for times in ["", " at 10 min", " for 90 s", " at 1d 2h for 250 ms"] {
                let sentence = format!("{} {words}{times}", subject.full());
                let fault = match catalogue.read(&sentence) {
                    Ok(fault) => fault,
                    Err(FaultError::Value { why, .. }) if times.contains("for") => {
                        assert!(why.starts_with("it is over as soon as"), "{sentence}: {why}");
                        continue;
                    }
                    Err(error) => panic!("{error}"),
                };
                let printed = catalogue.sentence(&fault);
                assert_eq!(catalogue.read(&printed), Ok(fault), "{sentence} printed as {printed}");
                said += 1;
            }
        }
    }
    assert!(said > 300, "{said}");
}

#[test]
fn keepers_words_mean_what_they_say() {
    let world = world(1);
    let catalogue = world.catalogue();
    for (sentence, printed) in [
        ("heater welds at 10 min", "heater welds at 10 min"),
        ("the heater plug ignores off", "heater plug ignores off"),
        ("heater plug vanishes at 5 min for 2 min", "heater plug vanishes at 5 min for 2 min"),
        ("heater plug vanishes for 2 min at 5 min", "heater plug vanishes at 5 min for 2 min"),
        ("display-temp reads 85", "display-temp reads 85"),
        ("display-temp reads 77 °F", "display-temp reads 25 °C"),
        ("display-temp reads 0.9 °F low", "display-temp reads 0.5 K low"),
        ("floor-leak gets wet", "floor-leak sticks wet"),
        ("room warms to 30 °C", "room goes to 30 °C"),
        ("power fails at 1 h for 10 min", "power cut at 1 h for 10 min"),
        ("broker vanishes at 10 min for 1 min", "broker vanishes at 10 min for 1 min"),
        ("quarantine/heater burns out", "quarantine/heater stops"),
        ("quarantine leaks 500 mL/min", "quarantine leaks 30 L/h"),
        ("filter stops", "filter stops"),
        ("drain clogs at 1d 2h", "drain clogs at 1 d 2 h"),
        ("reservoir runs empty", "reservoir runs empty"),
        ("daemon dies at 1 h for 10 s", "daemon is killed at 1 h for 10 s"),
        ("clock jumps back 90 min at 2 h", "clock jumps back 1 h 30 min at 2 h"),
        ("keeper changes 9000 mL at 3 h", "keeper changes 9 L at 3 h"),
        ("quarantine/keeper feeds", "quarantine/keeper feeds"),
    ] {
        let fault = catalogue.read(sentence).unwrap_or_else(|error| panic!("{error}"));
        assert_eq!(catalogue.sentence(&fault), printed);
    }
}

#[test]
fn what_cannot_be_is_answered_with_what_can() {
    let world = world(1);
    let refusal = |sentence: &str| world.catalogue().read(sentence).unwrap_err().to_string();
    assert_eq!(
        refusal("kettle welds"),
        "`kettle welds`: there is no `kettle` here\n  begin with one of `room`, `power`, `broker`, `daemon`, `clock`, `display-temp`, \
         `sump-temp`, `sump-level`, `high-float`, `low-float`, `salinity`, `return-flow`, `room-temp`, `floor-leak`, \
         `heater`, `return-pump`, `powerhead`, `top-off`, `lagoon`, `reservoir`, `keeper`, `drain`, `water-temp`, \
         `quarantine/high-float`, `quarantine/low-float`, `floor-leak`, `quarantine/heater`, `filter`, `quarantine`, \
         `quarantine/reservoir`, `quarantine/keeper`"
    );
    assert_eq!(
        refusal("high-float reads 3"),
        "`high-float reads 3`: `high-float` cannot do that\n  write `high-float freezes`\n  write `high-float goes \
         silent`\n  write `high-float sends garbage`\n  write `high-float sticks dry`"
    );
    assert_eq!(
        refusal("heater welds at 10"),
        "`heater welds at 10`: `10` has no unit\n  write a duration such as `10 s`, `10 min` or `10 h`"
    );
    assert_eq!(
        refusal("heater welds at 1 h at 2 h"),
        "`heater welds at 1 h at 2 h`: `at` stands twice\n  leave one away"
    );
    assert_eq!(
        refusal("heater plug reboots for 1 h"),
        "`heater plug reboots for 1 h`: it is over as soon as it has happened\n  leave `for` away"
    );
    assert!(refusal("room warms to 30").contains("`30` has no unit"));
    assert!(refusal("").starts_with("``: there is no `` here"));
}

#[test]
fn without_a_usual_tank_a_shared_name_is_ambiguous() {
    let mut world = world(1);
    let mut catalogue = world.catalogue().clone();
    catalogue.usual = None;
    assert_eq!(
        catalogue.read("heater welds").unwrap_err().to_string(),
        "`heater welds`: several tanks have one\n  begin with one of `lagoon/heater`, `quarantine/heater`"
    );
    // One probe that both tanks listen to is one.
    assert!(catalogue.read("floor-leak gets wet").is_ok());
    world.inject(catalogue.read("lagoon/heater welds").unwrap());
}
