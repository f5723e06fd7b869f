//! What may go out now, and what waits: quiet hours and the limit of a channel.
//!
//! Duty: urgent ones are never silenced, and are bounded all the same: [`URGENT_AT_MOST`] in the time of
//! the limit. What waits is not lost: it goes out as one digest afterwards.

use std::collections::VecDeque;

use crate::control::plan::Priority;
use crate::time::{DailyWindow, Now, Span, Steady, Zone};

use super::message::{Notification, What};

/// Urgent ones in the time of the limit, at most. [choice: a minute apart in an hour]
pub const URGENT_AT_MOST: usize = 60;
/// Lines of a digest, at most.
const LINES: usize = 40;

/// When a channel may be used.
#[derive(Clone, Debug, PartialEq)]
pub struct Calm {
    /// Quiet hours.
    pub quiet: Option<DailyWindow>,
    /// At most so many in such a time.
    pub at_most: (usize, Span),
    sent: VecDeque<Steady>,
    urgent: VecDeque<Steady>,
}

impl Calm {
    /// Nothing was sent yet.
    pub fn new(quiet: Option<DailyWindow>, at_most: (usize, Span)) -> Self {
        Self { quiet, at_most, sent: VecDeque::new(), urgent: VecDeque::new() }
    }

    /// Whether it is quiet now.
    pub fn is_quiet(&self, now: Now, zone: Zone) -> bool {
        self.quiet.is_some_and(|window| window.contains(zone.time_of_day(now.wall)))
    }

    /// Whether one of this kind may go out now.
    pub fn lets_through(&mut self, notification: &Notification, now: Now, zone: Zone) -> bool {
        let (most, within) = self.at_most;
        for list in [&mut self.sent, &mut self.urgent] {
            while list.front().is_some_and(|at| now.steady.since(*at) >= within) {
                list.pop_front();
            }
        }
        match (notification.what, notification.priority) {
            // Somebody waits for a test, and chose the hour of the daily word.
            (What::Test | What::Daily, _) => true,
            (_, Priority::Urgent) => self.urgent.len() < URGENT_AT_MOST,
            _ => self.sent.len() < most && !self.is_quiet(now, zone),
        }
    }

    /// One of this kind went out.
    pub fn goes(&mut self, notification: &Notification, now: Steady) {
        match (notification.what, notification.priority) {
            (What::Test | What::Daily, _) => {}
            (_, Priority::Urgent) => self.urgent.push_back(now),
            _ => self.sent.push_back(now),
        }
    }
}

/// Several that waited, in one. `lost` were dropped meanwhile.
pub fn digest(held: &[Notification], lost: u32, now: Now, zone: Zone) -> Notification {
    let priority = held.iter().map(|one| one.priority).max().unwrap_or(Priority::Low);
    let mut lines: Vec<String> = held
        .iter()
        .take(LINES)
        .map(|one| {
            format!(
                "{} {} {}: {} {}: {}",
                zone.show(one.since),
                one.priority.word(),
                one.tank,
                one.alarm,
                one.what.word(),
                one.text
            )
        })
        .collect();
    let more = held.len().saturating_sub(LINES);
    if more > 0 {
        lines.push(format!("and {more} more: `slackwater status` shows what stands"));
    }
    if lost > 0 {
        lines.push(format!("{lost} of less priority found no room and are not here"));
    }
    let text = format!("{} held back:\n{}", held.len(), lines.join("\n"));
    let since = held.iter().map(|one| one.since).min().unwrap_or(now.wall);
    let mut digest = Notification::plain("all", "held-back", What::Digest, priority, since, text);
    // The same ones make the same id (FNV-1a over theirs), others another.
    digest.again = held
        .iter()
        .flat_map(|one| one.id().into_bytes())
        .fold(0x811c_9dc5_u32, |hash, byte| (hash ^ u32::from(byte)).wrapping_mul(0x0100_0193));
    digest
}
