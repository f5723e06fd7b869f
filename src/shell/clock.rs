//! The only reader of the clock. Everything else is told what time it is.
//!
//! A speed other than 1 is for the demo: both clocks then run that much faster from the start on,
//! and the wall clock no longer follows the system's. The steady clock does not run while the
//! machine is suspended; the wall clock shows it as a jump, which the core knows how to take.

use std::time::{Duration, SystemTime, UNIX_EPOCH};

use tokio::time::Instant;

use crate::time::{Now, Span, Steady, Wall};

/// Both clocks, from the start of the daemon.
#[derive(Clone, Copy, Debug)]
pub struct Clock {
    start: Instant,
    start_wall: i64,
    speed: f64,
}

impl Clock {
    /// Clocks that start now. A speed that is not a positive number is 1.
    pub fn start(speed: f64) -> Self {
        let speed = if speed.is_finite() && speed > 0.0 { speed } else { 1.0 };
        Self { start: Instant::now(), start_wall: unix_millis(), speed }
    }

    /// Clocks of a process that starts again in a fast life that began at `origin`, Unix milliseconds of the system's clock:
    /// the wall clock goes on where the earlier process's would be, the steady clock begins anew.
    pub fn again(speed: f64, origin: i64) -> Self {
        let clock = Self::start(speed);
        let lived = Duration::from_millis(u64::try_from(clock.start_wall - origin).unwrap_or(0));
        let lived = i64::try_from(scaled(lived, clock.speed)).unwrap_or(i64::MAX);
        Self { start_wall: origin.saturating_add(lived), ..clock }
    }

    /// Both clocks.
    pub fn now(&self) -> Now {
        let elapsed = self.start.elapsed();
        let steady = scaled(elapsed, self.speed);
        let wall = if self.is_life() {
            Wall::from_unix_millis(unix_millis())
        } else {
            Wall::from_unix_millis(self.start_wall).after(Span::from_millis(steady))
        };
        Now { steady: Steady::from_millis(steady), wall }
    }

    /// The real instant at which the steady clock will read `at`.
    pub fn instant(&self, at: Steady) -> Instant {
        self.start + self.real(Span::from_millis(at.millis()))
    }

    /// The real time that a span of our clock takes.
    pub fn real(&self, span: Span) -> Duration {
        let exact = Duration::from_millis(span.millis());
        if self.is_life() { exact } else { exact.div_f64(self.speed) }
    }

    /// How much faster than life it runs: 1 but in a demo.
    pub fn speed(&self) -> f64 {
        self.speed
    }

    /// Whether it runs as fast as life, so that the wall clock is the system's.
    fn is_life(&self) -> bool {
        (self.speed - 1.0).abs() < f64::EPSILON
    }
}

fn scaled(elapsed: Duration, speed: f64) -> u64 {
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "elapsed times are not negative")]
    let millis = (elapsed.as_secs_f64() * 1000.0 * speed) as u64;
    if (speed - 1.0).abs() < f64::EPSILON { u64::try_from(elapsed.as_millis()).unwrap_or(u64::MAX) } else { millis }
}

/// The system's wall clock, for names of files and the like; control is told the time by [`Clock::now`].
pub fn unix_millis() -> i64 {
    let since = SystemTime::now().duration_since(UNIX_EPOCH).unwrap_or_default();
    i64::try_from(since.as_millis()).unwrap_or(i64::MAX)
}

/// The system's wall clock to the nanosecond: for marks that no other request has.
pub fn unix_nanos() -> u128 {
    SystemTime::now().duration_since(UNIX_EPOCH).unwrap_or_default().as_nanos()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_fast_clock_reaches_its_instants_when_it_says() {
        let clock = Clock::start(60.0);
        let minute = Steady::from_millis(60_000);
        let real = clock.instant(minute) - clock.start;
        assert!((real.as_secs_f64() - 1.0).abs() < 1e-6, "{real:?}");
        let first = clock.now();
        std::thread::sleep(Duration::from_millis(20));
        let second = clock.now();
        let passed = second.steady.since(first.steady);
        assert!(passed >= Span::from_millis(1200), "{passed}");
        assert_eq!(second.wall.since(first.wall).millis(), passed.millis());
    }

    #[test]
    fn a_fast_life_goes_on_over_a_restart() {
        let origin = unix_millis() - 2_000;
        let (wall, real) = (Clock::again(60.0, origin).now().wall, unix_millis());
        let lived = wall.since(Wall::from_unix_millis(origin)).millis();
        assert!((120_000..120_000 + 60 * u64::try_from(real - origin - 1_990).unwrap()).contains(&lived), "{lived}");
    }

    #[test]
    fn a_speed_that_is_no_speed_is_one() {
        for speed in [f64::NAN, 0.0, -3.0, f64::INFINITY] {
            assert_eq!(Clock::start(speed).real(Span::from_seconds(1)), Duration::from_secs(1));
        }
    }
}
