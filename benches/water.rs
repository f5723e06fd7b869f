//! How fast the science is: the daemon turns every reading of a conductivity probe into a salinity.
//!
//! Wanted: a million salinities a second or more on one core, that is a microsecond each.

use std::hint::black_box;

use criterion::{Criterion, Throughput, criterion_group, criterion_main};
use slackwater::units::{Conductivity, Density, PracticalSalinity, Temperature};
use slackwater::water::salinity_probe::{Calibration, Compensation, salinity_of};
use slackwater::water::{density, pss78};

/// A thousand different readings of a tank, so that nothing is worked out once and kept.
fn readings() -> Vec<(Conductivity, Temperature)> {
    (0..1000_u32)
        .map(|i| {
            let part = f64::from(i) / 1000.0;
            let c = Conductivity::from_millisiemens_per_cm(45.0 + 12.0 * part).expect("a conductivity");
            let t = Temperature::from_celsius(20.0 + 10.0 * (part * 7.0).fract()).expect("a temperature");
            (c, t)
        })
        .collect()
}

fn conversions(bench: &mut Criterion) {
    let readings = readings();
    let fresh: Vec<_> = readings
        .iter()
        .map(|(c, t)| {
            let scaled = c.millisiemens_per_cm() / 30.0;
            (Conductivity::from_millisiemens_per_cm(scaled).expect("a conductivity"), *t)
        })
        .collect();
    let mut group = bench.benchmark_group("a thousand");
    group.throughput(Throughput::Elements(1000));
    group.bench_function("salinities from conductivity", |b| {
        b.iter(|| {
            readings
                .iter()
                .map(|(c, t)| pss78::salinity(black_box(*c), *t).map_or(0.0, PracticalSalinity::psu))
                .sum::<f64>()
        });
    });
    group.bench_function("salinities below 2, by the extension", |b| {
        b.iter(|| {
            fresh
                .iter()
                .map(|(c, t)| pss78::salinity(black_box(*c), *t).map_or(0.0, PracticalSalinity::psu))
                .sum::<f64>()
        });
    });
    group.bench_function("calibrated readings of a probe", |b| {
        let calibration = Calibration::new(1.02, 0.1).expect("a calibration");
        b.iter(|| {
            readings
                .iter()
                .map(|(c, t)| {
                    salinity_of(black_box(*c), *t, Compensation::Uncompensated, calibration)
                        .map_or(0.0, PracticalSalinity::psu)
                })
                .sum::<f64>()
        });
    });
    let waters: Vec<_> = readings.iter().filter_map(|(c, t)| pss78::salinity(*c, *t).ok().map(|s| (s, *t))).collect();
    group.bench_function("conductivities from salinity", |b| {
        b.iter(|| {
            waters
                .iter()
                .map(|(s, t)| pss78::conductivity(black_box(*s), *t).map_or(0.0, Conductivity::millisiemens_per_cm))
                .sum::<f64>()
        });
    });
    group.bench_function("densities", |b| {
        b.iter(|| {
            waters
                .iter()
                .map(|(s, t)| density::density(black_box(*s), *t).map_or(0.0, Density::kilograms_per_cubic_metre))
                .sum::<f64>()
        });
    });
    group.finish();
}

criterion_group!(benches, conversions);
criterion_main!(benches);
