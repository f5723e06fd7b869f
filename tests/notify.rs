//! The way of alarms out of the house: a real daemon, a real mail server, real HTTP receivers, a real broker.
#![allow(clippy::disallowed_methods, reason = "a test of the outside world waits, connects and kills processes")]

mod common;
#[path = "common/smtp.rs"]
mod smtp;

use std::io::{Read, Write};
use std::net::TcpListener;
use std::process::Command;
use std::sync::atomic::{AtomicU16, AtomicU64, Ordering};
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

use common::{BINARY, Broker, Config, Daemon, World, seconds, text, wait_until};
use smtp::{MailServer, Manners};

/// An HTTP receiver that answers as it is told and remembers what came. 0: it takes the request and never answers.
struct Post {
    port: u16,
    status: Arc<AtomicU16>,
    slow_ms: Arc<AtomicU64>,
    heard: Arc<Mutex<Vec<serde_json::Value>>>,
    /// Those that were answered by 204.
    taken: Arc<Mutex<Vec<serde_json::Value>>>,
}

impl Post {
    fn answering(status: u16) -> Self {
        let listener = TcpListener::bind("127.0.0.1:0").unwrap();
        let port = listener.local_addr().unwrap().port();
        let post = Self {
            port,
            status: Arc::new(AtomicU16::new(status)),
            slow_ms: Arc::default(),
            heard: Arc::default(),
            taken: Arc::default(),
        };
        let (status, slow_ms) = (Arc::clone(&post.status), Arc::clone(&post.slow_ms));
        let (heard, taken) = (Arc::clone(&post.heard), Arc::clone(&post.taken));
        std::thread::spawn(move || {
            for mut stream in listener.incoming().map_while(Result::ok) {
                let (status, slow) = (status.load(Ordering::SeqCst), slow_ms.load(Ordering::SeqCst));
                let (heard, taken) = (Arc::clone(&heard), Arc::clone(&taken));
                std::thread::spawn(move || {
                    let (mut bytes, mut buffer) = (Vec::new(), [0; 4096]);
                    let body = loop {
                        let count = stream.read(&mut buffer).unwrap_or(0);
                        bytes.extend_from_slice(&buffer[..count]);
                        let text = String::from_utf8_lossy(&bytes).into_owned();
                        let Some((head, body)) = text.split_once("\r\n\r\n") else {
                            if count == 0 {
                                return;
                            }
                            continue;
                        };
                        let length = head.to_lowercase();
                        let length = length.lines().find_map(|line| line.strip_prefix("content-length:"));
                        if body.len() >= length.map_or(0, |length| length.trim().parse().unwrap()) || count == 0 {
                            break body.to_owned();
                        }
                    };
                    let value = serde_json::from_str(&body).unwrap_or(serde_json::Value::String(body));
                    heard.lock().unwrap().push(value.clone());
                    if status == 0 {
                        std::thread::sleep(seconds(60));
                        return;
                    }
                    std::thread::sleep(Duration::from_millis(slow));
                    let answer = format!("HTTP/1.1 {status} X\r\nContent-Length: 0\r\nConnection: close\r\n\r\n");
                    if stream.write_all(answer.as_bytes()).is_ok() && status == 204 {
                        taken.lock().unwrap().push(value);
                    }
                });
            }
        });
        post
    }

    fn ids(list: &Mutex<Vec<serde_json::Value>>) -> Vec<String> {
        let list = list.lock().unwrap();
        list.iter().map(|value| value["id"].as_str().unwrap_or_default().to_owned()).collect()
    }

    fn has_taken(&self, part: &str) -> bool {
        Self::ids(&self.taken).iter().any(|id| id.contains(part))
    }

    fn channel(&self, name: &str, more: &str) -> String {
        format!("  {name}: {{ webhook: {{ url: \"http://127.0.0.1:{}/hook\" }}{more} }}\n", self.port)
    }
}

fn with_channels(broker: &Broker, channels: &str) -> Config {
    let mut config = Config::new(broker);
    config.extra = format!("notify:\n{channels}");
    config.write();
    config
}

fn trip(world: &World) {
    world.temperature(26.4);
    world.wait_for("lagoon/heater/set", seconds(10), |payload| payload == "OFF");
}

/// None of these may stand anywhere but in the config and its files.
const SECRETS: [&str; 5] =
    ["open-sesame-9", "AHRpZGUAb3Blbi1zZXNhbWUtOQ==", "url-barrel-7", "header-jar-5", "watch-pot-3"];

#[test]
fn a_test_goes_down_every_channel_and_says_what_came_back_and_no_secret_is_anywhere() {
    let mut broker = Broker::start();
    let world = World::new(&broker);
    let hook = Post::answering(204);
    let dir = tempfile::tempdir().unwrap();
    let tls = smtp::certificates(dir.path());
    let login = Some(SECRETS[1].to_owned());
    let mail = MailServer::start(Manners { tls: Some(tls), login });
    let password = dir.path().join("password");
    std::fs::write(&password, format!("{}\n", SECRETS[0])).unwrap();
    std::fs::write(dir.path().join("token"), format!("Bearer {}\n", SECRETS[3])).unwrap();
    let mut config = Config::new(&broker);
    config.extra = format!(
        "public_url: https://tank.invalid/\ndaily: {{ at: \"08:00\", by: [mail] }}\n\
         heartbeat: {{ url: \"http://127.0.0.1:1/{}\", every: 10 s }}\nnotify:\n\
         \x20 phone: {{ webhook: {{ url: \"http://127.0.0.1:{}/{}\", headers: {{ Authorization: {{ file: {} }} }} }} }}\n\
         \x20 mail: {{ mail: {{ host: localhost, port: {}, ca_file: {}, user: tide, password_file: {}, \
         from: tank@mail.invalid, to: [keeper@mail.invalid] }}, least_priority: urgent }}\n\
         \x20 siren: {{ topic: {{ topic: house/siren }} }}\n",
        SECRETS[4],
        hook.port,
        SECRETS[2],
        dir.path().join("token").display(),
        mail.port,
        dir.path().join("ca.pem").display(),
        password.display(),
    );
    config.write();
    let daemon = Daemon::start(&config);
    world.settle(24.2);
    let mut seen = Vec::new();
    let mut ask = |arguments: &[&str], code: i32| {
        let said = daemon.ask(arguments);
        assert_eq!(said.status.code(), Some(code), "{arguments:?}: {}\n{}", text(&said), daemon.log_text());
        seen.push(text(&said));
        text(&said)
    };
    let said = ask(&["notify", "test"], 0);
    for part in [
        "phone: delivered",
        "HTTP 204 from 127.0.0.1",
        "mail: delivered",
        "250 2.0.0 queued as 77 from localhost",
        "siren: delivered",
        "PUBACK from 127.0.0.1",
        "all 3 delivered",
    ] {
        assert!(said.contains(part), "{part}: {said}");
    }
    let letters = mail.received();
    assert!(letters[0].encrypted && letters[0].login.as_deref() == Some(SECRETS[1]), "{letters:?}");
    assert!(letters[0].data.contains("Subject: daemon: test") && letters[0].data.contains("nothing is wrong"));
    assert!(world.last_json("house/siren")["message"].as_str().unwrap().contains("https://tank.invalid/"));
    ask(&["notify", "test", "--channel", "phone"], 0);
    let said = ask(&["notify", "test", "--channel", "phoen"], 1);
    assert!(said.contains("did you mean `phone`?"), "{said}");
    // Everything that can be wrong is said, with what to do, and without secrets.
    hook.status.store(403, Ordering::SeqCst);
    std::fs::write(&password, "wrong-one-entirely\n").unwrap();
    broker.kill();
    let said = ask(&["notify", "test", "--json"], 1);
    let answer: serde_json::Value = serde_json::from_str(&said).unwrap();
    let of = |name: &str| answer["channels"].as_array().unwrap().iter().find(|one| one["channel"] == name).unwrap();
    assert!(of("phone")["said"].as_str().unwrap().contains("HTTP 403") && of("phone")["fix"].is_string(), "{answer}");
    assert!(of("mail")["said"].as_str().unwrap().contains("535"), "{answer}");
    assert!(of("mail")["fix"].as_str().unwrap().contains("password"), "{answer}");
    assert!(of("siren")["said"].as_str().unwrap().contains("no connection to the broker"), "{answer}");
    ask(&["notify", "status"], 0);
    wait_until("a heartbeat failed thrice and is an alarm", seconds(60), || {
        daemon.metric("slackwater_daemon_alarm_active{alarm=\"heartbeat-failing\"}") == Some(1.0)
    });
    ask(&["check", "--config", config.path().to_str().unwrap()], 0);
    for path in ["/api/v1/notify", "/api/v1/tanks", "/api/v1/tanks/lagoon/status", "/metrics"] {
        seen.push(daemon.fetch(path).unwrap().1);
    }
    for line in [
        r#"slackwater_notification_attempts_total{channel="mail"} 2"#,
        r#"slackwater_notification_failures_total{channel="mail"} 1"#,
        r#"slackwater_notification_queue_length{channel="mail"} 0"#,
    ] {
        assert!(seen.last().unwrap().contains(line), "{line}");
    }
    let log = config.path().join("daemon.log");
    wait_until("the journal has it", seconds(10), || {
        std::fs::read_to_string(&log).unwrap().contains("test of channel siren")
    });
    assert_eq!(daemon.stop(), Some(0));
    seen.push(std::fs::read_to_string(&log).unwrap());
    for file in std::fs::read_dir(config.path().join("data")).unwrap() {
        seen.push(String::from_utf8_lossy(&std::fs::read(file.unwrap().path()).unwrap()).into_owned());
    }
    let journal = seen.iter().any(|text| text.contains("test of channel mail: FAILED"));
    assert!(journal, "the store has it");
    for secret in SECRETS.iter().chain(&["wrong-one-entirely"]) {
        let found = seen.iter().find(|text| text.contains(secret));
        assert!(found.is_none(), "{secret} stands in: {}", found.unwrap());
    }
}

#[test]
fn a_mail_server_that_offers_no_encryption_or_another_certificate_gets_no_password() {
    let broker = Broker::start();
    let dir = tempfile::tempdir().unwrap();
    let other = tempfile::tempdir().unwrap();
    let (tls, _) = (smtp::certificates(dir.path()), smtp::certificates(other.path()));
    std::fs::write(dir.path().join("password"), "open-sesame-9\n").unwrap();
    let plain = MailServer::start(Manners { tls: None, login: None });
    let encrypted = MailServer::start(Manners { tls: Some(tls), login: None });
    let channel = |name: &str, port: u16, ca: &std::path::Path| {
        format!(
            "  {name}: {{ mail: {{ host: localhost, port: {port}, ca_file: {}, user: tide, password_file: {}, from: a@b.invalid, to: c@d.invalid }} }}\n",
            ca.display(),
            dir.path().join("password").display()
        )
    };
    let channels = channel("plain", plain.port, &dir.path().join("ca.pem"))
        + &channel("strange", encrypted.port, &other.path().join("ca.pem"))
        + "  siren: { topic: { topic: house/siren } }\n";
    let daemon = Daemon::start(&with_channels(&broker, &channels));
    let said = daemon.ask(&["notify", "test"]);
    assert_eq!(said.status.code(), Some(1), "{}", text(&said));
    assert!(text(&said).contains("3 of 3 did not deliver"), "{}", text(&said));
    assert!(text(&said).contains("nobody listens on `house/siren`"), "{}", text(&said));
    assert!(plain.received().is_empty() && encrypted.received().is_empty());
}

/// Killed with everything unsent: the next daemon tells each, the urgent one first, with the ids of the first attempts.
#[test]
fn what_was_not_sent_survives_a_kill_and_the_urgent_goes_first() {
    let broker = Broker::start();
    let world = World::new(&broker);
    let hook = Post::answering(500);
    let config = with_channels(&broker, &hook.channel("phone", ", send_cleared: no"));
    // A kept request is an alarm of the daemon, of less priority than the trip, and comes first.
    world.publish_retained("slackwater/lagoon/ask", "hold water-change");
    let daemon = Daemon::start(&config);
    world.settle(24.2);
    trip(&world);
    wait_until("both were tried in vain", seconds(20), || {
        let ids = Post::ids(&hook.heard);
        ids.iter().any(|id| id.contains("kept-request")) && ids.iter().any(|id| id.contains("heater-cutoff-trip"))
    });
    daemon.kill();
    let tried: std::collections::BTreeSet<String> = Post::ids(&hook.heard).into_iter().collect();
    assert!(tried.len() >= 2, "{tried:?}");
    assert!(Post::ids(&hook.taken).is_empty());
    hook.status.store(204, Ordering::SeqCst);
    hook.heard.lock().unwrap().clear();
    let _daemon = Daemon::start(&config);
    wait_until("each is delivered with its id", seconds(30), || {
        let taken = Post::ids(&hook.taken);
        tried.iter().all(|id| taken.contains(id))
    });
    let first = hook.taken.lock().unwrap()[0].clone();
    assert_eq!(first["priority"], "urgent", "{first}");
}

/// One hangs, one answers 500, one takes its time; the fourth hears of a trip at once, and control does not notice.
#[test]
fn a_channel_that_hangs_fails_or_is_slow_delays_no_other_one_and_no_trip() {
    let broker = Broker::start();
    let world = World::new(&broker);
    let (hangs, fails, slow, works) =
        (Post::answering(0), Post::answering(500), Post::answering(204), Post::answering(204));
    slow.slow_ms.store(4000, Ordering::SeqCst);
    let channels = hangs.channel("hangs", "")
        + &fails.channel("fails", "")
        + &slow.channel("slow", "")
        + &works.channel("works", "");
    let daemon = Daemon::start(&with_channels(&broker, &channels));
    world.settle(24.2);
    world.wait_for("lagoon/heater/set", seconds(20), |payload| payload.starts_with("{\"on\":true"));
    world.forget();
    let hot = Instant::now();
    trip(&world);
    let off = hot.elapsed();
    wait_until("the one that works hears of it", seconds(10), || works.has_taken("heater-cutoff-trip"));
    let told = hot.elapsed();
    assert!(told < off + seconds(2), "told {told:?} after the heat, off {off:?} after it");
    wait_until("the slow one too", seconds(20), || slow.has_taken("heater-cutoff-trip"));
    wait_until("the failing one is tried again", seconds(20), || {
        Post::ids(&fails.heard).iter().filter(|id| id.contains("heater-cutoff-trip")).count() >= 3
    });
    wait_until("the hanging one is tried again after its ten seconds", seconds(40), || {
        hangs.heard.lock().unwrap().len() >= 2
    });
    assert!(daemon.is_ready());
    fails.status.store(204, Ordering::SeqCst);
    wait_until("and it comes through in the end", seconds(70), || fails.has_taken("heater-cutoff-trip"));
    assert_eq!(daemon.stop(), Some(0), "a hanging channel does not hold the end up");
}

/// The disk takes nothing (no file may grow beyond a kilobyte, which a write is told as an error): alarms go out from
/// memory, and that the disk fails is one of them.
#[test]
fn with_a_disk_that_takes_nothing_alarms_still_leave_the_house() {
    let broker = Broker::start();
    let world = World::new(&broker);
    let hook = Post::answering(204);
    let config = with_channels(&broker, &hook.channel("phone", ""));
    let mut command = Command::new("sh");
    command.args(["-c", "trap '' XFSZ; ulimit -f 1; exec \"$0\" run --config \"$1\""]).arg(BINARY).arg(config.path());
    let daemon = Daemon::launch_as(&config, command);
    daemon.wait_ready();
    wait_until("the disk fails", seconds(10), || {
        daemon.metric(r#"slackwater_daemon_alarm_active{alarm="store-failing"}"#) == Some(1.0)
    });
    world.settle(24.2);
    trip(&world);
    wait_until("both are told", seconds(20), || {
        hook.has_taken("heater-cutoff-trip") && hook.has_taken("store-failing")
    });
}
