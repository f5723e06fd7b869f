//! `--plot-days`: a rehearsal day by day, as small as a page can carry: for months and years.
//!
//! Of each tank the lowest and the highest temperature and salinity of each day (24 h from the
//! start on), with the steady band dashed, the share of each day that the heater and the fan worked, and each
//! water change as a tick. All water is simulated, and the picture says so.

use std::fmt::Write as _;

use crate::config::Setup;
use crate::control::ids::SignalId;
use crate::control::plan::OutputKind;
use crate::sim::rehearsal::{Point, Rehearsal, Source};
use crate::time::Span;
use crate::units::Quantity;

use super::plot::text;

const LEFT: f64 = 92.0;
const WIDTH: f64 = 700.0;
const STRIP: f64 = 110.0;
const GAP: f64 = 30.0;
const DAY: Span = Span::from_hours(24);

/// One day of a tank.
struct Day {
    celsius: (f64, f64),
    salinity: (f64, f64),
    works: Vec<f64>,
}

/// Draws all tanks.
pub fn svg(setup: &Setup, run: &Rehearsal) -> String {
    let mut body = String::new();
    let mut y = 24.0;
    for (place, tank) in setup.tanks.iter().enumerate() {
        let days = days(run.record().points(place));
        if days.is_empty() {
            continue;
        }
        let title = format!("{}: SIMULATED, invented data, seed {}, {}", tank.plan.title, run.seed(), run.passed());
        text(&mut body, 8.0, y, "h", &title);
        y += GAP / 2.0;
        let drawing = Drawing { days: days.len() };
        let band = |quantity| {
            let of = |signal: SignalId| tank.plan.signals[signal.index()].quantity == quantity;
            tank.facts.stability.iter().find(|one| of(one.signal)).and_then(|one| one.band)
        };
        let ranges: Vec<_> = days.iter().map(|day| day.celsius).collect();
        drawing.band(&mut body, y, "°C", &ranges, band(Quantity::Temperature));
        for entry in run.record().entries().iter().filter(|entry| entry.tank == Some(place)) {
            let is_change = entry.source == Source::Daemon && entry.kind == "hold" && entry.subject == "water-change";
            if is_change && entry.text.starts_with("begun") {
                let x = drawing.x(entry.at.millis() as f64 / DAY.millis() as f64);
                let _ = writeln!(body, "<path class=\"t\" d=\"M{x:.1} {:.0}v6\"/>", y + STRIP);
            }
        }
        y += STRIP + GAP;
        let ranges: Vec<_> = days.iter().map(|day| day.salinity).collect();
        drawing.band(&mut body, y, "salinity", &ranges, band(Quantity::Salinity));
        y += STRIP + GAP;
        for (index, output) in tank.plan.outputs.iter().enumerate() {
            if matches!(output.kind, OutputKind::Heater | OutputKind::Fan | OutputKind::Chiller) {
                let shares: Vec<_> = days.iter().map(|day| (0.0, 100.0 * day.works[index])).collect();
                drawing.band(&mut body, y, &format!("{} %", output.name), &shares, None);
                y += STRIP + GAP;
            }
        }
        drawing.axis(&mut body, y - GAP + 14.0);
        y += GAP / 2.0;
    }
    format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {:.0} {y:.0}\" font-family=\"sans-serif\" font-size=\"11\">\n\
         <style>.h{{font-size:13px;font-weight:bold}}.f{{fill:none;stroke:#999}}.b{{fill:#26619c;fill-opacity:.5;stroke:#26619c;stroke-width:.6}}\
         .e{{stroke:#777;stroke-dasharray:6 5}}.t{{stroke:#222}}</style>\n\
         <rect width=\"100%\" height=\"100%\" fill=\"#fff\"/>\n{body}</svg>\n",
        LEFT + WIDTH + 16.0
    )
}

fn days(points: &[Point]) -> Vec<Day> {
    let mut days: Vec<(u64, Day, f64)> = Vec::new();
    let widen = |range: &mut (f64, f64), by: (f64, f64)| *range = (range.0.min(by.0), range.1.max(by.1));
    for point in points {
        let number = point.at.millis() / DAY.millis();
        match days.last_mut() {
            Some((same, day, count)) if *same == number => {
                widen(&mut day.celsius, point.celsius);
                widen(&mut day.salinity, point.salinity);
                *count += 1.0;
                for (share, works) in day.works.iter_mut().zip(&point.works) {
                    *share += (works - *share) / *count;
                }
            }
            _ => {
                let (celsius, salinity, works) = (point.celsius, point.salinity, point.works.clone());
                days.push((number, Day { celsius, salinity, works }, 1.0));
            }
        }
    }
    days.into_iter().map(|(_, day, _)| day).collect()
}

struct Drawing {
    days: usize,
}

impl Drawing {
    fn x(&self, day: f64) -> f64 {
        LEFT + WIDTH * day / self.days.max(1) as f64
    }

    fn band(&self, out: &mut String, y: f64, label: &str, days: &[(f64, f64)], edges: Option<(f64, f64)>) {
        let all = days.iter().copied().chain(edges);
        let (low, high) = all.fold((f64::INFINITY, f64::NEG_INFINITY), |all, day| (all.0.min(day.0), all.1.max(day.1)));
        let middle = f64::midpoint(low, high);
        let (low, high) = (low.min(middle - 0.1), high.max(middle + 0.1));
        let scale = |value: f64| y + STRIP * (high - value) / (high - low);
        let at = |day: usize| self.x(day as f64 + 0.5);
        let mut line = String::new();
        for (day, (_, upper)) in days.iter().enumerate() {
            let _ = write!(line, "{:.1},{:.1} ", at(day), scale(*upper));
        }
        for (day, (lower, _)) in days.iter().enumerate().rev() {
            let _ = write!(line, "{:.1},{:.1} ", at(day), scale(*lower));
        }
        let _ = writeln!(out, "<polygon class=\"b\" points=\"{}\"/>", line.trim_end());
        for edge in edges.into_iter().flat_map(|(low, high)| [low, high]) {
            let _ = writeln!(out, "<path class=\"e\" d=\"M{LEFT} {:.1}h{WIDTH}\"/>", scale(edge));
        }
        let _ = writeln!(out, "<rect class=\"f\" x=\"{LEFT}\" y=\"{y:.1}\" width=\"{WIDTH}\" height=\"{STRIP}\"/>");
        text(out, 8.0, y + 0.5 * STRIP, "l", label);
        text(out, LEFT - 38.0, y + 10.0, "l", &format!("{high:.2}"));
        text(out, LEFT - 38.0, y + STRIP, "l", &format!("{low:.2}"));
    }

    fn axis(&self, out: &mut String, y: f64) {
        let every = [1, 2, 7, 14, 30, 60, 180].into_iter().find(|step| self.days / step <= 13).unwrap_or(365);
        for day in (0..self.days).step_by(every) {
            text(out, self.x(day as f64), y, "l", &format!("day {day}"));
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn points_of_a_day_are_one_day_with_its_extremes_and_its_mean_share() {
        let point = |hours: u64, celsius: f64, works: f64| Point {
            at: Span::from_hours(hours),
            celsius: (celsius - 0.1, celsius),
            room: 21.0,
            level: (0.0, 0.0),
            salinity: (35.0, 35.0),
            floor_litres: 0.0,
            reservoir_litres: 9.0,
            works: vec![works],
        };
        let found = days(&[point(0, 25.0, 1.0), point(12, 25.4, 0.0), point(23, 24.8, 0.5), point(24, 25.0, 1.0)]);
        assert_eq!(found.len(), 2);
        assert!((found[0].celsius.0 - 24.7).abs() < 1e-9 && (found[0].celsius.1 - 25.4).abs() < 1e-9);
        assert!((found[0].works[0] - 0.5).abs() < 1e-9);
    }
}
