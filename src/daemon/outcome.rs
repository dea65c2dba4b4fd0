//! What came of a piece of work, as the threads of mailboxes and drives report it to the loop.
//! Does none of the work.

use crate::job::JobError;
use crate::job::scrub::ScrubStep;
use crate::job::sync_drive::SyncOutcome;
use crate::model::Finding;
use std::time::Duration;
use tokio::time::Instant;

/// What came of a piece of work on a mailbox.
pub(super) struct ScanOutcome {
    /// Which mailbox.
    pub mailbox: usize,
    /// Findings, or why it could not be done.
    pub outcome: Result<Vec<Finding>, JobError>,
    /// The number of the catalogue's last change: a higher one is news for the drives.
    pub change_no: u64,
    /// The monotonic time in milliseconds when it was done.
    pub at: i64,
    /// Something is not settled, as what cannot be read.
    pub unsettled: bool,
    /// The mailbox could not be looked at the time before, and could now: drives were mirrored without it.
    pub is_back: bool,
    /// Hints were not enough: the whole tree must be looked over.
    pub wants_whole: bool,
    /// When something waits for its second look: milliseconds from now.
    pub due_in: Option<i64>,
}

/// What a pass leaves to be known of its drive.
#[derive(Debug, Default)]
pub(super) struct PassFollowUp {
    /// How long until its copies are to be re-read; `None`: never.
    pub reread: Option<Duration>,
    /// Copies on it are lost that only another drive can give.
    pub lacks: bool,
    /// In how many days it is full, as far as can be told.
    pub days_left: Option<u64>,
}

/// A step, as told to the loop.
pub(super) struct ScrubOutcome {
    /// What was found, or what broke it off.
    pub step: Result<ScrubStep, JobError>,
    /// How long until the next one.
    pub due: Option<Duration>,
    /// When it was begun.
    pub begun: Instant,
    /// How long its bytes take at the rate allowed.
    pub at_least: Duration,
}

/// A round on a drive that ended in trouble with the state folder ends the daemon: it is no trouble of the drive.
pub(super) fn drive_round(round: SyncOutcome) -> Result<SyncOutcome, JobError> {
    match round.outcome {
        Err(error) if error.state_trouble().is_some() => Err(error),
        outcome => Ok(SyncOutcome { outcome, ..round }),
    }
}

/// The error, if it is the state folder's.
pub(super) fn states_own(error: JobError) -> Result<(), JobError> {
    if error.state_trouble().is_some() { Err(error) } else { Ok(()) }
}
