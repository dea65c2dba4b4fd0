//! A sync that may prune superseded versions when the drive has no room for new messages. Prunes no more than that room
//! requires, give or take one copy.

use super::catalogue::Catalogue;
use super::mirror::OpenMailbox;
use super::replica::prune::{Pruned, prune};
use super::replica::{NewDrivePolicy, PresentDrives, note_lost_pages, session_of};
use super::sync_drive::{SyncOutcome, mirror_drive, open};
use super::{DriveRef, JobError, Progress};
use crate::disk::Access;
use crate::model::limits::{OVERHEAD_BYTES, PRUNE_ROUNDS_MAX};
use crate::model::{Clock, Finding, Reason, StationName};
use std::sync::Arc;
use std::time::Duration;

/// The context of a sync.
pub struct SyncJob<'a> {
    /// What this card knows of its mailboxes and drives.
    pub catalogue: &'a Catalogue,
    /// Its bag on a drive is `counterfoil/STATION/`.
    pub station: &'a StationName,
    /// Its mailboxes.
    pub mailboxes: &'a [OpenMailbox],
    /// The drives that are present at the same time.
    pub present_drives: &'a PresentDrives,
    /// Superseded versions older than this may be pruned; `None`: none ever.
    pub prune: Option<Duration>,
    /// Where the time comes from.
    pub clock: &'a dyn Clock,
    /// Receives the progress, and can ask to stop.
    pub progress: &'a dyn Progress,
}

impl SyncJob<'_> {
    /// Brings a drive up to date; if it has no room, prunes what may be pruned, and continues.
    pub fn bring_up_to_date(&self, drive: &DriveRef) -> SyncOutcome {
        let mut sync = self.mirror(drive);
        for _ in 0..PRUNE_ROUNDS_MAX {
            let Some(need) = self.needed(&sync) else { return sync };
            match self.make_room(drive, need) {
                Ok(Pruned { copies: 0, .. }) => return sync,
                Ok(Pruned { copies, bytes }) => {
                    let before = std::mem::replace(&mut sync, self.mirror(drive));
                    sync.findings.splice(0..0, before.findings);
                    sync.findings.push(Finding::Pruned { copies, bytes });
                    if let (Ok(sum), Ok(first)) = (&mut sync.outcome, before.outcome) {
                        sum.add_earlier_run(&first);
                    }
                }
                Err(error) => {
                    sync.outcome = Err(error);
                    return sync;
                }
            }
        }
        sync
    }

    fn mirror(&self, drive: &DriveRef) -> SyncOutcome {
        let Self { catalogue, station, mailboxes, present_drives, clock, progress, .. } = *self;
        mirror_drive(catalogue, station, mailboxes, drive, present_drives, clock, progress)
    }

    /// Bytes needed for what a sync could not copy, if it failed for want of room and pruning is allowed.
    fn needed(&self, sync: &SyncOutcome) -> Option<u64> {
        let report = sync.outcome.as_ref().ok().filter(|_| self.prune.is_some())?;
        let full = report.failed.iter().filter(|failed| failed.reason == Reason::DriveFull);
        let bytes = |failed: &super::mirror::NotCopied| {
            let mailbox = self.mailboxes.iter().find(|open| open.name == failed.mailbox)?;
            Some(self.catalogue.file(mailbox.row, &failed.path.key()).ok()??.bytes)
        };
        let needs: Vec<u64> =
            full.map(|failed| bytes(failed).unwrap_or(0) + OVERHEAD_BYTES).collect();
        (!needs.is_empty() && !self.progress.stop()).then(|| needs.iter().sum())
    }

    fn make_room(&self, drive: &DriveRef, need: u64) -> Result<Pruned, JobError> {
        let Self { catalogue, station, present_drives, clock, progress, .. } = *self;
        let Some(after) = self.prune else { return Ok(Pruned::default()) };
        let (volume_source, label) = (Arc::clone(&drive.volume_source), drive.label.clone());
        // No drive is begun here.
        let drive = DriveRef {
            volume_source,
            label,
            path: drive.path.clone(),
            begin: NewDrivePolicy::Never,
        };
        let mut admitted = open(catalogue, station, &drive, Access::Write, present_drives, clock)?;
        let mount = session_of(&clock.event_time(), &*admitted.volume);
        prune(catalogue, &mut admitted, need, after, clock, progress)
            .inspect_err(|error| note_lost_pages(catalogue, error, &mount))
    }
}
