use std::io::{BufRead, BufReader, Write};
use std::net::TcpListener;
use std::sync::atomic::{AtomicU16, Ordering};

use super::message::What;
use super::standing::Still;
use super::*;
use crate::config::channel::{Carrier, ChannelSettings, HeartbeatSettings, Secret, WebhookSettings};
use crate::control::ids::Name;
use crate::control::plan::Priority;
use crate::time::{Span, Wall};

/// An HTTP server that answers each request as it is told, and remembers heads and bodies. 0: no answer at all.
struct Server {
    port: u16,
    status: Arc<AtomicU16>,
    heard: Arc<Mutex<Vec<String>>>,
}

impl Server {
    fn answering(status: u16) -> Self {
        let listener = TcpListener::bind("127.0.0.1:0").unwrap();
        let port = listener.local_addr().unwrap().port();
        let (status, heard): (_, Arc<Mutex<Vec<String>>>) = (Arc::new(AtomicU16::new(status)), Arc::default());
        let (answer, list) = (Arc::clone(&status), Arc::clone(&heard));
        std::thread::spawn(move || {
            for mut stream in listener.incoming().map_while(Result::ok) {
                let (answer, list) = (answer.load(Ordering::SeqCst), Arc::clone(&list));
                std::thread::spawn(move || {
                    list.lock().unwrap().push(read(&mut BufReader::new(stream.try_clone().unwrap())));
                    if answer == 0 {
                        std::thread::sleep(Duration::from_mins(1));
                    }
                    write!(stream, "HTTP/1.1 {answer} X\r\nContent-Length: 0\r\nConnection: close\r\n\r\n").unwrap();
                });
            }
        });
        Self { port, status, heard }
    }

    fn wait_for(&self, what: &str, holds: impl Fn(&[String]) -> bool) {
        let until = Instant::now() + Duration::from_secs(20);
        while !holds(&self.heard.lock().unwrap()) {
            assert!(Instant::now() < until, "{what}: {:#?}", self.heard.lock().unwrap());
            std::thread::sleep(Duration::from_millis(10));
        }
    }

    fn count(&self) -> usize {
        self.heard.lock().unwrap().len()
    }
}

fn read(reader: &mut impl BufRead) -> String {
    let (mut head, mut length) = (String::new(), 0);
    loop {
        let mut line = String::new();
        reader.read_line(&mut line).unwrap();
        if let Some(value) = line.to_lowercase().strip_prefix("content-length:") {
            length = value.trim().parse().unwrap();
        }
        head.push_str(&line);
        if line == "\r\n" || line.is_empty() {
            break;
        }
    }
    let mut body = vec![0; length];
    reader.read_exact(&mut body).unwrap();
    head + &String::from_utf8(body).unwrap()
}

fn url(server: &Server) -> Secret {
    Secret::Plain(format!("http://127.0.0.1:{}/hook", server.port))
}

fn channel(name: &str, server: &Server, least_priority: Priority) -> ChannelSettings {
    let headers = vec![("X-Kind".to_owned(), Secret::Plain("alarm".to_owned()))];
    ChannelSettings {
        name: Name::new(name),
        by: Carrier::Webhook(WebhookSettings { url: url(server), method: "POST", headers, body: None }),
        least_priority,
        send_cleared: false,
        repeat: None,
        quiet: None,
        at_most: (30, Span::from_hours(1)),
        escalate_after: Span::from_minutes(5),
    }
}

fn start(dir: &std::path::Path, speed: f64, channels: Vec<ChannelSettings>) -> (Notifier, Meters) {
    let _ = rustls::crypto::ring::default_provider().install_default();
    let meters = Meters::new(&[], &[]);
    let broker = crate::config::setup::BrokerSettings {
        host: "127.0.0.1".to_owned(),
        port: 1,
        tls: None,
        client_id: "keeper".to_owned(),
        user: None,
        password_file: None,
        keep_alive: Span::from_seconds(5),
    };
    let parts = Parts {
        clock: Clock::start(speed),
        settings: NotifySettings { channels, ..NotifySettings::default() },
        broker,
        zone: Zone::UTC,
        data_dir: dir.to_owned(),
        pulse: Arc::default(),
        meters: meters.clone(),
    };
    (Notifier::start(parts), meters)
}

fn leak(priority: Priority) -> Notification {
    let since = Wall::from_unix_millis(1_774_745_999_000);
    Notification::plain("lagoon", "leak", What::Raised, priority, since, "the floor is wet".to_owned())
}

#[test]
fn a_webhook_that_fails_once_is_tried_again_with_the_same_id() {
    let dir = tempfile::tempdir().unwrap();
    let server = Server::answering(503);
    let (notifier, meters) = start(dir.path(), 1.0, vec![channel("phone", &server, Priority::High)]);
    notifier.tell(leak(Priority::Medium));
    notifier.tell(Notification { what: What::Cleared, ..leak(Priority::Urgent) });
    notifier.tell(leak(Priority::Urgent));
    server.wait_for("the first attempt", |heard| heard.len() == 1);
    server.status.store(200, Ordering::SeqCst);
    server.wait_for("the second attempt", |heard| heard.len() == 2);
    let heard = server.heard.lock().unwrap().clone();
    for request in &heard {
        let head = request.to_lowercase();
        assert!(head.starts_with("post /hook") && head.contains("x-kind: alarm"), "{request}");
        assert!(head.contains("idempotency-key: lagoon.leak.1774745999000.raised\r\n"), "{request}");
        assert!(request.contains(r#""id":"lagoon.leak.1774745999000.raised""#), "{request}");
    }
    notifier.close();
    let text = meters.text(&crate::wire::metrics::ProcessFacts::default());
    for line in [
        r#"slackwater_notifications_total{channel="phone",result="retried"} 1"#,
        r#"slackwater_notifications_total{channel="phone",result="sent"} 1"#,
        r#"slackwater_notification_attempts_total{channel="phone"} 2"#,
        r#"slackwater_notification_failures_total{channel="phone"} 1"#,
        r#"slackwater_notification_queue_length{channel="phone"} 0"#,
    ] {
        assert!(text.contains(line), "{line}\n{text}");
    }
    assert_eq!(server.count(), 2, "nothing that is not urgent enough, and no clearing");
}

/// The clock runs 400 times as fast: five minutes are 0.75 s; the hanging receiver keeps its thread for 10 s.
#[test]
fn what_a_hanging_channel_does_not_deliver_is_told_by_the_next_one_whatever_its_least_priority() {
    let dir = tempfile::tempdir().unwrap();
    let (hangs, works) = (Server::answering(0), Server::answering(204));
    let channels = vec![channel("mail", &hangs, Priority::Low), channel("phone", &works, Priority::Urgent)];
    let (notifier, _) = start(dir.path(), 400.0, channels);
    notifier.tell(leak(Priority::High));
    hangs.wait_for("the channel that wants it is tried", |heard| heard.len() == 1);
    assert_eq!(works.count(), 0, "it is not urgent enough for the other one");
    works.wait_for("it is told instead", |heard| {
        heard.iter().any(|request| request.contains("because channel `mail` did not deliver it"))
    });
    assert!(notifier.trouble().is_some_and(|why| why.contains("channel mail does not deliver")));
    // What control makes of it goes by the one that works, and not by the one that does not.
    let failing =
        Notification { tank: "daemon".to_owned(), alarm: "channel-failing".to_owned(), ..leak(Priority::High) };
    notifier.tell(failing);
    works.wait_for("it is told that the channel is down", |heard| {
        heard.iter().any(|request| request.contains("daemon.channel-failing"))
    });
    let lines = notifier.wanted().2;
    assert!(lines.iter().any(|line| line.contains("told by phone instead")), "{lines:?}");
    notifier.close();
}

#[test]
fn an_alarm_is_told_again_until_it_is_acknowledged_also_by_the_next_daemon() {
    let dir = tempfile::tempdir().unwrap();
    let server = Server::answering(204);
    let repeating = ChannelSettings { repeat: Some(Span::from_minutes(1)), ..channel("phone", &server, Priority::Low) };
    // A minute is 0.3 s.
    let (notifier, _) = start(dir.path(), 200.0, vec![repeating.clone()]);
    let answer = |notifier: &Notifier, still: &dyn Fn() -> Still| {
        let until = Instant::now() + Duration::from_secs(10);
        loop {
            if let Some(key) = notifier.wanted().0.pop() {
                assert_eq!(key, ("lagoon".to_owned(), "leak".to_owned()));
                return notifier.send(Letter::Checked(key, still()));
            }
            assert!(Instant::now() < until, "nobody asks whether it still stands");
            std::thread::sleep(Duration::from_millis(10));
        }
    };
    let stands = || Still::Stands("still wet".to_owned());
    notifier.tell(leak(Priority::High));
    answer(&notifier, &stands);
    answer(&notifier, &stands);
    server.wait_for("two reminders", |heard| heard.iter().filter(|text| text.contains("still wet")).count() == 2);
    notifier.close();
    let (notifier, _) = start(dir.path(), 200.0, vec![repeating]);
    let since = leak(Priority::High).since;
    notifier.send(Letter::Stands(vec![(Notification { since, ..leak(Priority::High) }, false)]));
    answer(&notifier, &stands);
    server.wait_for("a third one", |heard| {
        heard.iter().any(|text| text.contains("raised.3") || text.contains("reminder.3"))
    });
    answer(&notifier, &|| Still::Acknowledged);
    std::thread::sleep(Duration::from_millis(900));
    assert!(notifier.wanted().0.is_empty(), "an acknowledged one is asked about no more");
    assert_eq!(server.count(), 4, "once raised and thrice again; the second daemon did not raise it anew");
    notifier.close();
}

#[test]
fn what_a_kill_swallowed_is_told_by_the_next_daemon() {
    let dir = tempfile::tempdir().unwrap();
    let server = Server::answering(204);
    let (notifier, _) = start(dir.path(), 1.0, vec![channel("phone", &server, Priority::Low)]);
    // Nothing of it is on the disk, and control says that it stands.
    notifier.send(Letter::Stands(vec![
        (leak(Priority::High), false),
        (Notification { alarm: "seen".to_owned(), ..leak(Priority::High) }, true),
    ]));
    server.wait_for("it is told", |heard| heard.len() == 1);
    notifier.close();
    assert!(server.heard.lock().unwrap()[0].contains("lagoon.leak."));
}

#[test]
fn the_watcher_hears_of_control_while_it_turns_and_not_while_it_stands_still() {
    let _ = rustls::crypto::ring::default_provider().install_default();
    let server = Server::answering(200);
    let settings =
        HeartbeatSettings { url: url(&server), method: "GET", headers: Vec::new(), every: Span::from_seconds(20) };
    let (pulse, meters): (Arc<Pulse>, _) = (Arc::default(), Meters::new(&[], &[]));
    let heartbeat = Heartbeat::start(&settings, Clock::start(100.0), Arc::clone(&pulse), meters.clone());
    pulse.turned(false);
    server.wait_for("it is called while control turns", |heard| heard.len() >= 3);
    // Control has not turned for 5 s after this.
    std::thread::sleep(Duration::from_millis(5600));
    let before = server.count();
    std::thread::sleep(Duration::from_millis(1500));
    assert_eq!(server.count(), before, "a process that lives and does not control is silent");
    server.status.store(500, Ordering::SeqCst);
    pulse.turned(false);
    server.wait_for("it is called again", |heard| heard.len() >= before + 4);
    let trouble = heartbeat.trouble().unwrap_or_default();
    assert!(trouble.contains("HTTP 500 from 127.0.0.1") && !trouble.contains("/hook"), "{trouble}");
    let text = meters.text(&crate::wire::metrics::ProcessFacts::default());
    assert!(!text.contains("slackwater_heartbeat_calls_total{result=\"failed\"} 0"), "{text}");
    assert!(!text.contains("slackwater_heartbeat_last_success_timestamp_seconds 0"), "{text}");
}
