//! Whether one answer makes sense by itself. What only together makes none is found by `config::understand`.

use std::str::FromStr;

use crate::cli::listen;
use crate::config::compose;
use crate::time::Zone;
use crate::units::{Amount, Quantity};

use super::answers::Answers;
use super::places::Place;

/// The answer as it is kept, or what is wrong with it and what to write.
pub type Sound = fn(&str, &Answers) -> Result<String, String>;

/// Whether `none` was said, in whatever case.
fn is_none(text: &str) -> bool {
    text.eq_ignore_ascii_case("none") || text.eq_ignore_ascii_case("no")
}

fn or_none(text: &str, sound: impl Fn() -> Result<String, String>) -> Result<String, String> {
    if is_none(text) { Ok("none".to_owned()) } else { sound() }
}

/// A quantity from `least` to `greatest` in its canonical unit.
pub fn amount(text: &str, quantity: Quantity, least: f64, greatest: f64) -> Result<String, String> {
    let amount = Amount::parse(text, quantity).map_err(|error| error.to_string())?;
    if (least..=greatest).contains(&amount.value()) {
        return Ok(text.trim().to_owned());
    }
    let symbol = quantity.canonical().symbol;
    Err(format!("`{text}` is out of range\n  write from {least} {symbol} to {greatest} {symbol}"))
}

/// Anything that is not empty.
pub fn text(text: &str, _: &Answers) -> Result<String, String> {
    let one_line = text.trim();
    if one_line.is_empty() { Err("nothing was written".to_owned()) } else { Ok(one_line.to_owned()) }
}

/// A text, or none.
pub fn text_or_none(answer: &str, answers: &Answers) -> Result<String, String> {
    or_none(answer, || text(answer, answers))
}

/// Yes or no.
pub fn yes_no(text: &str, _: &Answers) -> Result<String, String> {
    match text.trim().to_lowercase().as_str() {
        "yes" | "y" => Ok("yes".to_owned()),
        "no" | "n" | "none" => Ok("none".to_owned()),
        _ => Err(format!("`{text}` is neither yes nor no\n  write `yes` or `no`")),
    }
}

/// A broker's address.
pub fn broker(text: &str, _: &Answers) -> Result<String, String> {
    listen::broker_address(text.trim()).map(|_| text.trim().to_owned())
}

/// The name of a tank.
pub fn name(text: &str, _: &Answers) -> Result<String, String> {
    compose::name_problem(text.trim()).map(|()| text.trim().to_owned())
}

/// A time zone.
pub fn zone(text: &str, _: &Answers) -> Result<String, String> {
    Zone::from_str(text).map(|zone| zone.to_string()).map_err(|error| error.to_string())
}

/// Water of a basin.
pub fn litres(text: &str, _: &Answers) -> Result<String, String> {
    amount(text, Quantity::Volume, 5.0, 100_000.0)
}

/// Water of a basin, or none.
pub fn litres_or_none(text: &str, answers: &Answers) -> Result<String, String> {
    or_none(text, || litres(text, answers))
}

/// What a reservoir holds.
pub fn reservoir(text: &str, _: &Answers) -> Result<String, String> {
    amount(text, Quantity::Volume, 0.1, 1000.0)
}

/// A small volume.
pub fn small_volume(text: &str, _: &Answers) -> Result<String, String> {
    amount(text, Quantity::Volume, 0.0005, 50.0)
}

/// A set point that a cut-off fits above.
pub fn target(text: &str, _: &Answers) -> Result<String, String> {
    amount(text, Quantity::Temperature, 20.0, 26.5)
}

/// Watts, or none.
pub fn watts(text: &str, _: &Answers) -> Result<String, String> {
    or_none(text, || amount(text, Quantity::Power, 0.1, 5000.0))
}

/// What a pump moves.
pub fn flow(text: &str, _: &Answers) -> Result<String, String> {
    amount(text, Quantity::Flow, 0.001, 1000.0)
}

/// A level, from the running level.
pub fn level(text: &str, _: &Answers) -> Result<String, String> {
    amount(text, Quantity::Level, -300.0, 300.0)
}

/// Hours of a day, several with commas.
pub fn hours(text: &str, _: &Answers) -> Result<String, String> {
    let windows: Vec<&str> = text.split(',').map(str::trim).collect();
    for window in &windows {
        compose::window_problem(window)?;
    }
    Ok(windows.join(", "))
}

fn number(text: &str, quantity: Quantity) -> Result<String, String> {
    let place = Place::read(text)?;
    place.unit(quantity, quantity.canonical().symbol)?;
    Ok(text.split_whitespace().collect::<Vec<_>>().join(" "))
}

/// A thermometer's place.
pub fn thermometer(text: &str, _: &Answers) -> Result<String, String> {
    number(text, Quantity::Temperature)
}

/// A thermometer's place, or none.
pub fn thermometer_or_none(text: &str, answers: &Answers) -> Result<String, String> {
    or_none(text, || thermometer(text, answers))
}

macro_rules! place_of {
    ($($(#[$doc:meta])* $name:ident: $quantity:ident;)*) => {$(
        $(#[$doc])*
        pub fn $name(text: &str, _: &Answers) -> Result<String, String> {
            or_none(text, || number(text, Quantity::$quantity))
        }
    )*};
}

place_of! {
    /// A level probe's place, or none.
    level_place: Level;
    /// A salinity probe's place, or none.
    salinity_place: Salinity;
    /// A flow meter's place, or none.
    flow_place: Flow;
    /// A pH probe's place, or none.
    ph_place: Ph;
}

/// A contact's place, or none.
pub fn contact(text: &str, _: &Answers) -> Result<String, String> {
    or_none(text, || {
        let place = Place::read(text)?;
        place.pair(("1", "0"))?;
        Ok(text.split_whitespace().collect::<Vec<_>>().join(" "))
    })
}

/// Where a plug is: the common beginning of its topics.
pub fn plug(text: &str, _: &Answers) -> Result<String, String> {
    let place = Place::read(text)?;
    if place.pointer.is_some() || !place.words.is_empty() || place.topic.contains("{at}") {
        return Err(format!(
            "`{text}` is more than the beginning of a plug's topics\n  write such as `lagoon/plug/heater`"
        ));
    }
    Ok(place.topic.to_owned())
}

fn pattern(text: &str) -> Result<Place<'_>, String> {
    let place = Place::read(text)?;
    if !place.topic.contains("{at}") {
        return Err(format!(
            "`{}` is the same for every plug\n  write `{{at}}` where the plug's own part stands, such as `{{at}}/set`",
            place.topic
        ));
    }
    Ok(place)
}

/// A plug's command: topic, on, off.
pub fn command(text: &str, _: &Answers) -> Result<String, String> {
    let place = pattern(text)?;
    if place.pointer.is_some() {
        return Err("a command has no pointer\n  write the whole payloads, such as `{at}/set ON OFF`".to_owned());
    }
    place.pair(("ON", "OFF"))?;
    Ok(text.trim().to_owned())
}

/// What a plug says with two words, or none.
pub fn two_words(text: &str, _: &Answers) -> Result<String, String> {
    or_none(text, || {
        pattern(text)?.pair(("ON", "OFF"))?;
        Ok(text.trim().to_owned())
    })
}

/// A plug's meter, or none.
pub fn meter(text: &str, _: &Answers) -> Result<String, String> {
    or_none(text, || {
        pattern(text)?.unit(Quantity::Power, "W")?;
        Ok(text.trim().to_owned())
    })
}

/// A plug's uptime, or none.
pub fn uptime(text: &str, _: &Answers) -> Result<String, String> {
    or_none(text, || match pattern(text)?.words[..] {
        [] => Ok(text.trim().to_owned()),
        _ => Err("an uptime is a number of seconds without words\n  write such as `{at}/meter /up`".to_owned()),
    })
}

/// A lease's payload, or none.
pub fn lease(text: &str, _: &Answers) -> Result<String, String> {
    or_none(text, || {
        if text.contains("{seconds}") {
            return Ok(text.trim().to_owned());
        }
        Err("it does not say for how long\n  write `{seconds}` where the countdown stands".to_owned())
    })
}
