//! One-shot work: scan, open a drive, mirror, verify, audit, restore. Uses `model` and `disk`. Knows no events and no
//! timers, takes the time from a [`Clock`](crate::model::Clock), and writes no sentences.

pub mod acknowledge;
pub mod catalogue;
pub mod extras;
pub mod mirror;
pub mod replica;
pub mod report;
pub mod restore;
pub mod scan;
pub mod sync_drive;
pub mod sync_job;

mod error;
mod progress;

pub use error::JobError;
pub use progress::{Progress, Unwatched};

use crate::disk::VolumeSource;
use crate::model::{MailboxName, StationName};
use std::path::PathBuf;
use std::sync::Arc;

/// A mailbox that is to be mirrored.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct MailboxRef {
    /// Its name in the ledger.
    pub name: MailboxName,
    /// Its folder on the card.
    pub path: PathBuf,
}

/// A place at which a drive may be found.
pub struct DriveRef {
    /// How to open it.
    pub volume_source: Arc<dyn VolumeSource>,
    /// Its name for a person: the last part of its path.
    pub label: String,
    /// Its path in raw bytes, as the catalogue stores it.
    pub path: Vec<u8>,
    /// Whether it may be made a drive if it is none.
    pub begin: replica::NewDrivePolicy,
}

/// The station that the work is done for.
pub struct Station {
    /// Its name on the drives.
    pub name: StationName,
    /// All its mailboxes, also those that cannot be opened now.
    pub mailboxes: Vec<MailboxRef>,
}
