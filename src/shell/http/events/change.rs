//! What changed between two looks at a tank.
//!
//! A status has what matters and what only grows older (ages, counts, the words of a cause). What matters is told when
//! it changes; the rest goes along then, and by itself every few seconds. A section (`outputs`, `alarms`, `sentence`, ...)
//! is told whole, so that whoever listens puts it in the place of the old one and needs no memory of parts.

use serde_json::{Map, Value, json};

use super::super::each;

/// What only grows older.
const AGES: [&str; 14] = [
    "age",
    "sampled_at",
    "samples",
    "cause",
    "text",
    "watts",
    "on_seconds",
    "energy_joules",
    "reported_at",
    "pauses",
    "starting",
    "spread_mm",
    "new_water",
    "long_term",
];

/// How much of a status is compared.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Depth {
    /// What matters.
    Matters,
    /// Everything.
    Everything,
}

/// The sections that changed, each as it is now; one that is gone is null.
pub(super) fn changed(old: &Value, new: &Value, depth: Depth) -> Map<String, Value> {
    let (Some(before), Some(now)) = (old.as_object(), new.as_object()) else { return Map::new() };
    let mut changed = Map::new();
    for (section, value) in now {
        let same = before.get(section).is_some_and(|known| match depth {
            Depth::Everything => known == value,
            Depth::Matters => is_same(known, value) || AGES.contains(&section.as_str()),
        });
        if !same {
            changed.insert(section.clone(), value.clone());
        }
    }
    for section in before.keys().filter(|section| !now.contains_key(*section)) {
        changed.insert(section.clone(), Value::Null);
    }
    changed
}

/// Whether two values say the same, ages aside.
fn is_same(old: &Value, new: &Value) -> bool {
    match (old, new) {
        (Value::Object(old), Value::Object(new)) => {
            let matters = |key: &&String| !AGES.contains(&key.as_str());
            new.iter()
                .all(|(key, value)| AGES.contains(&key.as_str()) || old.get(key).is_some_and(|o| is_same(o, value)))
                && old.keys().filter(matters).all(|key| new.contains_key(key))
        }
        (Value::Array(old), Value::Array(new)) => {
            old.len() == new.len() && old.iter().zip(new).all(|(old, new)| is_same(old, new))
        }
        _ => old == new,
    }
}

/// Alarms whose state changed: each as it is now, with the state it was in.
pub(super) fn alarms(old: &Value, new: &Value) -> Vec<Value> {
    let told = ["state", "active", "priority", "part_of"];
    entries(old, new, "alarms", "alarm", &told)
        .into_iter()
        .map(|(was, mut now)| {
            now["was"] = was.map_or(Value::Null, |was| was["state"].clone());
            now
        })
        .collect()
}

/// Holds that began, ended, became overdue or got another deadline.
pub(super) fn holds(old: &Value, new: &Value) -> Vec<Value> {
    let told = ["active", "since", "until", "overdue", "by", "hot_until"];
    entries(old, new, "holds", "hold", &told).into_iter().map(|(_, now)| now).collect()
}

/// Entries of a section that differ in one of these fields, with what they were.
fn entries<'a>(
    old: &'a Value,
    new: &Value,
    section: &str,
    name: &str,
    told: &[&str],
) -> Vec<(Option<&'a Value>, Value)> {
    let before: Vec<&Value> = each(&old[section]).collect();
    each(&new[section])
        .filter_map(|entry| {
            let was = before.iter().find(|was| was[name] == entry[name]).copied();
            let same = was.is_some_and(|was| told.iter().all(|field| was[*field] == entry[*field]));
            (!same).then(|| (was, entry.clone()))
        })
        .collect()
}

/// What a list of tanks shows of one.
pub(super) fn summary(status: &Value) -> Value {
    let active = |section: &str, name: &str| -> Vec<Value> {
        each(&status[section]).filter(|entry| entry["active"] == true).map(|entry| entry[name].clone()).collect()
    };
    let urgent =
        each(&status["alarms"]).filter(|alarm| alarm["active"] == true && alarm["priority"] == "urgent").count();
    json!({
        "tank": status["tank"],
        "title": status["title"],
        "broker": status["broker"],
        "sentence": status["sentence"],
        "caution": status["caution"],
        "alarms": active("alarms", "alarm"),
        "urgent": urgent,
        "holds": active("holds", "hold"),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn status(value: f64, age: u64, state: &str, until: Option<i64>) -> Value {
        json!({
            "tank": "lagoon", "sentence": "all is well", "broker": true,
            "signals": [{ "signal": "water-temp", "value": value, "age": age }],
            "alarms": [{ "alarm": "leak", "state": state, "active": state == "UNACK", "priority": "urgent", "text": "dry" }],
            "holds": [{ "hold": "water-change", "active": until.is_some(), "until": until, "pauses": [] }],
        })
    }

    #[test]
    fn what_only_grows_older_is_no_change_and_goes_along_with_one() {
        let old = status(25.0, 1000, "NORM", None);
        let older = status(25.0, 2000, "NORM", None);
        assert!(changed(&old, &older, Depth::Matters).is_empty());
        assert_eq!(changed(&old, &older, Depth::Everything).keys().collect::<Vec<_>>(), ["signals"]);
        let warmer = changed(&old, &status(25.1, 2000, "NORM", None), Depth::Matters);
        assert_eq!(warmer["signals"][0], json!({ "signal": "water-temp", "value": 25.1, "age": 2000 }));
        let mut bare = old.clone();
        bare.as_object_mut().unwrap().insert("caution".to_owned(), json!("hands"));
        assert_eq!(changed(&bare, &old, Depth::Matters)["caution"], Value::Null);
        assert!(changed(&old, &old, Depth::Everything).is_empty());
    }

    #[test]
    fn an_alarm_and_a_hold_are_told_when_their_state_changes() {
        let quiet = status(25.0, 0, "NORM", None);
        let raised = status(25.0, 0, "UNACK", Some(5000));
        let told = alarms(&quiet, &raised);
        assert_eq!((&told[0]["state"], &told[0]["was"]), (&json!("UNACK"), &json!("NORM")));
        assert_eq!(holds(&quiet, &raised)[0]["until"], 5000);
        assert!(alarms(&raised, &raised).is_empty() && holds(&raised, &raised).is_empty());
        assert_eq!(holds(&raised, &status(25.0, 0, "UNACK", Some(9000)))[0]["until"], 9000);
        assert_eq!(summary(&raised)["alarms"], json!(["leak"]));
        assert_eq!(summary(&raised)["urgent"], 1);
    }
}
