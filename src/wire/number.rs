//! A number as a probe or a meter writes it, read strictly.
//!
//! Duty: text to a finite number in the canonical unit of its quantity, or the reason why not.
//! It never guesses: a decimal comma, a foreign unit, a word and an infinity are told apart, so
//! that the keeper reads which it was, and no reading is ever made up.

use crate::control::event::Unreadable;
use crate::units::Unit;

/// Reads `25.3`, ` -1e2 ` or `25.3 °C` as a value in the canonical unit of `unit`'s quantity.
///
/// A unit behind the number is taken if it is `unit` in one of its spellings; any other one is
/// [`Unreadable::WrongUnit`].
pub fn parse(text: &str, unit: &Unit) -> Result<f64, Unreadable> {
    let text = text.trim();
    if text.is_empty() {
        return Err(Unreadable::Empty);
    }
    let length = number_length(text);
    if length == 0 {
        return Err(no_number(text));
    }
    let (digits, rest) = text.split_at(length);
    if rest.strip_prefix(',').is_some_and(|rest| rest.starts_with(|c: char| c.is_ascii_digit())) {
        return Err(Unreadable::DecimalComma);
    }
    let suffix = rest.trim_start();
    if !suffix.is_empty() && !unit.is_spelt(suffix) {
        let may_be_unit = suffix.starts_with(|c: char| c.is_alphabetic() || c == '°' || c == '%');
        return Err(if may_be_unit { Unreadable::WrongUnit } else { Unreadable::NotANumber });
    }
    canonical(digits.parse().map_err(|_| Unreadable::NotANumber)?, unit)
}

/// A number in `unit` as a finite one in the canonical unit.
pub fn canonical(written: f64, unit: &Unit) -> Result<f64, Unreadable> {
    let value = unit.to_canonical(written);
    if value.is_finite() { Ok(value) } else { Err(Unreadable::NotFinite) }
}

/// The length of the decimal number at the start: sign, digits, point, exponent. 0: there is none.
pub(super) fn number_length(text: &str) -> usize {
    let bytes = text.as_bytes();
    let digits_from = |at: usize| bytes[at..].iter().take_while(|b| b.is_ascii_digit()).count();
    let sign = usize::from(matches!(bytes.first(), Some(b'+' | b'-')));
    let whole = digits_from(sign);
    let mut end = sign + whole;
    let mut fraction = 0;
    if bytes.get(end) == Some(&b'.') {
        fraction = digits_from(end + 1);
        end += 1 + fraction;
    }
    if whole + fraction == 0 {
        return 0;
    }
    if matches!(bytes.get(end), Some(b'e' | b'E')) {
        let exponent_sign = usize::from(matches!(bytes.get(end + 1), Some(b'+' | b'-')));
        let digits = bytes.get(end + 1 + exponent_sign..).map_or(0, |_| digits_from(end + 1 + exponent_sign));
        if digits > 0 {
            end += 1 + exponent_sign + digits;
        }
    }
    end
}

fn no_number(text: &str) -> Unreadable {
    let word = text.trim_start_matches(['+', '-']);
    let not_finite = ["nan", "inf", "infinity"].iter().any(|known| word.eq_ignore_ascii_case(known));
    if not_finite { Unreadable::NotFinite } else { Unreadable::NotANumber }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::{Quantity, units_of};

    fn unit(symbol: &str) -> &'static Unit {
        Quantity::WORTH_TESTING.iter().flat_map(|q| units_of(*q)).find(|u| u.symbol == symbol).expect("a known unit")
    }

    impl Quantity {
        const WORTH_TESTING: [Self; 3] = [Self::Temperature, Self::Power, Self::Level];
    }

    #[test]
    fn numbers_are_read_strictly_and_what_is_wrong_is_told_apart() {
        use Unreadable::{DecimalComma, Empty, NotANumber, NotFinite, WrongUnit};
        for (text, expected) in [
            ("25.3", Ok(25.3)),
            (" 25.3\n", Ok(25.3)),
            ("+2.53e1", Ok(25.3)),
            ("-0.5", Ok(-0.5)),
            (".5", Ok(0.5)),
            ("25.3 °C", Ok(25.3)),
            ("25.3C", Ok(25.3)),
            ("", Err(Empty)),
            ("  ", Err(Empty)),
            ("25,3", Err(DecimalComma)),
            ("77 °F", Err(WrongUnit)),
            ("298 K", Err(WrongUnit)),
            ("25.3 %", Err(WrongUnit)),
            ("NaN", Err(NotFinite)),
            ("-inf", Err(NotFinite)),
            ("Infinity", Err(NotFinite)),
            ("1e999", Err(NotFinite)),
            ("warm", Err(NotANumber)),
            ("25.3.1", Err(NotANumber)),
            ("12:30", Err(NotANumber)),
            ("\"25.3\"", Err(NotANumber)),
            ("--5", Err(NotANumber)),
            (".", Err(NotANumber)),
            ("1 000", Err(NotANumber)),
        ] {
            assert_eq!(parse(text, unit("°C")), expected, "{text:?}");
        }
    }

    #[test]
    fn units_become_canonical() {
        assert!((parse("77", unit("°F")).unwrap() - 25.0).abs() < 1e-9);
        assert!((parse("0.1 kW", unit("kW")).unwrap() - 100.0).abs() < 1e-9);
        assert!((parse("12.5", unit("cm")).unwrap() - 125.0).abs() < 1e-9);
    }
}
