//! Heat stress as reef watchers reckon it: hot spots and degree heating weeks.
//!
//! Source: Skirving et al. 2020 (Remote Sensing 12:3856): the hot spot of a day is how far its
//! temperature is above the mean of the warmest month (MMM); over 84 days those of 1 °C and more are
//! summed, a seventh each. The level also needs today's hot spot: past stress with a cool day now is
//! a watch. Reefs, not tanks: in a tank the keeper sets the MMM.

/// Days of the window: twelve weeks.
pub const WINDOW: usize = 84;

/// Hot spots below this do not count, in °C.
const LEAST: f64 = 1.0;

/// Levels of stress.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Level {
    /// Not above the warmest month's mean.
    NoStress,
    /// Above it today, by less than 1 °C.
    Watch,
    /// 1 °C or more above it today, and below 4 degree heating weeks.
    Warning,
    /// From 4 degree heating weeks on: alert 1 to 5, one for each further four.
    Alert(u8),
}

/// How far a day is above the mean of the warmest month; 0 if it is not.
pub fn hot_spot(temperature: f64, warmest_month: f64) -> f64 {
    (temperature - warmest_month).max(0.0)
}

/// Degree heating weeks of the last day, in °C weeks, from daily temperatures, the last day last.
pub fn degree_heating_weeks(daily: &[f64], warmest_month: f64) -> f64 {
    let window = &daily[daily.len().saturating_sub(WINDOW)..];
    // A rounding below a millionth of a degree must not take a hot spot of 1 °C away. The sum of nothing is -0.
    window.iter().map(|day| hot_spot(*day, warmest_month)).filter(|hot| *hot >= LEAST - 1e-6).sum::<f64>() / 7.0 + 0.0
}

/// The level of a day from its hot spot and its degree heating weeks.
pub fn level(hot_spot: f64, weeks: f64) -> Level {
    match (hot_spot, weeks) {
        (hot, _) if hot <= 0.0 => Level::NoStress,
        (hot, _) if hot < LEAST => Level::Watch,
        (_, weeks) if weeks < 4.0 => Level::Warning,
        (_, weeks) if weeks < 8.0 => Level::Alert(1),
        (_, weeks) if weeks < 12.0 => Level::Alert(2),
        (_, weeks) if weeks < 16.0 => Level::Alert(3),
        (_, weeks) if weeks < 20.0 => Level::Alert(4),
        _ => Level::Alert(5),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_worked_sums_are_met() {
        // checks.csv, dhw1: hot spots of 1.0, 2.0, 0.8 and 1.2 give 0.6, the 0.8 not counting.
        assert!((degree_heating_weeks(&[30.0, 31.0, 29.8, 30.2], 29.0) - 0.6).abs() < 1e-9);
        // checks.csv, dhw2: 10 d at 29, 14 d at 30.2, 21 d at 31, 39 d at 29.9.
        let daily = [vec![29.0; 10], vec![30.2; 14], vec![31.0; 21], vec![29.9; 39]].concat();
        for (day, expected) in [(10, 0.0), (24, 2.4), (45, 8.4), (84, 8.4)] {
            let found = degree_heating_weeks(&daily[..day], 29.0);
            assert!((found - expected).abs() < 1e-9, "day {day}: {found}");
        }
        assert!(degree_heating_weeks(&[29.0], 29.0).is_sign_positive(), "a graph shows -0 otherwise");
        assert_eq!(level(hot_spot(29.9, 29.0), 8.4), Level::Watch, "hot weeks behind, a mild day now");
        assert_eq!(level(hot_spot(31.0, 29.0), 8.4), Level::Alert(2));
    }

    #[test]
    fn what_is_older_than_twelve_weeks_does_not_count() {
        let daily = [vec![31.0; 7], vec![29.0; 84]].concat();
        assert!(degree_heating_weeks(&daily, 29.0) < 1e-12);
        assert!((degree_heating_weeks(&daily[..90], 29.0) - 2.0 / 7.0).abs() < 1e-12);
    }
}
