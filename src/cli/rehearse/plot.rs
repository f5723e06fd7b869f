//! The plot of a rehearsal: one SVG, a column of strips for each tank.
//!
//! Temperature, level and salinity are bands from the lowest to the highest of each stretch of time, so
//! that no peak is lost; outputs are shaded by their share of it; alarms are bars. Greys and one blue,
//! told apart by place and label, not by hue.

use std::fmt::Write as _;

use crate::config::Setup;
use crate::sim::rehearsal::{Point, Rehearsal};
use crate::time::Span;

const LEFT: f64 = 110.0;
const WIDTH: f64 = 1000.0;
const STRIP: f64 = 120.0;
const ROW: f64 = 16.0;
const GAP: f64 = 26.0;

/// Draws all tanks.
pub fn svg(setup: &Setup, run: &Rehearsal) -> String {
    let mut body = String::new();
    let mut y = 20.0;
    for (tank, of) in setup.tanks.iter().enumerate() {
        let points = run.record().points(tank);
        if points.is_empty() {
            continue;
        }
        let drawing = Drawing { points, passed: run.passed() };
        text(&mut body, 10.0, y, "heading", &format!("{}: simulated, seed {}", of.plan.title, run.seed()));
        y += GAP;
        let bands: [(&str, Range); 3] =
            [("display °C", |p| p.celsius), ("level mm", |p| p.level), ("salinity", |p| p.salinity)];
        for (label, range) in bands {
            drawing.band(&mut body, y, label, range);
            y += STRIP + GAP;
        }
        for (index, output) in of.plan.outputs.iter().enumerate() {
            drawing.shades(&mut body, y, &output.name, index);
            y += ROW + 2.0;
        }
        y += GAP / 2.0;
        let mut names: Vec<&str> = run.record().alarms(tank).iter().map(|spell| spell.alarm.as_str()).collect();
        names.sort_unstable();
        names.dedup();
        for name in names {
            text(&mut body, 10.0, y + 11.0, "label", &format!("! {name}"));
            for spell in run.record().alarms(tank).iter().filter(|spell| spell.alarm == name) {
                let (from, until) = (drawing.x(spell.from), drawing.x(spell.until.unwrap_or(run.passed())));
                let _ = writeln!(
                    body,
                    "<rect class=\"alarm\" x=\"{from:.1}\" y=\"{y:.1}\" width=\"{:.1}\" height=\"{ROW}\"/>",
                    (until - from).max(1.0)
                );
            }
            y += ROW + 2.0;
        }
        drawing.axis(&mut body, y);
        y += 2.0 * GAP;
    }
    format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {:.0} {y:.0}\" font-family=\"sans-serif\">\n<style>\
         .heading{{font-size:15px;font-weight:bold}}.label{{font-size:11px}}.frame{{fill:none;stroke:#999}}\
         .band{{fill:#26619c;fill-opacity:.45;stroke:#26619c;stroke-width:.7}}.on{{fill:#222}}.alarm{{fill:#555}}\
         </style>\n<rect width=\"100%\" height=\"100%\" fill=\"#fff\"/>\n{body}</svg>\n",
        LEFT + WIDTH + 20.0
    )
}

/// Lowest and highest of a point.
type Range = fn(&Point) -> (f64, f64);

struct Drawing<'a> {
    points: &'a [Point],
    passed: Span,
}

impl Drawing<'_> {
    fn x(&self, at: Span) -> f64 {
        LEFT + WIDTH * at.seconds() / self.passed.seconds().max(1.0)
    }

    fn band(&self, out: &mut String, y: f64, label: &str, range: Range) {
        let mut low = self.points.iter().map(|point| range(point).0).fold(f64::INFINITY, f64::min);
        let mut high = self.points.iter().map(|point| range(point).1).fold(f64::NEG_INFINITY, f64::max);
        // A steady value is a line in the middle, not noise blown up.
        let least = 0.2;
        if high - low < least {
            (low, high) = (0.5 * (low + high - least), 0.5 * (low + high + least));
        }
        let scale = |value: f64| y + STRIP * (high - value) / (high - low);
        let upper = self.points.iter().map(|point| (point.at, range(point).1));
        let lower = self.points.iter().rev().map(|point| (point.at, range(point).0));
        let mut line = String::new();
        for (at, value) in upper.chain(lower) {
            let _ = write!(line, "{:.1},{:.1} ", self.x(at), scale(value));
        }
        let _ = writeln!(out, "<polygon class=\"band\" points=\"{}\"/>", line.trim_end());
        let _ = writeln!(out, "<rect class=\"frame\" x=\"{LEFT}\" y=\"{y:.1}\" width=\"{WIDTH}\" height=\"{STRIP}\"/>");
        text(out, 10.0, y + 0.5 * STRIP, "label", label);
        text(out, 60.0, y + 10.0, "label", &format!("{high:.2}"));
        text(out, 60.0, y + STRIP, "label", &format!("{low:.2}"));
    }

    /// An output's share at work, as black of that opacity.
    fn shades(&self, out: &mut String, y: f64, name: &str, output: usize) {
        text(out, 10.0, y + 11.0, "label", name);
        let mut from = 0;
        for at in 1..=self.points.len() {
            // A dose of seconds is seen too.
            let least = |works: f64| if works > 0.0 { 2.0 } else { 0.0 };
            let share = |point: &Point| (point.works[output] * 10.0).round().max(least(point.works[output]));
            let same = self.points.get(at).is_some_and(|point| (share(point) - share(&self.points[from])).abs() < 0.5);
            if same {
                continue;
            }
            let end = self.points.get(at).map_or(self.passed, |point| point.at);
            let (left, right, shade) = (self.x(self.points[from].at), self.x(end), share(&self.points[from]) / 10.0);
            if shade > 0.0 {
                let _ = writeln!(
                    out,
                    "<rect class=\"on\" fill-opacity=\"{shade}\" x=\"{left:.1}\" y=\"{y:.1}\" width=\"{:.1}\" height=\"{ROW}\"/>",
                    (right - left).max(1.0)
                );
            }
            from = at;
        }
    }

    fn axis(&self, out: &mut String, y: f64) {
        let every = round_step(self.passed).millis();
        for step in 0..=self.passed.millis() / every {
            let at = Span::from_millis(step * every);
            text(out, (self.x(at) - 12.0).min(LEFT + WIDTH - 24.0), y + 12.0, "label", &at.to_string());
        }
    }
}

/// The least round step of which at most twelve fit.
fn round_step(passed: Span) -> Span {
    const MINUTES: [u64; 14] =
        [1, 2, 5, 10, 15, 30, 60, 2 * 60, 3 * 60, 6 * 60, 12 * 60, 24 * 60, 2 * 24 * 60, 7 * 24 * 60];
    let round = MINUTES.into_iter().map(Span::from_minutes).find(|step| passed.millis() <= 12 * step.millis());
    round.unwrap_or_else(|| Span::from_hours(24 * 7 * (passed.millis() / Span::from_hours(24 * 7 * 12).millis() + 1)))
}

/// A word in a drawing.
pub(super) fn text(out: &mut String, x: f64, y: f64, class: &str, words: &str) {
    let words = words.replace('&', "&amp;").replace('<', "&lt;");
    let _ = writeln!(out, "<text class=\"{class}\" x=\"{x:.1}\" y=\"{y:.1}\">{words}</text>");
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_axis_has_round_times_and_not_too_many() {
        let step = |hours| round_step(Span::from_hours(hours)).to_string();
        assert_eq!([step(1), step(48), step(24 * 365)], ["5 min", "6 h", "35 d"].map(str::to_owned));
    }
}
