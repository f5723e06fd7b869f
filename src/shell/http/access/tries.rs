//! Patience with wrong tokens: an address that tries on waits longer each time, to five minutes.
//!
//! A few wrong ones are a person who mistypes. Whoever waits is not looked at, whatever he shows, or the waiting
//! would tell nothing apart. Bounded: addresses beyond [`MOST`] push out the one that failed longest ago. An IPv6
//! household has a whole /64, so that is what is counted there.

use std::collections::HashMap;
use std::net::IpAddr;
use std::time::{Duration, Instant};

/// Wrong tries without waiting.
pub(super) const FREE: u32 = 5;
const FIRST_WAIT: Duration = Duration::from_secs(1);
const LONGEST_WAIT: Duration = Duration::from_mins(5);
/// An address that was quiet for this long begins anew.
const FORGET_AFTER: Duration = Duration::from_hours(1);
const MOST: usize = 1024;

#[derive(Debug)]
struct Tried {
    failed: u32,
    last: Instant,
    until: Instant,
}

/// Addresses that tried wrongly.
#[derive(Debug, Default)]
pub(super) struct Tries {
    of: HashMap<IpAddr, Tried>,
}

impl Tries {
    /// How long it has to wait now.
    pub(super) fn wait(&self, address: IpAddr, now: Instant) -> Option<Duration> {
        let tried = self.of.get(&household(address))?;
        tried.until.checked_duration_since(now).filter(|wait| !wait.is_zero())
    }

    pub(super) fn failed(&mut self, address: IpAddr, now: Instant) {
        self.of.retain(|_, tried| now.saturating_duration_since(tried.last) < FORGET_AFTER);
        let address = household(address);
        if !self.of.contains_key(&address) && self.of.len() >= MOST {
            let oldest = self.of.iter().min_by_key(|(_, tried)| tried.last).map(|(address, _)| *address);
            oldest.and_then(|oldest| self.of.remove(&oldest));
        }
        let tried = self.of.entry(address).or_insert(Tried { failed: 0, last: now, until: now });
        tried.failed = tried.failed.saturating_add(1);
        tried.last = now;
        if tried.failed >= FREE {
            let doubled = FIRST_WAIT.saturating_mul(1 << (tried.failed - FREE).min(16));
            tried.until = now + doubled.min(LONGEST_WAIT);
        }
    }

    /// The right token came.
    pub(super) fn forget(&mut self, address: IpAddr) {
        self.of.remove(&household(address));
    }
}

fn household(address: IpAddr) -> IpAddr {
    match address {
        IpAddr::V6(address) if !address.is_loopback() => {
            let [a, b, c, d, ..] = address.segments();
            IpAddr::from([a, b, c, d, 0, 0, 0, 0])
        }
        other => other,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_wrong_try_doubles_the_wait_up_to_five_minutes() {
        let (mut tries, mut now) = (Tries::default(), Instant::now());
        let address: IpAddr = "192.0.2.7".parse().unwrap();
        let mut waits = Vec::new();
        for _ in 0..16 {
            tries.failed(address, now);
            let wait = tries.wait(address, now).unwrap_or_default();
            waits.push(wait.as_secs());
            now += wait;
        }
        assert_eq!(waits, [0, 0, 0, 0, 1, 2, 4, 8, 16, 32, 64, 128, 256, 300, 300, 300]);
        tries.forget(address);
        assert_eq!(tries.wait(address, now), None);
    }

    #[test]
    fn a_household_of_ipv6_is_one_address_and_the_table_is_bounded() {
        let (mut tries, now) = (Tries::default(), Instant::now());
        for last in 0..FREE {
            tries.failed(format!("2001:db8:0:1::{last}").parse().unwrap(), now);
        }
        assert!(tries.wait("2001:db8:0:1::ffff".parse().unwrap(), now).is_some());
        assert!(tries.wait("2001:db8:0:2::1".parse().unwrap(), now).is_none());
        for n in 0..10_000_u32 {
            tries.failed(IpAddr::from(n.to_be_bytes()), now);
        }
        assert!(tries.of.len() <= MOST);
    }
}
