//! The same calculations asked by a program: named values in JSON in place of arguments.

use std::sync::{Arc, LazyLock};

use clap::{ArgAction, Args, Command, Parser};
use serde_json::{Map, Value, json};

use crate::shell::{Calculated, Calculations};

use super::Calc;
use super::report::Failure;

/// More values than any calculation takes.
const MOST: usize = 200;

#[derive(Debug, Parser)]
#[command(name = "calc", no_binary_name = true, disable_help_subcommand = true)]
struct Line {
    #[command(flatten)]
    calc: Calc,
}

/// All of them.
pub(in super::super) fn calculations() -> Calculations {
    Calculations { known: LazyLock::new(known), run: Arc::new(run) }
}

fn known() -> Value {
    let command = Calc::augment_args(Command::new("calc"));
    json!({ "calculations": command.get_subcommands().map(described).collect::<Vec<_>>() })
}

/// Runs one and prints what it found, as its own command does.
pub(in super::super) fn print(what: &str, values: &Map<String, Value>, as_json: bool) -> std::process::ExitCode {
    match run(what, values) {
        Calculated::Done(facts, _) if as_json => {
            println!("{facts:#}");
            std::process::ExitCode::SUCCESS
        }
        Calculated::Done(_, text) => {
            print!("{text}");
            std::process::ExitCode::SUCCESS
        }
        Calculated::Refused(why, fix) | Calculated::Misuse(why, fix) => {
            eprintln!("error: {why}\n  {fix}");
            std::process::ExitCode::from(1)
        }
    }
}

fn described(one: &Command) -> Value {
    let wants = one.get_arguments().filter(|argument| is_value(argument)).map(|argument| {
        let usual: Vec<_> = argument.get_default_values().iter().map(|value| value.to_string_lossy()).collect();
        json!({
            "name": argument.get_id().as_str(),
            "says": argument.get_help().map(ToString::to_string),
            "required": argument.is_required_set(),
            "many": matches!(argument.get_action(), ArgAction::Append),
            "flag": matches!(argument.get_action(), ArgAction::SetTrue),
            "usual": usual.first(),
        })
    });
    json!({ "calc": one.get_name(), "says": one.get_about().map(ToString::to_string), "wants": wants.collect::<Vec<_>>() })
}

fn is_value(argument: &clap::Arg) -> bool {
    !matches!(argument.get_id().as_str(), "help" | "json" | "version")
}

fn run(what: &str, values: &Map<String, Value>) -> Calculated {
    let (problem, fix) = match arguments(what, values) {
        Ok(arguments) => match Line::try_parse_from(arguments) {
            Ok(line) => match line.calc.found() {
                Ok(report) => return Calculated::Done(report.facts(), report.text_output()),
                Err(Failure::Refused(why)) => {
                    let (why, fix) = parted(&why);
                    return Calculated::Refused(why, fix);
                }
                Err(Failure::Misuse(why)) => parted(&why),
            },
            Err(error) => parted(error.to_string().trim_start_matches("error: ")),
        },
        Err(why) => parted(&why),
    };
    Calculated::Misuse(problem, fix)
}

/// What is wrong, and below it what to do.
fn parted(text: &str) -> (String, String) {
    let (first, rest) = text.trim().split_once('\n').unwrap_or((text.trim(), ""));
    let rest: Vec<&str> =
        rest.lines().map(str::trim).filter(|line| !line.is_empty() && !line.starts_with("For more")).collect();
    let fix = if rest.is_empty() { "`GET /api/v1/calc` lists what it wants".to_owned() } else { rest.join(" ") };
    (first.to_owned(), fix)
}

fn arguments(what: &str, values: &Map<String, Value>) -> Result<Vec<String>, String> {
    let command = Calc::augment_args(Command::new("calc"));
    let one = command.find_subcommand(what).ok_or_else(|| format!("there is no calculation `{what}`"))?;
    let known: Vec<&clap::Arg> = one.get_arguments().filter(|argument| is_value(argument)).collect();
    let (mut named, mut placed) = (Vec::new(), Vec::new());
    for (name, value) in values {
        let wanted = name.replace('-', "_");
        let Some(argument) = known.iter().find(|argument| argument.get_id().as_str() == wanted) else {
            let names: Vec<_> = known.iter().map(|argument| argument.get_id().as_str()).collect();
            return Err(format!("`{name}` is not known here\n  known: {}", names.join(", ")));
        };
        let is_flag = matches!(argument.get_action(), ArgAction::SetTrue);
        let texts: Vec<String> = match value {
            Value::Bool(true) if is_flag => vec![String::new()],
            Value::Bool(false) if is_flag => Vec::new(),
            Value::String(text) if !is_flag => vec![text.clone()],
            Value::Array(all) if !is_flag => all.iter().filter_map(Value::as_str).map(str::to_owned).collect(),
            _ if is_flag => return Err(format!("`{name}` is `true` or `false`")),
            _ => return Err(format!("`{name}` is no text\n  write it with its unit, such as \"90 L\"")),
        };
        if value.as_array().is_some_and(|all| all.len() != texts.len()) {
            return Err(format!(
                "`{name}` has entries that are no texts\n  write each with its unit, such as \"90 L\""
            ));
        }
        for text in texts {
            match argument.get_long() {
                Some(long) if is_flag => named.push(format!("--{long}")),
                Some(long) => named.push(format!("--{long}={text}")),
                None => placed.push(text),
            }
        }
    }
    if named.len() + placed.len() > MOST {
        return Err(format!("more than {MOST} values"));
    }
    // What has no name stands at the end, where nothing in it is taken for a name.
    let line = std::iter::once(what.to_owned()).chain(named);
    Ok(if placed.is_empty() {
        line.collect()
    } else {
        line.chain(std::iter::once("--".to_owned())).chain(placed).collect()
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn asked(what: &str, values: &Value) -> Calculated {
        run(what, values.as_object().unwrap())
    }

    #[test]
    fn a_program_and_the_command_line_get_the_same_facts() {
        let values = json!({ "compound": "NaHCO3", "strength": "1 eq/L", "volume": "2 L" });
        let Calculated::Done(facts, _) = asked("stock", &values) else { panic!("no facts") };
        // The command line's own example: 168.0 g.
        assert!((facts["mass_grams"].as_f64().unwrap() - 168.0).abs() < 0.05, "{facts}");
        let used = json!({
            "volume": "90 L", "stock": "1 eq/L", "test": ["8.2 dKH @ 0 d", "7.6 dKH @ 3 d"],
            "dose": ["20 mL/d @ 0 d"], "target": "8.2 dKH",
        });
        let Calculated::Done(facts, _) = asked("consumption", &used) else { panic!("no facts") };
        assert!(facts.to_string().contains("0.82"), "{facts}");
    }

    #[test]
    fn what_is_not_understood_is_said_with_what_is() {
        for (values, words) in [
            (json!({ "volme": "2 L" }), "known: "),
            (json!({ "volume": 2 }), "unit"),
            (json!({ "volume": "2 quaver" }), ""),
            (json!({ "volume": ["2 L", 3] }), "unit"),
            (json!({ "help": true }), "known: "),
            (json!({ "json": true }), "known: "),
            (json!({}), ""),
        ] {
            let Calculated::Misuse(why, fix) = asked("stock", &values) else { panic!("{values}") };
            assert!(!why.is_empty() && fix.contains(words), "{values}: {why}: {fix}");
        }
    }
}
