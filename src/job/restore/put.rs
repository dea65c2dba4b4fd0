//! Writes messages into the mailbox: staged, made durable, then named; in batches.
//! Never overwrites: where another content has the name, both are kept.

use super::Gathered;
use super::beside::{NUMBERED, beside};
use super::copies::{self, Ahead, Copies, End, Piece};
use super::free::free_name;
use super::report::{Lost, RestoreReport};
use crate::disk::{Access, DiskError, Placing, STAGING, Staged, TargetDir, Trouble};
use crate::job::catalogue::Wanted;
use crate::job::{JobError, Progress};
use crate::model::limits::READ_AHEAD_COPIES;
use crate::model::{Identity, MailboxName, Moment, RelName};
use std::collections::{BTreeMap, BTreeSet, VecDeque};
use std::path::PathBuf;

/// Messages named together after one sync: one of a card's costs as much as writing hundreds of messages.
const BATCH: usize = 16_384;
/// Octets of them.
const BATCH_BYTES: u64 = 64 << 20;

/// What is to be restored, and where to.
pub struct Plan<'a> {
    /// Each mailbox: its row in the gathered catalogue, its name, where it goes.
    pub goals: Vec<Goal>,
    /// Bring back removed messages too.
    pub with_removed: bool,
    /// Bring back too, under their numbers, copies that look like what a cut left.
    pub with_doubtful: bool,
    /// Only count what would be done.
    pub dry_run: bool,
    /// Who is told.
    pub progress: &'a dyn Progress,
}

/// Where a mailbox goes.
#[derive(Debug, Clone)]
pub struct Goal {
    /// Its row in the gathered catalogue.
    pub row: i64,
    /// Its name.
    pub name: MailboxName,
    /// The folder.
    pub path: PathBuf,
}

/// Restores everything the drives tell of.
pub fn restore(gathered: &Gathered, plan: &Plan<'_>) -> Result<RestoreReport, JobError> {
    std::thread::scope(|scope| with_reader(gathered, plan, &Ahead::begin(scope)?))
}

fn with_reader<'a>(
    gathered: &'a Gathered,
    plan: &Plan<'_>,
    ahead: &Ahead<'a>,
) -> Result<RestoreReport, JobError> {
    let mut report = RestoreReport::default();
    for goal in &plan.goals {
        let target = match plan.dry_run && !crate::disk::host::exists(&goal.path) {
            true => None,
            false if plan.dry_run => Some(TargetDir::open(&goal.path, Access::Read)?),
            false => Some(TargetDir::open(&goal.path, Access::Write)?),
        };
        let mut work = Work {
            gathered,
            plan,
            goal,
            target,
            report: &mut report,
            ahead,
            awaited: VecDeque::new(),
            staged: Vec::new(),
            staged_bytes: 0,
            names: BTreeSet::new(),
            next: 1,
        };
        gathered.catalogue.each_wanted(&gathered.station, plan.with_removed, |wanted| {
            if wanted.place.mailbox == goal.row { work.message(&wanted) } else { Ok(()) }
        })?;
        if plan.goals.first().is_some_and(|first| first.row == goal.row) {
            work.numbered()?;
        }
        work.receive_all()?;
        work.name_staged()?;
        work.finish()?;
    }
    Ok(report)
}

/// A message on its way.
struct OnItsWay {
    staged: RelName,
    path: RelName,
    identity: Identity,
}

/// A message to be put back.
struct Message {
    /// Where it belongs.
    path: RelName,
    content: i64,
    identity: Identity,
    mode: u32,
    modified: Moment,
    what: What,
}

/// A message that was asked for, and has a name to go to.
struct Awaited {
    message: Message,
    path: RelName,
    /// The name is one beside the message's own.
    beside: bool,
    /// None in a dry run.
    staged: Option<Staged>,
}

/// Why a message is put back.
#[derive(Debug, Clone, Copy)]
enum What {
    AsTold,
    InsteadOfSuspect,
    Suspect,
    Numbered,
}

struct Work<'a, 'g> {
    gathered: &'g Gathered,
    plan: &'a Plan<'a>,
    goal: &'a Goal,
    ahead: &'a Ahead<'g>,
    /// In the order in which they were asked for.
    awaited: VecDeque<Awaited>,
    /// None only in a dry run into a folder that is not there.
    target: Option<TargetDir>,
    report: &'a mut RestoreReport,
    staged: Vec<OnItsWay>,
    staged_bytes: u64,
    /// Names given in this batch, or in a dry run.
    names: BTreeSet<Vec<u8>>,
    next: u64,
}

impl Work<'_, '_> {
    fn message(&mut self, wanted: &Wanted) -> Result<(), JobError> {
        if self.plan.progress.stop() {
            self.report.stopped = true;
            return Ok(());
        }
        let path = RelName::from_key(&wanted.place.key)
            .map_err(|e| JobError::Broken(format!("ledger: {e}")))?;
        let version = |content, modified, what| {
            let identity = self.gathered.catalogue.identity(content)?;
            let (path, mode) = (path.clone(), wanted.place.mode);
            Ok::<_, JobError>(Message { path, content, identity, mode, modified, what })
        };
        let Some(suspect) = wanted.place.content.filter(|_| wanted.instead_of_suspect) else {
            let message = version(wanted.content, wanted.modified, What::AsTold)?;
            return self.put(message);
        };
        let good = version(wanted.content, wanted.modified, What::InsteadOfSuspect)?;
        let suspect = version(suspect, wanted.place.modified, What::Suspect)?;
        // Whether the good version can be had has to be known before what follows.
        self.receive_all()?;
        let lost = self.report.lost();
        self.put(good)?;
        self.receive_all()?;
        match self.report.lost() > lost {
            // It cannot: what the card made of the message is better than nothing.
            true => self.put(suspect),
            false => Ok(()),
        }
    }

    /// Messages without a place in any ledger, under their numbers.
    fn numbered(&mut self) -> Result<(), JobError> {
        for drive in &self.gathered.drives {
            let mut copies = self.gathered.catalogue.copies_without_place(drive.book.row)?;
            let doubtful = self.gathered.catalogue.debris(drive.book.row)?;
            match self.plan.with_doubtful {
                true => copies.extend(doubtful),
                false => self.report.doubtful += doubtful.len() as u64,
            }
            for copy in copies {
                let name = format!(
                    "{NUMBERED}/{}-{:08}.{}",
                    drive.id,
                    copy.name.number,
                    copy.name.extension.as_str()
                );
                self.put(Message {
                    path: RelName::fixed(&name),
                    content: copy.content,
                    identity: copy.identity,
                    mode: 0o600,
                    modified: Moment::default(),
                    what: What::Numbered,
                })?;
            }
        }
        Ok(())
    }

    /// Puts one message at its path, or beside it, unless it is there already.
    fn put(&mut self, message: Message) -> Result<(), JobError> {
        let (what, bytes) = (message.what, message.identity.bytes);
        if !self.ask(message)? {
            self.settled(what, bytes);
        }
        Ok(())
    }

    /// Asks for a message that has to be put somewhere. `false`: nothing more comes of it.
    fn ask(&mut self, message: Message) -> Result<bool, JobError> {
        let (wanted, identity) = (&message.path, &message.identity);
        if wanted.parts().any(|part| part == STAGING.as_bytes()) {
            // No mailbox has a message there: only a forged line can say so, and it would be cleared away.
            let why = format!("{wanted}: a restore in progress has that folder");
            let error = DiskError::with("write", why, rustix::io::Errno::PERM, Trouble::Other);
            self.report.not_written.push((wanted.clone(), error));
            return Ok(false);
        }
        let (path, beside) = match free_name(self.target.as_ref(), &self.names, wanted, identity) {
            Ok(Some(free)) => free,
            Ok(None) => {
                self.report.identical += 1;
                return Ok(false);
            }
            Err(error) => {
                self.report.not_written.push((wanted.clone(), error));
                return Ok(false);
            }
        };
        let staged = match self.begin(identity) {
            Ok(staged) => staged,
            // One that does not fit keeps no other from being put back.
            Err(error) if matches!(error.trouble, Trouble::Full | Trouble::TooLarge) => {
                self.report.not_written.push((path, error));
                return Ok(false);
            }
            Err(error) => return Err(error.into()),
        };
        self.ahead.ask(Copies::of(self.gathered, message.content, *identity)?)?;
        self.names.insert(path.as_bytes().to_vec());
        self.awaited.push_back(Awaited { message, path, beside, staged });
        if self.awaited.len() >= READ_AHEAD_COPIES {
            self.receive()?;
        }
        Ok(true)
    }

    /// It is known what became of a message that the drives tell of.
    fn settled(&self, what: What, bytes: u64) {
        match what {
            What::AsTold | What::InsteadOfSuspect => self.plan.progress.advance(1, bytes),
            // Of these only the copy is counted, or the message was before.
            What::Suspect | What::Numbered => {}
        }
    }

    /// A file for a message; none in a dry run.
    fn begin(&mut self, identity: &Identity) -> Result<Option<Staged>, DiskError> {
        self.next += 1;
        match &self.target {
            Some(target) if !self.plan.dry_run => target.stage(self.next, identity.bytes).map(Some),
            _ => Ok(None),
        }
    }

    /// Takes the message that was asked for first from the reader, and stages it.
    fn receive(&mut self) -> Result<(), JobError> {
        let Some(mut awaited) = self.awaited.pop_front() else { return Ok(()) };
        let mut refused = None;
        let end = loop {
            match self.ahead.piece()? {
                Piece::Octets { begins, octets } => {
                    if let (Some(staged), None) = (&mut awaited.staged, &refused) {
                        refused = copies::write(staged, begins, &octets).err();
                    }
                }
                Piece::End(end) => break end,
            }
        };
        self.settled(awaited.message.what, awaited.message.identity.bytes);
        match (refused, end) {
            (None, End::Right { first }) => self.received(awaited, first),
            (None, End::NotToBeHad { seen }) => {
                self.give_up(&mut awaited);
                let lost = Lost {
                    mailbox: self.goal.name.clone(),
                    path: awaited.path,
                    digest: awaited.message.identity.digest,
                };
                match seen {
                    true => self.report.damaged.push(lost),
                    false => self.report.missing.push(lost),
                }
                Ok(())
            }
            (Some(error), _) => {
                self.give_up(&mut awaited);
                if !matches!(error.trouble, Trouble::Full | Trouble::TooLarge) {
                    return Err(error.into());
                }
                self.report.not_written.push((awaited.path, error));
                Ok(())
            }
        }
    }

    /// Takes back what was kept for a message: its name, and the room that others may need.
    fn give_up(&mut self, awaited: &mut Awaited) {
        self.names.remove(awaited.path.as_bytes());
        let given_up = awaited.staged.as_mut().map_or(Ok(()), Staged::begin_anew);
        if let Err(error) = given_up {
            // It is cleared away in the end.
            tracing::debug!(%error, "what was written in vain could not be given up at once");
        }
    }

    /// A message is there whole.
    fn received(&mut self, awaited: Awaited, from_first: bool) -> Result<(), JobError> {
        let report = &mut *self.report;
        let Awaited { message, path, beside, staged } = awaited;
        report.from_second_copy += u64::from(!from_first);
        report.kept_both += u64::from(beside);
        report.restored += 1;
        report.bytes += message.identity.bytes;
        match message.what {
            What::AsTold | What::Suspect => {}
            What::InsteadOfSuspect => report.instead_of_suspect += 1,
            What::Numbered => report.numbered += 1,
        }
        if let (Some(target), Some(staged)) = (&self.target, staged) {
            let staged = target.finish(staged, message.mode, message.modified)?;
            let identity = message.identity;
            self.staged_bytes += identity.bytes;
            self.staged.push(OnItsWay { staged, path, identity });
            if self.staged.len() >= BATCH || self.staged_bytes >= BATCH_BYTES {
                self.name_staged()?;
            }
        }
        Ok(())
    }

    /// Takes everything that was asked for.
    fn receive_all(&mut self) -> Result<(), JobError> {
        while !self.awaited.is_empty() {
            self.receive()?;
        }
        Ok(())
    }

    /// Makes what is staged durable, then gives it its names. The names become durable with the next batch, or at
    /// the end.
    fn name_staged(&mut self) -> Result<(), JobError> {
        self.staged_bytes = 0;
        let batch = std::mem::take(&mut self.staged);
        let Some(target) = self.target.as_ref().filter(|_| !batch.is_empty()) else {
            return Ok(());
        };
        target.sync_all()?;
        let mut maildirs = BTreeMap::new();
        for item in batch {
            let mut placing = target.place(&item.staged, &item.path);
            if matches!(placing, Ok(Placing::Occupied)) {
                // Something was delivered under this name since we looked: keep both.
                self.report.kept_both += 1;
                placing = target.place(&item.staged, &beside(&item.path, &item.identity.digest));
            }
            match placing {
                Ok(Placing::Done) => {}
                Ok(Placing::Occupied) => {
                    let error = DiskError::new("name", &item.path, rustix::io::Errno::EXIST);
                    self.report.unwritten(item.path.clone(), error);
                }
                Err(error) => self.report.unwritten(item.path.clone(), error),
            }
            if let Some(folder) =
                item.path.parent().filter(|f| [&b"cur"[..], b"new"].contains(&f.last()))
            {
                maildirs.insert(folder.parent().map(|p| p.as_bytes().to_vec()), folder);
            }
        }
        // They are in the folder now, to be seen there; those still on their way from the drive are not.
        let on_their_way = self.awaited.iter().map(|awaited| awaited.path.as_bytes().to_vec());
        self.names = on_their_way.collect();
        // A Maildir has all three of its folders, or a mail program refuses it.
        for folder in maildirs.into_values() {
            for name in ["cur", "new", "tmp"] {
                let name = RelName::fixed(name);
                target.make_dirs(&folder.parent().map_or(name.clone(), |p| p.join(&name)))?;
            }
        }
        Ok(())
    }

    fn finish(&mut self) -> Result<(), JobError> {
        match (&self.target, self.plan.dry_run) {
            (Some(target), false) => {
                target.clear_staging()?;
                Ok(target.sync_all()?)
            }
            _ => Ok(()),
        }
    }
}
