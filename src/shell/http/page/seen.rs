//! What the tank's page shows, fetched from control: the status with its sentence, the daemon around it, the bands.
//!
//! A page that is open asks for this again and again: neither the history nor the keeper's log is read for it. What they
//! have to say of a tank stands in its sentence already.

use axum::response::Response;

use super::super::{CONTROL_WITHIN, Shared, api};
use crate::control::status::TankStatus;
use crate::shell::job::{Job, TankList};
use crate::wire::metrics::TankRecords;

/// A tank, and what belongs to it.
pub(super) struct Tank {
    pub(super) status: TankStatus,
    pub(super) list: TankList,
    records: TankRecords,
}

impl Tank {
    /// The band of a signal.
    pub(super) fn band(&self, signal: &str) -> Option<(f64, f64)> {
        self.records.signals.iter().find(|record| record.signal == signal).and_then(|record| record.band)
    }
}

/// Asks control.
pub(super) async fn of(shared: &Shared, tank: String) -> Result<Tank, Response> {
    let list = shared.control(Job::List, CONTROL_WITHIN).await.ok_or_else(api::no_answer)?;
    let Some(from) = list.tanks.iter().position(|known| known.tank == tank) else {
        return Err(api::no_tank(tank, list));
    };
    let job = |reply| Job::Statuses { from, count: 1, reply };
    let found = shared.control(job, CONTROL_WITHIN).await.ok_or_else(api::no_answer)?;
    let Some((status, records)) = found.into_iter().next() else { return Err(api::no_answer()) };
    Ok(Tank { status, list, records })
}
