//! What the service manager is told, over its socket.
//!
//! Duty: the words of the notify protocol in one place (systemd's `sd_notify(3)`). Where nobody gave
//! a socket (`NOTIFY_SOCKET`), all of it is nothing. A manager that does not listen is no trouble of
//! control's: what could not be told is forgotten.
//!
//! Ready is told by the first completed turn of the control loop, together with the first food of
//! the watchdog; each later turn feeds it again, and nothing else does. A reload is told before the
//! files are read and ends with ready, whether the new config was taken or refused.

use sd_notify::NotifyState;

fn tell(states: &[NotifyState<'_>]) {
    if let Err(error) = sd_notify::notify(states) {
        tracing::debug!("the service manager cannot be told: {error}");
    }
}

/// Control completed its first turn.
pub fn ready() {
    tell(&[NotifyState::Ready, NotifyState::Watchdog]);
}

/// Control completed a turn.
pub fn turned() {
    tell(&[NotifyState::Watchdog]);
}

/// The config is about to be read anew.
pub fn reloading() {
    match NotifyState::monotonic_usec_now() {
        // From version 253 on, systemd wants the moment beside the word.
        Ok(now) => tell(&[NotifyState::Reloading, now]),
        Err(_) => tell(&[NotifyState::Reloading]),
    }
}

/// The reload is over; control went on meanwhile.
pub fn reloaded() {
    tell(&[NotifyState::Ready]);
}

/// The daemon ends.
pub fn stopping() {
    tell(&[NotifyState::Stopping]);
}
