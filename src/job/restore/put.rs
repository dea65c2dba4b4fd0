//! Writes messages into the mailbox: staged, made durable, then named; in batches.
//! Never overwrites: where another content has the name, both are kept.

use super::Gathered;
use super::beside::{NUMBERED, around, beside};
use super::report::{Lost, RestoreReport};
use crate::disk::{
    Access, DiskError, Look, MessageFile, Placing, ReadFrom, STAGING, TargetDir, Trouble,
    read_full, read_known,
};
use crate::job::catalogue::Wanted;
use crate::job::{JobError, Progress};
use crate::model::limits::COPY_BUFFER_BYTES;
use crate::model::{Hasher, Identity, MailboxName, Moment, RelName};
use std::collections::{BTreeMap, BTreeSet};
use std::path::PathBuf;

/// Messages named together after one sync: one of a card's costs as much as writing hundreds of messages.
const BATCH: usize = 4096;
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

struct Work<'a> {
    gathered: &'a Gathered,
    plan: &'a Plan<'a>,
    goal: &'a Goal,
    /// None only in a dry run into a folder that is not there.
    target: Option<TargetDir>,
    report: &'a mut RestoreReport,
    staged: Vec<OnItsWay>,
    staged_bytes: u64,
    /// Names given in this batch, or in a dry run.
    names: BTreeSet<Vec<u8>>,
    next: u64,
}

impl Work<'_> {
    fn message(&mut self, wanted: &Wanted) -> Result<(), JobError> {
        if self.plan.progress.stop() {
            self.report.stopped = true;
            return Ok(());
        }
        let path = RelName::from_key(&wanted.place.key)
            .map_err(|e| JobError::Broken(format!("ledger: {e}")))?;
        let identity = self.gathered.catalogue.identity(wanted.content)?;
        let mode = wanted.place.mode;
        let lost = self.report.lost();
        let put = self.put(&path, wanted.content, &identity, mode, wanted.modified)?;
        if put && wanted.instead_of_suspect {
            self.report.instead_of_suspect += 1;
        }
        if let Some(suspect) = wanted.place.content
            && wanted.instead_of_suspect
            && self.report.lost() > lost
        {
            // No good version can be had: what the card made of the message is better than nothing.
            let identity = self.gathered.catalogue.identity(suspect)?;
            self.put(&path, suspect, &identity, mode, wanted.place.modified)?;
        }
        self.plan.progress.advance(1, identity.bytes);
        Ok(())
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
                let path = RelName::fixed(&name);
                if self.put(&path, copy.content, &copy.identity, 0o600, Moment::default())? {
                    self.report.numbered += 1;
                }
            }
        }
        Ok(())
    }

    /// Puts one message at a path, or beside it. `true` if it was put.
    fn put(
        &mut self,
        path: &RelName,
        content: i64,
        identity: &Identity,
        mode: u32,
        modified: Moment,
    ) -> Result<bool, JobError> {
        if path.parts().any(|part| part == STAGING.as_bytes()) {
            // No mailbox has a message there: only a forged line can say so, and it would be cleared away.
            let what = format!("{path}: a restore in progress has that folder");
            let error = DiskError::with("write", what, rustix::io::Errno::PERM, Trouble::Other);
            self.report.not_written.push((path.clone(), error));
            return Ok(false);
        }
        let (path, beside) = match self.free_name(path, identity) {
            Ok(Some(free)) => free,
            Ok(None) => {
                self.report.identical += 1;
                return Ok(false);
            }
            Err(error) => {
                self.report.not_written.push((path.clone(), error));
                return Ok(false);
            }
        };
        let staged = match self.fetch(&path, content, identity, mode, modified) {
            Ok(Some(staged)) => staged,
            Ok(None) => return Ok(false),
            // One that does not fit keeps no other from being put back.
            Err(JobError::Disk(error))
                if matches!(error.trouble, Trouble::Full | Trouble::TooLarge) =>
            {
                self.report.not_written.push((path, error));
                return Ok(false);
            }
            Err(error) => return Err(error),
        };
        self.names.insert(path.as_bytes().to_vec());
        self.report.kept_both += u64::from(beside);
        self.report.restored += 1;
        self.report.bytes += identity.bytes;
        if let Some(staged) = staged {
            self.staged_bytes += identity.bytes;
            self.staged.push(OnItsWay { staged, path, identity: *identity });
            if self.staged.len() >= BATCH || self.staged_bytes >= BATCH_BYTES {
                self.name_staged()?;
            }
        }
        Ok(true)
    }

    /// A name that is free, and whether it is one beside the message's own; `None` if the message
    /// is there already.
    fn free_name(
        &self,
        path: &RelName,
        identity: &Identity,
    ) -> Result<Option<(RelName, bool)>, DiskError> {
        let barred = self.file_on_the_way(path)?;
        let clear = match &barred {
            Some(file) => around(path, file, &identity.digest),
            None => path.clone(),
        };
        let second = beside(&clear, &identity.digest);
        for (name, beside) in [(&clear, barred.is_some()), (&second, true)] {
            let look = match &self.target {
                Some(target) => target.look(name)?,
                None => Look::Gone,
            };
            match look {
                Look::Gone if self.names.contains(name.as_bytes()) => {}
                Look::Gone => return Ok(Some((name.clone(), beside))),
                Look::File(facts) if facts.bytes == identity.bytes => {
                    let there = self.target.as_ref().map(|t| t.open_existing(name)).transpose()?;
                    if there.map(hash_file).transpose()? == Some(*identity) {
                        return Ok(None);
                    }
                }
                _ => {}
            }
        }
        Err(DiskError::new("find a free name for", path, rustix::io::Errno::EXIST))
    }

    /// A file that has the name of a folder on the way to a path: one message vanished, and later ones
    /// were delivered into a folder of its name.
    fn file_on_the_way(&self, path: &RelName) -> Result<Option<RelName>, DiskError> {
        let mut above = path.parent();
        let mut found = None;
        while let Some(folder) = above {
            if self.target.as_ref().is_some_and(|target| target.has_folder(&folder)) {
                break;
            }
            let there = match &self.target {
                Some(target) => target.look(&folder)?,
                None => Look::Gone,
            };
            if there != Look::Gone || self.names.contains(folder.as_bytes()) {
                found = Some(folder.clone());
            }
            above = folder.parent();
        }
        Ok(found)
    }

    /// Fetches a message from the first copy that has the right hash. `None`: there is none, and that
    /// is in the report. `Some(None)`: a dry run, nothing was staged.
    #[expect(clippy::option_option, reason = "two kinds of nothing, told apart by every caller")]
    fn fetch(
        &mut self,
        path: &RelName,
        content: i64,
        identity: &Identity,
        mode: u32,
        modified: Moment,
    ) -> Result<Option<Option<RelName>>, JobError> {
        let mut seen = false;
        let copies = self.gathered.catalogue.copies_of(&self.gathered.station, content)?;
        for (tried, (book, copy)) in copies.iter().enumerate() {
            let Some(drive) = self.gathered.drives.iter().find(|d| d.book.row == *book) else {
                continue;
            };
            let at = drive.dir.join(&copy.name.to_rel());
            let mut source = match drive.volume.read(&at, 0, ReadFrom::Anywhere) {
                Ok(source) => source,
                Err(error) => {
                    seen |= error.trouble != Trouble::Gone;
                    continue;
                }
            };
            seen = true;
            let mut staged = match (&self.target, self.plan.dry_run) {
                (Some(target), false) => Some(target.stage(self.next, identity.bytes)?),
                _ => None,
            };
            self.next += 1;
            let mut hasher = Hasher::default();
            let mut buffer = vec![0; COPY_BUFFER_BYTES.min(identity.bytes as usize + 1)];
            let mut total = 0;
            // A copy that cannot be read to its end is a bad copy, and the next one is tried.
            let mut left = identity.bytes;
            while let Ok(got) = read_known(|into| source.read(into), &mut buffer, left) {
                total += got as u64;
                if got == 0 || total > identity.bytes {
                    break;
                }
                left = identity.bytes - total;
                hasher.update(&buffer[..got]);
                if let Some(staged) = &mut staged {
                    staged.write(&buffer[..got])?;
                }
                if got < buffer.len() {
                    break;
                }
            }
            if total == identity.bytes && hasher.finish() == *identity {
                self.report.from_second_copy += u64::from(tried > 0);
                let name = match (&self.target, staged) {
                    (Some(target), Some(staged)) => Some(target.finish(staged, mode, modified)?),
                    _ => None,
                };
                return Ok(Some(name));
            }
        }
        let lost =
            Lost { mailbox: self.goal.name.clone(), path: path.clone(), digest: identity.digest };
        match seen {
            true => self.report.damaged.push(lost),
            false => self.report.missing.push(lost),
        }
        Ok(None)
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
        // They are in the folder now, to be seen there.
        self.names.clear();
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

pub(super) fn hash_file(mut file: MessageFile) -> Result<Identity, DiskError> {
    let mut hasher = Hasher::default();
    let mut buffer = vec![0; COPY_BUFFER_BYTES];
    loop {
        match read_full(|into| file.read(into), &mut buffer)? {
            0 => return Ok(hasher.finish()),
            got => hasher.update(&buffer[..got]),
        }
    }
}
