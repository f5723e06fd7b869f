//! A series as a plot of braille dots in the terminal.

use textplots::{Chart, LabelBuilder, LabelFormat, Plot, Shape};

use crate::time::{Wall, Zone};

/// Dots across and down: 60 characters by 12.
const SIZE: (u32, u32) = (120, 48);

/// Draws points of time and value, with their first and last day below.
pub(super) fn plot(points: &[(Wall, f64)], zone: Zone) -> String {
    let (Some((first, _)), Some((last, _))) = (points.first().copied(), points.last().copied()) else {
        return "there is nothing to draw\n".to_owned();
    };
    #[expect(clippy::cast_possible_truncation, reason = "dots of a terminal")]
    let dots: Vec<(f32, f32)> =
        points.iter().map(|(at, value)| (at.since(first).hours() as f32 / 24.0, *value as f32)).collect();
    let span = dots.last().map_or(0.0, |(x, _)| *x).max(0.04);
    let (low, high) = dots.iter().fold((f32::MAX, f32::MIN), |(low, high), (_, y)| (low.min(*y), high.max(*y)));
    let room = ((high - low) * 0.1).max(high.abs() * 0.005).max(1e-3);
    let label = move |days: f32| {
        let seconds = (days.clamp(0.0, 1e6) * 86_400.0).round();
        #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "clamped")]
        let at = first.after(crate::time::Span::from_seconds(seconds as u64)).min(last.max(first));
        zone.calendar_day(at).to_string()
    };
    // One point is no line.
    let shape = if dots.len() == 1 { Shape::Points(&dots) } else { Shape::Lines(&dots) };
    let mut chart = Chart::new_with_y_range(SIZE.0, SIZE.1, 0.0, span, low - room, high + room);
    let chart = chart
        .lineplot(&shape)
        .x_label_format(LabelFormat::Custom(Box::new(label)))
        .y_label_format(LabelFormat::Custom(Box::new(|value| format!("{value:.2}"))));
    chart.axis();
    chart.figures();
    chart.to_string()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_series_is_drawn_with_its_days_and_its_range() {
        let at = |days: i64| Wall::from_unix_millis(1_782_900_000_000 + days * 86_400_000);
        let drawn = plot(&[(at(0), 7.6), (at(3), 8.2), (at(6), 8.0)], Zone::UTC);
        assert!(drawn.lines().count() > 10, "{drawn}");
        assert!(drawn.contains("2026-07-01") && drawn.contains("2026-07-07"), "{drawn}");
        assert!(drawn.chars().any(|c| ('\u{2801}'..='\u{28ff}').contains(&c)), "{drawn}");
        assert_eq!(plot(&[], Zone::UTC), "there is nothing to draw\n");
        assert!(plot(&[(at(0), 8.0)], Zone::UTC).lines().count() > 5);
    }
}
