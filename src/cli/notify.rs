//! `slackwater notify`: whether alarms would reach people, tried down every channel of the running daemon.

use std::fmt::Write as _;
use std::process::ExitCode;

use serde_json::{Value, json};

use super::client::Daemon;

/// Tries the channels that alarms take out of the house, and shows how they are.
#[derive(Debug, clap::Args)]
pub struct Notify {
    #[command(subcommand)]
    what: What,
}

#[derive(Debug, clap::Subcommand)]
enum What {
    /// Sends a test down every channel, through the daemon's own queues, and says what came back.
    Test(Test),
    /// Shows each channel: where it leads, what waits, and why the last attempt failed.
    Status(Status),
}

#[derive(Debug, clap::Args)]
struct Test {
    /// The channel; all if not given.
    #[arg(long, value_name = "CHANNEL")]
    channel: Option<String>,
    #[command(flatten)]
    daemon: Daemon,
}

#[derive(Debug, clap::Args)]
struct Status {
    #[command(flatten)]
    daemon: Daemon,
}

impl Notify {
    /// Runs the command. 1: a channel did not deliver, or none is there.
    pub fn run(&self) -> ExitCode {
        let (daemon, answer) = match &self.what {
            What::Test(test) => {
                let wish = test.channel.as_ref().map_or_else(|| json!({}), |channel| json!({ "channel": channel }));
                let answer = test.daemon.client().and_then(|client| client.post("/api/v1/notify/test", &wish));
                (&test.daemon, answer.map(|answer| (tested(&answer), u8::from(answer["outcome"] != "done"), answer)))
            }
            What::Status(status) => {
                let answer = status.daemon.client().and_then(|client| client.get("/api/v1/notify"));
                (&status.daemon, answer.map(|answer| (shown(&answer), 0, answer)))
            }
        };
        match answer {
            Ok((text, code, answer)) => {
                if daemon.json {
                    println!("{answer:#}");
                } else {
                    print!("{text}");
                }
                ExitCode::from(code)
            }
            Err(failed) => failed.report(),
        }
    }
}

fn tested(answer: &Value) -> String {
    let mut out = String::new();
    let text = |value: &Value| value.as_str().unwrap_or_default().to_owned();
    for channel in answer["channels"].as_array().into_iter().flatten() {
        let went = if channel["delivered"] == true { "delivered" } else { "FAILED" };
        let seconds = channel["seconds"].as_f64().unwrap_or_default();
        let _ = writeln!(
            out,
            "{}: {went} after {seconds:.2} s: {}\n  {} to {}",
            text(&channel["channel"]),
            text(&channel["said"]),
            text(&channel["by"]),
            text(&channel["to"])
        );
        if let Some(fix) = channel["fix"].as_str() {
            let _ = writeln!(out, "  do: {fix}");
        }
    }
    let _ = writeln!(out, "{}", text(&answer["summary"]));
    out
}

fn shown(answer: &Value) -> String {
    let mut out = String::new();
    let text = |value: &Value| value.as_str().unwrap_or_default().to_owned();
    for channel in answer["channels"].as_array().into_iter().flatten() {
        let late = if channel["late"] == true { ", LATE" } else { "" };
        let _ = writeln!(
            out,
            "{}: {} to {}, {} waiting{late}",
            text(&channel["channel"]),
            text(&channel["by"]),
            text(&channel["to"]),
            channel["waiting"]
        );
        if let Some(trouble) = channel["trouble"].as_str() {
            let _ = writeln!(out, "  the last attempt failed: {trouble}");
        }
    }
    if out.is_empty() {
        "no channel: alarms go to the MQTT topic only; write `notify:` in daemon.yaml\n".clone_into(&mut out);
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_test_says_what_came_back_from_each_channel_and_what_to_do() {
        let answer = json!({
            "outcome": "refused", "summary": "1 of 2 did not deliver",
            "channels": [
                { "channel": "phone", "by": "webhook", "to": "push.example", "delivered": true, "said": "HTTP 204 from push.example", "seconds": 0.213 },
                { "channel": "mail", "by": "mail", "to": "keeper@mail.example by mail.example", "delivered": false,
                  "said": "mail.example: permanent error (535)", "fix": "mend the password's file", "seconds": 1.5 },
            ],
        });
        assert_eq!(
            tested(&answer),
            "phone: delivered after 0.21 s: HTTP 204 from push.example\n  webhook to push.example\n\
             mail: FAILED after 1.50 s: mail.example: permanent error (535)\n  mail to keeper@mail.example by mail.example\n  \
             do: mend the password's file\n1 of 2 did not deliver\n"
        );
    }
}
