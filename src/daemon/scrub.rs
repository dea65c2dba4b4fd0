//! What a worker does and tells of scrubbing: a step of its drive, when the next is due, and after a pass what
//! only the catalogue knows. Never keeps a drive open when it reports.

use super::outcome::{PassFollowUp, ScrubOutcome};
use super::worker::Worker;
use crate::disk::{Access, Trouble};
use crate::job::catalogue::{Catalogue, DriveRowId};
use crate::job::mailboxes::open_all;
use crate::job::replica::Begin;
use crate::job::scrub::{ScrubStep, Scrubber, Unfinished};
use crate::job::sync_drive::{self, SyncOutcome};
use crate::job::{DriveRef, JobError, Progress};
use crate::model::limits::DAYS_LEFT_LOW;
use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::time::Duration;
use tokio::time::Instant;

/// Whether it was told that a drive is full soon: once, until it has room for longer again.
#[derive(Debug, Default)]
pub(super) struct FullSoon(bool);

impl FullSoon {
    /// The days to tell of now.
    pub(super) fn news_of(&mut self, days_left: Option<u64>) -> Option<u64> {
        let soon = days_left.filter(|days| *days < DAYS_LEFT_LOW);
        let was_told = std::mem::replace(&mut self.0, soon.is_some());
        soon.filter(|_| !was_told)
    }
}

/// A scrub ends for anything else there is to do.
struct UntilInterrupted<'a>(&'a Worker);

impl Progress for UntilInterrupted<'_> {
    fn advance(&self, messages: u64, bytes: u64) {
        self.0.advance(messages, bytes);
    }

    fn stop(&self) -> bool {
        self.0.stop() || self.0.signals.interrupt.load(Ordering::Relaxed)
    }
}

impl Worker {
    /// What a pass leaves to be known. That it cannot be read is no trouble of the drive.
    pub(super) fn after(&self, round: &SyncOutcome) -> PassFollowUp {
        let (Ok(_), Some((_, drive))) = (&round.outcome, round.drive) else {
            return self.after_trouble(round);
        };
        self.look_after(drive).unwrap_or_else(|error| {
            tracing::debug!(%error, "what comes after a pass is not known");
            PassFollowUp::default()
        })
    }

    /// A drive that may only be read is re-read too.
    fn after_trouble(&self, round: &SyncOutcome) -> PassFollowUp {
        let read_only = round.outcome.as_ref().is_err_and(|e| e.trouble() == Trouble::ReadOnly);
        match round.drive.filter(|_| read_only) {
            Some((_, drive)) => self.look_after(drive).unwrap_or_default(),
            None => PassFollowUp::default(),
        }
    }

    fn look_after(&self, drive: DriveRowId) -> Result<PassFollowUp, JobError> {
        let place = &self.context;
        let (catalogue, _) = Catalogue::open(&place.state)?;
        let replica = catalogue.replica(drive, &place.station)?;
        Ok(PassFollowUp {
            reread: place.reread.due(&catalogue, replica.row, &*place.clock)?,
            lacks: !catalogue.unrecoverable_copies(replica.row, 0, 1)?.is_empty(),
            days_left: catalogue.days_left(drive, &place.clock.stamp())?,
        })
    }

    /// Takes a step.
    pub(super) fn reread(&self, unfinished: &mut Option<Unfinished>) -> ScrubOutcome {
        let begun = Instant::now();
        let rules = self.context.reread;
        match self.step(unfinished) {
            Ok((step, due)) => {
                let at_least = rules.time_for(step.bytes);
                ScrubOutcome { step: Ok(step), due, begun, at_least }
            }
            Err(error) => {
                ScrubOutcome { step: Err(error), due: None, begun, at_least: Duration::ZERO }
            }
        }
    }

    fn step(
        &self,
        unfinished: &mut Option<Unfinished>,
    ) -> Result<(ScrubStep, Option<Duration>), JobError> {
        let place = &self.context;
        let (catalogue, _) = Catalogue::open(&place.state)?;
        catalogue.keep_small()?;
        // One that is not there is not compared.
        let mailboxes = open_all(&catalogue, &place.mailboxes)?;
        let (station, clock) = (&place.station, &*place.clock);
        // Whatever is there now, no drive is begun by reading.
        let drive = DriveRef {
            volume_source: Arc::clone(&self.drive.volume_source),
            label: self.drive.label.clone(),
            at: self.drive.at.clone(),
            begin: Begin::Never,
        };
        let open = |access| {
            sync_drive::open(&catalogue, station, &drive, access, &place.present_drives, clock)
        };
        let (mut admitted, record) = match open(Access::Write) {
            Ok(admitted) => (admitted, true),
            Err(error) if matches!(error.trouble(), Trouble::ReadOnly | Trouble::Denied) => {
                (open(Access::Read)?, false)
            }
            Err(error) => return Err(error),
        };
        let progress = &UntilInterrupted(self);
        let rereader =
            Scrubber { catalogue: &catalogue, mailboxes: &mailboxes, clock, progress, record };
        let step = rereader.step(&mut admitted, unfinished)?;
        let due = place.reread.due(&catalogue, admitted.state.row, clock)?;
        Ok((step, due))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn that_a_drive_is_full_soon_is_told_once_each_time_it_becomes_so() {
        let mut soon = FullSoon::default();
        let days =
            [None, Some(400), Some(14), Some(13), Some(12), None, Some(3), Some(90), Some(0)];
        let told: Vec<_> = days.into_iter().filter_map(|days| soon.news_of(days)).collect();
        assert_eq!(told, [13, 3, 0]);
    }
}
