//! The stream of events: what changes is told as it changes, and silence means that the daemon is gone.
#![allow(clippy::disallowed_methods, reason = "a test of the outside world waits and connects")]

mod common;

use std::io::{Read as _, Write as _};
use std::time::Instant;

use common::web::{Events, KEEPER, bearer, send, with_tokens};
use common::{Broker, Config, Daemon, World, seconds, wait_until};

const EVENTS: &str = "/api/v1/tanks/lagoon/events";
const ASK: &str = "/api/v1/tanks/lagoon/ask";

#[test]
fn a_stream_begins_with_all_there_is_and_then_tells_what_changes() {
    let broker = Broker::start();
    let world = World::new(&broker);
    let config = Config::new(&broker);
    let daemon = Daemon::start(&config);
    world.settle(24.2);
    let mut one = Events::open(config.http, EVENTS, &[]);
    let mut all = Events::open(config.http, "/api/v1/events", &[]);
    let status = one.wait_for("status", |_| true);
    assert_eq!(status["status"]["tank"], "lagoon");
    assert!(status["now"].as_i64().is_some_and(|now| now > 1_700_000_000_000), "{status}");
    assert_eq!(all.wait_for("tanks", |_| true)["tanks"][0]["tank"], "lagoon");
    assert_eq!(all.wait_for("summary", |_| true)["tank"], "lagoon");
    world.temperature(24.6);
    one.wait_for("change", |change| change["changed"]["signals"][0]["value"] == 24.6);
    let beat = one.wait_for("heartbeat", |_| true);
    assert!(beat["control"] == true && beat["not_ready"].is_null() && beat["speed"] == 1.0, "{beat}");
    let held = send(config.http, "POST", ASK, &[], r#"{"do":"hold","procedure":"water-change"}"#);
    assert_eq!(held.code, 200, "{held:?}");
    for stream in [&mut one, &mut all] {
        let hold = stream.wait_for("hold", |_| true);
        assert!(hold["hold"]["active"] == true && hold["hold"]["hold"] == "water-change", "{hold}");
        let left = hold["seconds_left"].as_i64().unwrap();
        let until = hold["hold"]["until"].as_i64().unwrap() - hold["now"].as_i64().unwrap();
        assert!((left * 1000 - until).abs() < 1000 && left > 60, "{hold}");
        assert!(hold["caution"].as_str().is_some_and(|words| words.contains("isolation")), "{hold}");
    }
    all.wait_for("summary", |summary| summary["holds"][0] == "water-change");
    world.settle(24.2);
    world.temperature(26.4);
    for stream in [&mut one, &mut all] {
        let alarm = stream.wait_for("alarm", |alarm| alarm["alarm"]["alarm"] == "heater-cutoff-trip");
        assert!(alarm["alarm"]["state"] == "UNACK" && alarm["alarm"]["was"] == "NORM", "{alarm}");
    }
    // A clean end says so.
    drop(daemon);
}

#[test]
fn a_stream_ends_when_the_daemon_does_and_does_not_hold_the_end_up() {
    let broker = Broker::start();
    let config = Config::new(&broker);
    let daemon = Daemon::start(&config);
    let mut streams: Vec<Events> = (0..10).map(|_| Events::open(config.http, EVENTS, &[])).collect();
    for stream in &mut streams {
        stream.wait_for("status", |_| true);
    }
    let begun = Instant::now();
    assert_eq!(daemon.stop(), Some(0));
    assert!(begun.elapsed() < seconds(3), "{:?}", begun.elapsed());
    for stream in &mut streams {
        assert_eq!(stream.wait_for("end", |_| true)["why"], "the daemon stops");
        while stream.next().is_some() {}
    }
}

#[test]
fn a_heartbeat_comes_every_few_seconds_and_says_whether_the_broker_is_there() {
    let mut broker = Broker::start();
    let config = Config::new(&broker);
    let _daemon = Daemon::start(&config);
    let mut stream = Events::open(config.http, EVENTS, &[]);
    stream.wait_for("heartbeat", |beat| beat["not_ready"].is_null());
    broker.kill();
    stream.wait_for("heartbeat", |beat| beat["not_ready"] == "the broker is not connected");
    let begun = Instant::now();
    for _ in 0..3 {
        stream.wait_for("heartbeat", |_| true);
    }
    assert!(begun.elapsed() > seconds(6) && begun.elapsed() < seconds(14), "{:?}", begun.elapsed());
}

#[test]
fn there_is_an_end_to_streams_and_who_does_not_read_is_dropped() {
    let broker = Broker::start();
    let config = Config::new(&broker);
    let _daemon = Daemon::start(&config);
    let mut streams: Vec<Events> = (0..64).map(|_| Events::open(config.http, EVENTS, &[])).collect();
    for stream in &mut streams {
        stream.wait_for("status", |_| true);
    }
    let refused = send(config.http, "GET", EVENTS, &[], "");
    assert_eq!((refused.code, refused.problem().as_str()), (503, "unavailable"));
    streams.truncate(60);
    wait_until("places come back", seconds(10), || {
        let mut stream = Events::open(config.http, EVENTS, &[]);
        stream.next().is_some()
    });
}

/// A status that is large, as of a tank with many probes.
fn many_probes() -> String {
    let more = (0..60).fold(String::new(), |more, n| {
        more + &format!(
            "  spare-{n}: {{ measures: temperature, topic: lagoon/spare/{n}, pointer: /t, unit: °C, stale_after: 3 s }}\n"
        )
    });
    common::LAGOON.replacen("outputs:", &format!("{more}outputs:"), 1)
}

/// A stream that is begun and never read, with the smallest buffer that the system gives.
fn stalled(port: u16) -> std::net::TcpStream {
    let runtime = tokio::runtime::Builder::new_current_thread().enable_io().build().unwrap();
    let stream = runtime.block_on(async {
        let socket = tokio::net::TcpSocket::new_v4().unwrap();
        socket.set_recv_buffer_size(2048).unwrap();
        socket.connect(([127, 0, 0, 1], port).into()).await.unwrap().into_std().unwrap()
    });
    stream.set_nonblocking(false).unwrap();
    assert_eq!(begin(&stream, port), 200);
    stream
}

/// Asks for the stream, and reads no further than how that went.
fn begin(mut stream: &std::net::TcpStream, port: u16) -> u16 {
    let head = format!("GET {EVENTS} HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\n\r\n");
    stream.write_all(head.as_bytes()).unwrap();
    let mut line = [0; 12];
    stream.read_exact(&mut line).unwrap();
    std::str::from_utf8(&line[9..]).unwrap().parse().unwrap()
}

#[test]
fn readers_that_stall_lose_their_places_and_cost_neither_memory_nor_the_others() {
    let broker = Broker::start();
    let world = World::new(&broker);
    let config = Config::new(&broker);
    config.write_tank("lagoon", &many_probes());
    let daemon = Daemon::start(&config);
    world.settle(24.2);
    let mut reader = Events::open(config.http, EVENTS, &[]);
    reader.wait_for("status", |_| true);
    let stalls: Vec<_> = (0..63).map(|_| stalled(config.http)).collect();
    let is_full = || begin(&common::web::connect(config.http), config.http) == 503;
    assert!(is_full(), "all places are taken");
    let before = daemon.resident_mebibytes();
    let (begun, mut greatest, mut last) = (Instant::now(), before, Instant::now());
    let freed = loop {
        // Something is new each time, so that there is much to say.
        let warmth = 24.2 + 0.1 * f64::from(u8::try_from(begun.elapsed().as_secs() % 8).unwrap());
        world.temperature(warmth);
        reader.wait_for("heartbeat", |beat| beat["control"] == true);
        assert!(last.elapsed() < seconds(6), "another reader waited for {:?}", last.elapsed());
        last = Instant::now();
        let asked = Instant::now();
        assert_eq!(daemon.status()["tank"], "lagoon");
        assert!(asked.elapsed() < seconds(2), "an answer took {:?}", asked.elapsed());
        greatest = greatest.max(daemon.resident_mebibytes());
        if !is_full() {
            break begun.elapsed();
        }
        assert!(begun.elapsed() < seconds(90), "63 readers that stall still have their places");
    };
    println!("places came back after {freed:?}; {before} MiB before, {greatest} MiB at most");
    // Half a MiB each: twice what was ever measured (8 to 23 MiB in all), and far less than the socket buffers alone once took.
    assert!(greatest < before + 31.5, "{before} MiB before, {greatest} MiB at most");
    drop(stalls);
}

#[test]
fn whose_token_is_another_now_hears_no_more() {
    let broker = Broker::start();
    let config = with_tokens(&broker, "");
    let _daemon = Daemon::start(&config);
    assert_eq!(send(config.http, "GET", EVENTS, &[], "").code, 401);
    let mut stream = Events::open(config.http, EVENTS, &[&bearer(KEEPER)]);
    stream.wait_for("heartbeat", |_| true);
    std::fs::write(config.path().join("ana"), "another-secret-of-ana\n").unwrap();
    let begun = Instant::now();
    while stream.next().is_some() {
        assert!(begun.elapsed() < seconds(10), "it goes on");
    }
}
