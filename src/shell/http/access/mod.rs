//! Who may do what: tokens with a role, sessions of the page, and patience with wrong tries.
//!
//! ```text
//!   Authorization: Bearer TOKEN ──► tokens (files, read each time) ──┐
//!   Cookie ──► sessions (memory) ──► the token it began with ────────┼──► Who { name, role, way, from }
//!   this machine, no tokens set ─────────────────────────────────────┘
//! ```
//! Secrets are compared in a time that does not tell where they differ. A token whose file changed, or that the config
//! no longer names, ends its sessions and streams with it. A wrong try makes the next one of that address wait.

mod sessions;
mod tries;

use std::net::{IpAddr, Ipv4Addr};
use std::sync::Mutex;
use std::time::{Duration, Instant};

use crate::config::setup::{HttpSettings, Role, TokenSettings};
use crate::shell::secrets;

use sessions::{Held, Sessions};
pub(super) use sessions::{LIFE, Opened};
use tries::Tries;

/// A shorter secret could be guessed over the network, back-off or not.
pub(super) const LEAST_TOKEN: usize = 16;

/// By what somebody came.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Way {
    CommandLine,
    Page,
    Http,
}

impl Way {
    fn word(self) -> &'static str {
        match self {
            Self::CommandLine => "command line",
            Self::Page => "page",
            Self::Http => "HTTP",
        }
    }
}

/// Who asks.
#[derive(Clone, Debug)]
pub(super) struct Who {
    /// The token's name; none where no token is set.
    pub(super) name: Option<String>,
    pub(super) role: Role,
    pub(super) way: Way,
    pub(super) from: IpAddr,
    proof: Option<Held>,
}

impl Who {
    /// Nobody in particular, on a route that is open.
    fn nobody(way: Way, from: IpAddr) -> Self {
        Self { name: None, role: Role::Look, way, from, proof: None }
    }

    /// The keeper at a machine where no token is set.
    #[cfg(test)]
    pub(super) fn at_this_machine() -> Self {
        Self { role: Role::Keeper, ..Self::nobody(Way::Page, IpAddr::V4(Ipv4Addr::LOCALHOST)) }
    }

    /// The way, for the journal: `command line`, `token ana, page, from 192.0.2.7`.
    pub(super) fn described(&self) -> String {
        let way = self.way.word();
        match (&self.name, self.is_here()) {
            (None, true) => way.to_owned(),
            (None, false) => format!("{way}, from {}", self.from),
            (Some(name), _) => format!("token {name}, {way}, from {}", self.from),
        }
    }

    /// Whether the request was made on the machine of the daemon.
    pub(super) fn is_here(&self) -> bool {
        self.from.is_loopback()
    }

    /// The session's secret, to end it.
    pub(super) fn session(&self) -> Option<&str> {
        self.proof.as_ref().and_then(|held| held.session.as_deref())
    }
}

/// What came with a request.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Shown<'a> {
    pub(super) bearer: Option<&'a str>,
    pub(super) cookie: Option<&'a str>,
}

/// Why somebody is not let in.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) enum Denied {
    /// Nothing was shown.
    Nothing,
    /// What was shown is not known.
    Wrong,
    /// The session is over, or was never one.
    SessionOver,
    /// Too many wrong tries: seconds to wait.
    Wait(u64),
    /// No token's file can be read, or what is in them is too short.
    NoSecrets,
}

/// The doorkeeper.
#[derive(Debug)]
pub(super) struct Access {
    tokens: Vec<TokenSettings>,
    sessions: Mutex<Sessions>,
    tries: Mutex<Tries>,
}

/// One of several threads may have panicked with it; what it holds is still whole.
fn locked<T>(mutex: &Mutex<T>) -> std::sync::MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(std::sync::PoisonError::into_inner)
}

impl Access {
    pub(super) fn new(settings: &HttpSettings) -> Self {
        Self { tokens: settings.tokens.clone(), sessions: Mutex::default(), tries: Mutex::default() }
    }

    /// Whether anybody on this machine may do everything.
    pub(super) fn is_open(&self) -> bool {
        self.tokens.is_empty()
    }

    /// Who asks, by what was shown. Without tokens it is the keeper at this machine.
    pub(super) fn who(&self, shown: Shown, way: Way, from: IpAddr, now: Instant) -> Result<Who, Denied> {
        if self.is_open() {
            return Ok(Who { role: Role::Keeper, ..Who::nobody(way, from) });
        }
        match shown {
            Shown { bearer: Some(bearer), .. } => self.by_token(bearer, way, from, now),
            Shown { cookie: Some(cookie), .. } => self.by_session(cookie, from, now),
            Shown { .. } => Err(Denied::Nothing),
        }
    }

    /// For a route that is open: whoever it is, known or not.
    pub(super) fn who_if_known(&self, shown: Shown, way: Way, from: IpAddr, now: Instant) -> Who {
        let cookie = Shown { bearer: None, ..shown };
        self.who(cookie, way, from, now).unwrap_or_else(|_| Who::nobody(way, from))
    }

    fn by_session(&self, cookie: &str, from: IpAddr, now: Instant) -> Result<Who, Denied> {
        let held = locked(&self.sessions).find(cookie, now).ok_or(Denied::SessionOver)?;
        let Some(token) = self.token_of(&held) else {
            locked(&self.sessions).end(cookie);
            return Err(Denied::SessionOver);
        };
        let (name, role) = (Some(token.name.to_string()), token.role);
        Ok(Who { name, role, way: Way::Page, from, proof: Some(held) })
    }

    /// A wrong token makes the address wait; while it waits, a right one is not looked at either.
    pub(super) fn by_token(&self, given: &str, way: Way, from: IpAddr, now: Instant) -> Result<Who, Denied> {
        if let Some(wait) = locked(&self.tries).wait(from, now) {
            return Err(Denied::Wait(wait.as_secs() + 1));
        }
        let (mut found, mut readable) = (None, 0);
        // Each is compared, so that the time does not tell which one it was.
        for token in &self.tokens {
            let Some(secret) = secret_of(token) else { continue };
            readable += 1;
            if secrets::same(secret.as_bytes(), given.as_bytes()) && found.is_none() {
                found = Some((token, secret));
            }
        }
        match found {
            Some((token, secret)) => {
                locked(&self.tries).forget(from);
                let proof = Held { token: token.name.to_string(), secret, session: None };
                Ok(Who { name: Some(token.name.to_string()), role: token.role, way, from, proof: Some(proof) })
            }
            None if readable == 0 => Err(Denied::NoSecrets),
            None => {
                locked(&self.tries).failed(from, now);
                Err(Denied::Wrong)
            }
        }
    }

    /// A session for whoever came with a token. `None`: the system has no randomness to give.
    pub(super) fn open(&self, who: &Who, now: Instant) -> Option<Opened> {
        let held = who.proof.clone()?;
        locked(&self.sessions).begin(held, now)
    }

    /// Ends a session.
    pub(super) fn end(&self, session: &str) {
        locked(&self.sessions).end(session);
    }

    /// Whether whoever was let in would still be: for what lasts longer than a request.
    pub(super) fn is_still_good(&self, who: &Who, now: Instant) -> bool {
        let Some(held) = &who.proof else { return self.is_open() };
        let session = held.session.as_deref();
        session.is_none_or(|session| locked(&self.sessions).find(session, now).is_some())
            && self.token_of(held).is_some()
    }

    /// The token, if it is still what it was.
    fn token_of(&self, held: &Held) -> Option<&TokenSettings> {
        let token = self.tokens.iter().find(|token| *token.name == *held.token)?;
        let secret = secret_of(token)?;
        secrets::same(secret.as_bytes(), held.secret.as_bytes()).then_some(token)
    }
}

fn secret_of(token: &TokenSettings) -> Option<String> {
    match secrets::first_line(&token.file) {
        Ok(secret) if secret.len() >= LEAST_TOKEN => Some(secret),
        Ok(_) => {
            let name = &token.name;
            tracing::error!(
                "the token `{name}` has fewer than {LEAST_TOKEN} letters and is not taken\n  write a longer one, such as `openssl rand -hex 24` prints"
            );
            None
        }
        Err(error) => {
            tracing::error!("the token `{}`: {error}", token.name);
            None
        }
    }
}

/// The address that a request is counted by. A reverse proxy of ours says for whom it asks; what anybody else says
/// of himself does not count.
pub(super) fn address(peer: IpAddr, proxy: Option<IpAddr>, forwarded_for: Option<&str>) -> IpAddr {
    let peer = plain(peer);
    if proxy.map(plain) != Some(peer) {
        return peer;
    }
    // The last one was written by the proxy; those before it came from outside.
    let last = forwarded_for.and_then(|all| all.rsplit(',').next()).map(str::trim);
    // A proxy that does not say it asks for somebody who is not here.
    last.and_then(|text| text.parse().ok()).map_or(IpAddr::V4(Ipv4Addr::UNSPECIFIED), plain)
}

/// An IPv4 address that came by IPv6 is the IPv4 address.
fn plain(address: IpAddr) -> IpAddr {
    address.to_canonical()
}

/// Time that tests may add to.
pub(super) fn now() -> Instant {
    Instant::now()
}

/// The life of a session as a cookie wants it.
pub(super) fn life_seconds() -> u64 {
    Duration::as_secs(&LIFE)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::control::ids::Name;

    const HERE: IpAddr = IpAddr::V4(Ipv4Addr::LOCALHOST);
    const ANA: &str = "seagrass-and-slack-water";
    const WALL: &str = "a-tablet-on-the-wall";

    fn access(dir: &tempfile::TempDir) -> Access {
        let token = |name: &str, role, secret: &str| {
            let file = dir.path().join(name);
            std::fs::write(&file, format!("{secret}\n")).unwrap();
            TokenSettings { name: Name::new(name), role, file }
        };
        let tokens = vec![
            token("ana", Role::Keeper, ANA),
            token("wall", Role::Look, WALL),
            token("short", Role::Keeper, "sesame"),
        ];
        let listen = "127.0.0.1:0".parse().unwrap();
        Access::new(&HttpSettings { listen, tokens, names: Vec::new(), proxy: None })
    }

    fn shown(bearer: &str) -> Shown<'_> {
        Shown { bearer: Some(bearer), cookie: None }
    }

    #[test]
    fn a_token_has_its_role_and_a_short_one_is_none() {
        let dir = tempfile::tempdir().unwrap();
        let (access, now) = (access(&dir), Instant::now());
        let who = access.who(shown(ANA), Way::Http, HERE, now).unwrap();
        assert_eq!((who.name.as_deref(), who.role), (Some("ana"), Role::Keeper));
        assert_eq!(who.described(), "token ana, HTTP, from 127.0.0.1");
        assert_eq!(access.who(shown(WALL), Way::Http, HERE, now).unwrap().role, Role::Look);
        assert_eq!(access.who(shown("sesame"), Way::Http, HERE, now).unwrap_err(), Denied::Wrong);
        assert_eq!(access.who(Shown::default(), Way::Http, HERE, now).unwrap_err(), Denied::Nothing);
    }

    #[test]
    fn wrong_tries_make_an_address_wait_and_no_other_one() {
        let dir = tempfile::tempdir().unwrap();
        let (access, now) = (access(&dir), Instant::now());
        let there: IpAddr = "192.0.2.7".parse().unwrap();
        for _ in 0..tries::FREE {
            assert_eq!(access.who(shown("guess"), Way::Http, there, now).unwrap_err(), Denied::Wrong);
        }
        assert!(matches!(access.who(shown(ANA), Way::Http, there, now), Err(Denied::Wait(_))));
        assert!(access.who(shown(ANA), Way::Http, HERE, now).is_ok());
        let later = now + Duration::from_secs(3);
        assert!(access.who(shown(ANA), Way::Http, there, later).is_ok());
    }

    #[test]
    fn a_session_ends_by_itself_by_logout_and_with_its_token() {
        let dir = tempfile::tempdir().unwrap();
        let (access, now) = (access(&dir), Instant::now());
        let who = access.who(shown(ANA), Way::Http, HERE, now).unwrap();
        let by = |session: &Opened, now| {
            access.who(Shown { bearer: None, cookie: Some(&session.secret) }, Way::Http, HERE, now)
        };
        let first = access.open(&who, now).unwrap();
        let inside = by(&first, now).unwrap();
        assert_eq!((inside.name.as_deref(), inside.way), (Some("ana"), Way::Page));
        assert!(access.is_still_good(&inside, now));
        access.end(&first.secret);
        assert_eq!(by(&first, now).unwrap_err(), Denied::SessionOver);
        assert!(!access.is_still_good(&inside, now));
        let second = access.open(&who, now).unwrap();
        assert_ne!(first.secret, second.secret);
        assert_eq!(by(&second, now + LIFE + Duration::from_secs(1)).unwrap_err(), Denied::SessionOver);
        let third = access.open(&who, now).unwrap();
        let inside = by(&third, now).unwrap();
        std::fs::write(dir.path().join("ana"), "another-secret-of-ana\n").unwrap();
        assert!(!access.is_still_good(&inside, now));
        assert_eq!(by(&third, now).unwrap_err(), Denied::SessionOver);
    }

    #[test]
    fn only_the_proxy_says_for_whom_it_asks() {
        let proxy = Some(HERE);
        let there: IpAddr = "192.0.2.7".parse().unwrap();
        assert_eq!(address(HERE, None, Some("192.0.2.7")), HERE);
        assert_eq!(address(there, proxy, Some("127.0.0.1")), there);
        assert_eq!(address(HERE, proxy, Some("127.0.0.1, 192.0.2.7")), there);
        assert!(!address(HERE, proxy, None).is_loopback(), "a proxy that does not say it is not this machine");
        assert_eq!(address("::ffff:127.0.0.1".parse().unwrap(), None, None), HERE);
    }
}
