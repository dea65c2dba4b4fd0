//! When what a drive carries beside the copies is to be looked after: a while after a change, while the drive is idle,
//! and not too often. Never holds up mail: a worker that is wanted for anything else ends this at once.

use super::drive_state::DriveState;
use super::worker::Worker;
use crate::job::Progress;
use crate::job::catalogue::Catalogue;
use crate::job::extras::carry_on;
use crate::model::limits::{CARRY_AFTER, CARRY_EVERY};
use std::sync::atomic::Ordering;
use tokio::time::Instant;

/// When one drive is to be looked after.
#[derive(Debug, Default)]
pub(super) struct ExtrasTimer {
    due: Option<Instant>,
    last: Option<Instant>,
}

impl ExtrasTimer {
    /// Something changed on the drive, or it is new here.
    pub(super) fn changed(&mut self, now: Instant) {
        let soon = now + CARRY_AFTER;
        self.due = Some(self.last.map_or(soon, |last| soon.max(last + CARRY_EVERY)));
    }

    /// Whether the drive was never looked after, nor is to be.
    pub(super) fn is_new(&self) -> bool {
        self.due.is_none() && self.last.is_none()
    }

    /// When it is due. A drive that is not idle is looked after when it is again: no deadline passes for it.
    pub(super) fn deadline(&self, state: DriveState, busy: bool) -> Option<Instant> {
        self.due.filter(|_| state == DriveState::Safe && !busy)
    }

    /// Whether it is to be done now.
    pub(super) fn is_due(&mut self, now: Instant, state: DriveState, busy: bool) -> bool {
        let due = self.deadline(state, busy).is_some_and(|due| due <= now);
        if due {
            self.due = None;
            self.last = Some(now);
        }
        due
    }
}

/// Ends as soon as the worker is wanted for anything else.
struct UntilWanted<'a>(&'a Worker);

impl Progress for UntilWanted<'_> {
    fn advance(&self, _: u64, _: u64) {}

    fn stop(&self) -> bool {
        self.0.stop() || self.0.signals.waiting.load(Ordering::Relaxed) > 0
    }
}

impl Worker {
    /// Brings what the drive carries up to date. Nobody is told but the log: no message depends on it.
    pub(super) fn look_after_the_rest(&self) {
        let place = &self.context;
        let carried = Catalogue::open(&place.state).and_then(|opened| {
            let (station, clock) = (&place.station, &*place.clock);
            let (drive, present_drives, cargo) = (&self.drive, &place.present_drives, &place.cargo);
            carry_on(&opened.0, station, drive, present_drives, clock, cargo, &UntilWanted(self))
        });
        let drive = self.drive.label.as_str();
        match carried {
            Ok(carried) => tracing::debug!(drive, ?carried, "what it carries is up to date"),
            Err(error) => {
                tracing::info!(drive, %error, "what it carries beside the copies is not up to date");
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::time::Duration;

    const SAFE: DriveState = DriveState::Safe;

    #[test]
    fn it_is_done_while_the_drive_is_idle_and_not_too_often() {
        let mut extras_timer = ExtrasTimer::default();
        let begin = Instant::now();
        assert!(extras_timer.is_new());
        extras_timer.changed(begin);
        assert!(!extras_timer.is_due(begin, SAFE, false));
        let due = begin + CARRY_AFTER;
        assert!(!extras_timer.is_due(due, DriveState::Copying, true));
        assert_eq!(extras_timer.deadline(DriveState::Settling, false), None);
        assert!(extras_timer.is_due(due, SAFE, false));
        assert!(!extras_timer.is_due(due, SAFE, false), "once");
        extras_timer.changed(due + Duration::from_secs(1));
        assert_eq!(extras_timer.deadline(SAFE, false), Some(due + CARRY_EVERY));
    }

    #[test]
    fn mail_that_keeps_coming_puts_it_off_until_the_drive_rests() {
        let mut extras_timer = ExtrasTimer::default();
        let begin = Instant::now();
        extras_timer.changed(begin);
        extras_timer.changed(begin + Duration::from_secs(30));
        assert!(!extras_timer.is_due(begin + CARRY_AFTER, SAFE, false));
        assert!(extras_timer.is_due(begin + Duration::from_secs(30) + CARRY_AFTER, SAFE, false));
    }
}
