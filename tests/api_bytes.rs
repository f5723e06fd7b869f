//! Bytes that are no sound request, straight to the real server's port: no panic, no answer of the kind 5xx, and control
//! goes on. What is well formed but not allowed is made up by `tests/api_fuzz.rs`.
//!
//! Requests are those of `tests/data/corpus/requests.txt`, mutated. Bounded here; `SURVIVE_ROUNDS=50000 cargo test --test
//! api_bytes` looks longer, and `SURVIVE_SEED=7` elsewhere.
#![allow(clippy::disallowed_methods, reason = "a test of the outside world connects")]

mod common;

use std::io::{Read, Write};
use std::net::TcpStream;
use std::time::Duration;

use slackwater::sim::Chance;
use slackwater::time::Span;

use common::{Broker, Config, Daemon, World, seconds, wait_until};

const CORPUS: &str = include_str!("data/corpus/requests.txt");

fn number(name: &str, usual: u64) -> u64 {
    std::env::var(name).ok().and_then(|text| text.parse().ok()).unwrap_or(usual)
}

/// A line with `\r`, `\n`, `\xff` to its bytes.
fn bytes(line: &str) -> Vec<u8> {
    let mut out = Vec::new();
    let mut rest = line;
    while let Some(first) = rest.chars().next() {
        let escaped = rest.strip_prefix('\\').and_then(|rest| match rest.as_bytes().first()? {
            b'r' => Some((b'\r', &rest[1..])),
            b'n' => Some((b'\n', &rest[1..])),
            b'x' => Some((u8::from_str_radix(rest.get(1..3)?, 16).ok()?, &rest[3..])),
            _ => None,
        });
        if let Some((byte, left)) = escaped {
            out.push(byte);
            rest = left;
        } else {
            out.extend(first.to_string().as_bytes());
            rest = &rest[first.len_utf8()..];
        }
    }
    out
}

fn below(chance: &mut Chance, many: usize) -> usize {
    let most = u64::try_from(many.max(1)).unwrap() - 1;
    usize::try_from(chance.span(Span::ZERO, Span::from_millis(most)).millis()).unwrap()
}

fn mutate(request: &mut Vec<u8>, chance: &mut Chance) {
    for _ in 0..below(chance, 4) {
        let at = below(chance, request.len());
        match below(chance, 5) {
            0 if at < request.len() => request[at] = u8::try_from(below(chance, 256)).unwrap(),
            1 => request.insert(at.min(request.len()), u8::try_from(below(chance, 256)).unwrap()),
            2 => request.truncate(at),
            3 => {
                let piece = request[at.min(request.len())..].to_vec();
                request.extend(piece.into_iter().take(2000));
            }
            _ => {
                let many = below(chance, 40_000);
                let filler = vec![b'a'; many];
                request.splice(at.min(request.len())..at.min(request.len()), filler);
            }
        }
    }
}

/// The first line of the answer; empty: there was none.
fn answer(port: u16, request: &[u8]) -> String {
    let mut stream = TcpStream::connect(("127.0.0.1", port)).expect("the server listens");
    stream.set_read_timeout(Some(Duration::from_millis(150))).unwrap();
    stream.set_write_timeout(Some(seconds(5))).unwrap();
    // It may be closed before all is written: that is an answer too.
    let _ = stream.write_all(request);
    let _ = stream.shutdown(std::net::Shutdown::Write);
    let mut head = vec![0; 200];
    let count = stream.read(&mut head).unwrap_or(0);
    String::from_utf8_lossy(&head[..count]).lines().next().unwrap_or_default().to_owned()
}

#[test]
fn no_bytes_at_the_port_panic_the_server_or_stop_control() {
    let broker = Broker::start();
    let world = World::new(&broker);
    let config = Config::new(&broker);
    let daemon = Daemon::start(&config);
    world.settle(24.2);
    let corpus: Vec<Vec<u8>> = CORPUS.lines().map(bytes).collect();
    let mut chance = Chance::new(number("SURVIVE_SEED", 20_261_127), "bytes");
    let (mut answered, mut silent) = (0, 0);
    for round in 0..number("SURVIVE_ROUNDS", 400) {
        let mut request = corpus[usize::try_from(round).unwrap() % corpus.len()].clone();
        if round >= corpus.len() as u64 {
            mutate(&mut request, &mut chance);
        }
        let first = answer(config.http, &request);
        if first.is_empty() {
            silent += 1;
            continue;
        }
        answered += 1;
        let code =
            first.strip_prefix("HTTP/1.").and_then(|rest| rest.get(2..5)).and_then(|code| code.parse::<u16>().ok());
        let what = String::from_utf8_lossy(&request[..request.len().min(300)]).into_owned();
        // 503 is how a server says that it has no place left, or that control is busy; nothing else may be its fault.
        assert!(code.is_some_and(|code| code < 500 || code == 503), "{first}\n{what}");
    }
    println!("{answered} answered, {silent} closed without a word");
    assert!(answered > 100 && silent > 0, "both happen: {answered}, {silent}");
    wait_until("it answers as before", seconds(20), || daemon.is_ready());
    let log = daemon.log_text();
    assert!(!log.contains("panicked"), "{log}");
    // Whatever was asked of it: hot water still trips the heater.
    let trips = || {
        let status = daemon.status();
        let all = status["interlocks"].as_array().cloned().unwrap_or_default();
        let cut_off = all.into_iter().find(|one| one["interlock"] == "heater-cutoff").expect("it is there");
        cut_off["trips"].as_u64().expect("a count")
    };
    world.settle(24.2);
    let before = trips();
    world.settle(26.6);
    wait_until("the cut-off trips", seconds(20), || trips() > before);
}
