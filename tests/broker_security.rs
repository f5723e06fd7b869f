//! The files of `deploy/mosquitto` on a real Mosquitto: who can do what there, and the daemon over TLS with a private
//! authority, with passwords and with client certificates, where all is right and where one thing is wrong.
#![allow(clippy::disallowed_methods, reason = "a test of the outside world waits and connects")]

mod common;
#[path = "common/guarded.rs"]
mod guarded;

use std::collections::BTreeSet;
use std::os::unix::fs::PermissionsExt;
use std::path::Path;
use std::process::Command;
use std::time::Duration;

use common::{BINARY, Broker, Config, Daemon, seconds, wait_until};
use guarded::{Guarded, PEOPLE, THINGS, certificates};

/// Every topic of the example config, our own, and one that nobody has.
fn topics() -> BTreeSet<String> {
    let example = Path::new(env!("CARGO_MANIFEST_DIR")).join("config");
    let setup = slackwater::config::load(&example).unwrap_or_else(|problems| panic!("{problems}"));
    let mut all: BTreeSet<String> =
        ["slackwater/ask", "slackwater/lagoon/ask", "slackwater/lagoon/status", "slackwater/online", "house/siren"]
            .map(str::to_owned)
            .into();
    for tank in &setup.tanks {
        all.extend(tank.bindings.probes.iter().map(|probe| probe.topic.clone()));
        for plug in &tank.bindings.plugs {
            all.insert(plug.command.topic.clone());
            all.extend(plug.report.iter().chain(&plug.alive).map(|binding| binding.topic.clone()));
            all.extend(plug.meter.iter().map(|binding| binding.topic.clone()));
            all.extend(plug.uptime.iter().map(|binding| binding.topic.clone()));
            all.extend(plug.lease.iter().filter_map(|lease| lease.topic.clone()));
            if let Some(dimmer) = &plug.dimmer {
                all.insert(dimmer.topic.clone());
                all.extend(dimmer.report.iter().map(|binding| binding.topic.clone()));
            }
        }
    }
    assert!(all.len() > 50, "{all:?}");
    all
}

fn is_ask(topic: &str) -> bool {
    topic == "slackwater/ask" || topic == "slackwater/lagoon/ask"
}

fn is_command(topic: &str) -> bool {
    topic.ends_with("/set")
}

/// The plug's part of a topic, and whether it is the lagoon's.
fn plug(topic: &str) -> Option<(&str, bool)> {
    let (tank, rest) = topic.split_once("/plug/")?;
    Some((rest.split('/').next()?, tank == "lagoon"))
}

/// Whom a thing's own word on a topic must come from.
fn thing_of(topic: &str) -> Option<String> {
    match (plug(topic), topic) {
        (Some((name, true)), _) => Some(name.to_owned()),
        (Some((name, false)), _) => Some(format!("tub-{name}")),
        (None, "lagoon/light/level" | "lagoon/light/level/set") => Some("light".to_owned()),
        (None, "lagoon/display/climate" | "lagoon/display/salinity") => Some("lagoon-display".to_owned()),
        (None, _) if topic.starts_with("lagoon/") => Some("lagoon-sump".to_owned()),
        (None, _) if topic.starts_with("room/") => Some("room".to_owned()),
        (None, _) if topic.starts_with("quarantine/") => Some("quarantine-probe".to_owned()),
        _ => None,
    }
}

fn should_write(user: &str, topic: &str) -> bool {
    match user {
        "everything" => true,
        "slackwater" => is_command(topic) || topic.starts_with("slackwater/"),
        "keeper" => is_ask(topic),
        "guest" => false,
        thing => !is_command(topic) && thing_of(topic).as_deref() == Some(thing),
    }
}

fn should_hear(user: &str, topic: &str) -> bool {
    match user {
        "everything" => true,
        "slackwater" => topic != "house/siren",
        "keeper" | "guest" => topic.starts_with("slackwater/"),
        thing => is_command(topic) && thing_of(topic).as_deref() == Some(thing),
    }
}

#[test]
fn each_may_do_its_own_and_nothing_else() {
    let guarded = Guarded::start("", "825", &["localhost"]);
    let topics = topics();
    let everything = guarded.client("everything");
    let users = PEOPLE.iter().chain(&THINGS).copied();
    let clients: Vec<_> = users.map(|user| (user, guarded.client(user))).collect();
    for (user, client) in &clients {
        for topic in &topics {
            // A payload of theirs that got through is seen below, for nobody may hear it from there.
            assert_eq!(client.may_publish(topic, "probing"), should_write(user, topic), "{user} writes {topic}");
        }
    }
    for topic in &topics {
        assert!(everything.may_publish(topic, "heard"));
    }
    for (user, client) in &clients {
        let expected: BTreeSet<String> = topics.iter().filter(|topic| should_hear(user, topic)).cloned().collect();
        wait_until(&format!("{user} hears all of {expected:?}"), seconds(10), || {
            client.topics().len() >= expected.len()
        });
        std::thread::sleep(Duration::from_millis(20));
        assert_eq!(client.topics(), expected, "{user}");
    }
    // Every word that the daemon takes as evidence has exactly one writer besides the test's own.
    for topic in topics.iter().filter(|topic| !topic.starts_with("slackwater/") && !is_command(topic)) {
        let writers: Vec<&str> = clients
            .iter()
            .map(|(user, _)| *user)
            .filter(|user| *user != "everything" && should_write(user, topic))
            .collect();
        assert_eq!(writers.len(), usize::from(topic != "house/siren"), "{topic}: {writers:?}");
    }
}

#[test]
fn nobody_enters_by_the_other_door_without_a_password_or_with_a_wrong_one() {
    let guarded = Guarded::start("", "825", &["localhost"]);
    let (sealed, plain) = (guarded.broker.port, guarded.plain);
    for user in PEOPLE {
        assert!(guarded.login(user, &format!("{user}-opens"), sealed).is_some(), "{user}");
        assert!(guarded.login(user, &format!("{user}-opens"), plain).is_none(), "{user} in the clear");
    }
    for user in THINGS {
        assert!(guarded.login(user, &format!("{user}-opens"), plain).is_some(), "{user}");
        assert!(guarded.login(user, &format!("{user}-opens"), sealed).is_none(), "{user} among the people");
    }
    for port in [sealed, plain] {
        assert!(guarded.login("slackwater", "guessed", port).is_none());
        assert!(guarded.login("stranger", "stranger-opens", port).is_none());
    }
}

/// The example config, at this broker as the walk of deploy/README.md says it: by the service manager's directory.
fn at_home(guarded: &Guarded) -> (Config, Daemon) {
    let config = Config::new(&guarded.broker);
    let example = Path::new(env!("CARGO_MANIFEST_DIR")).join("config");
    for file in ["shared.yaml", "tanks/lagoon.yaml", "tanks/quarantine.yaml"] {
        std::fs::copy(example.join(file), config.path().join(file)).unwrap();
    }
    let credentials = config.path().join("credentials");
    std::fs::create_dir(&credentials).unwrap();
    std::fs::write(credentials.join("secrets_broker-password"), "slackwater-opens\n").unwrap();
    let mut config = config;
    config.broker = format!(
        "host: localhost, port: {}, user: slackwater, password_file: $CREDENTIALS_DIRECTORY/secrets_broker-password, tls: {{ ca_file: {} }}",
        guarded.broker.port,
        guarded.pki.join("authority.pem").display()
    );
    config.write();
    let mut command = Command::new(BINARY);
    command.args(["run", "--config"]).arg(config.path()).env("CREDENTIALS_DIRECTORY", &credentials);
    let daemon = Daemon::launch_as(&config, command);
    daemon.wait_ready();
    (config, daemon)
}

#[test]
fn the_daemon_works_with_what_the_list_lets_it_and_others_cannot_forge_command_or_ask() {
    let guarded = Guarded::start("", "825", &["localhost", "127.0.0.1"]);
    let [heater, probe, keeper, guest] =
        ["heater", "lagoon-display", "keeper", "guest"].map(|user| guarded.client(user));
    let (_config, daemon) = at_home(&guarded);
    guest.wait_for("slackwater/online", |payload| payload == "true");
    // It commands, and the plug's own word proves it.
    heater.wait_for("lagoon/plug/heater/set", |payload| payload == "OFF");
    assert!(heater.may_publish("lagoon/plug/heater/relay", "OFF"));
    let proven = r#"slackwater_output_proven{tank="lagoon",output="heater"}"#;
    wait_until("the off is proven", seconds(20), || {
        heater.may_publish("lagoon/plug/heater/relay", "OFF");
        daemon.metric(proven) == Some(0.0)
    });
    wait_until("the probe is heard and believed", seconds(30), || {
        assert!(probe.may_publish("lagoon/display/climate", r#"{"temp":24.9}"#));
        // A burst would count as one.
        std::thread::sleep(seconds(1));
        daemon.log_text().contains("lagoon: trip heater-cutoff: cleared")
    });
    // A probe that was taken over: it can lie of its own water, and of nothing else.
    assert!(!probe.may_publish("lagoon/plug/heater/set", "ON"));
    assert!(!probe.may_publish("lagoon/plug/heater/relay", "ON"));
    assert!(!probe.may_publish("slackwater/lagoon/ask", "hold water-change"));
    // A guest looks; a keeper asks, and commands nothing.
    assert!(!guest.may_publish("slackwater/lagoon/ask", "hold water-change"));
    assert!(!keeper.may_publish("lagoon/plug/heater/set", "ON"));
    assert_eq!(daemon.status()["holds"][0]["active"], false);
    assert!(keeper.may_publish("slackwater/lagoon/ask", "hold water-change"));
    keeper.wait_for("slackwater/lagoon/hold", |json| json.contains("water-change"));
    assert_eq!(daemon.metric(proven), Some(0.0), "nobody told the daemon another state");
    let alarms = daemon.json("/api/v1/tanks")["daemon_alarms"].to_string();
    assert!(!alarms.contains("refuse"), "all that it subscribes and publishes is allowed: {alarms}");
    for kind in ["command", "state", "answer"] {
        let refused = format!("slackwater_mqtt_messages_published_total{{kind=\"{kind}\",result=\"refused\"}}");
        assert!(daemon.metric(&refused).is_none_or(|count| count == 0.0), "{kind}");
    }
    assert_eq!(daemon.stop(), Some(0));
    guest.wait_for("slackwater/online", |payload| payload == "false");
}

/// A daemon with this way to the broker.
fn with_tls(broker: &Broker, host: &str, port: u16, login: &str, tls: &str) -> (Config, Daemon) {
    let mut config = Config::new(broker);
    std::fs::write(config.path().join("password"), "slackwater-opens\n").unwrap();
    let login = login.replace("{dir}", &config.path().display().to_string());
    config.broker = format!("host: {host}, port: {port}, keep_alive: 5 s{login}, tls: {{ {tls} }}");
    config.write();
    let daemon = Daemon::launch(&config);
    (config, daemon)
}

const PASSWORD: &str = ", user: slackwater, password_file: \"{dir}/password\"";

fn says(daemon: &Daemon, what: &[&str]) {
    wait_until(&format!("{what:?}"), seconds(20), || {
        let log = daemon.log_text();
        what.iter().all(|words| log.contains(words))
    });
    assert!(!daemon.is_ready());
}

#[test]
fn another_authority_and_another_name_are_refused_and_said() {
    let guarded = Guarded::start("", "825", &["aquarium.lan"]);
    let other = tempfile::tempdir().unwrap();
    certificates("825", other.path(), &["authority"]);
    let ours = format!("ca_file: {}", guarded.pki.join("authority.pem").display());
    let theirs = format!("ca_file: {}", other.path().join("authority.pem").display());
    let (broker, port) = (&guarded.broker, guarded.broker.port);
    let (_a, stranger) = with_tls(broker, "localhost", port, PASSWORD, &theirs);
    let (_b, misnamed) = with_tls(broker, "localhost", port, PASSWORD, &ours);
    let (_c, in_the_clear) = with_tls(broker, "localhost", guarded.plain, PASSWORD, &ours);
    says(&stranger, &["is not signed by the authority in `ca_file`", "name the certificate of the authority"]);
    says(&misnamed, &["is for another name", "aquarium.lan", "write in `host` a name"]);
    says(&in_the_clear, &["the broker"]);
}

#[test]
fn an_expired_certificate_is_refused_and_said() {
    let guarded = Guarded::start("", "-1", &["localhost"]);
    let ours = format!("ca_file: {}", guarded.pki.join("authority.pem").display());
    let (_config, daemon) = with_tls(&guarded.broker, "localhost", guarded.broker.port, PASSWORD, &ours);
    says(&daemon, &["the broker's certificate has expired", "make a new one"]);
}

#[test]
fn a_client_certificate_opens_and_without_a_good_one_the_door_stays_shut() {
    let guarded =
        Guarded::start("require_certificate true\nuse_identity_as_username true", "825", &["localhost", "127.0.0.1"]);
    let (broker, port, pki) = (&guarded.broker, guarded.broker.port, guarded.pki.display());
    certificates("825", &guarded.pki, &["client", "slackwater"]);
    let other = tempfile::tempdir().unwrap();
    certificates("825", other.path(), &["authority"]);
    certificates("825", other.path(), &["client", "slackwater"]);
    let forged = other.path().display();
    let ca = format!("ca_file: {pki}/authority.pem");
    let pair = |dir: &str| format!("{ca}, cert_file: {dir}/slackwater.pem, key_file: {dir}/slackwater.key");
    let (_a, good) = with_tls(broker, "127.0.0.1", port, "", &pair(&pki.to_string()));
    good.wait_ready();
    assert_eq!(good.json("/api/v1/tanks")["broker"], true);
    assert_eq!(good.stop(), Some(0));
    let (_b, bare) = with_tls(broker, "localhost", port, PASSWORD, &ca);
    says(&bare, &["the broker wants a certificate of ours", "`cert_file` and `key_file`"]);
    drop(bare);
    let (_c, false_one) = with_tls(broker, "localhost", port, "", &pair(&forged.to_string()));
    says(&false_one, &["the broker does not take our certificate", "signed by the authority that the broker trusts"]);
}

#[test]
fn what_is_there_already_is_never_overwritten_by_a_new_authority() {
    let dir = tempfile::tempdir().unwrap();
    certificates("825", dir.path(), &["authority"]);
    let before = std::fs::read(dir.path().join("authority.key")).unwrap();
    let again = Command::new(guarded::shipped("certificates")).arg("authority").arg(dir.path()).output().unwrap();
    assert_eq!(again.status.code(), Some(1));
    assert!(String::from_utf8_lossy(&again.stderr).contains("is there already"));
    assert_eq!(std::fs::read(dir.path().join("authority.key")).unwrap(), before);
    let mode = std::fs::metadata(dir.path().join("authority.key")).unwrap().permissions().mode();
    assert_eq!(mode & 0o777, 0o600, "nobody else reads the key");
}
