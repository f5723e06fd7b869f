//! `slackwater explain OUTPUT`: why it is as it is, layer by layer.

use std::fmt::Write as _;
use std::process::ExitCode;

use serde_json::Value;

use super::client::{Daemon, Failed, escaped};

/// Says why an output is as it is: what each layer wants, who decided, on which readings.
#[derive(Debug, clap::Args)]
pub struct Explain {
    /// The output.
    pub output: String,
    /// Which daemon and which tank.
    #[command(flatten)]
    pub daemon: Daemon,
}

impl Explain {
    /// Runs the command.
    pub fn run(&self) -> ExitCode {
        match self.fetch() {
            Ok(explanation) => {
                if self.daemon.json {
                    println!("{explanation:#}");
                } else {
                    print!("{}", text(&explanation));
                }
                ExitCode::SUCCESS
            }
            Err(failed) => failed.report(),
        }
    }

    fn fetch(&self) -> Result<Value, Failed> {
        let client = self.daemon.client()?;
        let tank = self.daemon.tank(&client)?;
        client.get(&format!("/api/v1/tanks/{}/explain/{}", escaped(&tank), escaped(&self.output)))
    }
}

fn text(explanation: &Value) -> String {
    let mut out = String::new();
    let word = |value: &Value| value.as_str().unwrap_or("").to_owned();
    let _ = writeln!(out, "{}", word(&explanation["summary"]));
    let layers: Vec<&Value> = explanation["layers"].as_array().into_iter().flatten().collect();
    let width = layers.iter().map(|layer| word(&layer["layer"]).chars().count()).max().unwrap_or(0);
    let _ = writeln!(out, "\nlayers, the first opinion wins");
    for layer in layers {
        let mark = if layer["decides"] == true { ">" } else { " " };
        let says = layer["says"].as_str().unwrap_or("-");
        let line = format!("{mark} {:width$}  {says:3}  {}", word(&layer["layer"]), word(&layer["why"]));
        let _ = writeln!(out, "  {}", line.trim_end());
    }
    let rests: Vec<String> = explanation["rests_on"].as_array().into_iter().flatten().map(word).collect();
    if !rests.is_empty() {
        let _ = writeln!(out, "\nrests on\n  {}", rests.join("\n  "));
    }
    let _ = writeln!(out, "\nproof\n  {}", word(&explanation["proof"]));
    let untested: Vec<String> = explanation["untested"].as_array().into_iter().flatten().map(word).collect();
    if !untested.is_empty() {
        let _ = writeln!(out, "  never tested: {}; `slackwater prove` does", untested.join(", "));
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    #[test]
    fn an_explanation_marks_who_decided() {
        let explanation = json!({
            "output": "heater", "summary": "heater is off: hold water-change pauses it",
            "layers": [
                { "layer": "trip", "says": null, "why": "", "decides": false },
                { "layer": "hold", "says": "off", "why": "hold water-change pauses it", "decides": true },
            ],
            "rests_on": ["water-temp 25.25 °C, 4 s ago"], "proof": "proven off by its report, 2 s ago",
        });
        assert_eq!(
            text(&explanation),
            "heater is off: hold water-change pauses it\n\nlayers, the first opinion wins\n    trip  -\n  > hold  off  \
             hold water-change pauses it\n\nrests on\n  water-temp 25.25 °C, 4 s ago\n\nproof\n  \
             proven off by its report, 2 s ago\n"
        );
    }
}
