//! What the demo says at its start and at its end.

use std::fmt::Write;
use std::net::SocketAddr;
use std::path::Path;

use crate::config::Setup;

/// Everything that a person wants to know at the start.
pub struct Opening<'a> {
    /// The config.
    pub setup: &'a Setup,
    /// The directory that it stands in.
    pub config: &'a Path,
    /// The broker's address, for the person's own client.
    pub broker: SocketAddr,
    /// Where the daemon listens.
    pub http: SocketAddr,
    /// How much faster than life.
    pub speed: f64,
    /// The seed.
    pub seed: u64,
    /// The planned faults, as sentences.
    pub faults: &'a [String],
}

/// The address that commands ask when nobody says another one; the example config has it.
const USUAL_HTTP: &str = "127.0.0.1:8480";

/// Where to look, what to try, what this is and what it is not.
pub fn opening(is: &Opening<'_>) -> String {
    let mut text = String::new();
    let names: Vec<&str> = is.setup.tanks.iter().map(|tank| &*tank.plan.name).collect();
    let _ = writeln!(text, "slackwater demo: {} simulated, invented data; seed {}.", list(&names), is.seed);
    text.push_str(
        "Water, probes, plugs and room are simulated; the broker and the daemon are real. A tank that is safe here is\n\
         not proven safe in life: a simulated plug cannot burn. The residual-current device, the drip loop, the heater's\n\
         own thermostat and the float switch come first in any real tank.\n\n",
    );
    let _ = writeln!(text, "look at   http://{}/            what the tanks look like now", is.http);
    let _ = writeln!(text, "          http://{}/metrics     for a monitoring stack", is.http);
    let _ = writeln!(text, "          http://{}/api/v1/tanks", is.http);
    let _ =
        writeln!(text, "          mqtt://{}  topic `{}/#` (MQTT 3.1.1, no password)", is.broker, is.setup.daemon.root);
    let _ = writeln!(text, "          {}", is.config.display());
    let url = if is.http.to_string() == USUAL_HTTP { String::new() } else { format!(" --url http://{}", is.http) };
    text.push_str("\nin a second terminal\n");
    for (command, what) in commands(is.setup) {
        let _ = writeln!(text, "          slackwater {:<42} {what}", format!("{command}{url}"));
    }
    if (is.speed - 1.0).abs() > f64::EPSILON {
        let _ = writeln!(
            text,
            "\n{} times as fast as life. Not faster: the time a message takes, the broker's keep-alive and message expiry,\n\
             the pause before a reconnect, HTTP and webhook time-outs, and what you type. So a proof that must come within\n\
             5 s has {:.0} ms of real time here, and a broker that is lost is missed {} times as long.",
            is.speed,
            5000.0 / is.speed,
            is.speed
        );
        if is.speed > 120.0 {
            text.push_str("Above 120 a busy machine can be too slow for its own network: unproven commands may then be the demo's fault.\n");
        }
    }
    text.push_str(
        "\nThe daemon asks for MQTT 5 first and the built-in broker speaks 3.1.1: hence one warning at the start. Until the\n\
         first readings come, interlocks that trip on lost evidence are tripped; that is as it should be.\n",
    );
    if is.faults.is_empty() {
        text.push_str(
            "\nNothing goes wrong. Try `--fault \"heater welds at 10 min\"`; `--list-faults` prints all of them.\n",
        );
    } else {
        text.push_str("\nwhat goes wrong\n");
        is.faults.iter().for_each(|fault| {
            let _ = writeln!(text, "          {fault}");
        });
    }
    text.push_str("\nCtrl-C ends it. Time since the start, simulated, and what happens:\n");
    text
}

/// Commands that fit this config, with what they do.
fn commands(setup: &Setup) -> Vec<(String, &'static str)> {
    let mut commands = vec![("status".to_owned(), "every tank at a glance")];
    let usual = setup.daemon.usual_tank.as_ref();
    let tank = setup.tanks.iter().find(|tank| Some(&tank.plan.name) == usual).or(setup.tanks.first());
    let Some(tank) = tank else { return commands };
    let which =
        if usual.is_some() || setup.tanks.len() == 1 { String::new() } else { format!(" --tank {}", tank.plan.name) };
    if let Some(output) = tank.plan.outputs.first() {
        commands.push((format!("explain {}{which}", output.name), "why it is as it is"));
    }
    if let Some(hold) = tank.plan.holds.first() {
        commands.push((format!("hold {}{which}", hold.name), "pauses what hands and empty water must not meet"));
        commands.push((format!("release {}{which}", hold.name), "ends it"));
    }
    if let Some(interlock) = tank.plan.interlocks.first() {
        commands.push((format!("reset {}{which}", interlock.name), "clears a latched trip whose cause is gone"));
    }
    commands
}

fn list(names: &[&str]) -> String {
    match names {
        [] => "no tank".to_owned(),
        [one] => (*one).to_owned(),
        [first @ .., last] => format!("{} and {last}", first.join(", ")),
    }
}
