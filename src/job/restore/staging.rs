//! Holds messages until they are durable, then gives them their names: in batches, new folders as a whole, all others
//! one by one. Gives no name that something has, and none to what is not durable.

use super::conflict_name::conflict_name;
use super::pipeline::StagingSlot;
use super::report::{RestoreReport, Tally};
use crate::disk::{
    DiskError, EntryStat, ErrorKind, FileAttrs, Owner, Placing, StagingDir, TargetDir,
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

/// A batch of staged messages.
#[derive(Default)]
pub(super) struct StagingBatch {
    /// Folders that the mailbox lacks, by their names there: their messages wait in a staged folder, which gets the
    /// name with everything in it.
    folders: BTreeMap<RelName, Arc<StagingDir>>,
    staged: Vec<StagedMessage>,
    bytes: u64,
    /// Messages that got their names since the last sync.
    named: Vec<(RelName, Tally)>,
    /// A folder of each Maildir that may lack the others.
    maildirs: BTreeMap<Option<RelName>, RelName>,
    /// The last number used for a temporary name.
    number: u64,
}

impl StagingBatch {
    /// The slot in which a message waits for its name.
    pub(super) fn slot(
        &mut self,
        target: &TargetDir,
        path: &RelName,
        bytes: u64,
        attrs: FileAttrs,
    ) -> Result<StagingSlot, DiskError> {
        target.has_room(bytes)?;
        let parent = path.parent();
        let owner = target.owner_in(parent.as_ref())?;
        let folder = parent.and_then(|parent| self.new_folder(target, parent, owner));
        self.number += 1;
        Ok(StagingSlot {
            folder,
            owner,
            common: target.staging_dir()?,
            name: path.last_name(),
            number: self.number,
            attrs,
        })
    }

    /// The staged folder for the messages of a new folder of the mailbox; none if the mailbox has one of that name, too
    /// many are staged already, or it cannot be created: then its messages wait with all others.
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

    /// Adds a message that is whole in its slot.
    pub(super) fn taken(&mut self, message: StagedMessage) {
        self.bytes += message.identity.bytes;
        self.staged.push(message);
    }

    /// Whether the batch should be named now.
    pub(super) fn is_full(&self) -> bool {
        self.staged.len() >= RESTORE_BATCH_MESSAGES || self.bytes >= RESTORE_BATCH_BYTES
    }

    /// Makes the batch durable, then gives it its names; no other slot may be in use. The names become durable with the
    /// next batch, or at the end.
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

    /// Records that a message has its name, so that the Maildir around it is completed.
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
            // If it cannot be removed for want of room, the next restore removes it.
            Err(error) if error.trouble == ErrorKind::Full => {}
            cleared => cleared?,
        }
        match target.sync_all() {
            Ok(()) => Ok(()),
            // They must not keep their names.
            Err(error) => give_up_batch(target, self.named.drain(..), error, report),
        }
    }
}

/// Gives up a batch for which there was no room: nobody knows which part of it is whole, so all of it is removed.
fn give_up_batch(
    target: &TargetDir,
    batch: impl Iterator<Item = (RelName, Tally)>,
    error: DiskError,
    report: &mut RestoreReport,
) -> Result<(), JobError> {
    if error.trouble != ErrorKind::Full {
        return Err(error.into());
    }
    for (path, tally) in batch {
        report.uncount(path, &tally, error.clone());
    }
    Ok(target.clear_staging()?)
}

/// Creates the three folders of a Maildir, without which a mail program refuses it. Where there is a `tmp` that is no
/// Maildir's, a `cur` or `new` next to it would make it one; and with a file of one of these names there is no Maildir.
fn complete_maildir(target: &TargetDir, folder: &RelName, report: &mut RestoreReport) {
    let renamed = |name| {
        let name = RelName::fixed(name);
        folder.parent().map_or(name.clone(), |p| p.join(&name))
    };
    let all = ["cur", "new", "tmp"].map(renamed);
    let is_a_file =
        |name| matches!(target.stat(name), Ok(EntryStat::File(_) | EntryStat::NotAFile));
    if target.has_folder(&all[2]) || all.iter().any(is_a_file) {
        return;
    }
    for folder in all {
        if let Err(error) = target.make_dirs(&folder) {
            report.not_made.push((folder, error));
        }
    }
}

/// Gives new folders their names, and returns those that got them. The others' messages are named one by one.
fn name_folders(
    target: &TargetDir,
    folders: BTreeMap<RelName, Arc<StagingDir>>,
) -> BTreeSet<RelName> {
    // A folder comes before those below it.
    let named = folders.into_iter().filter(|(name, folder)| {
        // Whatever keeps the folder from its name keeps each message from its own, and is reported then.
        folder.is_sound() && matches!(target.place_folder(folder, name), Ok(Placing::Done))
    });
    named.map(|(_, folder)| folder.path().clone()).collect()
}

/// Names one message. Returns whether that succeeded.
fn name_one(target: &TargetDir, item: &mut StagedMessage, report: &mut RestoreReport) -> bool {
    let mut placing = target.place(&item.staged, &item.path);
    if matches!(placing, Ok(Placing::Occupied)) {
        // Something was delivered under this name meanwhile: keep both.
        placing = target.place(&item.staged, &conflict_name(&item.path, &item.identity.digest));
        if matches!(placing, Ok(Placing::Done)) && !item.tally.renamed {
            item.tally.renamed = true;
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
