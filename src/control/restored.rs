//! A tank whose saved state is that of a backup: older than what was last true, and nobody knows by how much.
//!
//! | what the backup says | what becomes of it |
//! | --- | --- |
//! | holds | stand, with their original deadline |
//! | latches | stand; heater trips that latch are taken as latched besides |
//! | forces, bypasses, what was acknowledged or set aside of alarms | are dropped: they may be over |
//! | budgets | what it knows is kept, and a day's is taken as spent on top, until a person acknowledges it |
//! | doses | every slot until now counts as given; nothing is owed, and a correction that adds is dropped |
//!
//! Direction of failure: a restore may cost water, doses and heat until somebody looked, and gives none back. A hold
//! or a latch that is younger than the backup cannot be known.

use crate::time::{Now, Wall};

use super::alarm::AlarmState;
use super::state::{AlarmRecord, TankState};
use super::tank::Tank;

impl Tank {
    pub(super) fn restore_from_backup(&mut self, state: TankState, taken: Wall) {
        self.restore(&without_what_may_be_over(state));
        let of = self.plan.zone.show(taken);
        self.assume_the_worst(&format!(
            "the saved state is that of a backup of {of}, so it may have been latched since"
        ));
        self.restored_from = Some(taken);
        // A clock that is behind the backup is wrong; then the backup's own time is nearer to the truth.
        let wall = self.now.wall.max(taken);
        for (plan, live) in self.plan.dosing.iter().zip(&mut self.dosers) {
            live.assume_given(plan, self.plan.zone, Now { wall, ..self.now });
        }
    }
}

/// What a person or the time may have ended since.
fn without_what_may_be_over(mut state: TankState) -> TankState {
    for output in state.outputs.values_mut() {
        output.force = None;
    }
    for interlock in state.interlocks.values_mut() {
        interlock.bypass = None;
    }
    for alarm in state.alarms.values_mut() {
        use AlarmState::{Acknowledged, OutOfService, Shelved, Suppressed};
        // From normal on an alarm that still stands is told as a new one.
        if matches!(alarm.state, Acknowledged | Shelved | Suppressed | OutOfService) {
            *alarm = AlarmRecord { raised: alarm.raised, ..AlarmRecord::default() };
        }
    }
    state
}
