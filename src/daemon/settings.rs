//! The settings of the daemon. Only values: the caller reads the config.

use super::overdue::NotifyCommand;
use super::reporter::ReportRequest;
use crate::disk::mounts::MountKey;
use crate::job::extras::Extras;
use crate::job::replica::scrub::ScrubRules;
use crate::job::{DriveRef, Station};
use globset::GlobSet;
use std::path::PathBuf;
use std::time::Duration;

/// The settings of the daemon; replaced when the config is read again.
pub struct Settings {
    /// The station and its mailboxes.
    pub station: Station,
    /// The folders named as drives, in the order of `drives`.
    pub folders: Vec<PathBuf>,
    /// The drives in these folders.
    pub drives: Vec<DriveRef>,
    /// Finds the removable drives that are mounted.
    pub find: Box<FindDrives>,
    /// The state folder.
    pub state: PathBuf,
    /// Paths that are never mirrored.
    pub ignore: GlobSet,
    /// How long a file must stay the same before it is copied.
    pub settle: Duration,
    /// How far apart two copies of a changing file are at least.
    pub churn: Duration,
    /// Time between two scans of everything.
    pub scan_every: Duration,
    /// Number of copies with which a message counts as mirrored.
    pub wanted_copies: u32,
    /// Whether copies on the device of a mailbox count too.
    pub count_same_device: bool,
    /// What a drive carries in addition to the copies.
    pub extras: Extras,
    /// What writes the audit into the state folder, if anything does.
    pub report: Option<ReportRequest>,
    /// Who is notified of mail that stays unmirrored, if anybody is.
    pub notify: Option<NotifyCommand>,
    /// How copies are scrubbed.
    pub scrub: ScrubRules,
    /// Superseded versions older than this may be removed from a full drive; `None`: none ever.
    pub prune: Option<Duration>,
}

/// Finds the removable drives that are mounted now. Must be quick, and must not access a medium.
pub type FindDrives = dyn Fn() -> Vec<(MountKey, DriveRef)> + Send;

/// Reads the config again; the error is for a person.
pub type ReloadSettings<'a> = dyn FnMut() -> Result<Settings, String> + 'a;
