//! Trying the channels: a test goes through each channel's own queue and thread, and what came back is told.
//!
//! Limits: one attempt a channel; one that says nothing in [`TEST_WITHIN`] failed, whatever comes later.

use std::time::{Duration, Instant};

use tokio::sync::oneshot;

use crate::control::plan::Priority;
use crate::shell::job::NotFound;

use super::super::letter::TestResult;
use super::super::message::{Notification, What};
use super::super::way::Report;
use super::Office;

/// A test's answer is waited for so long; shorter than the command line waits.
const TEST_WITHIN: Duration = Duration::from_secs(25);

/// One test, until all channels said something.
pub(super) struct Trial {
    pub(super) id: String,
    reply: Option<oneshot::Sender<Result<Vec<TestResult>, NotFound>>>,
    waiting: Vec<String>,
    results: Vec<TestResult>,
    begun: Instant,
}

impl Office {
    pub(super) fn test(&mut self, only: Option<&str>, reply: oneshot::Sender<Result<Vec<TestResult>, NotFound>>) {
        let known: Vec<String> = self.list().iter().map(|channel| channel.name.to_string()).collect();
        if let Some(name) = only.filter(|name| !known.iter().any(|known| known == name)) {
            drop(reply.send(Err(NotFound { what: "channel", name: name.to_owned(), known })));
            return;
        }
        let now = self.clock.now();
        let text = "a test: nothing is wrong, and nothing is to be done".to_owned();
        let mut test = Notification::plain("daemon", "test", What::Test, Priority::Low, now.wall, text);
        self.generation += 1;
        test.again = u32::try_from(self.generation).unwrap_or_default();
        let mut waiting = Vec::new();
        for place in 0..self.channels.len() {
            let name = self.channels[place].settings.name.to_string();
            if only.is_none_or(|only| only == name) {
                self.put(place, test.clone());
                waiting.push(name);
            }
        }
        self.trials.push(Trial {
            id: test.id(),
            reply: Some(reply),
            waiting,
            results: Vec::new(),
            begun: Instant::now(),
        });
        self.end_late_trials();
    }

    pub(super) fn answer_trial(&mut self, place: usize, report: Report) {
        let Some(trial) = self.trials.iter_mut().find(|trial| trial.id == report.id) else { return };
        if !trial.waiting.contains(&report.channel) {
            return;
        }
        trial.waiting.retain(|name| *name != report.channel);
        let (delivered, said, fix) = match report.outcome {
            Ok(said) => (true, said, None),
            Err(failure) => (false, failure.why, Some(failure.fix.to_owned())),
        };
        let by = &self.channels[place].settings.by;
        let result = TestResult {
            channel: report.channel,
            by: by.word(),
            to: by.place(),
            delivered,
            said,
            fix,
            seconds: report.took.as_secs_f64(),
        };
        trial.results.push(result);
        self.end_late_trials();
    }

    /// Answers the tests of which all channels said something, or that waited long enough.
    pub(super) fn end_late_trials(&mut self) {
        let over = |trial: &Trial| trial.waiting.is_empty() || trial.begun.elapsed() >= TEST_WITHIN;
        let (ended, going): (Vec<_>, Vec<_>) = std::mem::take(&mut self.trials).into_iter().partition(over);
        self.trials = going;
        for mut trial in ended {
            for name in std::mem::take(&mut trial.waiting) {
                let Some(channel) = self.channels.iter_mut().find(|channel| *channel.settings.name == *name) else {
                    continue;
                };
                let said = format!("no answer within {} s", TEST_WITHIN.as_secs());
                trial.results.push(TestResult {
                    channel: name,
                    by: channel.settings.by.word(),
                    to: channel.settings.by.place(),
                    delivered: false,
                    said,
                    fix: Some("the receiver hangs, or something more urgent is on its way; look at it".to_owned()),
                    seconds: trial.begun.elapsed().as_secs_f64(),
                });
                channel.queue.forget(&trial.id);
                channel.changed = true;
            }
            let order: Vec<String> = self.list().iter().map(|channel| channel.name.to_string()).collect();
            trial.results.sort_by_key(|result| order.iter().position(|name| *name == result.channel));
            for result in &trial.results {
                let went = if result.delivered { "delivered" } else { "FAILED" };
                self.line(format!("test of channel {}: {went}: {}", result.channel, result.said));
            }
            if let Some(reply) = trial.reply.take() {
                drop(reply.send(Ok(trial.results)));
            }
        }
    }
}
