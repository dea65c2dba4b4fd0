//! Moves messages from the drives into files of the folder restored into. If they are many, two threads do it, each
//! with a portion of its own in hand, while the caller decides on the next ones. Results arrive in the order of the
//! requests. Gives no file a name in the mailbox.

use super::copy_reader::{self, CopyReader, ReadEnd};
use crate::disk::{DiskError, ErrorKind, FileAttrs, Owner, Staged, StagingDir, temporary_name};
use crate::job::JobError;
use crate::model::RelName;
use crate::model::limits::{
    RESTORE_AHEAD, RESTORE_EARLY_BYTES, RESTORE_EARLY_FILES, RESTORE_TOGETHER,
    RESTORE_TOGETHER_BYTES,
};
use std::cell::{Cell, OnceCell, RefCell};
use std::collections::VecDeque;
use std::sync::Arc;
use std::sync::mpsc::{Receiver, Sender, SyncSender, channel, sync_channel};
use std::thread::Scope;

/// Where a message waits for its name, and the attributes of its file.
pub(super) struct StagingSlot {
    /// The staged folder that will become the message's own.
    pub(super) folder: Option<Arc<StagingDir>>,
    /// The folder for all other staged files.
    pub(super) common: Arc<StagingDir>,
    /// Its name in the first.
    pub(super) name: RelName,
    /// The number of its temporary name in the second.
    pub(super) number: u64,
    pub(super) attrs: FileAttrs,
    /// The owner of its file.
    pub(super) owner: Owner,
}

/// The result for one message.
pub(super) struct Fetched {
    pub(super) end: ReadEnd,
    /// The staged file; none without a slot, or if no copy is right.
    pub(super) written: Result<Option<RelName>, DiskError>,
}

/// A requested message.
struct Job<'a> {
    copies: CopyReader<'a>,
    slot: Option<StagingSlot>,
}

/// Requests that are handed over together: waking a thread for each takes longer than moving one.
#[derive(Default)]
struct Portion<'a> {
    jobs: Vec<Job<'a>>,
    bytes: u64,
}

/// The pipeline, from the caller's side.
pub(super) struct Pipeline<'scope, 'env> {
    scope: &'scope Scope<'scope, 'env>,
    /// Threads to be started: two, unless a drive is to be read in the order of the requests.
    readers: usize,
    /// None while few messages were requested: starting threads takes longer than moving those.
    threads: OnceCell<Threads<'scope>>,
    /// Requested, and not yet handed over.
    next_portion: RefCell<Portion<'scope>>,
    /// Arrived, and not yet taken.
    here: RefCell<VecDeque<Fetched>>,
}

/// The threads, which get portions and are asked for the results in turn.
struct Threads<'a> {
    workers: Vec<Worker<'a>>,
    portions_asked: Cell<usize>,
    portions_arrived: Cell<usize>,
}

struct Worker<'a> {
    asked: Sender<Vec<Job<'a>>>,
    arrived: Receiver<VecDeque<Fetched>>,
}

impl<'scope> Pipeline<'scope, '_> {
    /// Messages that may be under way at once.
    pub(super) const LENGTH: usize = RESTORE_AHEAD;

    /// Requests a message; without a slot it is only read.
    pub(super) fn ask(
        &self,
        copies: CopyReader<'scope>,
        slot: Option<StagingSlot>,
    ) -> Result<(), JobError> {
        let mut portion = self.next_portion.borrow_mut();
        portion.bytes = portion.bytes.saturating_add(copies.bytes());
        portion.jobs.push(Job { copies, slot });
        if portion.jobs.len() < RESTORE_TOGETHER && portion.bytes < RESTORE_TOGETHER_BYTES {
            return Ok(());
        }
        let threads = match self.threads.get() {
            Some(threads) => threads,
            None => {
                let started = Threads::start(self.scope, self.readers)?;
                self.threads.get_or_init(|| started)
            }
        };
        threads.hand_over(std::mem::take(&mut *portion))
    }

    /// The result for the earliest request that has none yet.
    pub(super) fn next(&self) -> Result<Fetched, JobError> {
        if let Some(arrived) = self.here.borrow_mut().pop_front() {
            return Ok(arrived);
        }
        let portion = self.next_portion.take();
        let mut together = match self.threads.get() {
            Some(threads) => {
                threads.hand_over(portion)?;
                threads.receive()?
            }
            None => run(portion.jobs, None, &mut Vec::new()),
        };
        let first = together.pop_front().ok_or_else(ended)?;
        self.here.replace(together);
        Ok(first)
    }
}

/// Begins a pipeline; dropping it ends its threads.
pub(super) fn begin<'scope, 'env>(
    scope: &'scope Scope<'scope, 'env>,
    readers: usize,
) -> Pipeline<'scope, 'env> {
    let (threads, next_portion, here) = (OnceCell::new(), RefCell::default(), RefCell::default());
    Pipeline { scope, readers, threads, next_portion, here }
}

impl<'scope> Threads<'scope> {
    fn start(scope: &'scope Scope<'scope, '_>, readers: usize) -> Result<Self, JobError> {
        let start = |name: &str, work: Box<dyn FnOnce() + Send + 'scope>| {
            std::thread::Builder::new()
                .name(name.to_owned())
                .spawn_scoped(scope, work)
                .map_err(|e| JobError::Broken(format!("no thread could be started: {e}")))
        };
        let (to_sync, written) = sync_channel(1);
        let worker = |_| {
            let (asked, jobs) = channel();
            let (results, arrived) = channel();
            let early_sync = EarlySync::new(to_sync.clone());
            start("restore", Box::new(move || work(&jobs, &results, early_sync)))?;
            Ok(Worker { asked, arrived })
        };
        let workers = (0..readers.max(1)).map(worker).collect::<Result<_, JobError>>()?;
        start("restore-sync", Box::new(move || sync_early(&written)))?;
        Ok(Self { workers, portions_asked: Cell::new(0), portions_arrived: Cell::new(0) })
    }

    fn in_turn(&self, portions: &Cell<usize>) -> Result<&Worker<'scope>, JobError> {
        let number = portions.replace(portions.get() + 1);
        self.workers.get(number % self.workers.len()).ok_or_else(ended)
    }

    fn hand_over(&self, portion: Portion<'scope>) -> Result<(), JobError> {
        if portion.jobs.is_empty() {
            return Ok(());
        }
        self.in_turn(&self.portions_asked)?.asked.send(portion.jobs).map_err(|_| ended())
    }

    fn receive(&self) -> Result<VecDeque<Fetched>, JobError> {
        self.in_turn(&self.portions_arrived)?.arrived.recv().map_err(|_| ended())
    }
}

fn ended() -> JobError {
    JobError::Broken("a thread of the restore ended in a fault of the program".into())
}

/// Moves portions until no more come.
fn work(
    jobs: &Receiver<Vec<Job<'_>>>,
    results: &Sender<VecDeque<Fetched>>,
    mut early_sync: EarlySync,
) {
    let mut buffer = Vec::new();
    while let Ok(portion) = jobs.recv() {
        // Nobody waits any more if the restore was given up.
        if results.send(run(portion, Some(&mut early_sync), &mut buffer)).is_err() {
            return;
        }
    }
}

fn run(
    jobs: Vec<Job<'_>>,
    mut early_sync: Option<&mut EarlySync>,
    buffer: &mut Vec<u8>,
) -> VecDeque<Fetched> {
    let moved = jobs.into_iter().map(|job| {
        let mut file = File::begin(job.slot);
        let end = job.copies.read(buffer, &mut |begins, bytes| file.write(begins, bytes));
        file.end(end, early_sync.as_deref_mut())
    });
    moved.collect()
}

/// Starts syncing what was written, so that the card works while the drive is read.
fn sync_early(written: &Receiver<Arc<StagingDir>>) {
    while let Ok(folder) = written.recv() {
        folder.sync_early();
    }
}

/// Decides when a thread has written enough for an early sync.
struct EarlySync {
    files: usize,
    bytes: u64,
    to_sync: SyncSender<Arc<StagingDir>>,
}

impl EarlySync {
    fn new(to_sync: SyncSender<Arc<StagingDir>>) -> Self {
        Self { files: 0, bytes: 0, to_sync }
    }

    fn written(&mut self, folder: &Arc<StagingDir>, bytes: u64) {
        self.files += 1;
        self.bytes += bytes;
        let enough = self.files >= RESTORE_EARLY_FILES || self.bytes >= RESTORE_EARLY_BYTES;
        // If a sync is running, the next one covers this.
        if enough && self.to_sync.try_send(Arc::clone(folder)).is_ok() {
            (self.files, self.bytes) = (0, 0);
        }
    }
}

/// The file being written; none for a message that is only read.
#[derive(Default)]
struct File {
    slot: Option<(Staged, Arc<StagingDir>, FileAttrs, Owner)>,
    refused: Option<DiskError>,
}

impl File {
    fn begin(slot: Option<StagingSlot>) -> Self {
        let Some(slot) = slot else { return Self::default() };
        let StagingSlot { folder, common, name, number, attrs, owner } = slot;
        let own = folder.map(|folder| (folder.stage(name), folder));
        let (staged, at) = match own {
            Some((Ok(staged), folder)) => (Ok(staged), folder),
            Some((Err(error), folder)) if !may_succeed_elsewhere(&error) => (Err(error), folder),
            // If a file cannot have this name in that folder, the error appears when it gets its final name.
            _ => (common.stage(temporary_name(number)), common),
        };
        match staged {
            Ok(staged) => Self { slot: Some((staged, at, attrs, owner)), refused: None },
            Err(error) => Self { slot: None, refused: Some(error) },
        }
    }

    fn write(&mut self, begins: bool, bytes: &[u8]) {
        if let (Some((staged, ..)), None) = (&mut self.slot, &self.refused) {
            self.refused = copy_reader::write(staged, begins, bytes).err();
        }
    }

    fn end(self, end: ReadEnd, early_sync: Option<&mut EarlySync>) -> Fetched {
        let Some((staged, at, attrs, owner)) = self.slot else {
            return Fetched { end, written: self.refused.map_or(Ok(None), Err) };
        };
        let written = match self.refused {
            None if matches!(end, ReadEnd::Right { .. }) => {
                at.finish(&staged, attrs, owner).map(Some)
            }
            refused => refused.map_or(Ok(None), Err),
        };
        if !matches!(written, Ok(Some(_))) {
            at.give_up(&staged);
        }
        if let Some(early_sync) = early_sync {
            early_sync.written(&at, staged.length());
        }
        Fetched { end, written }
    }
}

fn may_succeed_elsewhere(error: &DiskError) -> bool {
    !matches!(error.trouble, ErrorKind::Full | ErrorKind::Failing)
}
