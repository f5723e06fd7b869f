use super::*;
use crate::config::channel::{Carrier, Secret, TopicSettings, WebhookSettings};
use crate::control::ids::Name;
use crate::time::{DailyWindow, Wall};

fn settings() -> ChannelSettings {
    ChannelSettings {
        name: Name::new("phone"),
        by: Carrier::Topic(TopicSettings { topic: "t".to_owned(), payload: None, broker: None }),
        least_priority: Priority::Medium,
        send_cleared: true,
        repeat: None,
        quiet: None,
        at_most: (30, Span::from_hours(1)),
        escalate_after: Span::from_minutes(5),
    }
}

fn queue(settings: ChannelSettings) -> Queue {
    Queue::new(settings, Saved::default(), Steady::default())
}

fn alarm(name: &str, priority: Priority) -> Notification {
    let since = Wall::from_unix_millis(1_774_742_400_000);
    Notification::plain("lagoon", name, What::Raised, priority, since, format!("{name} is so"))
}

/// 2026-03-29 00:00 UTC and so much later.
fn at(span: Span) -> Now {
    Now { steady: Steady::default(), wall: Wall::from_unix_millis(1_774_742_400_000) }.after(span)
}

fn next(queue: &mut Queue, span: Span) -> Option<String> {
    queue.next(at(span), Zone::UTC).map(|notification| notification.alarm)
}

const S: fn(u64) -> Span = Span::from_seconds;

#[test]
fn urgent_goes_first_and_what_failed_keeps_nothing_back() {
    let mut queue = queue(settings());
    for (name, priority) in [("a", Priority::High), ("b", Priority::Urgent), ("c", Priority::High)] {
        queue.take(alarm(name, priority), Steady::default());
    }
    assert_eq!(next(&mut queue, S(0)).as_deref(), Some("b"));
    let failed = alarm("b", Priority::Urgent).id();
    assert_eq!(queue.settle(&failed, false, false, at(S(0)).steady), Some(After::Waits));
    // The urgent one waits for its second; the others need not.
    assert_eq!(next(&mut queue, S(0)).as_deref(), Some("a"));
    assert_eq!(next(&mut queue, S(0)).as_deref(), Some("c"));
    assert_eq!(next(&mut queue, S(0)), None);
    assert_eq!(next(&mut queue, S(1)).as_deref(), Some("b"));
}

#[test]
fn pauses_double_without_chance_and_end_at_a_minute_for_what_is_urgent() {
    for (priority, longest) in [(Priority::Urgent, 60), (Priority::High, 600)] {
        let mut queue = queue(settings());
        let one = alarm("x", priority);
        queue.take(one.clone(), Steady::default());
        let (mut now, mut pauses) = (0, Vec::new());
        for _ in 0..14 {
            assert!(next(&mut queue, S(now)).is_some());
            queue.settle(&one.id(), false, false, at(S(now)).steady);
            let due = queue.next_due().unwrap().millis() / 1000;
            pauses.push(due - now);
            assert_eq!(next(&mut queue, S(due - 1)), None, "not before its time");
            now = due;
        }
        let expected: Vec<u64> = (0..14).map(|n| (1_u64 << n).min(longest)).collect();
        assert_eq!(pauses, expected);
    }
}

#[test]
fn after_a_day_it_is_given_up_and_a_refusal_is_not_repeated_at_once() {
    let mut queue = queue(settings());
    let one = alarm("x", Priority::Urgent);
    queue.take(one.clone(), Steady::default());
    next(&mut queue, S(0));
    queue.settle(&one.id(), false, true, at(S(0)).steady);
    assert_eq!(next(&mut queue, S(59)), None);
    assert!(next(&mut queue, S(60)).is_some());
    assert_eq!(queue.settle(&one.id(), false, false, at(Span::from_hours(24)).steady), Some(After::GivenUp));
    assert_eq!(queue.len(), 0);
}

#[test]
fn a_full_queue_keeps_the_most_urgent_and_counts_what_it_lost() {
    let mut queue = queue(settings());
    for n in 0..QUEUE + 10 {
        let priority = if n == 3 { Priority::Urgent } else { Priority::High };
        queue.take(alarm(&format!("n{n}"), priority), Steady::default());
    }
    assert_eq!(queue.len(), QUEUE);
    assert_eq!(queue.saved().lost, 10);
    let has = |name: &str| queue.saved().entries.iter().any(|entry| entry.notification.alarm == name);
    assert!(has("n3") && !has("n0") && has("n73"));
    assert_eq!(queue.take(alarm("low", Priority::Medium), Steady::default()), Taken::Dropped);
    assert_eq!(queue.len(), QUEUE, "what is less urgent than all that wait goes itself");
}

#[test]
fn quiet_hours_never_silence_what_is_urgent_and_the_rest_comes_as_one_afterwards() {
    let night = DailyWindow { from: "22:00".parse().unwrap(), until: "07:30".parse().unwrap() };
    let mut queue = queue(ChannelSettings { quiet: Some(night), ..settings() });
    for (name, priority) in [("salinity", Priority::High), ("leak", Priority::Urgent), ("top-off", Priority::Medium)] {
        queue.take(alarm(name, priority), Steady::default());
    }
    assert_eq!(next(&mut queue, S(0)).as_deref(), Some("leak"));
    queue.settle(&alarm("leak", Priority::Urgent).id(), true, false, Steady::default());
    assert_eq!(next(&mut queue, Span::from_minutes(449)), None, "07:29");
    // Killed and started again in the night: it still waits.
    let saved = serde_json::to_string(queue.saved()).unwrap();
    let mut queue = Queue::new(queue.settings, serde_json::from_str(&saved).unwrap(), Steady::default());
    assert_eq!(next(&mut queue, Span::from_minutes(449)), None);
    let digest = queue.next(at(Span::from_minutes(450)), Zone::UTC).unwrap();
    assert_eq!((digest.what, digest.priority), (What::Digest, Priority::High));
    assert!(digest.text.contains("lagoon: salinity raised") && digest.text.contains("top-off"), "{}", digest.text);
    queue.settle(&digest.id(), true, false, Steady::default());
    assert_eq!(queue.len(), 0);
}

#[test]
fn what_was_tried_before_the_quiet_hours_neither_wakes_the_office_all_night_nor_is_lost() {
    let night = DailyWindow { from: "00:01".parse().unwrap(), until: "07:30".parse().unwrap() };
    let mut queue = queue(ChannelSettings { quiet: Some(night), ..settings() });
    let one = alarm("x", Priority::High);
    queue.take(one.clone(), Steady::default());
    assert!(next(&mut queue, S(59)).is_some());
    queue.settle(&one.id(), false, false, at(S(59)).steady);
    assert_eq!(next(&mut queue, S(120)), None);
    assert!(queue.next_due().is_some_and(|due| due > at(S(120)).steady), "{:?}", queue.next_due());
    assert_eq!(next(&mut queue, Span::from_minutes(451)).as_deref(), Some("x"));
}

#[test]
fn quiet_hours_are_local_on_both_days_of_a_clock_change() {
    let lisbon: Zone = "Europe/Lisbon".parse().unwrap();
    let night = DailyWindow { from: "22:00".parse().unwrap(), until: "07:30".parse().unwrap() };
    let calm = Calm::new(Some(night), (30, Span::from_hours(1)));
    for (rfc3339, quiet) in [
        ("2026-03-28T07:29:00Z", true),
        ("2026-03-28T07:31:00Z", false),
        ("2026-03-29T06:29:00Z", true),
        ("2026-03-29T06:31:00Z", false),
        ("2026-10-24T06:31:00Z", false),
        ("2026-10-25T06:31:00Z", true),
        ("2026-10-25T07:31:00Z", false),
    ] {
        let now = Now { steady: Steady::default(), wall: Wall::from_rfc3339(rfc3339).unwrap() };
        assert_eq!(calm.is_quiet(now, lisbon), quiet, "{rfc3339}");
    }
}

#[test]
fn a_flood_is_held_at_the_limit_and_urgent_ones_are_bounded_too() {
    let mut queue = queue(ChannelSettings { at_most: (2, Span::from_hours(1)), ..settings() });
    let send = |queue: &mut Queue, now: Span| {
        let sent = queue.next(at(now), Zone::UTC);
        if let Some(sent) = &sent {
            queue.settle(&sent.id(), true, false, at(now).steady);
        }
        sent
    };
    for n in 0..10 {
        queue.take(alarm(&format!("n{n}"), Priority::High), Steady::default());
    }
    assert!(send(&mut queue, S(0)).is_some() && send(&mut queue, S(1)).is_some());
    assert_eq!(send(&mut queue, S(2)), None);
    let mut urgent = 0;
    for n in 0..100 {
        queue.take(alarm(&format!("u{n}"), Priority::Urgent), Steady::default());
        urgent += usize::from(send(&mut queue, S(3)).is_some());
    }
    assert_eq!(urgent, crate::shell::notify::quiet::URGENT_AT_MOST);
    let later = Span::from_hours(2);
    let (first, second) = (send(&mut queue, later).unwrap(), send(&mut queue, later));
    assert_eq!(first.what, What::Digest, "what was held comes as one");
    assert!(first.text.starts_with("48 held back"), "{}", first.text);
    assert!(second.is_none() && queue.len() == 0);
}

#[test]
fn what_is_late_is_told_once_and_quiet_hours_do_not_make_it_late() {
    let day = DailyWindow { from: "00:00".parse().unwrap(), until: "01:00".parse().unwrap() };
    let mut queue = queue(ChannelSettings { quiet: Some(day), ..settings() });
    for (name, priority) in [("a", Priority::High), ("b", Priority::Urgent), ("c", Priority::Medium)] {
        queue.take(alarm(name, priority), Steady::default());
    }
    let mut late = |minutes: u64| -> Vec<String> {
        let now = at(Span::from_minutes(minutes));
        while let Some(sent) = queue.next(now, Zone::UTC) {
            queue.settle(&sent.id(), false, false, now.steady);
        }
        queue.overdue(now.steady).into_iter().map(|notification| notification.alarm).collect()
    };
    assert!(late(0).is_empty() && late(4).is_empty());
    assert_eq!(late(5), ["b"]);
    assert!(late(6).is_empty() && late(62).is_empty());
    // The two that were held became one digest at 01:02 at the latest, with the higher priority of both.
    assert_eq!(late(70), ["held-back"]);
    assert!(queue.is_late());
}

#[test]
fn what_is_not_wanted_or_there_already_is_not_taken_twice() {
    let mut queue = queue(ChannelSettings { send_cleared: false, ..settings() });
    assert!(!queue.wants(&alarm("low", Priority::Low)));
    assert!(!queue.wants(&Notification { what: What::Cleared, ..alarm("x", Priority::Urgent) }));
    assert!(queue.wants(&Notification { what: What::Test, ..alarm("x", Priority::Low) }));
    assert_eq!(queue.take(alarm("x", Priority::High), Steady::default()), Taken::Waits);
    assert_eq!(queue.take(alarm("x", Priority::High), Steady::default()), Taken::NotWanted);
    assert_eq!(queue.len(), 1);
}

#[test]
fn no_secret_is_in_what_debugging_shows() {
    let by = Carrier::Webhook(WebhookSettings {
        url: Secret::Plain("https://push.example/sesame".to_owned()),
        method: "POST",
        headers: vec![("Authorization".to_owned(), Secret::Plain("sesame".to_owned()))],
        body: None,
    });
    assert!(!format!("{:?}", ChannelSettings { by, ..settings() }).contains("sesame"));
}
