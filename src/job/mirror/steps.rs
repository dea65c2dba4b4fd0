//! The steps of a commit as a chain of types. A [`Batch`] has the step it has passed in its type; each step takes
//! the batch away and gives it back one step further, so that a wrong order does not compile.
//! Nothing outside makes a batch, moves one on without doing the step, or makes an [`Acknowledgement`].
//!
//! `Batch<Written>` -> `Batch<Synced>` -> `Batch<Proven>` -> `Batch<Listed>` -> `Batch<Recorded>` ->
//! [`Acknowledgement`]. What each step survives is said where they are done in order, in `commit`.
//!
//! Below, the first of each pair compiles, and the second, which differs in the order alone, does not.
//!
//! Nothing is read back that was not synced: it would come from the system's memory.
//! ```
//! # use counterfoil::job::{mirror::{Pass, steps::*}, replica::Replica};
//! fn f(batch: Batch<Synced>, drive: &Replica) { batch.read_back(drive); }
//! ```
//! ```compile_fail,E0599
//! # use counterfoil::job::{mirror::{Pass, steps::*}, replica::Replica};
//! fn f(batch: Batch<Written>, drive: &Replica) { batch.read_back(drive); }
//! ```
//! Nothing is listed that was not read back: recovery adopts what is listed.
//! ```
//! # use counterfoil::job::{mirror::{Pass, steps::*}, replica::Replica};
//! fn f(batch: Batch<Proven>, drive: &mut Replica) { batch.list(drive); }
//! ```
//! ```compile_fail,E0599
//! # use counterfoil::job::{mirror::{Pass, steps::*}, replica::Replica};
//! fn f(batch: Batch<Synced>, drive: &mut Replica) { batch.list(drive); }
//! ```
//! Nothing is recorded that is not listed: every copy of the ledger is in the manifest.
//! ```
//! # use counterfoil::job::{mirror::{Pass, steps::*}, replica::Replica};
//! fn f(batch: Batch<Listed>, pass: &Pass<'_>, drive: &mut Replica) { batch.record(pass, drive); }
//! ```
//! ```compile_fail,E0599
//! # use counterfoil::job::{mirror::{Pass, steps::*}, replica::Replica};
//! fn f(batch: Batch<Proven>, pass: &Pass<'_>, drive: &mut Replica) { batch.record(pass, drive); }
//! ```
//! Nothing is acknowledged that is not recorded, and an acknowledgement is not made up.
//! ```
//! # use counterfoil::job::{mirror::{Pass, steps::*}, replica::Replica};
//! fn f(batch: Batch<Recorded>) -> Acknowledgement { batch.acknowledge() }
//! ```
//! ```compile_fail,E0599
//! # use counterfoil::job::{mirror::{Pass, steps::*}, replica::Replica};
//! fn f(batch: Batch<Listed>) -> Acknowledgement { batch.acknowledge() }
//! ```
//! ```compile_fail,E0451
//! # use counterfoil::job::{mirror::{Pass, steps::*}, replica::Replica};
//! fn f(batch: Batch<Recorded>) -> Acknowledgement { Acknowledgement { copied: 1, bytes: 1 } }
//! ```
//! Nothing is done twice with one batch: a second sync after a failed one would lie.
//! ```
//! # use counterfoil::job::{mirror::{Pass, steps::*}, replica::Replica};
//! fn f(batch: Batch<Written>, pass: &Pass<'_>, drive: &Replica) { batch.sync(pass, drive); }
//! ```
//! ```compile_fail,E0382
//! # use counterfoil::job::{mirror::{Pass, steps::*}, replica::Replica};
//! fn f(batch: Batch<Written>, pass: &Pass<'_>, drive: &Replica) { batch.sync(pass, drive); batch.sync(pass, drive); }
//! ```

use super::Pass;
use super::batch::{BatchPlan, CopyItem, LeftOutFiles};
use super::copy::{WrittenFile, write_copies};
use crate::job::JobError;
use crate::job::catalogue::ContentAt;
use crate::job::replica::{NewCopy, Replica, not_as_written};
use crate::model::bag;
use crate::model::ledger::Event;
use std::collections::HashSet;
use std::marker::PhantomData;
use std::os::unix::ffi::OsStrExt as _;

/// The copies are written; the device may not have them yet.
pub enum Written {}
/// The device has confirmed everything.
pub enum Synced {}
/// Every copy was read back from the medium and is right.
pub enum Proven {}
/// The manifest lists the copies durably.
pub enum Listed {}
/// The ledger names the copies durably: the batch is committed.
pub enum Recorded {}

/// A batch, with the last step that it passed in its type.
#[must_use = "a batch that is not recorded is void"]
pub struct Batch<Step> {
    contents: Contents,
    step: PhantomData<Step>,
}

struct Contents {
    /// Every file that was written, copies and debris.
    files: Vec<NewCopy>,
    /// The manifest's lines of the copies.
    copy_lines: String,
    /// The manifest's lines of debris.
    debris_lines: String,
    events: Vec<Event>,
    /// The mount session that the drive returns to once this is recorded. None if there may be a file that no line
    /// names: the next admission looks for it.
    session: Option<String>,
    copied: u64,
    bytes: u64,
}

/// Proof that copies are committed: whoever reports them needs one. Only [`Batch::acknowledge`] makes it.
#[must_use = "report it to whoever waits for the copies"]
pub struct Acknowledgement {
    copied: u64,
    bytes: u64,
}

impl Acknowledgement {
    /// Messages copied.
    pub fn copied(&self) -> u64 {
        self.copied
    }

    /// Sum of their lengths, in bytes.
    pub fn bytes(&self) -> u64 {
        self.bytes
    }
}

impl<Step> Batch<Step> {
    fn passed<Next>(self) -> Batch<Next> {
        Batch { contents: self.contents, step: PhantomData }
    }
}

impl Batch<Written> {
    /// Writes the copies of a plan, each under a name never used before. Returns `None` if nothing came of it that
    /// needs a line.
    pub(super) fn write(
        pass: &Pass<'_>,
        drive: &mut Replica,
        plan: BatchPlan,
        left_out: &mut LeftOutFiles,
    ) -> Result<Option<Self>, JobError> {
        // Until this is recorded, the drive belongs to no session in the catalogue: however this ends, the next
        // admission recovers.
        let session = drive.state.session.take();
        pass.catalogue.save_replica(&drive.state)?;
        let BatchPlan { copies, mut notes, departures, .. } = plan;
        let (written, full) = write_copies(pass, drive, &copies, left_out)?;
        notes.extend(backed(departures, &written));
        // After a refused write there may be a file that no line names.
        let session = session.filter(|_| !full);
        if written.is_empty() && notes.is_empty() {
            drive.state.session = session;
            return Ok(None);
        }
        let (whole, debris): (Vec<_>, Vec<_>) =
            written.iter().partition(|file| file.item.is_some());
        let lines = |files: &[&WrittenFile<'_>]| -> String {
            let line = |file: &&WrittenFile<'_>| {
                let NewCopy { payload, identity, .. } = &file.copy;
                bag::manifest_line(&identity.digest, *payload)
            };
            files.iter().map(line).collect()
        };
        let contents = Contents {
            copy_lines: lines(&whole),
            debris_lines: lines(&debris),
            copied: whole.len() as u64,
            bytes: whole.iter().map(|file| file.copy.identity.bytes).sum(),
            events: events(pass, drive, &written, notes)?,
            files: written.into_iter().map(|file| file.copy).collect(),
            session,
        };
        Ok(Some(Self { contents, step: PhantomData }))
    }

    /// Hands everything to the device, and reserves room for the lines.
    pub fn sync(self, pass: &Pass<'_>, drive: &Replica) -> Result<Batch<Synced>, JobError> {
        let Contents { files, copy_lines, debris_lines, events, .. } = &self.contents;
        if !files.is_empty() {
            let listed = copy_lines.len() + debris_lines.len();
            drive.reserve(listed, &pass.clock.event_time(), events)?;
            drive.volume.sync_all().map_err(JobError::NotSynced)?;
        }
        Ok(self.passed())
    }
}

impl Batch<Synced> {
    /// Reads every file back from the medium. Fails if one of them is not what was written.
    pub fn read_back(self, drive: &Replica) -> Result<Batch<Proven>, JobError> {
        match not_as_written(&*drive.volume, &drive.dir, &self.contents.files)? {
            None => Ok(self.passed()),
            Some(payload) => {
                let path = drive.volume.facts().shown.clone();
                Err(JobError::NotAsWritten { path, payload })
            }
        }
    }
}

impl Batch<Proven> {
    /// Appends the copies to the manifest, durably; not the debris, which recovery would adopt.
    pub fn list(self, drive: &mut Replica) -> Result<Batch<Listed>, JobError> {
        if !self.contents.copy_lines.is_empty() {
            drive.list(&self.contents.copy_lines)?;
        }
        Ok(self.passed())
    }
}

impl Batch<Listed> {
    /// Appends the lines to the ledger, durably, and applies them to the catalogue; then lists the debris.
    pub fn record(
        mut self,
        pass: &Pass<'_>,
        drive: &mut Replica,
    ) -> Result<Batch<Recorded>, JobError> {
        let Contents { events, debris_lines, session, .. } = &mut self.contents;
        drive.state.session = session.take().filter(|_| debris_lines.is_empty());
        drive.state.opened = true;
        drive.record(pass.catalogue, &pass.clock.event_time(), std::mem::take(events))?;
        if !debris_lines.is_empty() {
            drive.list(debris_lines)?;
            pass.catalogue.save_replica(&drive.state)?;
        }
        Ok(self.passed())
    }
}

impl Batch<Recorded> {
    /// The proof that the copies are committed.
    pub fn acknowledge(self) -> Acknowledgement {
        Acknowledgement { copied: self.contents.copied, bytes: self.contents.bytes }
    }
}

/// The departures of a batch without those that depend on a copy which was left out.
fn backed(
    departures: Vec<(Event, Option<ContentAt>)>,
    written: &[WrittenFile<'_>],
) -> impl Iterator<Item = Event> {
    let there: HashSet<ContentAt> =
        written.iter().filter_map(|file| file.item.and_then(CopyItem::content_at)).collect();
    let backed = move |needs: &Option<ContentAt>| {
        needs.as_ref().is_none_or(|content_at| there.contains(content_at))
    };
    departures.into_iter().filter(move |(_, needs)| backed(needs)).map(|(event, _)| event)
}

fn events(
    pass: &Pass<'_>,
    drive: &Replica,
    written: &[WrittenFile<'_>],
    notes: Vec<Event>,
) -> Result<Vec<Event>, JobError> {
    let mut events = Vec::with_capacity(written.len() + notes.len() + 2);
    if !drive.state.opened {
        events.push(Event::opened());
    }
    // A mailbox may be added while the drive stays in: a card that knows nothing must be able to find out where it was.
    for mailbox in pass.mailboxes {
        let root = crate::disk::host::resolved(mailbox.dir.path());
        let root = root.as_os_str().as_bytes();
        if !pass.catalogue.replica_knows_root(drive.state.row, mailbox.row, root)? {
            events.push(Event::Mailbox { mailbox: mailbox.name.clone(), root: root.to_vec() });
        }
    }
    events.extend(written.iter().map(|WrittenFile { copy, item }| {
        let (payload, identity) = (copy.payload, copy.identity);
        let Some(CopyItem { assertion, replaces, .. }) = item else {
            return Event::Debris { payload, identity };
        };
        match assertion.clone() {
            Some(assertion) => {
                Event::Mirrored { payload, identity, assertion, replaces: *replaces }
            }
            None => Event::Adopted { payload, identity },
        }
    }));
    events.extend(notes);
    events.extend(pass.catalogue.witness_lines_missing(&drive.state)?);
    drive.with_writers(pass.catalogue, events)
}
