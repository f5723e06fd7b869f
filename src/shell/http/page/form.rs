//! Forms: the mark that only a page of ours has, and what a form asks as a request of the API.
//!
//! ```text
//!   mark = NONCE.HMAC(process's key, session ‖ NONCE)      NONCE: of each page that is shown; also the key of an order
//! ```
//! Duty: an order by form comes from a page that this daemon showed to this session; the same touch twice is one order.
//! Nothing is kept for it. A restart of the daemon makes a new key: a page from before says so and is looked at anew.

use std::collections::BTreeMap;

use ring::hmac;
use ring::rand::{SecureRandom as _, SystemRandom};
use serde_json::{Map, Value};

use super::super::access::Who;
use super::super::problem::{Kind, Problem};
use crate::shell::hex::hex;

/// Fields of a form that are no part of the request.
const OURS: [&str; 2] = ["mark", "back"];
/// Fields that mean yes or no.
const YES: [&str; 2] = ["on_site", "confirm"];
/// Fields that are whole numbers.
const NUMBERS: [&str; 1] = ["code"];
/// Pages of a tank that an order may come back to.
const BACK_TO: [&str; 3] = ["proofs", "safeguards", "doses"];

/// The fields of a form.
pub(super) type Fields = BTreeMap<String, String>;

/// The key of this process's marks.
pub(super) struct Marks {
    /// None where the system has no chance to give: then no form is taken.
    key: Option<hmac::Key>,
}

impl Marks {
    pub(super) fn new() -> Self {
        Self { key: hmac::Key::generate(hmac::HMAC_SHA256, &SystemRandom::new()).ok() }
    }

    /// A mark for the forms of one page.
    pub(super) fn new_mark(&self, who: &Who) -> String {
        let mut chance = [0_u8; 16];
        let Some(key) = self.key.as_ref().filter(|_| SystemRandom::new().fill(&mut chance).is_ok()) else {
            return String::new();
        };
        let nonce = hex(&chance);
        let sign = hmac::sign(key, said(who, &nonce).as_bytes());
        format!("{nonce}.{}", hex(sign.as_ref()))
    }

    /// The nonce of a form's mark, if the mark is ours and this session's.
    pub(super) fn nonce<'a>(&self, who: &Who, fields: &'a Fields) -> Result<&'a str, Problem> {
        let mark = fields.get("mark").map(String::as_str).unwrap_or_default();
        let good = mark.split_once('.').and_then(|(nonce, sign)| {
            let sign = bytes(sign)?;
            hmac::verify(self.key.as_ref()?, said(who, nonce).as_bytes(), &sign).ok()?;
            Some(nonce)
        });
        good.ok_or_else(|| {
            let fix = "look at the tank again, and ask from there";
            Problem::new(
                Kind::OtherSite,
                "this form is older than the daemon's start or your login; nothing was done",
                fix,
            )
        })
    }
}

fn said(who: &Who, nonce: &str) -> String {
    format!("{}\n{nonce}", who.session().unwrap_or_default())
}

fn bytes(hex: &str) -> Option<Vec<u8>> {
    let pairs = hex.as_bytes().chunks(2);
    pairs.map(|pair| u8::from_str_radix(std::str::from_utf8(pair).ok()?, 16).ok().filter(|_| pair.len() == 2)).collect()
}

/// The page of a tank that a form came from; `None`: the tank's own.
pub(super) fn back(fields: &Fields) -> Option<&'static str> {
    let back = fields.get("back")?;
    BACK_TO.into_iter().find(|page| page == back)
}

/// A form's fields as the JSON that the API takes. What is empty was not filled in.
pub(super) fn request(fields: &Fields) -> Value {
    let given = fields.iter().filter(|(name, value)| !OURS.contains(&name.as_str()) && !value.trim().is_empty());
    let values = given.map(|(name, value)| {
        let text = value.trim();
        let number = text.parse::<u32>().ok().filter(|_| NUMBERS.contains(&name.as_str()));
        let value = match number {
            Some(number) => Value::from(number),
            None if YES.contains(&name.as_str()) => Value::from(text == "yes"),
            None => Value::from(text),
        };
        (name.clone(), value)
    });
    Value::Object(values.collect::<Map<_, _>>())
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    fn fields(given: &[(&str, &str)]) -> Fields {
        given.iter().map(|(name, value)| ((*name).to_owned(), (*value).to_owned())).collect()
    }

    #[test]
    fn the_digits_of_a_message_are_a_number_and_only_our_own_pages_are_come_back_to() {
        let form = fields(&[("do", "prove"), ("act", "yes"), ("code", " 0417 "), ("back", "proofs")]);
        assert_eq!(request(&form), json!({ "do": "prove", "act": "yes", "code": 417 }));
        assert_eq!(back(&form), Some("proofs"));
        assert_eq!(request(&fields(&[("code", "x")])), json!({ "code": "x" }), "the API says what is wrong with it");
        assert_eq!(back(&fields(&[("back", "//evil.example")])), None);
        assert_eq!(back(&fields(&[])), None);
    }

    #[test]
    fn a_form_is_the_request_that_it_says() {
        let form = fields(&[
            ("mark", "x"),
            ("do", "force"),
            ("output", "heater"),
            ("to", "off"),
            ("lasting", " 20 min "),
            ("why", ""),
            ("on_site", "yes"),
        ]);
        let want = json!({ "do": "force", "output": "heater", "to": "off", "lasting": "20 min", "on_site": true });
        assert_eq!(request(&form), want);
    }

    #[test]
    fn only_our_own_mark_is_one_and_two_pages_have_two() {
        let (ours, theirs) = (Marks::new(), Marks::new());
        let who = Who::at_this_machine();
        let mark = ours.new_mark(&who);
        let good = fields(&[("mark", &mark)]);
        assert_eq!(ours.nonce(&who, &good).ok(), mark.split('.').next());
        assert!(theirs.nonce(&who, &good).is_err(), "a daemon that was started anew");
        assert_ne!(ours.new_mark(&who), mark);
        let first = if mark.starts_with('0') { "1" } else { "0" };
        for wrong in ["", ".", "x.y", &mark[..mark.len() - 1], &format!("{first}{}", &mark[1..])] {
            assert!(ours.nonce(&who, &fields(&[("mark", wrong)])).is_err(), "{wrong}");
        }
    }
}
