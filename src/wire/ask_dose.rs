//! Requests about dosing pumps: their words, and their quantities, each with its unit.
//!
//! ```text
//! dose alkalinity calibrate        dose alkalinity measured 5.1 mL        dose alkalinity refill
//! {"do":"dose","pump":"alkalinity","what":{"left":"380 mL"}}
//! {"do":"dose","pump":"alkalinity","what":{"propose":{"tests":[{"day":0,"dkh":"8.2 dKH"},{"day":3,"dkh":"7.6 dKH"}],
//!   "test_sd":"0.2 dKH","target":"8.2 dKH"}}}
//! ```

use serde_json::Value;

use crate::control::Request;
use crate::control::dosing::DoseAsk;
use crate::units::{Amount, Quantity};

/// mL of a text such as `5.1 mL`.
fn millilitres(text: &str) -> Result<f64, String> {
    let amount = Amount::parse(text, Quantity::Volume).map_err(|error| error.to_string())?;
    Ok(amount.value() * 1000.0)
}

/// Reads what follows `dose`.
pub(super) fn from_words(rest: &[&str]) -> Result<Request, String> {
    let wanted = "write `dose PUMP calibrate`, `measured 5.1 mL`, `discard`, `refill`, `left 380 mL`, `approve`, \
                  `decline` or `resume`; a proposal needs JSON";
    let [pump, verb, amount @ ..] = rest else { return Err(format!("`dose` wants a pump and a word\n{wanted}")) };
    let ml = || millilitres(&amount.join(" "));
    let what = match (*verb, amount.is_empty()) {
        ("calibrate", true) => DoseAsk::Calibrate,
        ("discard", true) => DoseAsk::Discard,
        ("approve", true) => DoseAsk::Approve,
        ("decline", true) => DoseAsk::Decline,
        ("resume", true) => DoseAsk::Resume,
        ("refill", true) => DoseAsk::Refill(None),
        ("refill", false) => DoseAsk::Refill(Some(ml()?)),
        ("measured", false) => DoseAsk::Measured(ml()?),
        ("left", false) => DoseAsk::Left(ml()?),
        _ => return Err(format!("`dose {}` is not understood\n{wanted}", rest.join(" "))),
    };
    Ok(Request::Dose { pump: (*pump).to_owned(), what })
}

/// Turns each quantity of a dosing request, a text with its unit, into the core's number.
pub(super) fn with_units(request: &mut Value) -> Result<(), String> {
    if request.get("do").and_then(Value::as_str) != Some("dose") {
        return Ok(());
    }
    let Some(what) = request.get_mut("what") else { return Ok(()) };
    for key in ["measured", "refill", "left"] {
        if let Some(given) = what.get_mut(key).filter(|given| !given.is_null()) {
            *given = Value::from(1000.0 * quantity(given, key, Quantity::Volume, "5.1 mL")?);
        }
    }
    let Some(propose) = what.get_mut("propose") else { return Ok(()) };
    for key in ["test_sd", "target"] {
        if let Some(given) = propose.get_mut(key).filter(|given| !given.is_null()) {
            *given = Value::from(quantity(given, key, Quantity::Alkalinity, "8.2 dKH")?);
        }
    }
    for test in propose.get_mut("tests").and_then(Value::as_array_mut).into_iter().flatten() {
        if let Some(given) = test.get_mut("dkh") {
            *given = Value::from(quantity(given, "dkh", Quantity::Alkalinity, "8.2 dKH")?);
        }
    }
    for change in propose.get_mut("changes").and_then(Value::as_array_mut).into_iter().flatten() {
        if let Some(given) = change.get_mut("dkh") {
            *given = Value::from(quantity(given, "dkh", Quantity::Alkalinity, "7.5 dKH")?);
        }
        if let Some(given) = change.get_mut("litres") {
            *given = Value::from(quantity(given, "litres", Quantity::Volume, "9 L")?);
        }
    }
    for dose in propose.get_mut("by_hand").and_then(Value::as_array_mut).into_iter().flatten() {
        if let Some(given) = dose.get_mut("ml") {
            *given = Value::from(1000.0 * quantity(given, "ml", Quantity::Volume, "30 mL")?);
        }
    }
    Ok(())
}

fn quantity(given: &Value, key: &str, quantity: Quantity, example: &str) -> Result<f64, String> {
    let Some(written) = given.as_str() else {
        return Err(format!("`{key}` is `{given}`, without a unit; write it as text such as `\"{example}\"`"));
    };
    let amount = Amount::parse(written, quantity).map_err(|error| format!("`{key}`: {error}"))?;
    Ok(amount.value())
}

#[cfg(test)]
mod tests {
    use super::super::ask::parse;
    use super::*;
    use crate::control::dosing::GivenTest;

    fn dose(what: DoseAsk) -> Request {
        Request::Dose { pump: "alk".to_owned(), what }
    }

    #[test]
    fn words_and_json_say_the_same_and_each_quantity_has_its_unit() {
        for (text, what) in [
            ("dose alk calibrate", DoseAsk::Calibrate),
            ("dose alk measured 5.1 mL", DoseAsk::Measured(5.1)),
            ("dose alk refill", DoseAsk::Refill(None)),
            ("dose alk left 0.38 L", DoseAsk::Left(380.0)),
            (r#"{"do":"dose","pump":"alk","what":"approve"}"#, DoseAsk::Approve),
            (r#"{"do":"dose","pump":"alk","what":{"refill":null}}"#, DoseAsk::Refill(None)),
            (r#"{"do":"dose","pump":"alk","what":{"measured":"5.1 mL"}}"#, DoseAsk::Measured(5.1)),
            (
                r#"{"do":"dose","pump":"alk","what":{"propose":{"tests":[{"day":0,"dkh":"8.2 dKH"}],"test_sd":"0.2 dKH"}}}"#,
                DoseAsk::Propose {
                    tests: vec![GivenTest { day: 0.0, dkh: 8.2 }],
                    test_sd: 0.2,
                    target: None,
                    since: None,
                    changes: Vec::new(),
                    by_hand: Vec::new(),
                },
            ),
        ] {
            let read = parse(text.as_bytes()).unwrap_or_else(|answer| panic!("{text}: {answer:?}"));
            let close = |a: f64, b: f64| (a - b).abs() < 1e-9;
            match (&read, &what) {
                (Request::Dose { what: DoseAsk::Measured(a), .. }, DoseAsk::Measured(b))
                | (Request::Dose { what: DoseAsk::Left(a), .. }, DoseAsk::Left(b)) => assert!(close(*a, *b), "{text}"),
                _ => assert_eq!(read, dose(what), "{text}"),
            }
        }
        for text in [
            "dose alk",
            "dose alk measured 5.1",
            "dose alk double",
            "dose alk calibrate now",
            r#"{"do":"dose","pump":"alk","what":{"measured":5.1}}"#,
            r#"{"do":"dose","pump":"alk","what":{"left":"380 g"}}"#,
        ] {
            assert!(parse(text.as_bytes()).is_err(), "{text}");
        }
    }
}
