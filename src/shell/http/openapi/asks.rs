//! The body of `ask`, verb by verb. One row a verb; a test holds that none is missing.

use schemars::{Schema, SchemaGenerator, json_schema};
use serde_json::{Map, Value, json};

use crate::control::event::ProveAct;

/// A field: its name, whether it must be there, its schema.
type Field = (&'static str, bool, fn() -> Value);

fn text() -> Value {
    json!({ "type": "string", "minLength": 1 })
}

fn maybe() -> Value {
    json!({ "type": ["string", "null"] })
}

fn span() -> Value {
    json!({ "type": ["string", "null"], "description": "With its unit, such as `20 min`" })
}

fn amount() -> Value {
    json!({ "type": ["string", "null"], "description": "With its unit, such as `9 L`, `35 psu`, `24.5 °C`" })
}

fn switch() -> Value {
    json!({ "enum": ["on", "off"] })
}

fn yes() -> Value {
    json!({ "type": "boolean" })
}

fn watts() -> Value {
    json!({ "enum": ["watts"] })
}

fn act() -> Value {
    json!({ "enum": ProveAct::WORDS.map(|(_, word)| word) })
}

fn code() -> Value {
    json!({ "type": ["integer", "null"], "minimum": 0, "description": "The digits of the test message" })
}

fn dose() -> Value {
    json!({
        "description": "A word, or one field: `{\"left\": \"380 mL\"}`",
        "anyOf": [
            { "enum": ["calibrate", "discard", "approve", "decline", "resume"] },
            {
                "type": "object", "minProperties": 1, "maxProperties": 1, "additionalProperties": false,
                "properties": {
                    "measured": amount(), "refill": amount(), "left": amount(), "propose": { "type": "object" },
                },
            },
        ],
    })
}

/// Each verb with its fields.
const VERBS: &[(&str, &[Field])] = &[
    ("hold", &[("procedure", true, text), ("probe", false, maybe)]),
    ("release", &[("procedure", false, maybe)]),
    (
        "new-water",
        &[
            ("litres", false, amount),
            ("salinity", false, amount),
            ("temperature", false, amount),
            ("confirm", false, yes),
        ],
    ),
    ("force", &[("output", true, text), ("to", true, switch), ("lasting", false, span)]),
    ("end-force", &[("output", true, text)]),
    ("reset", &[("interlock", false, maybe)]),
    ("confirm", &[("output", true, text), ("what", true, watts)]),
    ("dose", &[("pump", true, text), ("what", true, dose)]),
    ("bypass", &[("interlock", true, text), ("reason", true, text), ("lasting", false, span)]),
    ("end-bypass", &[("interlock", true, text)]),
    ("prove", &[("act", true, act), ("what", false, maybe), ("code", false, code), ("signed", false, maybe)]),
    ("acknowledge", &[("alarm", false, maybe)]),
    ("shelve", &[("alarm", true, text), ("lasting", false, span)]),
    ("unshelve", &[("alarm", true, text)]),
    ("out-of-service", &[("alarm", true, text)]),
    ("return-to-service", &[("alarm", true, text)]),
];

/// The schema of what may be asked.
pub(in super::super) fn shape(_: &mut SchemaGenerator) -> Schema {
    let branches: Vec<Value> = VERBS.iter().map(|(verb, fields)| branch(verb, fields)).collect();
    json_schema!({ "oneOf": branches })
}

fn branch(verb: &str, fields: &[Field]) -> Value {
    let mut properties = Map::new();
    properties.insert("do".to_owned(), json!({ "const": verb }));
    for (name, _, schema) in fields {
        properties.insert((*name).to_owned(), schema());
    }
    properties.insert(
        "who".to_owned(),
        json!({ "type": ["string", "null"], "description": "Who asks, as the journal will say" }),
    );
    properties
        .insert("why".to_owned(), json!({ "type": ["string", "null"], "description": "Why, as the journal will say" }));
    properties.insert(
        "on_site".to_owned(),
        json!({ "type": "boolean", "description": "A person is at the tank and sees it: needed from another machine for what is not safe unseen" }),
    );
    let required: Vec<&str> =
        std::iter::once("do").chain(fields.iter().filter(|field| field.1).map(|field| field.0)).collect();
    json!({
        "type": "object", "title": verb, "required": required, "properties": properties, "additionalProperties": false,
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::control::event::Request;
    use crate::wire::ask;

    #[test]
    fn every_verb_has_a_row_and_every_row_is_understood() {
        let rows: Vec<&str> = VERBS.iter().map(|(verb, _)| *verb).collect();
        assert_eq!(rows, Request::VERBS, "a new verb is a row here");
        for (verb, fields) in VERBS {
            let mut body = json!({ "do": verb, "who": "Ana", "why": "a test", "on_site": true });
            for (name, must, schema) in *fields {
                let schema = schema();
                let fitting = match () {
                    () if schema["enum"].is_array() => schema["enum"][0].clone(),
                    () if schema["anyOf"].is_array() => schema["anyOf"][0]["enum"][0].clone(),
                    () if schema["type"] == "boolean" => json!(true),
                    () if schema["description"].as_str().is_some_and(|words| words.contains("20 min")) => {
                        json!("20 min")
                    }
                    () if *must => json!("thing"),
                    () => Value::Null,
                };
                body[*name] = fitting;
            }
            let asked = ask::parse(body.to_string().as_bytes());
            assert!(asked.is_ok(), "{body}: {asked:?}");
        }
    }
}
