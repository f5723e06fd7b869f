//! A broker by the files of `deploy/mosquitto`, and people and things that log in there.
#![allow(dead_code, reason = "each test file uses its part")]

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::mpsc::{Receiver, channel};
use std::sync::{Arc, Mutex};

use rumqttc::v5::mqttbytes::QoS;
use rumqttc::v5::mqttbytes::v5::{Packet, PubAckReason};
use rumqttc::v5::{Client, Event, MqttOptions};
use rumqttc::{TlsConfiguration, Transport};

use crate::common::{Broker, free_port, seconds, text, wait_until};

/// Who stands in the access list and is no thing: they log in at the encrypted listener.
pub const PEOPLE: [&str; 4] = ["slackwater", "keeper", "guest", "everything"];
/// The things of the example config: they log in at the plain one.
pub const THINGS: [&str; 16] = [
    "lagoon-display",
    "lagoon-sump",
    "room",
    "quarantine-probe",
    "heater",
    "fan",
    "return-pump",
    "powerhead",
    "top-off",
    "skimmer",
    "alkalinity",
    "calcium",
    "light",
    "tub-heater",
    "tub-filter",
    "tub-top-off",
];

pub fn shipped(file: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("deploy/mosquitto").join(file)
}

/// Runs the shipped `certificates`.
pub fn certificates(days: &str, dir: &Path, arguments: &[&str]) {
    let mut command = Command::new(shipped("certificates"));
    let made = command.arg(arguments[0]).arg(dir).args(&arguments[1..]).env("DAYS", days).output().unwrap();
    assert!(made.status.success(), "{}", text(&made));
}

/// The shipped broker, with its encrypted port and its plain one.
pub struct Guarded {
    pub broker: Broker,
    pub plain: u16,
    pub pki: PathBuf,
}

impl Guarded {
    /// `more` stands after the encrypted listener's own lines.
    pub fn start(more: &str, days: &str, names: &[&str]) -> Self {
        let dir = tempfile::tempdir().unwrap();
        let pki = dir.path().join("pki");
        certificates("825", &pki, &["authority"]);
        certificates(days, &pki, &[&["broker"][..], names].concat());
        let home = dir.path().join("slackwater");
        std::fs::create_dir(&home).unwrap();
        for file in ["authority.pem", "broker.pem", "broker.key"] {
            std::fs::copy(pki.join(file), home.join(file)).unwrap();
        }
        let acl = std::fs::read_to_string(shipped("acl")).unwrap();
        std::fs::write(home.join("acl"), acl + "\nuser everything\ntopic readwrite #\n").unwrap();
        for (file, users) in [("passwords", &PEOPLE[..]), ("passwords-of-things", &THINGS[..])] {
            let lines: Vec<String> = users.iter().map(|user| format!("{user}:{user}-opens\n")).collect();
            std::fs::write(home.join(file), lines.concat()).unwrap();
            let made = Command::new("mosquitto_passwd").arg("-U").arg(home.join(file)).output().unwrap();
            assert!(made.status.success(), "{}", text(&made));
        }
        let (port, plain) = (free_port(), free_port());
        let shipped = std::fs::read_to_string(shipped("secure.conf")).unwrap();
        let there = |line: &str| assert!(shipped.contains(line), "the shipped file has `{line}`");
        for line in ["listener 8883\n", "listener 1883\n", "tls_version tlsv1.2\n", "/etc/mosquitto/slackwater/"] {
            there(line);
        }
        let lines = shipped
            .replace("listener 8883\n", &format!("listener {port} 127.0.0.1\n"))
            .replace("listener 1883\n", &format!("listener {plain} 127.0.0.1\n"))
            .replace("tls_version tlsv1.2\n", &format!("tls_version tlsv1.2\n{more}\n"))
            .replace("/etc/mosquitto/slackwater/", &format!("{}/", home.display()));
        let broker = Broker::by_file(port, dir, &format!("user root\n{lines}"));
        Self { broker, plain, pki }
    }

    /// Somebody with the password that the broker has of them, where they belong.
    pub fn client(&self, user: &str) -> Guest {
        let port = if THINGS.contains(&user) { self.plain } else { self.broker.port };
        self.login(user, &format!("{user}-opens"), port).expect("the broker lets in whom it knows")
    }

    /// Whether the broker lets them in there.
    pub fn login(&self, user: &str, password: &str, port: u16) -> Option<Guest> {
        let _ = rustls::crypto::ring::default_provider().install_default();
        let mut options = MqttOptions::new(format!("{user}-{}", free_port()), "localhost", port);
        options.set_keep_alive(seconds(5)).set_credentials(user, password);
        if port == self.broker.port {
            let ca = std::fs::read(self.pki.join("authority.pem")).unwrap();
            options.set_transport(Transport::tls_with_config(TlsConfiguration::Simple {
                ca,
                alpn: None,
                client_auth: None,
            }));
        }
        Guest::enter(options)
    }
}

/// Somebody at the broker who hears all that they may.
pub struct Guest {
    client: Client,
    acks: Receiver<PubAckReason>,
    heard: Arc<Mutex<Vec<(String, String)>>>,
}

impl Guest {
    fn enter(options: MqttOptions) -> Option<Self> {
        let (client, mut connection) = Client::new(options, 100);
        let (tell_in, is_in) = channel();
        let (tell, acks) = channel();
        let heard: Arc<Mutex<Vec<(String, String)>>> = Arc::default();
        let (list, asks) = (Arc::clone(&heard), client.clone());
        std::thread::spawn(move || {
            for event in connection.iter() {
                match event {
                    Ok(Event::Incoming(Packet::ConnAck(_))) => {
                        let _ = asks.try_subscribe("#", QoS::AtLeastOnce);
                    }
                    Ok(Event::Incoming(Packet::SubAck(_))) => drop(tell_in.send(true)),
                    Ok(Event::Incoming(Packet::PubAck(ack))) => drop(tell.send(ack.reason)),
                    Ok(Event::Incoming(Packet::Publish(publish))) => list.lock().unwrap().push((
                        String::from_utf8_lossy(&publish.topic).into_owned(),
                        String::from_utf8_lossy(&publish.payload).into_owned(),
                    )),
                    Ok(_) => {}
                    Err(_) => {
                        let _ = tell_in.send(false);
                        return;
                    }
                }
            }
        });
        is_in.recv_timeout(seconds(10)).expect("the broker answers").then_some(Self { client, acks, heard })
    }

    /// Publishes, and says whether the broker took it.
    pub fn may_publish(&self, topic: &str, payload: &str) -> bool {
        self.client.publish(topic, QoS::AtLeastOnce, false, payload.as_bytes().to_vec()).unwrap();
        match self.acks.recv_timeout(seconds(10)).expect("the broker acknowledges") {
            PubAckReason::Success | PubAckReason::NoMatchingSubscribers => true,
            PubAckReason::NotAuthorized => false,
            other => panic!("{topic}: {other:?}"),
        }
    }

    /// On which topics something was heard.
    pub fn topics(&self) -> BTreeSet<String> {
        self.heard.lock().unwrap().iter().map(|(topic, _)| topic.clone()).collect()
    }

    /// Waits for a payload on a topic.
    pub fn wait_for(&self, topic: &str, fits: impl Fn(&str) -> bool) {
        wait_until(topic, seconds(20), || {
            self.heard.lock().unwrap().iter().any(|(at, payload)| at == topic && fits(payload))
        });
    }
}
