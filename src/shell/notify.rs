//! Alarms that leave the house by webhook: a thread and a bounded queue a channel.
//!
//! Duty: to deliver in order, to try again with growing pauses, and never to delay control: handing
//! over a notification takes a short lock and no I/O. A full queue drops the least urgent, oldest
//! first, and counts it. Nothing is persisted: an alarm that still stands is on the MQTT topic.

use std::collections::VecDeque;
use std::sync::{Arc, Condvar, Mutex};
use std::time::{Duration, Instant};

use serde_json::json;

use crate::config::setup::{HeaderValue, WebhookSettings};
use crate::control::effect::NoticeKind;
use crate::control::plan::Priority;
use crate::time::{Wall, Zone};
use crate::wire::metrics::Meters;

use super::background;
use super::clock::unix_millis;
use super::secrets;

/// Notifications that may wait in one channel.
const QUEUE: usize = 64;
/// A webhook that does not answer in this time failed.
const TIME_OUT: Duration = Duration::from_secs(10);
/// The longest pause between two attempts.
const LONGEST_PAUSE: Duration = Duration::from_mins(1);
/// After this it is given up: it is no news any more.
const GIVE_UP: Duration = Duration::from_mins(30);

/// What people are told.
#[derive(Clone, Debug, PartialEq)]
pub struct Notification {
    /// Which tank; `daemon` for alarms of the daemon itself.
    pub tank: String,
    /// The alarm's name.
    pub alarm: String,
    /// How soon somebody must act.
    pub priority: Priority,
    /// Raised or cleared.
    pub what: NoticeKind,
    /// When it was raised.
    pub since: Wall,
    /// One sentence.
    pub text: String,
    /// What to do.
    pub advice: String,
}

impl Notification {
    fn what(&self) -> &'static str {
        match self.what {
            NoticeKind::Raised => "raised",
            NoticeKind::Cleared => "cleared",
            NoticeKind::Reminder => "reminder",
            NoticeKind::Test => "test",
        }
    }

    /// The body: ours, or the template's with its places filled in. In a template that is JSON the
    /// values are escaped as JSON strings are.
    fn body(&self, template: Option<&str>) -> String {
        let since = Zone::UTC.rfc3339(self.since);
        let Some(template) = template else {
            return json!({
                "tank": self.tank, "alarm": self.alarm, "priority": self.priority.word(), "what": self.what(),
                "since": since, "text": self.text, "advice": self.advice,
            })
            .to_string();
        };
        let is_json = template.trim_start().starts_with(['{', '[']);
        let places: [(&str, &str); 7] = [
            ("tank", &self.tank),
            ("alarm", &self.alarm),
            ("priority", self.priority.word()),
            ("what", self.what()),
            ("since", &since),
            ("text", &self.text),
            ("advice", &self.advice),
        ];
        fill(template, &places, is_json)
    }
}

/// Fills `{name}` places in one pass, so that a value with braces in it is not filled again.
fn fill(template: &str, places: &[(&str, &str)], is_json: bool) -> String {
    let mut filled = String::with_capacity(template.len() + 128);
    let mut rest = template;
    while let Some(at) = rest.find('{') {
        filled.push_str(&rest[..at]);
        let inside = &rest[at + 1..];
        let known = places.iter().find(|(name, _)| inside.strip_prefix(name).is_some_and(|r| r.starts_with('}')));
        if let Some((name, value)) = known {
            if is_json {
                let quoted = serde_json::Value::from(*value).to_string();
                filled.push_str(&quoted[1..quoted.len() - 1]);
            } else {
                filled.push_str(value);
            }
            rest = &inside[name.len() + 1..];
        } else {
            filled.push('{');
            rest = inside;
        }
    }
    filled.push_str(rest);
    filled
}

/// All channels.
#[derive(Debug)]
pub struct Notifier {
    channels: Vec<Channel>,
    meters: Meters,
}

#[derive(Debug)]
struct Channel {
    settings: WebhookSettings,
    queue: Arc<Queue>,
}

#[derive(Debug, Default)]
struct Queue {
    inner: Mutex<Inner>,
    changed: Condvar,
}

#[derive(Debug, Default)]
struct Inner {
    waiting: VecDeque<Notification>,
    stop: bool,
}

impl Notifier {
    /// Starts a thread for each channel.
    pub fn start(settings: &[WebhookSettings], meters: &Meters) -> Self {
        let channels = settings.iter().map(|settings| Channel::start(settings, meters)).collect();
        Self { channels, meters: meters.clone() }
    }

    /// Other channels from now on; what waits in a channel that stays as it was is kept.
    pub fn replace(&mut self, settings: &[WebhookSettings]) {
        let old = std::mem::take(&mut self.channels);
        let (stay, go): (Vec<_>, Vec<_>) = old.into_iter().partition(|channel| settings.contains(&channel.settings));
        for channel in go {
            channel.stop();
            self.meters.forget_channel(&channel.settings.name);
        }
        self.channels = stay;
        for settings in settings {
            if !self.channels.iter().any(|channel| channel.settings == *settings) {
                self.channels.push(Channel::start(settings, &self.meters));
            }
        }
    }

    /// Hands a notification to every channel that wants it.
    pub fn tell(&self, notification: &Notification) {
        for channel in &self.channels {
            let settings = &channel.settings;
            let wanted = notification.priority >= settings.least_priority
                && (notification.what != NoticeKind::Cleared || settings.send_cleared);
            if wanted {
                channel.push(notification.clone(), &self.meters);
            }
        }
    }

    /// Waits a short while for what is on its way, and ends.
    pub fn close(self) {
        let until = Instant::now() + Duration::from_secs(2);
        let idle = |channel: &Channel| channel.queue.inner.lock().map_or(true, |inner| inner.waiting.is_empty());
        while Instant::now() < until && !self.channels.iter().all(idle) {
            std::thread::sleep(Duration::from_millis(20));
        }
        for channel in &self.channels {
            channel.stop();
        }
    }
}

impl Channel {
    fn start(settings: &WebhookSettings, meters: &Meters) -> Self {
        let queue = Arc::new(Queue::default());
        meters.know_channel(&settings.name);
        let worker = Worker { settings: settings.clone(), queue: Arc::clone(&queue), meters: meters.clone() };
        let spawned = background::spawn("notify", move || worker.run());
        if let Err(error) = spawned {
            tracing::error!("no thread for the notifications of `{}`: {error}", settings.name);
        }
        Self { settings: settings.clone(), queue }
    }

    fn push(&self, notification: Notification, meters: &Meters) {
        let Ok(mut inner) = self.queue.inner.lock() else {
            return;
        };
        if inner.waiting.len() >= QUEUE {
            let least = inner.waiting.iter().enumerate().min_by_key(|(place, waiting)| (waiting.priority, *place));
            if let Some(place) = least.map(|(place, _)| place) {
                inner.waiting.remove(place);
                meters.notification(&self.settings.name, "dropped");
            }
        }
        inner.waiting.push_back(notification);
        meters.notifications_waiting(&self.settings.name, inner.waiting.len());
        self.queue.changed.notify_one();
    }

    fn stop(&self) {
        if let Ok(mut inner) = self.queue.inner.lock() {
            inner.stop = true;
        }
        self.queue.changed.notify_one();
    }
}

struct Worker {
    settings: WebhookSettings,
    queue: Arc<Queue>,
    meters: Meters,
}

enum Failure {
    /// May work later.
    Passing(String),
    /// Will not work as it is.
    Final(String),
}

impl Worker {
    fn run(self) {
        let agent: ureq::Agent = ureq::Agent::config_builder().timeout_global(Some(TIME_OUT)).build().into();
        while let Some(notification) = self.next() {
            self.deliver(&agent, &notification);
            if let Ok(mut inner) = self.queue.inner.lock() {
                // It stayed at the front while it was on its way, unless it was dropped meanwhile.
                if inner.waiting.front() == Some(&notification) {
                    inner.waiting.pop_front();
                }
                self.meters.notifications_waiting(&self.settings.name, inner.waiting.len());
            }
        }
    }

    fn next(&self) -> Option<Notification> {
        let mut inner = self.queue.inner.lock().ok()?;
        loop {
            if inner.stop {
                return None;
            }
            if let Some(first) = inner.waiting.front() {
                return Some(first.clone());
            }
            inner = self.queue.changed.wait(inner).ok()?;
        }
    }

    fn deliver(&self, agent: &ureq::Agent, notification: &Notification) {
        let name = &*self.settings.name;
        let begun = Instant::now();
        let mut pause = Duration::from_secs(1);
        loop {
            let tried = self.send(agent, notification);
            let (result, why) = match tried {
                Ok(()) => {
                    let at = Wall::from_unix_millis(unix_millis());
                    self.meters.notification(name, "sent");
                    self.meters.notification_delivered(name, begun.elapsed().as_secs_f64(), at);
                    return;
                }
                Err(Failure::Final(why)) => ("failed", why),
                Err(Failure::Passing(why)) if begun.elapsed() + pause > GIVE_UP => ("failed", why),
                Err(Failure::Passing(why)) => ("retried", why),
            };
            self.meters.notification(name, result);
            tracing::warn!("notification `{}` by `{name}` {result}: {why}", notification.alarm);
            if result == "failed" || !self.pause(pause) {
                return;
            }
            pause = (pause * 2).min(LONGEST_PAUSE);
        }
    }

    /// `false`: the channel is stopped.
    fn pause(&self, pause: Duration) -> bool {
        let until = Instant::now() + pause;
        let Ok(mut inner) = self.queue.inner.lock() else {
            return false;
        };
        loop {
            let left = until.saturating_duration_since(Instant::now());
            if inner.stop || left.is_zero() {
                return !inner.stop;
            }
            inner = match self.queue.changed.wait_timeout(inner, left) {
                Ok((inner, _)) => inner,
                Err(_) => return false,
            };
        }
    }

    fn send(&self, agent: &ureq::Agent, notification: &Notification) -> Result<(), Failure> {
        let settings = &self.settings;
        let mut request = ureq::http::Request::builder().method(settings.method.as_str()).uri(&settings.url);
        let mut typed = false;
        for (name, value) in &settings.headers {
            let value = match value {
                HeaderValue::Plain(value) => value.clone(),
                HeaderValue::FromFile(path) => {
                    secrets::first_line(path).map_err(|error| Failure::Passing(error.to_string()))?
                }
            };
            typed |= name.eq_ignore_ascii_case("content-type");
            request = request.header(name, value);
        }
        let body = notification.body(settings.body.as_deref());
        if !typed {
            let is_json = body.trim_start().starts_with(['{', '[']);
            request =
                request.header("Content-Type", if is_json { "application/json" } else { "text/plain; charset=utf-8" });
        }
        let request = request.body(body).map_err(|error| Failure::Final(error.to_string()))?;
        match agent.run(request) {
            Ok(_) => Ok(()),
            Err(ureq::Error::StatusCode(code @ 400..=499)) if code != 408 && code != 429 => {
                Err(Failure::Final(format!("the receiver answered {code}")))
            }
            Err(error) => Err(Failure::Passing(error.to_string())),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::control::ids::Name;
    use std::io::{BufRead, BufReader, Read, Write};
    use std::net::TcpListener;

    fn leak(what: NoticeKind) -> Notification {
        Notification {
            tank: "lagoon".to_owned(),
            alarm: "leak".to_owned(),
            priority: Priority::Urgent,
            what,
            since: Wall::from_unix_millis(1_774_745_999_000),
            text: "the floor is \"wet\" {text}".to_owned(),
            advice: "look".to_owned(),
        }
    }

    fn channel(port: u16, body: Option<&str>) -> WebhookSettings {
        WebhookSettings {
            name: Name::new("phone"),
            url: format!("http://127.0.0.1:{port}/hook"),
            method: "POST".to_owned(),
            headers: vec![("X-Kind".to_owned(), HeaderValue::Plain("alarm".to_owned()))],
            body: body.map(str::to_owned),
            least_priority: Priority::High,
            send_cleared: false,
        }
    }

    /// Answers each request with the next status and gives its head and body.
    fn receiver(statuses: &'static [u16]) -> (u16, std::sync::mpsc::Receiver<String>) {
        let listener = TcpListener::bind("127.0.0.1:0").unwrap();
        let port = listener.local_addr().unwrap().port();
        let (give, got) = std::sync::mpsc::channel();
        std::thread::spawn(move || {
            for status in statuses {
                let (mut stream, _) = listener.accept().unwrap();
                let mut reader = BufReader::new(stream.try_clone().unwrap());
                let (mut head, mut length) = (String::new(), 0);
                loop {
                    let mut line = String::new();
                    reader.read_line(&mut line).unwrap();
                    if let Some(value) = line.to_lowercase().strip_prefix("content-length:") {
                        length = value.trim().parse().unwrap();
                    }
                    head.push_str(&line);
                    if line == "\r\n" {
                        break;
                    }
                }
                let mut body = vec![0; length];
                reader.read_exact(&mut body).unwrap();
                write!(stream, "HTTP/1.1 {status} X\r\nContent-Length: 0\r\nConnection: close\r\n\r\n").unwrap();
                give.send(head + &String::from_utf8(body).unwrap()).unwrap();
            }
        });
        (port, got)
    }

    #[test]
    fn a_webhook_that_fails_once_is_tried_again() {
        let (port, got) = receiver(&[503, 200]);
        let meters = Meters::new(&[], &[]);
        let notifier = Notifier::start(&[channel(port, None)], &meters);
        notifier.tell(&leak(NoticeKind::Raised));
        let first = got.recv_timeout(Duration::from_secs(5)).unwrap();
        assert!(first.contains("POST /hook") && first.to_lowercase().contains("x-kind: alarm"), "{first}");
        let second = got.recv_timeout(Duration::from_secs(5)).unwrap();
        let body: serde_json::Value = serde_json::from_str(second.rsplit("\r\n\r\n").next().unwrap()).unwrap();
        assert_eq!(body["alarm"], "leak");
        assert_eq!(body["since"], "2026-03-29T00:59:59.000Z");
        notifier.close();
        let text = meters.text(&crate::wire::metrics::ProcessFacts::default());
        assert!(text.contains(r#"slackwater_notifications_total{channel="phone",result="retried"} 1"#), "{text}");
        assert!(text.contains(r#"slackwater_notifications_total{channel="phone",result="sent"} 1"#));
    }

    #[test]
    fn what_is_not_urgent_enough_or_only_cleared_is_not_sent() {
        let (port, got) = receiver(&[200]);
        let notifier = Notifier::start(&[channel(port, None)], &Meters::new(&[], &[]));
        notifier.tell(&leak(NoticeKind::Cleared));
        notifier.tell(&Notification { priority: Priority::Medium, ..leak(NoticeKind::Raised) });
        notifier.tell(&Notification { alarm: "third".to_owned(), ..leak(NoticeKind::Raised) });
        assert!(got.recv_timeout(Duration::from_secs(5)).unwrap().contains("third"));
    }

    #[test]
    fn a_template_is_filled_once_and_stays_json() {
        let template = r#"{"msg":"{tank}: {text}","pri":"{priority}","other":"{unknown}"}"#;
        let body = leak(NoticeKind::Raised).body(Some(template));
        let value: serde_json::Value = serde_json::from_str(&body).unwrap();
        assert_eq!(value["msg"], "lagoon: the floor is \"wet\" {text}");
        assert_eq!(value["other"], "{unknown}");
        assert_eq!(leak(NoticeKind::Raised).body(Some("{alarm} {what}")), "leak raised");
    }

    #[test]
    fn a_full_queue_keeps_the_most_urgent() {
        let meters = Meters::new(&[], &["phone"]);
        let queue = Arc::new(Queue::default());
        let channel = Channel { settings: channel(1, None), queue };
        for n in 0..QUEUE + 10 {
            let priority = if n == 3 { Priority::Urgent } else { Priority::High };
            channel.push(Notification { priority, alarm: n.to_string(), ..leak(NoticeKind::Raised) }, &meters);
        }
        let inner = channel.queue.inner.lock().unwrap();
        assert_eq!(inner.waiting.len(), QUEUE);
        assert!(inner.waiting.iter().any(|n| n.alarm == "3"));
        assert!(!inner.waiting.iter().any(|n| n.alarm == "0"));
    }
}
