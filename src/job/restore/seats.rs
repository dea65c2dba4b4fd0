//! Where messages wait until they are durable, and how they get their names then: in batches, new folders whole, all
//! others one by one. Never gives a name that something has, nor one to what is not durable.

use super::belt::Seat;
use super::beside::beside;
use super::report::RestoreReport;
use crate::disk::{DiskError, Marks, Placing, TargetDir, Waiting};
use crate::job::JobError;
use crate::model::limits::{RESTORE_BATCH_BYTES, RESTORE_BATCH_MESSAGES, RESTORE_NEW_FOLDERS};
use crate::model::{Identity, RelName};
use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

/// A message that is whole and waits for its name.
pub(super) struct OnItsWay {
    pub(super) staged: RelName,
    pub(super) path: RelName,
    pub(super) identity: Identity,
}

/// A batch of them.
#[derive(Default)]
pub(super) struct Seats {
    /// Folders of the mailbox that are not there yet, by their names there: what belongs into them waits in one that
    /// gets the name with all that is in it.
    folders: BTreeMap<RelName, Arc<Waiting>>,
    waiting: Vec<OnItsWay>,
    bytes: u64,
    /// The last number given as a passing name.
    number: u64,
}

impl Seats {
    /// Where a message is to wait for its name.
    pub(super) fn seat(
        &mut self,
        target: &TargetDir,
        path: &RelName,
        bytes: u64,
        marks: Marks,
    ) -> Result<Seat, DiskError> {
        target.has_room(bytes)?;
        let folder = path.parent().and_then(|parent| self.new_folder(target, parent));
        self.number += 1;
        Ok(Seat {
            folder,
            common: target.waiting()?,
            name: path.last_name(),
            number: self.number,
            marks,
        })
    }

    /// The folder in which the messages of a new folder of the mailbox wait; none where there is one of that name, too
    /// many are filled already, or it cannot be made: its messages wait with all others then.
    fn new_folder(&mut self, target: &TargetDir, name: RelName) -> Option<Arc<Waiting>> {
        if let Some(folder) = self.folders.get(&name) {
            return Some(Arc::clone(folder));
        }
        if self.folders.len() >= RESTORE_NEW_FOLDERS || !target.is_free(&name) {
            return None;
        }
        self.number += 1;
        let folder = target.new_folder(self.number).ok()?;
        self.folders.insert(name, Arc::clone(&folder));
        Some(folder)
    }

    /// A message waits on its seat.
    pub(super) fn taken(&mut self, message: OnItsWay) {
        self.bytes += message.identity.bytes;
        self.waiting.push(message);
    }

    /// Whether it is time to give names.
    pub(super) fn are_full(&self) -> bool {
        self.waiting.len() >= RESTORE_BATCH_MESSAGES || self.bytes >= RESTORE_BATCH_BYTES
    }

    /// Makes what waits durable, then gives it its names; nothing else may be on a seat. The names become durable
    /// with the next batch, or at the end.
    pub(super) fn name_all(
        &mut self,
        target: &TargetDir,
        report: &mut RestoreReport,
    ) -> Result<(), JobError> {
        let (batch, folders) =
            (std::mem::take(&mut self.waiting), std::mem::take(&mut self.folders));
        self.bytes = 0;
        if batch.is_empty() {
            return Ok(());
        }
        target.sync_all()?;
        let named = name_folders(target, folders);
        let mut maildirs = BTreeMap::new();
        for item in &batch {
            if !item.staged.parent().is_some_and(|folder| named.contains(&folder)) {
                name_one(target, item, report);
            }
            let in_maildir = |folder: &RelName| [&b"cur"[..], b"new"].contains(&folder.last());
            if let Some(folder) = item.path.parent().filter(in_maildir) {
                maildirs.insert(folder.parent(), folder);
            }
        }
        // A Maildir has all three of its folders, or a mail program refuses it.
        for folder in maildirs.into_values() {
            for name in ["cur", "new", "tmp"] {
                let name = RelName::fixed(name);
                target.make_dirs(&folder.parent().map_or(name.clone(), |p| p.join(&name)))?;
            }
        }
        Ok(())
    }
}

/// Gives new folders their names; those that have theirs now. The others' messages get their names one by one.
fn name_folders(target: &TargetDir, folders: BTreeMap<RelName, Arc<Waiting>>) -> BTreeSet<RelName> {
    // A folder comes before those below it.
    let named = folders.into_iter().filter(|(name, folder)| {
        // Whatever keeps it from its name keeps its messages from theirs, and is told of each then.
        folder.is_sound() && matches!(target.place_folder(folder, name), Ok(Placing::Done))
    });
    named.map(|(_, folder)| folder.at().clone()).collect()
}

fn name_one(target: &TargetDir, item: &OnItsWay, report: &mut RestoreReport) {
    let mut placing = target.place(&item.staged, &item.path);
    if matches!(placing, Ok(Placing::Occupied)) {
        // Something was delivered under this name since we looked: keep both.
        report.kept_both += 1;
        placing = target.place(&item.staged, &beside(&item.path, &item.identity.digest));
    }
    match placing {
        Ok(Placing::Done) => {}
        Ok(Placing::Occupied) => {
            let error = DiskError::new("name", &item.path, rustix::io::Errno::EXIST);
            report.unwritten(item.path.clone(), error);
        }
        Err(error) => report.unwritten(item.path.clone(), error),
    }
}
