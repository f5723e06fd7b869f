//! `/api/openapi.json`: the `OpenAPI` 3.1 document, made of the table of routes and of the types themselves.
//!
//! Duty: that the document cannot say other than the code: paths, methods and roles are the router's rows, schemas and
//! their descriptions the types' own. What a row does not say is what the guard does to every route, and is added here.

pub(super) mod asks;

use axum::response::Json;
use schemars::generate::SchemaSettings;
use schemars::{Schema, SchemaGenerator, json_schema};
use serde_json::{Map, Value, json};

use super::problem::{Kind, PROBLEM_JSON};
use super::routes::{self, Needs, Route, Verb};

/// The document.
pub(super) async fn document() -> Json<Value> {
    Json(made())
}

fn made() -> Value {
    let settings = SchemaSettings::draft2020_12().for_serialize().with(|settings| {
        settings.definitions_path = "/components/schemas".into();
        settings.meta_schema = None;
    });
    let mut generator = settings.into_generator();
    let mut paths = Map::new();
    for route in routes::open().into_iter().chain(routes::table()) {
        let is_open = !route.path.starts_with("/api");
        let operation = operation(&route, is_open, &mut generator);
        let path = paths.entry(route.path).or_insert_with(|| json!({}));
        path[route.verb.word().to_ascii_lowercase()] = operation;
    }
    let mut schemas = generator.take_definitions(true);
    schemas.insert("Problem".to_owned(), problem().to_value());
    json!({
        "openapi": "3.1.0",
        "info": {
            "title": "Slackwater",
            "version": env!("CARGO_PKG_VERSION"),
            "description": "The daemon that keeps small marine aquariums inside their limits. Moments are Unix milliseconds and spans milliseconds where nothing else is said. What the core refuses is refused here too. Software never replaces an RCD, a drip loop, the heater's own thermostat or a float switch.",
            "license": { "name": "MIT", "identifier": "MIT" },
        },
        "servers": [{ "url": "/" }],
        "paths": paths,
        "components": {
            "schemas": schemas,
            "securitySchemes": {
                "token": { "type": "http", "scheme": "bearer", "description": "A token of daemon.yaml. Where none is set, whoever is at the daemon's machine may do everything without." },
                "session": { "type": "apiKey", "in": "cookie", "name": super::guard::COOKIE, "description": "What `POST /api/v1/session` sets; orders by it need the page's own `Origin`." },
            },
        },
    })
}

fn operation(route: &Route, is_open: bool, generator: &mut SchemaGenerator) -> Value {
    let (media, shape) = route.answers;
    let good = match shape {
        Some(shape) => shape(generator).to_value(),
        None if media == "application/json" => json!({ "type": "object" }),
        None => json!({ "type": "string" }),
    };
    let mut answers = Map::new();
    answers.insert("200".to_owned(), json!({ "description": "Done", "content": { media: { "schema": good } } }));
    for (status, kinds) in refusals(route, is_open) {
        // What is open answers in words.
        let content = if is_open && route.path != "/metrics" {
            json!({ "text/plain": { "schema": { "type": "string" } } })
        } else {
            json!({ PROBLEM_JSON: { "schema": { "$ref": "#/components/schemas/Problem" } } })
        };
        answers.insert(status, json!({ "description": kinds.join(" Or: "), "content": content }));
    }
    let mut operation = json!({
        "summary": route.says,
        "operationId": name(route),
        "description": match route.needs {
            Needs::Nothing => "Open to whoever reaches the port.",
            Needs::Look => "For any token.",
            Needs::Keeper => "For a keeper's token; from another machine only what is safe unseen, or with `on_site`.",
        },
        "x-needs": match route.needs {
            Needs::Nothing => "nothing",
            Needs::Look => "look",
            Needs::Keeper => "keeper",
        },
        "security": match route.needs {
            Needs::Nothing => json!([{}]),
            Needs::Look | Needs::Keeper => json!([{}, { "token": [] }, { "session": [] }]),
        },
        "responses": answers,
    });
    let parameters = parameters(route);
    if !parameters.is_empty() {
        operation["parameters"] = json!(parameters);
    }
    if let Some(takes) = route.takes {
        let schema = takes(generator).to_value();
        operation["requestBody"] = json!({ "required": true, "content": { "application/json": { "schema": schema } } });
    } else if route.verb == Verb::Post {
        operation["requestBody"] = json!({ "required": true, "content": { "application/json": { "schema": { "type": "object", "maxProperties": 0 } } } });
    }
    operation
}

/// What may go wrong, by status, each kind in words: the route's own and the guard's.
fn refusals(route: &Route, is_open: bool) -> Vec<(String, Vec<String>)> {
    let mut kinds: Vec<Kind> = route.refuses.to_vec();
    if !is_open {
        kinds.push(Kind::WrongHost);
        kinds.push(Kind::Malformed);
        if route.needs != Needs::Nothing {
            kinds.extend([Kind::NeedsToken, Kind::TooMany, Kind::Fault]);
        }
        if route.verb != Verb::Get {
            kinds.extend([Kind::OtherSite, Kind::MediaType, Kind::TooLarge, Kind::TooSlow]);
        }
        if route.verb == Verb::Post && route.needs == Needs::Keeper {
            kinds.extend([Kind::Role, Kind::OnSite, Kind::KeyReused, Kind::NoAnswer]);
        }
    }
    let mut all: Vec<(String, Vec<String>)> = Vec::new();
    for kind in Kind::ALL.iter().filter(|kind| kinds.contains(kind)) {
        let status = kind.status().as_u16().to_string();
        let text = format!("`{}`: {}", kind.word(), kind.meaning());
        match all.iter_mut().find(|(known, _)| *known == status) {
            Some((_, texts)) => texts.push(text),
            None => all.push((status, vec![text])),
        }
    }
    all
}

fn parameters(route: &Route) -> Vec<Value> {
    let in_path = route.path.split('/').filter_map(|part| part.strip_prefix('{')?.strip_suffix('}'));
    let in_path = in_path.map(
        |name| json!({ "name": name, "in": "path", "required": true, "schema": { "type": "string", "minLength": 1 } }),
    );
    let in_query = route.query.iter().map(|(name, kind, says)| {
        let schema = match *kind {
            "integer" => json!({ "type": "integer", "minimum": 0, "maximum": 4_294_967_295_u32 }),
            other => json!({ "type": other }),
        };
        json!({ "name": name, "in": "query", "required": false, "description": says, "schema": schema })
    });
    let key = (route.verb == Verb::Post && route.needs == Needs::Keeper).then(|| {
        json!({
            "name": "Idempotency-Key", "in": "header", "required": false,
            "description": "Any text, new for each order: what comes again with the same key is done once and answered twice. Kept for ten minutes.",
            "schema": { "type": "string", "minLength": 1, "maxLength": 128, "pattern": "^[!-~]+$" },
        })
    });
    in_path.chain(in_query).chain(key).collect()
}

/// A name for code that is made of the document.
fn name(route: &Route) -> String {
    let path = route.path.trim_start_matches("/api").trim_start_matches("/v1").replace(['{', '}', '.'], "");
    let words = path.split('/').filter(|word| !word.is_empty());
    let words: Vec<&str> = std::iter::once(route.verb.word()).chain(words).collect();
    words.join("_").to_ascii_lowercase()
}

fn problem() -> Schema {
    let kinds: Vec<String> = Kind::ALL.iter().map(|kind| format!("/api/problems#{}", kind.word())).collect();
    json_schema!({
        "type": "object",
        "description": "Problem details (RFC 9457). `fix` says what to do instead. A refusal of a tank has its answer's fields too.",
        "required": ["type", "title", "status", "detail", "instance", "fix"],
        "properties": {
            "type": { "enum": kinds },
            "title": { "type": "string" },
            "status": { "type": "integer" },
            "detail": { "type": "string", "description": "What is wrong here and now" },
            "instance": { "type": "string", "description": "The path that was asked" },
            "fix": { "type": "string", "description": "What to do instead" },
            "outcome": { "type": "string" },
            "details": { "type": "array", "items": { "type": "string" } },
        },
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_route_of_the_router_is_in_the_document() {
        let document = made();
        for route in routes::open().into_iter().chain(routes::table()) {
            let operation = &document["paths"][route.path][route.verb.word().to_ascii_lowercase()];
            assert!(operation["responses"]["200"].is_object(), "{} {}", route.verb.word(), route.path);
        }
    }

    #[test]
    fn no_route_is_made_anywhere_but_in_the_table() {
        fn look(dir: &std::path::Path) {
            for entry in std::fs::read_dir(dir).unwrap().map(Result::unwrap) {
                let path = entry.path();
                if path.is_dir() {
                    look(&path);
                } else if !path.ends_with("http/routes.rs") && !path.ends_with("openapi/mod.rs") {
                    let text = std::fs::read_to_string(&path).unwrap();
                    for call in [".route(", ".nest(", ".route_service(", ".nest_service(", ".fallback_service("] {
                        assert!(!text.contains(call), "{} calls `{call}`: make it a row of routes.rs", path.display());
                    }
                }
            }
        }
        look(&std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("src/shell"));
    }

    #[test]
    fn every_reference_leads_somewhere_and_every_name_is_one_operation_s() {
        fn references(value: &Value, found: &mut Vec<String>) {
            match value {
                Value::Object(map) => {
                    found.extend(map.get("$ref").and_then(Value::as_str).map(str::to_owned));
                    map.values().for_each(|value| references(value, found));
                }
                Value::Array(all) => all.iter().for_each(|value| references(value, found)),
                _ => {}
            }
        }
        let document = made();
        let mut found = Vec::new();
        references(&document, &mut found);
        assert!(found.len() > 30, "{}", found.len());
        for reference in found {
            let pointer = reference.strip_prefix('#').unwrap();
            assert!(document.pointer(pointer).is_some(), "{reference}");
        }
        let names: Vec<String> = routes::table().iter().map(name).collect();
        let mut once = names.clone();
        once.sort();
        once.dedup();
        assert_eq!(once.len(), names.len(), "{names:?}");
    }
}
