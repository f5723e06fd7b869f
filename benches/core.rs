//! What one message costs without a network: decode, step, the metrics text of a tank; and what a rehearsal adds.

use std::collections::BTreeMap;
use std::hint::black_box;
use std::path::Path;

use criterion::{BatchSize, Criterion, Throughput, criterion_group, criterion_main};
use prometheus::proto::{Bucket, Counter, Gauge, Histogram, LabelPair, Metric, MetricFamily, MetricType};
use prometheus::{Encoder, TextEncoder};
use slackwater::cli::model::model;
use slackwater::config::{self, Setup};
use slackwater::control::event::{Event, Retained};
use slackwater::control::proof_times::ProofTimes;
use slackwater::control::{Remembered, Tank};
use slackwater::sim::rehearsal::{Detail, Rehearsal, Routine, Staging};
use slackwater::sim::{Daemon, Model, Surroundings, World};
use slackwater::time::{Now, Span, Steady, Wall};
use slackwater::wire::metrics::{Kind, TankText, families};
use slackwater::wire::topics::OwnTopics;
use slackwater::wire::{Heard, Message, Router, encode, shown};

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
    group.bench_function("state of the lagoon, as saved", |b| {
        let tank = lagoon();
        b.iter(|| black_box(serde_json::to_string(&tank.state()).map(|json| json.len())));
    });
    group.bench_function("what the broker is shown of the lagoon", |b| {
        let own = OwnTopics::new("slackwater");
        b.iter(|| black_box(shown::of_tank(&own, &status).len()));
    });
    group.bench_function("text of the lagoon", |b| {
        b.iter(|| black_box(TankText::new(vec![status.clone()]).map(|piece| piece.len()).sum::<usize>()));
    });
    group.finish();
}

/// The text of 10,000 series against the prometheus crate's bare encoding of the same ones, in one run. The
/// first is to take at most 1.5 times as long as the second.
fn ten_thousand_series(c: &mut Criterion) {
    let status = lagoon().status(start());
    let one = TankText::new(vec![status.clone()]).collect::<String>();
    let series = one.lines().filter(|line| !line.starts_with('#')).count();
    let tanks: Vec<_> = (0..=10_000 / series).map(|_| status.clone()).collect();
    let families = as_families(&one, tanks.len());
    let bare = || {
        let mut text = Vec::new();
        TextEncoder::new().encode(&families, &mut text).expect("into memory");
        text.len()
    };
    let ours = |tanks| TankText::new(tanks).map(|piece| piece.len()).sum::<usize>();
    assert_eq!(bare(), ours(tanks.clone()), "the same text");
    let mut group = c.benchmark_group("10,000 series");
    group.throughput(Throughput::Elements((series * tanks.len()) as u64));
    group.bench_function("the prometheus crate's encoder alone", |b| b.iter(|| black_box(bare())));
    group.bench_function("from the tanks' status", |b| {
        b.iter_batched(|| tanks.clone(), |tanks| black_box(ours(tanks)), BatchSize::LargeInput);
    });
    group.finish();
}

/// The families of a text, with the series of so many tanks.
fn as_families(text: &str, tanks: usize) -> Vec<MetricFamily> {
    let mut all: Vec<MetricFamily> = Vec::new();
    let registry = families().map(|family| (family.name, family)).collect::<BTreeMap<_, _>>();
    for block in text.split("# HELP ").skip(1) {
        let name = block.split(' ').next().expect("a name");
        let family = registry[name];
        let mut of = MetricFamily::default();
        of.set_name(name.to_owned());
        of.set_help(family.help.to_owned());
        let samples = block.lines().skip(2).filter(|line| line.starts_with(name));
        of.set_field_type(match family.kind {
            Kind::Counter => MetricType::COUNTER,
            Kind::Gauge => MetricType::GAUGE,
            Kind::Histogram => MetricType::HISTOGRAM,
        });
        let metrics: Vec<Metric> = samples.filter_map(|line| metric(line, family.kind)).collect();
        of.set_metric((0..tanks).flat_map(|_| metrics.clone()).collect());
        all.push(of);
    }
    all
}

/// A line as the crate holds it; a histogram's `_sum` line stands for its whole, which has counted nothing yet.
fn metric(line: &str, kind: Kind) -> Option<Metric> {
    let (labels, value) = line.rsplit_once(' ')?;
    let (name, labels) = labels.trim_end_matches('}').split_once('{')?;
    if kind == Kind::Histogram && !name.ends_with("_sum") {
        return None;
    }
    let labels = labels.split("\",").map(|pair| {
        let (name, value) = pair.split_once("=\"").expect("a label");
        let mut pair = LabelPair::default();
        pair.set_name(name.to_owned());
        pair.set_value(value.trim_end_matches('"').to_owned());
        pair
    });
    let mut metric = Metric::from_label(labels.collect());
    let value: f64 = value.parse().expect("a number");
    match kind {
        Kind::Gauge => {
            let mut gauge = Gauge::default();
            gauge.set_value(value);
            metric.set_gauge(gauge);
        }
        Kind::Counter => {
            let mut counter = Counter::default();
            counter.set_value(value);
            metric.set_counter(counter);
        }
        Kind::Histogram => {
            let mut histogram = Histogram::default();
            histogram.set_bucket(ProofTimes::STEPS.map(step_of).to_vec());
            metric.set_histogram(histogram);
        }
    }
    Some(metric)
}

fn step_of(millis: u64) -> Bucket {
    let mut bucket = Bucket::default();
    bucket.set_upper_bound(millis as f64 / 1000.0);
    bucket
}

/// Six hours of the example as its simulated home speaks: by the codecs and the core alone, and in a rehearsal
/// with its water, its probes and its monitor. The rehearsal's rate is to be at least half of the other.
fn hours(c: &mut Criterion) {
    const SPAN: Span = Span::from_hours(6);
    let setup = example();
    let (said, tanks) = record(&setup, SPAN);
    let mut group = c.benchmark_group("six hours of the example");
    group.sample_size(10);
    group.throughput(Throughput::Elements(said.len() as u64));
    group.bench_function("decode and step alone", |b| {
        let bindings: Vec<_> = setup.tanks.iter().map(|tank| tank.bindings.clone()).collect();
        let router = Router::new(bindings, &OwnTopics::new("slackwater"));
        b.iter_batched(
            || tanks.clone(),
            |mut tanks| {
                let mut heard = Vec::new();
                let mut effects = 0;
                for (now, topic, payload) in &said {
                    let message = Message { topic: topic.as_bytes(), payload, retained: Retained::No };
                    router.decode(message, now.wall, &mut heard);
                    for one in heard.drain(..) {
                        if let Heard::Event(tank, event) = one {
                            effects += tanks[tank.0].step(event, *now).len();
                        }
                    }
                    for tank in &mut tanks {
                        if tank.next_deadline().is_some_and(|deadline| deadline.at <= now.steady) {
                            effects += tank.step(Event::Woken, *now).len();
                        }
                    }
                }
                black_box(effects)
            },
            BatchSize::PerIteration,
        );
    });
    group.bench_function("a rehearsal", |b| {
        b.iter_batched(
            || stage(&setup, SPAN),
            |mut run| {
                run.pass(SPAN);
                assert!(run.messages().abs_diff(said.len() as u64) * 100 < said.len() as u64, "the same hours");
                black_box(run.messages())
            },
            BatchSize::PerIteration,
        );
    });
    group.finish();
}

fn stage(setup: &Setup, lasts: Span) -> Rehearsal {
    let models: Vec<Model<'_>> = setup.tanks.iter().map(model).collect();
    let surroundings =
        Surroundings { usual_tank: Some("lagoon".to_owned()), daemon: Daemon::Played, ..Surroundings::default() };
    let root = "slackwater".to_owned();
    let staging =
        Staging { seed: 1, start: start(), lasts, surroundings, root, routine: Routine::Away, detail: Detail::Story };
    Rehearsal::new(&models, staging)
}

type Said = Vec<(Now, String, Vec<u8>)>;

/// What the home says to a daemon that answers it, and tanks that have just started.
fn record(setup: &Setup, span: Span) -> (Said, Vec<Tank>) {
    let models: Vec<Model<'_>> = setup.tanks.iter().map(model).collect();
    let mut world = World::new(&models, 1, Surroundings::default(), start());
    let bindings: Vec<_> = setup.tanks.iter().map(|tank| tank.bindings.clone()).collect();
    let router = Router::new(bindings, &OwnTopics::new("slackwater"));
    let mut tanks: Vec<Tank> = setup
        .tanks
        .iter()
        .map(|tank| {
            let mut tank = Tank::new(tank.plan.clone(), Remembered::Nothing, start());
            tank.step(Event::BrokerConnected, start());
            tank
        })
        .collect();
    let fresh = tanks.clone();
    let (mut said, mut heard, mut now) = (Said::new(), Vec::new(), start());
    let end = now.after(span);
    while now.steady < end.steady {
        let due = tanks.iter().filter_map(|tank| tank.next_deadline().map(|deadline| deadline.at)).min();
        let limit = due.map_or(end.steady, |at| at.min(end.steady)).max(now.steady.after(Span::from_millis(1)));
        let sent = world.advance_to_next(now.after(limit.since(now.steady)));
        now = now.after(world.time().since(now.steady));
        let mut events: Vec<(usize, Event)> = Vec::new();
        for one in sent {
            let (topic, payload) = (one.message.topic, one.message.payload);
            router.decode(
                Message { topic: topic.as_bytes(), payload: &payload, retained: Retained::No },
                now.wall,
                &mut heard,
            );
            events.extend(heard.drain(..).filter_map(|heard| match heard {
                Heard::Event(tank, event) => Some((tank.0, event)),
                _ => None,
            }));
            said.push((now, topic.to_string(), payload));
        }
        let is_due = |tank: &Tank| tank.next_deadline().is_some_and(|deadline| deadline.at <= now.steady);
        events.extend((0..tanks.len()).filter(|tank| is_due(&tanks[*tank])).map(|tank| (tank, Event::Woken)));
        for (tank, event) in events {
            for effect in tanks[tank].step(event, now) {
                if let Some(publish) = encode::command(&router.tanks()[tank], &effect) {
                    world.receive(&slackwater::sim::Message {
                        topic: publish.topic.into(),
                        payload: publish.payload,
                        retained: publish.retain,
                    });
                }
            }
        }
    }
    (said, fresh)
}

criterion_group!(benches, decode, step, metrics, ten_thousand_series, hours);
criterion_main!(benches);
