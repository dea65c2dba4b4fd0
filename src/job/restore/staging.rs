//! Where messages wait until they are durable, and how they get their names then: in batches, new folders whole, all
//! others one by one. Never gives a name that something has, nor one to what is not durable.

use super::conflict_name::conflict_name;
use super::pipeline::Slot;
use super::report::{RestoreReport, Tally};
use crate::disk::{
    DiskError, EntryStat, FileAttrs, Owner, Placing, StagingDir, TargetDir, Trouble,
};
use crate::job::JobError;
use crate::model::limits::{RESTORE_BATCH_BYTES, RESTORE_BATCH_MESSAGES, RESTORE_NEW_FOLDERS};
use crate::model::{Identity, RelName};
use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

/// A message that is whole and waits for its name.
pub(super) struct StagedMessage {
    pub(super) staged: RelName,
    pub(super) path: RelName,
    pub(super) identity: Identity,
    pub(super) tally: Tally,
}

/// A batch of them.
#[derive(Default)]
pub(super) struct StagingBatch {
    /// Folders of the mailbox that are not there yet, by their names there: what belongs into them waits in one that
    /// gets the name with all that is in it.
    folders: BTreeMap<RelName, Arc<StagingDir>>,
    staged: Vec<StagedMessage>,
    bytes: u64,
    /// Those that got their names since the last sync.
    named: Vec<(RelName, Tally)>,
    /// A folder of each Maildir that may lack the others.
    maildirs: BTreeMap<Option<RelName>, RelName>,
    /// The last number given as a passing name.
    number: u64,
}

impl StagingBatch {
    /// Where a message is to wait for its name.
    pub(super) fn slot(
        &mut self,
        target: &TargetDir,
        path: &RelName,
        bytes: u64,
        marks: FileAttrs,
    ) -> Result<Slot, DiskError> {
        target.has_room(bytes)?;
        let parent = path.parent();
        let owner = target.owner_in(parent.as_ref())?;
        let folder = parent.and_then(|parent| self.new_folder(target, parent, owner));
        self.number += 1;
        Ok(Slot {
            folder,
            owner,
            common: target.staging_dir()?,
            name: path.last_name(),
            number: self.number,
            marks,
        })
    }

    /// The folder in which the messages of a new folder of the mailbox wait; none where there is one of that name, too
    /// many are filled already, or it cannot be made: its messages wait with all others then.
    fn new_folder(
        &mut self,
        target: &TargetDir,
        name: RelName,
        owner: Owner,
    ) -> Option<Arc<StagingDir>> {
        if let Some(folder) = self.folders.get(&name) {
            return Some(Arc::clone(folder));
        }
        if self.folders.len() >= RESTORE_NEW_FOLDERS || !target.is_free(&name) {
            return None;
        }
        self.number += 1;
        let folder = target.new_folder(self.number, owner).ok()?;
        self.folders.insert(name, Arc::clone(&folder));
        Some(folder)
    }

    /// A message waits in its slot.
    pub(super) fn taken(&mut self, message: StagedMessage) {
        self.bytes += message.identity.bytes;
        self.staged.push(message);
    }

    /// Whether it is time to give names.
    pub(super) fn is_full(&self) -> bool {
        self.staged.len() >= RESTORE_BATCH_MESSAGES || self.bytes >= RESTORE_BATCH_BYTES
    }

    /// Makes what waits durable, then gives it its names; nothing else may be in a slot. The names become durable
    /// with the next batch, or at the end.
    pub(super) fn name_all(
        &mut self,
        target: &TargetDir,
        report: &mut RestoreReport,
    ) -> Result<(), JobError> {
        let (batch, folders) =
            (std::mem::take(&mut self.staged), std::mem::take(&mut self.folders));
        self.bytes = 0;
        if batch.is_empty() {
            return Ok(());
        }
        if let Err(error) = target.sync_all() {
            let batch = batch.into_iter().map(|item| (item.path, item.tally));
            return give_up_batch(target, batch, error, report);
        }
        self.named.clear();
        let named = name_folders(target, folders);
        for mut item in batch {
            let in_named = item.staged.parent().is_some_and(|folder| named.contains(&folder));
            if !in_named && !name_one(target, &mut item, report) {
                continue;
            }
            self.is_there(&item.path);
            self.named.push((item.path, item.tally));
        }
        self.complete_maildirs(target, report);
        Ok(())
    }

    /// A message has its name, so a Maildir it is in is to be whole.
    pub(super) fn is_there(&mut self, path: &RelName) {
        let in_maildir = |folder: &RelName| [&b"cur"[..], b"new"].contains(&folder.last());
        if let Some(folder) = path.parent().filter(in_maildir) {
            self.maildirs.insert(folder.parent(), folder);
        }
    }

    fn complete_maildirs(&mut self, target: &TargetDir, report: &mut RestoreReport) {
        for folder in std::mem::take(&mut self.maildirs).into_values() {
            complete_maildir(target, &folder, report);
        }
    }

    /// Makes the last names durable.
    pub(super) fn end(
        &mut self,
        target: &TargetDir,
        report: &mut RestoreReport,
    ) -> Result<(), JobError> {
        self.complete_maildirs(target, report);
        match target.clear_staging() {
            // What cannot be removed for want of room goes at the next restore.
            Err(error) if error.trouble == Trouble::Full => {}
            cleared => cleared?,
        }
        match target.sync_all() {
            Ok(()) => Ok(()),
            // They may not keep their names.
            Err(error) => give_up_batch(target, self.named.drain(..), error, report),
        }
    }
}

/// There was no room to make a batch durable, so nobody knows which of it is whole: none of it stays.
fn give_up_batch(
    target: &TargetDir,
    batch: impl Iterator<Item = (RelName, Tally)>,
    error: DiskError,
    report: &mut RestoreReport,
) -> Result<(), JobError> {
    if error.trouble != Trouble::Full {
        return Err(error.into());
    }
    for (path, tally) in batch {
        report.uncount(path, &tally, error.clone());
    }
    Ok(target.clear_staging()?)
}

/// A Maildir has all three of its folders, or a mail program refuses it. Where there is a `tmp` that is no Maildir's, a
/// `cur` or `new` beside it would make it one; and with a file of one of these names there is no Maildir.
fn complete_maildir(target: &TargetDir, folder: &RelName, report: &mut RestoreReport) {
    let beside = |name| {
        let name = RelName::fixed(name);
        folder.parent().map_or(name.clone(), |p| p.join(&name))
    };
    let all = ["cur", "new", "tmp"].map(beside);
    let is_a_file =
        |name| matches!(target.look(name), Ok(EntryStat::File(_) | EntryStat::NotAFile));
    if target.has_folder(&all[2]) || all.iter().any(is_a_file) {
        return;
    }
    for folder in all {
        if let Err(error) = target.make_dirs(&folder) {
            report.not_made.push((folder, error));
        }
    }
}

/// Gives new folders their names; those that have theirs now. The others' messages get their names one by one.
fn name_folders(
    target: &TargetDir,
    folders: BTreeMap<RelName, Arc<StagingDir>>,
) -> BTreeSet<RelName> {
    // A folder comes before those below it.
    let named = folders.into_iter().filter(|(name, folder)| {
        // Whatever keeps it from its name keeps its messages from theirs, and is told of each then.
        folder.is_sound() && matches!(target.place_folder(folder, name), Ok(Placing::Done))
    });
    named.map(|(_, folder)| folder.at().clone()).collect()
}

/// Whether it got one.
fn name_one(target: &TargetDir, item: &mut StagedMessage, report: &mut RestoreReport) -> bool {
    let mut placing = target.place(&item.staged, &item.path);
    if matches!(placing, Ok(Placing::Occupied)) {
        // Something was delivered under this name since we looked: keep both.
        placing = target.place(&item.staged, &conflict_name(&item.path, &item.identity.digest));
        if matches!(placing, Ok(Placing::Done)) && !item.tally.beside {
            item.tally.beside = true;
            report.kept_both += 1;
        }
    }
    let error = match placing {
        Ok(Placing::Done) => return true,
        Ok(Placing::Occupied) => DiskError::new("name", &item.path, rustix::io::Errno::EXIST),
        Err(error) => error,
    };
    report.uncount(item.path.clone(), &item.tally, error);
    false
}
