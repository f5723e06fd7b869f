//! Sessions of the page, in memory: a restart of the daemon ends them, and the page asks for the token again.

use std::collections::VecDeque;
use std::time::{Duration, Instant};

use crate::shell::hex::hex;
use crate::shell::secrets;

/// A session ends after this at the latest. Common practice for what hangs on a wall.
pub(in super::super) const LIFE: Duration = Duration::from_hours(30 * 24);
/// And after this without a request.
const IDLE: Duration = Duration::from_hours(7 * 24);
/// More sessions than a household has browsers: the one that was used longest ago ends for a new one.
const MOST: usize = 64;
/// Bytes of chance in a session's secret.
const CHANCE: usize = 32;

/// The token that somebody was let in by, and the session, if there is one.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Held {
    pub(super) token: String,
    pub(super) secret: String,
    pub(super) session: Option<String>,
}

/// A session that has begun.
#[derive(Clone, Debug)]
pub(in super::super) struct Opened {
    /// For the cookie.
    pub(in super::super) secret: String,
}

#[derive(Debug)]
struct Session {
    held: Held,
    begun: Instant,
    used: Instant,
}

/// All of them, the one that was used last at the end.
#[derive(Debug, Default)]
pub(super) struct Sessions {
    all: VecDeque<Session>,
}

impl Sessions {
    pub(super) fn begin(&mut self, mut held: Held, now: Instant) -> Option<Opened> {
        let mut chance = [0_u8; CHANCE];
        // The process's one source of chance is that of its TLS.
        rustls::crypto::ring::default_provider().secure_random.fill(&mut chance).ok()?;
        let secret = hex(&chance);
        self.forget_old(now);
        while self.all.len() >= MOST {
            self.all.pop_front();
        }
        held.session = Some(secret.clone());
        self.all.push_back(Session { held, begun: now, used: now });
        Some(Opened { secret })
    }

    /// The session of this secret. All are compared, each in a time that tells nothing.
    pub(super) fn find(&mut self, secret: &str, now: Instant) -> Option<Held> {
        self.forget_old(now);
        let place = self.place(secret)?;
        let mut session = self.all.remove(place)?;
        session.used = now;
        let held = session.held.clone();
        self.all.push_back(session);
        Some(held)
    }

    pub(super) fn end(&mut self, secret: &str) {
        if let Some(place) = self.place(secret) {
            self.all.remove(place);
        }
    }

    fn place(&self, secret: &str) -> Option<usize> {
        let mut found = None;
        for (place, session) in self.all.iter().enumerate() {
            let own = session.held.session.as_deref().unwrap_or_default();
            if !own.is_empty() && secrets::same(own.as_bytes(), secret.as_bytes()) {
                found = Some(place);
            }
        }
        found
    }

    fn forget_old(&mut self, now: Instant) {
        self.all.retain(|session| {
            now.saturating_duration_since(session.begun) < LIFE && now.saturating_duration_since(session.used) < IDLE
        });
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn held(token: &str) -> Held {
        Held { token: token.to_owned(), secret: "seagrass".to_owned(), session: None }
    }

    #[test]
    fn one_too_many_ends_the_one_that_was_used_longest_ago() {
        let (mut sessions, now) = (Sessions::default(), Instant::now());
        let opened: Vec<Opened> = (0..MOST).map(|_| sessions.begin(held("ana"), now).unwrap()).collect();
        assert!(sessions.find(&opened[0].secret, now).is_some());
        sessions.begin(held("wall"), now).unwrap();
        assert!(sessions.find(&opened[0].secret, now).is_some(), "it was just used");
        assert!(sessions.find(&opened[1].secret, now).is_none());
        assert!(sessions.find("", now).is_none());
    }

    #[test]
    fn a_session_that_nobody_uses_ends_before_its_life() {
        let (mut sessions, now) = (Sessions::default(), Instant::now());
        let opened = sessions.begin(held("ana"), now).unwrap();
        let half = now + IDLE / 2;
        assert!(sessions.find(&opened.secret, half).is_some());
        assert!(sessions.find(&opened.secret, half + IDLE / 2 + Duration::from_secs(1)).is_some());
        assert!(sessions.find(&opened.secret, half + IDLE * 2).is_none());
    }
}
