//! What the daemon works with. Only values: the config is read by whoever starts it.

use super::overdue::Notify;
use super::reporter::ReportRequest;
use crate::disk::mounts::MountKey;
use crate::job::extras::Extras;
use crate::job::scrub::ScrubRules;
use crate::job::{DriveRef, Station};
use globset::GlobSet;
use std::path::PathBuf;
use std::time::Duration;

/// What the daemon works with; made anew when the config is read again.
pub struct Settings {
    /// The station.
    pub station: Station,
    /// The folders named as drives, in the order of `drives`.
    pub folders: Vec<PathBuf>,
    /// The drives in them.
    pub drives: Vec<DriveRef>,
    /// Finds the removable drives that are mounted.
    pub find: Box<Find>,
    /// The state folder.
    pub state: PathBuf,
    /// Paths never taken.
    pub ignore: GlobSet,
    /// Time between two looks.
    pub settle: Duration,
    /// Time between two copies of a changing file.
    pub churn: Duration,
    /// Time between two scans.
    pub scan_every: Duration,
    /// Copies a message needs to be called mirrored.
    pub wanted_copies: u32,
    /// Copies on the device of a mailbox count too.
    pub count_same_device: bool,
    /// What a drive carries beside the copies.
    pub cargo: Extras,
    /// What writes the audit into the state folder, if anything does.
    pub report: Option<ReportRequest>,
    /// Who is told of mail that stays unmirrored, if anybody is.
    pub notify: Option<Notify>,
    /// How copies are re-read.
    pub reread: ScrubRules,
    /// Superseded versions older than this may be removed from a full drive; `None`: none ever.
    pub prune: Option<Duration>,
}

/// Finds the removable drives that are mounted now. Must be quick, and must not ask a medium.
pub type Find = dyn Fn() -> Vec<(MountKey, DriveRef)> + Send;

/// Reads the config again; the error is for a person.
pub type Reload<'a> = dyn FnMut() -> Result<Settings, String> + 'a;
