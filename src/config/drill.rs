//! A drill file: what happens at which time, what must follow by a deadline, what must not happen.
//!
//! ```yaml
//! drill: a wet float stops the top-off
//! tank: lagoon                                # left out: the usual tank
//! do:
//!   - { at: 2 min, fault: sump-level reads -6 mm }
//!   - { at: 4 min, fault: high-float sticks wet }
//!   - { at: 6 min, ask: reset }
//! expect:
//!   - { output: top-off, is: off, after: 4 min, within: 2 s }
//! never:
//!   - { output: return-pump, is: off }
//! ```
//! Duty: read it, with every problem at its place. Whether a name or a sentence fits a tank is for
//! whoever plays it: this module knows no tank.

use crate::control::ids::Name;
use crate::time::Span;
use crate::units::{Quantity, Temperature};

use super::problem::{Place, Problem, Problems, Report};
use super::read::Item;
use super::tree;

/// The longest drill; what takes longer is a rehearsal.
const LONGEST: Span = Span::from_hours(48);
/// How long a drill goes on after the last time that stands in it.
const TAIL: Span = Span::from_minutes(1);
const KEYS: [&str; 7] = ["drill", "tank", "lasts", "room", "do", "expect", "never"];

/// A drill as it is written.
#[derive(Clone, Debug, PartialEq)]
pub struct Script {
    /// The file.
    pub file: String,
    /// What it is about.
    pub title: String,
    /// Whose names are meant, and where that stands.
    pub tank: Option<(Name, Place)>,
    /// How long it takes.
    pub lasts: Span,
    /// The mean temperature of the room.
    pub room: Option<Temperature>,
    /// What happens.
    pub acts: Vec<Act>,
    /// What must follow.
    pub expected: Vec<Expectation>,
    /// What must not happen.
    pub never: Vec<Expectation>,
}

/// Something that happens.
#[derive(Clone, Debug, PartialEq)]
pub struct Act {
    /// Where it stands.
    pub place: Place,
    /// When, since the start.
    pub at: Span,
    /// What.
    pub what: What,
}

/// What happens.
#[derive(Clone, Debug, PartialEq)]
pub enum What {
    /// A fault sentence, without its `at`.
    Fault(String),
    /// What a keeper publishes on the tank's `ask` topic.
    Ask(String),
    /// A message of anybody's.
    Publish {
        /// Where.
        topic: String,
        /// What.
        payload: String,
        /// Whether the broker delivers it as one that it kept.
        retained: bool,
    },
}

/// A state of something, in a time.
#[derive(Clone, Debug, PartialEq)]
pub struct Expectation {
    /// Where it stands.
    pub place: Place,
    /// Of what.
    pub about: About,
    /// The name.
    pub name: Name,
    /// The state.
    pub is: State,
    /// From then, since the start.
    pub after: Span,
    /// Until then; none: until the end.
    pub until: Option<Span>,
}

/// What can be expected of.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum About {
    /// What an output was last told.
    Output,
    /// An interlock.
    Interlock,
    /// An alarm.
    Alarm,
    /// A hold.
    Hold,
}

/// A state.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum State {
    /// An output was last told on.
    On,
    /// An output was last told off.
    Off,
    /// An interlock has not tripped.
    Armed,
    /// An interlock has tripped, latched or not.
    Tripped,
    /// An interlock has latched.
    Latched,
    /// An alarm stands.
    Raised,
    /// An alarm does not stand.
    Cleared,
    /// A hold stands.
    Begun,
    /// A hold does not stand.
    Ended,
}

/// What can be expected of, its word, and its states with theirs.
type Row = (About, &'static str, &'static [(State, &'static str)]);

impl About {
    const ALL: [Row; 4] = [
        (Self::Output, "output", &[(State::On, "on"), (State::Off, "off")]),
        (
            Self::Interlock,
            "interlock",
            &[(State::Armed, "armed"), (State::Tripped, "tripped"), (State::Latched, "latched")],
        ),
        (Self::Alarm, "alarm", &[(State::Raised, "raised"), (State::Cleared, "cleared")]),
        (Self::Hold, "hold", &[(State::Begun, "begun"), (State::Ended, "ended")]),
    ];

    /// Its word.
    pub fn word(self) -> &'static str {
        Self::ALL.iter().find(|(about, ..)| *about == self).map_or("", |(_, word, _)| word)
    }
}

impl State {
    /// Its word.
    pub fn word(self) -> &'static str {
        let all = About::ALL.iter().flat_map(|(_, _, states)| states.iter());
        all.into_iter().find(|(state, _)| *state == self).map_or("", |(_, word)| word)
    }
}

/// Reads a drill.
pub fn read(file: &str, text: &str) -> Result<Script, Problems> {
    let report = Report::default();
    let node = tree::parse(text).map_err(|error| {
        let (file, key) = (file.into(), String::new());
        Problems(vec![Problem { file, place: error.place, key, what: error.what, fix: None }])
    })?;
    let script = script(file, &Item::root(&report, &file.into(), &node));
    report.verdict(script).map(|script| script.expect("without a script there is a problem"))
}

fn script(file: &str, item: &Item) -> Option<Script> {
    let fields = item.fields(&KEYS)?;
    let title = fields.need("drill", "what it shows, in a sentence").and_then(|item| item.text().map(str::to_owned));
    let tank = fields.get("tank").and_then(|item| Some((Name::new(item.text()?), item.place)));
    let lasts = fields.get("lasts").and_then(|item| item.span(Span::from_seconds(1), LONGEST));
    let room = fields.get("room").and_then(|item| {
        let celsius = item.amount(Quantity::Temperature, -5.0, 45.0)?;
        Temperature::from_celsius(celsius).ok()
    });
    let acts: Vec<Act> = fields.get("do").map_or_else(Vec::new, |item| item.list().iter().filter_map(act).collect());
    let read = |key: &str| -> Vec<Expectation> {
        fields.get(key).map_or_else(Vec::new, |item| {
            item.list().iter().filter_map(|item| expectation(item, key == "expect")).collect()
        })
    };
    let (expected, never) = (read("expect"), read("never"));
    if fields.get("expect").is_none() && fields.get("never").is_none() {
        item.wrong("a drill that expects nothing cannot fail\nwrite `expect:` or `never:`");
    }
    let times = acts.iter().map(|act| act.at);
    let deadlines = expected.iter().chain(&never).map(|one| one.until.unwrap_or(one.after));
    let last = times.chain(deadlines).max().unwrap_or_default();
    if let Some(lasts) = lasts.filter(|lasts| *lasts < last) {
        item.wrong(format!("it lasts {lasts}, and something stands at {last}\nlet it last longer"));
    }
    Some(Script {
        file: file.to_owned(),
        title: title?,
        tank,
        lasts: lasts.unwrap_or(last.plus(TAIL)),
        room,
        acts,
        expected,
        never,
    })
}

fn act(item: &Item) -> Option<Act> {
    let fields = item.fields(&["at", "fault", "ask", "publish"])?;
    let at = match fields.get("at") {
        Some(item) => item.span(Span::ZERO, LONGEST)?,
        None => Span::ZERO,
    };
    let whats: Vec<What> = [
        fields.get("fault").and_then(|item| Some(What::Fault(item.text()?.to_owned()))),
        fields.get("ask").and_then(|item| Some(What::Ask(item.text()?.to_owned()))),
        fields.get("publish").and_then(|item| publish(&item)),
    ]
    .into_iter()
    .flatten()
    .collect();
    let given = ["fault", "ask", "publish"].iter().filter(|key| fields.get(key).is_some()).count();
    if given != 1 {
        item.wrong("one thing happens at a time\nwrite one of `fault`, `ask` and `publish`");
        return None;
    }
    Some(Act { place: item.place, at, what: whats.into_iter().next()? })
}

fn publish(item: &Item) -> Option<What> {
    let fields = item.fields(&["topic", "payload", "retained"])?;
    let topic = fields.need("topic", "lagoon/sump/temp")?.text()?.to_owned();
    let payload = fields.need("payload", "\"25.1\"")?.text()?.to_owned();
    let retained = fields.get("retained").is_some_and(|item| item.yes_no() == Some(true));
    Some(What::Publish { topic, payload, retained })
}

fn expectation(item: &Item, needs_deadline: bool) -> Option<Expectation> {
    let fields = item.fields(&["output", "interlock", "alarm", "hold", "is", "after", "within", "until"])?;
    let mut named = About::ALL.iter().filter_map(|row| Some((row, fields.get(row.1)?)));
    let (Some(((about, _, states), name)), None) = (named.next(), named.next()) else {
        item.wrong("it is not said of what\nwrite one of `output`, `interlock`, `alarm` and `hold`");
        return None;
    };
    let name = Name::new(name.text()?);
    let is = fields.need("is", states[0].1)?.word(states)?;
    let after = match fields.get("after") {
        Some(item) => item.span(Span::ZERO, LONGEST)?,
        None => Span::ZERO,
    };
    let within = fields.get("within").and_then(|item| item.span(Span::from_millis(1), LONGEST));
    let until = fields.get("until").and_then(|item| item.span(after, LONGEST));
    if within.is_some() && until.is_some() {
        item.wrong("`within` counts from `after`, `until` from the start\nwrite one of them");
    }
    if needs_deadline && fields.get("within").is_none() && fields.get("until").is_none() {
        item.wrong("what is expected needs a deadline\nwrite `within: 5 s`");
    }
    Some(Expectation {
        place: item.place,
        about: *about,
        name,
        is,
        after,
        until: within.map(|within| after.plus(within)).or(until),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    const GOOD: &str = "drill: a wet float\ntank: lagoon\ndo:\n  - { at: 4 min, fault: high-float sticks wet }\n  - { at: 6 min, ask: reset }\n\
                        expect:\n  - { output: top-off, is: off, after: 4 min, within: 2 s }\nnever:\n  - { output: return-pump, is: off }\n";

    #[test]
    fn a_drill_is_read_with_its_times() {
        let script = read("a.yaml", GOOD).unwrap_or_else(|problems| panic!("{problems}"));
        assert_eq!(script.lasts, Span::from_minutes(7), "a minute after the last time");
        assert_eq!(script.acts.len(), 2);
        let expected = &script.expected[0];
        assert_eq!((expected.about, expected.is, expected.place.line), (About::Output, State::Off, 7));
        assert_eq!(expected.until, Some(Span::from_seconds(242)));
        assert_eq!(script.never[0].until, None);
    }

    #[test]
    fn everything_that_is_wrong_is_said_with_its_place() {
        let text = "drill: x\ndo:\n  - { at: 4, fault: a welds }\n  - { at: 1 min }\nexpect:\n  - { output: heater, is: warm, within: 5 s }\n  \
                    - { output: heater, is: on }\n  - { is: on, within: 1 s }\nnver: []\n";
        let problems = read("a.yaml", text).unwrap_err().to_string();
        for words in [
            "a.yaml:3:11: do[0].at: `4` has no unit",
            "a.yaml:4:5: do[1]: one thing happens at a time",
            "`warm` is not known here",
            "known here: `on` and `off`",
            "a.yaml:7:5: expect[1]: what is expected needs a deadline",
            "a.yaml:8:5: expect[2]: it is not said of what",
            "`nver` is not a key here\n  did you mean `never`?",
        ] {
            assert!(problems.contains(words), "{words}\n{problems}");
        }
        assert!(read("a.yaml", "drill: nothing\n").unwrap_err().to_string().contains("cannot fail"));
    }
}
