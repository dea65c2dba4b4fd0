//! Everything that can happen to the daemon, and everything it has to tell. Both lists are closed.

use super::control::{ReplyTo, Request};
use super::drive_state::DriveState;
use super::outcome::{PassFollowUp, ScanOutcome, ScrubOutcome};
use crate::disk::VolumeFacts;
use crate::job::catalogue::Overdue;
use crate::job::sync_drive::SyncOutcome;
use crate::job::{JobError, MailboxRef};
use crate::model::{Finding, MailboxName, RelName};
use std::time::Duration;

/// What can happen.
pub(super) enum Event {
    /// A file of a mailbox appeared, was closed after writing, or was given this name.
    Touched(usize, RelName),
    /// A file or folder of a mailbox was deleted, or lost this name.
    Gone(usize, RelName),
    /// The hints of a mailbox cannot be relied on for now: look everything over.
    Doubt(usize),
    /// A folder appeared in a mailbox: look everything over, now and once more when it is watched.
    NewFolder(usize),
    /// The root of a mailbox came, went or was replaced.
    RootChanged(usize),
    /// Something was mounted or unmounted, or a drive's folder came or went.
    DrivesChanged,
    /// The scanner has done its piece of work.
    Scanner(ScanOutcome),
    /// The scanner has found what is overdue.
    Overdue(Overdue),
    /// A drive's worker has done its piece of work.
    Drive(usize, Box<SyncOutcome>, PassFollowUp),
    /// A drive's worker has taken a scrub step.
    Reread(usize, Box<ScrubOutcome>),
    /// A drive's worker has synced the drive and let go of it.
    LetGo(usize, Result<VolumeFacts, JobError>),
    /// Somebody asks something.
    Asked(Request, ReplyTo),
    /// The config is to be read again.
    Reload,
    /// The daemon is to end.
    Stop,
}

/// What the daemon has to tell.
#[derive(Debug)]
pub enum Notice<'a> {
    /// Messages were copied to a drive and proven.
    Mirrored {
        /// The drive.
        label: &'a str,
        /// How many.
        messages: u64,
        /// Bytes of them.
        bytes: u64,
    },
    /// Messages could not be copied to a drive.
    NotCopied {
        /// The drive.
        label: &'a str,
        /// How many.
        messages: u64,
    },
    /// A drive is in another state now.
    Drive {
        /// The drive.
        label: &'a str,
        /// The state.
        state: DriveState,
        /// What ended the work, if something did.
        error: Option<&'a JobError>,
    },
    /// A removable drive was mounted.
    Came {
        /// The drive.
        label: &'a str,
        /// Where.
        at: &'a [u8],
    },
    /// A removable drive was unmounted.
    Went(&'a str),
    /// At the present rate a drive is full soon.
    FullSoon {
        /// The drive.
        label: &'a str,
        /// In so many days.
        days: u64,
    },
    /// A drive was mounted, and as many as can be served are served already.
    TooMany(&'a str),
    /// A drive has been at work for long without getting anywhere.
    Stalled(&'a str),
    /// Something was found on a drive.
    DriveFinding(&'a str, &'a Finding),
    /// Something was found in a mailbox.
    MailboxFinding(&'a MailboxName, &'a Finding),
    /// A mailbox cannot be worked on.
    MailboxAway(&'a MailboxRef, &'a JobError),
    /// A mailbox cannot be watched by hints; it is looked over by the timer.
    Unwatched(&'a MailboxName, &'a str),
    /// The next new stick is let in, if it comes within that time.
    NextLetIn(Duration),
    /// The config was read again and is in force.
    Reloaded,
    /// The config was read again and is refused; the old one stays in force.
    ReloadRefused(&'a str),
    /// The daemon ends while a drive still works.
    LeftWorking(&'a str),
}

/// Puts into words what the daemon has to tell.
pub trait EventSink: Send {
    /// Something happened.
    fn tell(&self, news: &Notice<'_>);
    /// One line for the service manager: what each drive is doing.
    fn status(&self, drives: &[(&str, DriveState)]) -> String;
}
