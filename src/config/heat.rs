//! Heat arithmetic of one tank: what its heater can do to it, and how long it stays warm without.
//!
//! A lumped tank. Physics and constants from memory, the losses an engineering estimate for a small
//! covered tank of 90 L, scaled by the area of the water (volume to the power of 2/3); no real tank was
//! measured. Everything here is for warnings and for refusing the absurd, never for control.

use crate::time::Span;

/// Heat capacity of sea water, kJ/K per litre: 1.023 kg/L times 3.99 kJ/(kg K), at 35 psu and 25 °C.
/// Glass and rock are left out, which makes every time to harm shorter than it is.
const KILOJOULE_PER_KELVIN_LITRE: f64 = 1.023 * 3.99;

/// Losses of a 90 L tank, W for each kelvin: glass 8 and the slope of evaporation 4.
const LOSS_AT_90_LITRES: f64 = 12.0;

/// Evaporation cools to this much below the room before pumps are counted, K: 87 W lost at 25 °C in a
/// room of 20 °C, by 12 W/K.
const EVAPORATION_OFFSET: f64 = 2.25;

/// Harm: what livestock of a lagoon must not see, °C.
pub(super) const TOO_HOT: f64 = 28.0;
/// The other end, °C.
pub(super) const TOO_COLD: f64 = 22.0;
/// The cut-off that is usual, °C above the set point; harm times are counted from here.
pub(super) const USUAL_CUTOFF: f64 = 26.0;

/// A tank as a lump of water.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Lump {
    /// All water, litres.
    pub(super) litres: f64,
    /// Pumps that stand in the water, W.
    pub(super) pump_watts: f64,
}

impl Lump {
    fn kilojoules_per_kelvin(self) -> f64 {
        self.litres.max(0.1) * KILOJOULE_PER_KELVIN_LITRE
    }

    fn watts_per_kelvin(self) -> f64 {
        LOSS_AT_90_LITRES * (self.litres.max(0.1) / 90.0).powf(2.0 / 3.0)
    }

    /// Hours in which losses take 63 % of a difference.
    fn time_constant(self) -> f64 {
        self.kilojoules_per_kelvin() / self.watts_per_kelvin() / 3.6
    }

    /// Where the tank comes to rest in a room, with so many watts of heat.
    pub(super) fn rest(self, room: f64, watts: f64) -> f64 {
        room - EVAPORATION_OFFSET + (0.9 * self.pump_watts + watts) / self.watts_per_kelvin()
    }

    /// The fastest rise by so many watts, nothing lost, K/h.
    pub(super) fn fastest_rise(self, watts: f64) -> f64 {
        3.6 * watts / self.kilojoules_per_kelvin()
    }

    /// The shortest time for a rise by so many kelvin; nothing lost.
    pub(super) fn shortest_time(self, kelvin: f64, watts: f64) -> Option<Span> {
        hours(kelvin / self.fastest_rise(watts))
    }

    /// The time to cool without any heater in a room; `None` if it never gets there.
    pub(super) fn time_to_cool(self, from: f64, to: f64, room: f64) -> Option<Span> {
        let rest = self.rest(room, 0.0);
        if to <= rest {
            return None;
        }
        hours(self.time_constant() * ((from - rest) / (to - rest)).ln())
    }

    /// What holds a temperature in a room, W.
    pub(super) fn watts_to_hold(self, target: f64, room: f64) -> f64 {
        ((target - room + EVAPORATION_OFFSET) * self.watts_per_kelvin() - 0.9 * self.pump_watts).max(0.0)
    }

    /// The time to warm with so many watts in a room; `None` if it never gets there.
    pub(super) fn time_to_warm(self, from: f64, to: f64, room: f64, watts: f64) -> Option<Span> {
        let rest = self.rest(room, watts);
        (to < rest).then(|| hours(self.time_constant() * ((rest - from) / (rest - to)).ln())).flatten()
    }

    /// A change of a probe faster than this is no water, K/min: six times what all watts together can do.
    pub(super) fn implausible_rate(self, watts: f64) -> f64 {
        (6.0 * self.fastest_rise(watts) / 60.0).max(0.3)
    }

    /// The longest that a heater's plug may stay on by itself: a tenth of the time from the cut-off to harm.
    pub(super) fn longest_heater_lease(self, watts: f64) -> Span {
        self.shortest_time(TOO_HOT - USUAL_CUTOFF, watts)
            .map_or(LONGEST_HEATER_LEASE, |time| time.part(10).min(LONGEST_HEATER_LEASE))
    }

    /// The longest that a top-off's plug may stay on by itself: a tenth of the time in which fresh water
    /// takes 1 g/kg off 36 g/kg.
    pub(super) fn longest_top_off_lease(self, litres_per_minute: f64) -> Span {
        let harm = self.litres / 36.0;
        hours(harm / litres_per_minute / 60.0)
            .map_or(LONGEST_TOP_OFF_LEASE, |time| time.part(10).min(LONGEST_TOP_OFF_LEASE))
    }
}

/// Beyond this no heater lease helps a person who waits for it [PICK].
const LONGEST_HEATER_LEASE: Span = Span::from_minutes(15);
/// Beyond this no top-off lease is one [PICK].
const LONGEST_TOP_OFF_LEASE: Span = Span::from_seconds(60);

fn hours(hours: f64) -> Option<Span> {
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "range checked before")]
    (hours.is_finite() && (0.0..1e5).contains(&hours)).then(|| Span::from_seconds((hours * 3600.0) as u64))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// 90 L with 21 W of pump heat (0.9 of 23 W).
    const LAGOON: Lump = Lump { litres: 90.0, pump_watts: 23.3 };

    #[test]
    fn a_heater_of_100_watts_warms_90_litres_by_almost_a_kelvin_an_hour() {
        // Arithmetic from memory-grade constants: 1 W = 0.0096 K/h for 87 L with glass and rock (376 kJ/K).
        let rise = Lump { litres: 92.0, pump_watts: 0.0 }.fastest_rise(100.0);
        assert!((rise - 0.96).abs() < 0.01, "{rise}");
    }

    #[test]
    fn a_tank_without_heat_cools_about_as_the_finer_simulation_says() {
        // A finer simulation (display, sump, evaporation by air) gave 6.7 h at a room of 20 °C, 4.0 h at 17 °C.
        for (room, expected) in [(20.0, 6.7), (17.0, 4.0)] {
            let time = LAGOON.time_to_cool(25.0, 22.0, room).unwrap().hours();
            assert!((time / expected - 1.0).abs() < 0.15, "{room}: {time}");
        }
        assert_eq!(LAGOON.time_to_cool(25.0, 22.0, 24.0), None);
    }

    #[test]
    fn a_welded_heater_levels_off_about_where_the_finer_simulation_says() {
        // The finer simulation after 36 h: 27.5 °C at 20 °C, 29.0 at 22, 31.8 at 26 (losses grow with evaporation).
        for (room, expected) in [(20.0, 27.5), (22.0, 29.0), (26.0, 31.8)] {
            let rest = LAGOON.rest(room, 100.0);
            assert!((rest - expected).abs() < 2.1, "{room}: {rest}");
        }
    }

    #[test]
    fn a_welded_heater_reaches_its_limits_about_when_the_finer_simulation_says() {
        // The finer simulation, 100 W: 26.0 °C after 3.6 h in a room of 20 °C, 2.1 h at 22, 1.1 h at 26; 28.0 °C never,
        // 10.5 h, 4.2 h. The lump is early, which is the safe side of a warning.
        for (room, to, expected) in
            [(20.0, 26.0, 3.6), (22.0, 26.0, 2.1), (26.0, 26.0, 1.1), (22.0, 28.0, 10.5), (26.0, 28.0, 4.2)]
        {
            let time = LAGOON.time_to_warm(25.0, to, room, 100.0).unwrap().hours();
            assert!((0.7..1.15).contains(&(time / expected)), "{room} to {to}: {time}");
        }
        assert_eq!(LAGOON.time_to_warm(25.0, 28.0, 20.0, 100.0), None);
    }

    #[test]
    fn what_holds_the_tank_is_what_it_loses() {
        // 87 W lost at 25 °C in a room of 20 °C less 21 W of pumps: 66 W; the finer simulation had 59 W with lights.
        assert!((LAGOON.watts_to_hold(25.0, 20.0) - 66.0).abs() < 1.0);
        for room in [15.0, 17.0, 20.0] {
            let held = LAGOON.rest(room, LAGOON.watts_to_hold(25.0, room));
            assert!((held - 25.0).abs() < 1e-9, "{room}: {held}");
        }
        assert!(LAGOON.watts_to_hold(25.0, 30.0) < 1e-9);
    }

    #[test]
    fn a_rate_is_implausible_beyond_six_times_what_all_watts_give_and_never_below_the_noise() {
        assert!((Lump { litres: 92.0, pump_watts: 0.0 }.implausible_rate(198.0) - 0.3).abs() < 1e-9);
        // 10 L and 300 W: 6 * 0.88 * 300 / 10 / 60 K/min.
        assert!((Lump { litres: 10.0, pump_watts: 0.0 }.implausible_rate(300.0) - 2.65).abs() < 0.02);
    }

    #[test]
    fn leases_end_long_before_harm() {
        assert_eq!(LAGOON.longest_top_off_lease(0.5), Span::from_seconds(30));
        assert!(LAGOON.longest_heater_lease(100.0) > Span::from_seconds(180));
        let small = Lump { litres: 20.0, pump_watts: 0.0 };
        assert!(small.longest_heater_lease(300.0) < Span::from_seconds(60));
    }
}
