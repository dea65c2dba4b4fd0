//! Moves messages from the drives into files of the folder restored into. If they are many, one thread reads and checks
//! them and another writes them, while the caller decides on the next ones. They arrive in the order in which they were
//! requested. Gives no file a name in the mailbox.

use super::copy_reader::{self, CopyChunk, CopyReader, ReadEnd};
use crate::disk::{DiskError, ErrorKind, FileAttrs, Owner, Staged, StagingDir, temporary_name};
use crate::job::JobError;
use crate::model::RelName;
use crate::model::limits::{
    RESTORE_AHEAD, RESTORE_EARLY_BYTES, RESTORE_EARLY_FILES, RESTORE_TOGETHER,
    RESTORE_TOGETHER_BYTES,
};
use std::cell::{OnceCell, RefCell};
use std::collections::VecDeque;
use std::sync::Arc;
use std::sync::mpsc::{Receiver, Sender, SyncSender, TryRecvError, channel, sync_channel};
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

/// What the reader passes to the writer.
enum Chunk {
    Next(Option<StagingSlot>),
    Piece(CopyChunk),
}

/// The pipeline, from the caller's side.
pub(super) struct Pipeline<'scope, 'env> {
    scope: &'scope Scope<'scope, 'env>,
    /// None while few messages were requested: starting threads takes longer than moving those.
    threads: OnceCell<Threads<'scope>>,
    /// Requested, and not yet passed to the reader: waking it for each takes longer than reading one.
    batch_to_hand_over: RefCell<Vec<Job<'scope>>>,
    /// Arrived, and not yet taken.
    here: RefCell<VecDeque<Fetched>>,
}

struct Threads<'a> {
    asked: Sender<Vec<Job<'a>>>,
    arrived: Receiver<Vec<Fetched>>,
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
        self.batch_to_hand_over.borrow_mut().push(Job { copies, slot });
        if self.batch_to_hand_over.borrow().len() < RESTORE_TOGETHER {
            return Ok(());
        }
        let threads = match self.threads.get() {
            Some(threads) => threads,
            None => {
                let started = Threads::start(self.scope)?;
                self.threads.get_or_init(|| started)
            }
        };
        threads.hand_over(self.batch_to_hand_over.take())
    }

    /// The result for the earliest request that has none yet.
    pub(super) fn next(&self) -> Result<Fetched, JobError> {
        if let Some(arrived) = self.here.borrow_mut().pop_front() {
            return Ok(arrived);
        }
        let batch_to_hand_over = self.batch_to_hand_over.take();
        let mut together = match self.threads.get() {
            Some(threads) => {
                threads.hand_over(batch_to_hand_over)?;
                VecDeque::from(threads.arrived.recv().map_err(|_| ended())?)
            }
            None => run_without_threads(batch_to_hand_over),
        };
        let first = together.pop_front().ok_or_else(ended)?;
        self.here.replace(together);
        Ok(first)
    }
}

/// Begins a pipeline; dropping it ends its threads.
pub(super) fn begin<'scope, 'env>(scope: &'scope Scope<'scope, 'env>) -> Pipeline<'scope, 'env> {
    let (threads, batch_to_hand_over, here) =
        (OnceCell::new(), RefCell::default(), RefCell::default());
    Pipeline { scope, threads, batch_to_hand_over, here }
}

impl<'scope> Threads<'scope> {
    fn start(scope: &'scope Scope<'scope, '_>) -> Result<Self, JobError> {
        let (asked, jobs) = channel::<Vec<Job<'scope>>>();
        // Bounded, so that a fast drive does not fill the memory while a slow card is written.
        let (send, items) = sync_channel(2);
        let (results, arrived) = channel();
        let (to_sync, written) = sync_channel(1);
        let start = |name: &str, work: Box<dyn FnOnce() + Send + 'scope>| {
            std::thread::Builder::new()
                .name(name.to_owned())
                .spawn_scoped(scope, work)
                .map_err(|e| JobError::Broken(format!("no thread could be started: {e}")))
        };
        start("restore-read", Box::new(move || read(&jobs, send)))?;
        start("restore-write", Box::new(move || write(&items, &results, EarlySync::new(to_sync))))?;
        start("restore-sync", Box::new(move || sync_early(&written)))?;
        Ok(Self { asked, arrived })
    }

    fn hand_over(&self, together: Vec<Job<'scope>>) -> Result<(), JobError> {
        match together.is_empty() {
            true => Ok(()),
            false => self.asked.send(together).map_err(|_| ended()),
        }
    }
}

fn ended() -> JobError {
    JobError::Broken("a thread of the restore ended in a fault of the program".into())
}

/// Moves a few messages without threads.
fn run_without_threads(jobs: Vec<Job<'_>>) -> VecDeque<Fetched> {
    let (mut writer, mut arrived) = (Writer::default(), VecDeque::new());
    for job in jobs {
        job.run(&mut |item| {
            arrived.extend(writer.receive_chunk(item));
            true
        });
    }
    arrived
}

impl Job<'_> {
    /// Reads the message, and passes the chunks to `give` until that returns false. Returns whether it did not.
    fn run(self, give: &mut dyn FnMut(Chunk) -> bool) -> bool {
        give(Chunk::Next(self.slot)) && self.copies.read(&mut |piece| give(Chunk::Piece(piece)))
    }
}

/// Reads requested messages until no more requests come.
fn read(jobs: &Receiver<Vec<Job<'_>>>, send: SyncSender<Vec<Chunk>>) {
    let mut batcher = Batcher { items: Vec::new(), bytes: 0, send };
    while let Ok(together) = jobs.recv() {
        let mut goes_on =
            together.into_iter().map(|job| job.run(&mut |item| batcher.send_chunk(item)));
        if !goes_on.all(|goes_on| goes_on) || !batcher.send_chunks() {
            return;
        }
    }
}

/// Collects chunks, so that the writer is woken less often.
struct Batcher {
    items: Vec<Chunk>,
    bytes: usize,
    send: SyncSender<Vec<Chunk>>,
}

impl Batcher {
    /// Returns whether to continue.
    fn send_chunk(&mut self, item: Chunk) -> bool {
        if let Chunk::Piece(CopyChunk::Bytes { bytes, .. }) = &item {
            self.bytes += bytes.len();
        }
        self.items.push(item);
        self.bytes < RESTORE_TOGETHER_BYTES || self.send_chunks()
    }

    fn send_chunks(&mut self) -> bool {
        self.bytes = 0;
        self.send.send(std::mem::take(&mut self.items)).is_ok()
    }
}

/// Starts syncing what was written, so that the card works while the drive is read.
fn sync_early(written: &Receiver<Arc<StagingDir>>) {
    while let Ok(folder) = written.recv() {
        folder.sync_early();
    }
}

/// Decides when enough was written for an early sync.
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

/// Writes chunks until no more come.
fn write(items: &Receiver<Vec<Chunk>>, results: &Sender<Vec<Fetched>>, early_sync: EarlySync) {
    let mut writer = Writer { file: File::default(), early_sync: Some(early_sync) };
    let mut arrived = Vec::new();
    loop {
        let together = match items.try_recv() {
            Ok(together) => together,
            Err(TryRecvError::Disconnected) => break,
            Err(TryRecvError::Empty) => {
                // The caller may be waiting for these results.
                if !arrived.is_empty() && results.send(std::mem::take(&mut arrived)).is_err() {
                    return;
                }
                let Ok(together) = items.recv() else { break };
                together
            }
        };
        arrived.extend(together.into_iter().filter_map(|item| writer.receive_chunk(item)));
        if arrived.len() >= RESTORE_TOGETHER && results.send(std::mem::take(&mut arrived)).is_err()
        {
            return;
        }
    }
    if !arrived.is_empty() {
        // Nobody waits any more if the restore was given up.
        drop(results.send(arrived));
    }
}

/// Writes chunks into files.
#[derive(Default)]
struct Writer {
    file: File,
    early_sync: Option<EarlySync>,
}

impl Writer {
    fn receive_chunk(&mut self, item: Chunk) -> Option<Fetched> {
        match item {
            Chunk::Next(slot) => self.file = File::begin(slot),
            Chunk::Piece(CopyChunk::Bytes { begins, bytes }) => self.file.write(begins, &bytes),
            Chunk::Piece(CopyChunk::End(end)) => {
                return Some(std::mem::take(&mut self.file).end(end, self.early_sync.as_mut()));
            }
        }
        None
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
