//! The daily word: that all is well, or what is not, at a local time.
//!
//! Duty: once a local day, over restarts and both clock changes; its silence tells people that the way to them
//! is broken. What it says comes from control, asked when it is due.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use crate::config::channel::DailySettings;
use crate::control::plan::Priority;
use crate::time::{Now, Span, Wall, Zone};

use super::message::{Notification, What};

/// A tank in the daily word.
#[derive(Clone, Debug, PartialEq)]
pub struct DailyTank {
    /// Its name.
    pub tank: String,
    /// What its status says in a sentence.
    pub sentence: String,
    /// Temperature and salinity, where they are measured and the sentence does not say them.
    pub readings: Vec<String>,
    /// Alarms that stand.
    pub standing: usize,
}

/// What is remembered from day to day.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct Daily {
    /// The local date of the last one.
    told: Option<String>,
    /// Since when alarms are counted at all.
    since: Option<Wall>,
    /// Alarms of each tank since the last one.
    raised: BTreeMap<String, u32>,
    /// The last alarm of each tank.
    last: BTreeMap<String, Wall>,
    #[serde(skip)]
    asked: bool,
}

impl Daily {
    /// An alarm came.
    pub fn count(&mut self, notification: &Notification, now: Wall) {
        if notification.what == What::Raised {
            *self.raised.entry(notification.tank.clone()).or_default() += 1;
            self.last.insert(notification.tank.clone(), now);
        }
    }

    /// Whether control is to be asked now. A first start after the hour waits for the next day.
    pub fn is_due(&mut self, settings: &DailySettings, now: Now, zone: Zone) -> bool {
        let today = zone.date(now.wall).to_string();
        let is_time = zone.time_of_day(now.wall) >= settings.at;
        self.since.get_or_insert(now.wall);
        let told = self.told.get_or_insert_with(|| if is_time { today.clone() } else { String::new() });
        let due = is_time && *told != today && !self.asked;
        self.asked |= due;
        due
    }

    /// Control answered: the daily word.
    pub fn word(
        &mut self,
        tanks: &[DailyTank],
        daemon: usize,
        settings: &DailySettings,
        now: Now,
        zone: Zone,
    ) -> Notification {
        let late = zone.time_of_day(now.wall).seconds().saturating_sub(settings.at.seconds());
        // The moment for which it was meant, so that a second one of the same day has the same id.
        let at = Wall::from_unix_millis((now.wall.unix_millis() / 1000 - i64::from(late)) * 1000);
        let standing: usize = tanks.iter().map(|tank| tank.standing).sum::<usize>() + daemon;
        let mut lines: Vec<String> = tanks.iter().map(|tank| self.line(tank, now.wall)).collect();
        let own = self.raised.get("daemon").copied().unwrap_or_default();
        if daemon > 0 || own > 0 {
            lines.push(format!("daemon: {daemon} of its own alarms stand, {own} raised since the last word"));
        }
        let well = standing == 0;
        let head = if well { "all is well".to_owned() } else { format!("NOT all is well: {standing} alarms stand") };
        self.asked = false;
        self.told = Some(zone.date(now.wall).to_string());
        self.raised.clear();
        let (name, priority) = if well { ("all-is-well", Priority::Low) } else { ("not-all-is-well", Priority::High) };
        let mut word =
            Notification::plain("daily", name, What::Daily, priority, at, format!("{head}\n{}", lines.join("\n")));
        if !well {
            "run `slackwater status`, and acknowledge what you have seen".clone_into(&mut word.advice);
        }
        word
    }

    fn line(&self, tank: &DailyTank, now: Wall) -> String {
        let raised = self.raised.get(&tank.tank).copied().unwrap_or_default();
        let alarms = match raised {
            0 => "No alarm since the last word".to_owned(),
            1 => "1 alarm since the last word".to_owned(),
            many => format!("{many} alarms since the last word"),
        };
        let since = self.last.get(&tank.tank).copied().or(self.since).unwrap_or(now);
        let days = now.since(since).millis() / Span::from_hours(24).millis();
        let steady = match days {
            0 => String::new(),
            1 => ", 1 day without".to_owned(),
            days => format!(", {days} days without"),
        };
        let mut all = vec![tank.sentence.clone()];
        all.extend(tank.readings.iter().map(|reading| format!("{reading}.")));
        all.push(format!("{alarms}{steady}."));
        format!("{}: {}", tank.tank, all.join(" "))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn settings() -> DailySettings {
        DailySettings { at: "08:00".parse().unwrap(), by: Vec::new() }
    }

    fn at(rfc3339: &str) -> Now {
        Now { steady: crate::time::Steady::default(), wall: Wall::from_rfc3339(rfc3339).unwrap() }
    }

    fn lagoon(standing: usize) -> DailyTank {
        DailyTank {
            tank: "lagoon".to_owned(),
            sentence: "Steady. 25.1 °C.".to_owned(),
            readings: vec!["room-temp 21.0 °C".to_owned()],
            standing,
        }
    }

    #[test]
    fn it_comes_once_a_local_day_over_restarts_and_clock_changes() {
        let zone: Zone = "Europe/Lisbon".parse().unwrap();
        let mut daily = Daily::default();
        let mut days = Vec::new();
        // Every ten minutes from a start after the hour, over the night in which the clock goes on.
        let start = at("2026-03-27T09:00:00Z");
        for n in 0..3 * 144 {
            let now = start.after(Span::from_minutes(10 * n));
            if daily.is_due(&settings(), now, zone) {
                daily.word(&[lagoon(0)], 0, &settings(), now, zone);
                days.push(zone.show(now.wall));
            }
            daily = serde_json::from_str(&serde_json::to_string(&daily).unwrap()).unwrap();
        }
        assert_eq!(days, ["2026-03-28 08:00:00", "2026-03-29 08:00:00", "2026-03-30 08:00:00"]);
    }

    #[test]
    fn it_counts_alarms_and_days_without_and_does_not_say_well_of_what_is_not() {
        let zone = Zone::UTC;
        let mut daily = Daily::default();
        daily.is_due(&settings(), at("2026-03-20T07:00:00Z"), zone);
        let word = daily.word(&[lagoon(0)], 0, &settings(), at("2026-03-28T08:00:07Z"), zone);
        assert_eq!(
            word.text,
            "all is well\nlagoon: Steady. 25.1 °C. room-temp 21.0 °C. No alarm since the last word, 8 days without."
        );
        assert_eq!(word.since, at("2026-03-28T08:00:00Z").wall);
        let leak = Notification { what: What::Raised, tank: "lagoon".to_owned(), ..word };
        daily.count(&leak, at("2026-03-28T12:00:00Z").wall);
        let word = daily.word(&[lagoon(1)], 1, &settings(), at("2026-03-29T08:00:00Z"), zone);
        assert!(word.text.starts_with("NOT all is well: 2 alarms stand\n"), "{}", word.text);
        assert!(
            word.text.contains("1 alarm since the last word.\n") && word.priority == Priority::High,
            "{}",
            word.text
        );
    }
}
