//! What one message costs without a network: decode, step, and the metrics text of a tank.

use std::hint::black_box;
use std::path::Path;

use criterion::{Criterion, Throughput, criterion_group, criterion_main};
use slackwater::config::{self, Setup};
use slackwater::control::event::{Event, Retained};
use slackwater::control::{Remembered, Tank};
use slackwater::time::{Now, Span, Steady, Wall};
use slackwater::wire::metrics::TankText;
use slackwater::wire::router::{Message, Router};
use slackwater::wire::topics::OwnTopics;

fn example() -> Setup {
    config::load(&Path::new(env!("CARGO_MANIFEST_DIR")).join("config")).expect("the example config is sound")
}

fn start() -> Now {
    Now { steady: Steady::from_millis(1_000_000), wall: Wall::from_unix_millis(1_780_308_000_000) }
}

fn decode(c: &mut Criterion) {
    let setup = example();
    let tanks = setup.tanks.iter().map(|tank| tank.bindings.clone()).collect();
    let router = Router::new(tanks, &OwnTopics::new("slackwater"));
    let mut group = c.benchmark_group("decode");
    group.throughput(Throughput::Elements(1));
    let mut heard = Vec::new();
    for (name, topic, payload) in [
        ("bare number", "lagoon/sump/temp", "25.0625"),
        ("json", "lagoon/display/climate", r#"{"temp":25.0625,"battery":97,"seq":123456}"#),
        ("garbage", "lagoon/sump/temp", "twenty-five"),
    ] {
        group.bench_function(name, |b| {
            b.iter(|| {
                heard.clear();
                let message =
                    Message { topic: topic.as_bytes(), payload: black_box(payload.as_bytes()), retained: Retained::No };
                router.decode(message, start().wall, &mut heard);
                black_box(heard.len())
            });
        });
    }
    group.finish();
}

fn lagoon() -> Tank {
    let setup = example();
    let tank = setup.tanks.into_iter().find(|tank| &*tank.plan.name == "lagoon").expect("the example has a lagoon");
    let mut tank = Tank::new(tank.plan, Remembered::Nothing, start());
    tank.step(Event::BrokerConnected, start());
    tank
}

fn step(c: &mut Criterion) {
    let mut group = c.benchmark_group("step");
    group.throughput(Throughput::Elements(1));
    let mut tank = lagoon();
    let probe = tank.plan().probe("sump-temp").expect("the lagoon has a thermometer in its sump");
    let mut now = start();
    let mut value = 25.0;
    group.bench_function("reading into the whole lagoon", |b| {
        b.iter(|| {
            now = now.after(Span::from_millis(10));
            value = if value > 25.05 { 25.0 } else { value + 0.001 };
            let event = Event::ReadingArrived { probe, reading: Ok(value), retained: Retained::No };
            black_box(tank.step(event, now).len())
        });
    });
    group.bench_function("woken with nothing due", |b| {
        b.iter(|| {
            now = now.after(Span::from_millis(1));
            black_box(tank.step(Event::Woken, now).len())
        });
    });
    group.finish();
}

fn metrics(c: &mut Criterion) {
    let mut group = c.benchmark_group("metrics");
    let now = start();
    let status = lagoon().status(now);
    group.bench_function("status of the lagoon", |b| {
        let tank = lagoon();
        b.iter(|| black_box(tank.status(now)));
    });
    group.bench_function("text of the lagoon", |b| {
        b.iter(|| black_box(TankText::new(vec![status.clone()]).map(|piece| piece.len()).sum::<usize>()));
    });
    group.finish();
}

criterion_group!(benches, decode, step, metrics);
criterion_main!(benches);
