//! What a drive's worker is: its drive, what it is told to do, and what passes between it and the loop.
//! Never shared: a hung drive hangs its own thread only.

use crate::job::extras::Extras;
use crate::job::replica::PresentDrives;
use crate::job::scrub::ScrubRules;
use crate::job::{DriveRef, MailboxRef, Progress};
use crate::model::{Clock, StationName};
use globset::GlobSet;
use std::path::PathBuf;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::time::Duration;

/// What a worker is told to do.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum WorkerJob {
    /// Bring the drive up to date.
    BringUpToDate,
    /// The second after the last commit is over: keep the word that it may be pulled.
    CallSafe,
    /// Look after what it carries beside the copies.
    Carry,
    /// Sync it, close it, and keep the word that it was let go.
    LetGo,
    /// Take a scrub step.
    Reread,
}

/// What passes between the loop and a worker while this is at work.
#[derive(Clone, Default)]
pub(super) struct WorkerSignals {
    /// Set by the loop: end at the next safe point.
    pub stop: Arc<AtomicBool>,
    /// Set by the loop: end a scrub at once, there is something else to do.
    pub interrupt: Arc<AtomicBool>,
    /// Counted by the worker: batches ended, copies re-read.
    pub batches: Arc<AtomicU64>,
    /// Jobs that the worker has not begun yet.
    pub waiting: Arc<AtomicU64>,
}

/// What all workers work with.
pub(super) struct WorkerContext {
    pub station: StationName,
    pub mailboxes: Vec<MailboxRef>,
    /// Paths that are not looked after.
    pub ignore: GlobSet,
    pub state: PathBuf,
    /// What drives carry beside the copies.
    pub cargo: Extras,
    pub clock: Arc<dyn Clock>,
    /// How copies are re-read.
    pub reread: ScrubRules,
    /// Superseded versions older than this may be removed from a full drive; `None`: none ever.
    pub prune: Option<Duration>,
    /// Which drives are here at once.
    pub present_drives: PresentDrives,
    /// The daemon is ending.
    pub stop: AtomicBool,
}

/// What a worker works with.
pub(super) struct Worker {
    pub number: usize,
    pub drive: DriveRef,
    pub signals: WorkerSignals,
    pub context: Arc<WorkerContext>,
}

impl Progress for Worker {
    fn advance(&self, _: u64, _: u64) {
        self.signals.batches.fetch_add(1, Ordering::Relaxed);
    }

    fn stop(&self) -> bool {
        self.signals.stop.load(Ordering::Relaxed) || self.context.stop.load(Ordering::Relaxed)
    }
}
