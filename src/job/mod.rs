//! One-shot work: scan, admit a drive, mirror, verify, audit, restore. Uses `model` and `disk`.
//! Knows no events and no timers, takes time from a [`Clock`](crate::model::Clock), makes no words.

pub mod acknowledge;
pub mod audit;
pub mod catalogue;
pub mod extras;
pub mod mirror;
pub mod replica;
pub mod restore;
pub mod scan;
pub mod statistics;
pub mod sync_drive;
pub mod sync_job;
pub mod traffic;
pub mod verdict;

mod error;
mod progress;
mod size_breakdown;

pub use error::JobError;
pub use progress::{Progress, Unwatched};
pub use replica::{prune, scrub, verify};
pub use scan::{confirm, exclude, headers, mailboxes};

use crate::disk::VolumeSource;
use crate::model::{MailboxName, StationName};
use std::path::PathBuf;
use std::sync::Arc;

/// A mailbox to be kept.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct MailboxRef {
    /// Its name in the ledger.
    pub name: MailboxName,
    /// Where it is on the card.
    pub path: PathBuf,
}

/// A place where a drive is looked for.
pub struct DriveRef {
    /// How to open it.
    pub volume_source: Arc<dyn VolumeSource>,
    /// How it is called: the last part of its path.
    pub label: String,
    /// Its path, raw, as the catalogue remembers it.
    pub at: Vec<u8>,
    /// Whether it may be made a drive if it is none.
    pub begin: replica::Begin,
}

/// What the work is done for.
pub struct Station {
    /// Its name.
    pub name: StationName,
    /// Its mailboxes.
    pub mailboxes: Vec<MailboxRef>,
}
