//! All messages of the daemon: the events that its loop receives, with the outcomes that its threads report in them,
//! and the notices that it emits. Decides nothing.

use super::control::{ReplyTo, Request};
use super::drive_state::DriveState;
use crate::disk::VolumeFacts;
use crate::job::catalogue::Overdue;
use crate::job::replica::scrub::ScrubStep;
use crate::job::sync_drive::SyncOutcome;
use crate::job::{JobError, MailboxRef};
use crate::model::{Finding, MailboxName, RelName};
use std::time::Duration;
use tokio::time::Instant;

/// An event for the loop. A `usize` is the number of a mailbox or drive.
pub(super) enum LoopEvent {
    /// A file of a mailbox appeared, was closed after writing, or was given this name.
    Touched(usize, RelName),
    /// A file or folder of a mailbox was deleted, or lost this name.
    Gone(usize, RelName),
    /// Hints about a mailbox may be missing: it must be scanned whole.
    Doubt(usize),
    /// A folder appeared in a mailbox: it must be scanned whole, now and once more when the folder is watched.
    NewFolder(usize),
    /// The root of a mailbox appeared, vanished or was replaced.
    RootChanged(usize),
    /// Something was mounted or unmounted, or a drive's folder appeared or vanished.
    DrivesChanged,
    /// The scanner has done a job on a mailbox.
    Scanned(ScanOutcome),
    /// The scanner has found what is overdue.
    Overdue(Overdue),
    /// A drive's worker has ended a sync.
    Synced(usize, Box<SyncOutcome>, SyncFollowUp),
    /// A drive's worker has taken a scrub step.
    Scrubbed(usize, Box<ScrubOutcome>),
    /// A drive's worker has synced the drive and closed it for its owner, or could not.
    Released(usize, Result<VolumeFacts, JobError>),
    /// A command sent a request.
    Requested(Request, ReplyTo),
    /// The config is to be read again.
    Reload,
    /// The daemon is to end.
    Stop,
}

/// The outcome of the scanner's job on a mailbox.
pub(super) struct ScanOutcome {
    /// The number of the mailbox.
    pub mailbox: usize,
    /// Findings, or why the job could not be done.
    pub outcome: Result<Vec<Finding>, JobError>,
    /// The number of the catalogue's last change: a higher one than before is work for the drives.
    pub change_no: u64,
    /// The monotonic time when it was done, in milliseconds.
    pub boot_ms: i64,
    /// Some files are not known to be stable, as those that cannot be read.
    pub unsettled: bool,
    /// The mailbox could not be scanned the time before, and could now: drives were synced without it.
    pub is_back: bool,
    /// Hints were not enough: the mailbox must be scanned whole.
    pub needs_whole_scan: bool,
    /// When the next file, of any mailbox, may be confirmed.
    pub confirm_at: Option<Instant>,
}

/// What the loop needs to know of a drive after a sync.
#[derive(Debug, Default)]
pub(super) struct SyncFollowUp {
    /// How long until the next scrub step; `None`: never.
    pub scrub_due: Option<Duration>,
    /// Copies on it are lost that only another drive can give.
    pub has_unrecoverable: bool,
    /// In how many days it is full, where there is an estimate.
    pub days_left: Option<u64>,
}

/// The outcome of a scrub step.
pub(super) struct ScrubOutcome {
    /// What was found, or the error that ended it.
    pub step: Result<ScrubStep, JobError>,
    /// How long until the next step; `None`: never.
    pub due: Option<Duration>,
    /// When it began.
    pub begun: Instant,
    /// How long its bytes take at the highest rate allowed.
    pub at_least: Duration,
}

/// What the daemon reports, as it happens.
#[derive(Debug)]
pub enum Notice<'a> {
    /// Messages were copied to a drive and read back.
    Mirrored {
        /// Its name for a person: the label, or the path.
        label: &'a str,
        /// How many.
        messages: u64,
        /// Their length together, in bytes.
        bytes: u64,
    },
    /// Messages could not be copied to a drive.
    NotCopied {
        /// Its name for a person: the label, or the path.
        label: &'a str,
        /// How many.
        messages: u64,
    },
    /// A drive is in another state, or in the same with another error.
    Drive {
        /// Its name for a person: the label, or the path.
        label: &'a str,
        /// The state.
        state: &'a DriveState,
        /// The error that brought it there, if one did.
        error: Option<&'a JobError>,
    },
    /// A removable drive was mounted.
    Mounted {
        /// Its name for a person: the label, or the path.
        label: &'a str,
        /// Where.
        at: &'a [u8],
    },
    /// A removable drive was unmounted.
    Unmounted(&'a str),
    /// At the present rate a drive will soon be full.
    FullSoon {
        /// Its name for a person: the label, or the path.
        label: &'a str,
        /// In this many days.
        days: u64,
    },
    /// A drive was mounted that is not used, since [`DRIVES_MAX`](crate::model::limits::DRIVES_MAX) others are.
    TooMany(&'a str),
    /// The worker of a drive has made no progress for long.
    Stalled(&'a str),
    /// Something was found on a drive.
    DriveFinding(&'a str, &'a Finding),
    /// Something was found in a mailbox.
    MailboxFinding(&'a MailboxName, &'a Finding),
    /// A mailbox cannot be scanned.
    MailboxAway(&'a MailboxRef, &'a JobError),
    /// The kernel gives no hints about a mailbox; it is scanned by the timer only.
    Unwatched(&'a MailboxName, &'a str),
    /// The next new stick is let in, if it is mounted within that time.
    NextLetIn(Duration),
    /// The config was read again and is in force.
    Reloaded,
    /// The config was read again and is refused; the old one stays in force.
    ReloadRefused(&'a str),
    /// The daemon ends while the worker of a drive is still at work.
    LeftWorking(&'a str),
}

/// Receives what the daemon reports, and puts it into words.
pub trait EventSink: Send {
    /// Receives a notice.
    fn emit(&self, notice: &Notice<'_>);
    /// One line for the service manager, from the label of each drive and the word for its state
    /// ([`DriveState::as_str`]).
    fn status(&self, drives: &[(&str, &str)]) -> String;
}
