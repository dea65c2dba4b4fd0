//! Puts the good version of one message back at its place if the card has changed the message by itself. Overwrites
//! nothing: the damaged file is kept under another name, and a file that anybody may have written to is left alone.

use super::conflict_name::conflict_name;
use super::copy_reader::{self, CopyReader, ReadEnd};
use super::maildir::hash_file;
use super::targets::busy;
use super::{MailboxTarget, RestoreSources};
use crate::disk::{
    DiskError, EntryStat, ErrorKind, FileAttrs, Placing, TargetDir, TargetLocks, temporary_name,
};
use crate::job::JobError;
use crate::job::catalogue::{RestoreItem, RestoreReason};
use crate::model::message::FileFacts;
use crate::model::{Digest, Identity, RelName};

/// The result of a repair.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Repaired {
    /// Where the damaged file is now.
    pub damaged_path: RelName,
    /// The content at the message's place now.
    pub good: Identity,
}

/// Repairs one message.
pub fn repair(
    sources: &RestoreSources,
    mailbox_target: &MailboxTarget,
    path: &RelName,
) -> Result<Repaired, JobError> {
    let refuse = |why| JobError::NotRepaired { path: path.to_string(), why };
    let mut found = None;
    sources.catalogue.each_to_restore(&sources.station, false, |item| {
        let instead = !matches!(
            item.role,
            RestoreReason::Beside | RestoreReason::Removed | RestoreReason::InDoubt { .. }
        );
        if instead && item.mailbox == mailbox_target.row && item.key == path.key() {
            found = Some(item);
        }
        Ok(())
    })?;
    let item = found.ok_or_else(|| refuse("no drive here tells of a message there"))?;
    let good = sources.catalogue.identity(item.version.content)?;
    let locks = TargetLocks::default();
    let target =
        TargetDir::open_locked(&mailbox_target.path, &locks).map_err(busy(mailbox_target))?;
    let facts = match target.stat(path)? {
        EntryStat::File(facts) => facts,
        EntryStat::Gone => {
            return Err(refuse("no file is there: counterfoil restore puts it back"));
        }
        EntryStat::Folder | EntryStat::NotAFile => return Err(refuse("what is there is no file")),
    };
    let damaged = damaged(sources, &target, path, &item, (&good, facts))?;
    let exchange = || -> Result<RelName, JobError> {
        let staged = stage(sources, &target, path, &item, &good)?
            .ok_or_else(|| refuse("no drive here has a good copy of it"))?;
        exchange(&target, &staged, path, damaged)
    };
    let exchanged = exchange();
    target.clear_staging()?;
    Ok(Repaired { damaged_path: exchanged?, good })
}

/// Gives the damaged file another name, and the good one its own.
fn exchange(
    target: &TargetDir,
    staged: &RelName,
    path: &RelName,
    damaged: Digest,
) -> Result<RelName, JobError> {
    target.sync_all()?;
    let kept = free_name(target, path, damaged)?;
    // Between the two renames only the kept file exists; after a power failure at that moment, a restore puts the good
    // one back.
    check_placed(target.place(path, &kept)?, &kept)?;
    check_placed(target.place(staged, path)?, path)?;
    target.sync_all()?;
    Ok(kept)
}

/// The digest of the damaged file. It is damaged if the ledgers call it suspect, or if it has the length and the time
/// of the good one, which no writer leaves; also if the card does not return its bytes any more.
fn damaged(
    sources: &RestoreSources,
    target: &TargetDir,
    path: &RelName,
    item: &RestoreItem,
    (good, facts): (&Identity, FileFacts),
) -> Result<Digest, JobError> {
    let refuse = |why| JobError::NotRepaired { path: path.to_string(), why };
    let untouched = facts.bytes == good.bytes && facts.modified == item.version.modified;
    let there = target.open_existing(path).and_then(hash_file);
    let there = match there {
        Err(error) if error.trouble == ErrorKind::Failing && untouched => {
            return Ok(good.digest);
        }
        there => there?,
    };
    if there == *good {
        return Err(refuse("the good version is there: nothing is to be repaired"));
    }
    let mut known = false;
    for version in item.instead.iter().filter(|version| version.suspect.is_some()) {
        known |= sources.catalogue.identity(version.content)? == there;
    }
    match known || untouched {
        true => Ok(there.digest),
        false => Err(refuse(
            "the file there is not the damaged one: its length or time is another, so somebody wrote to it",
        )),
    }
}

/// A free name next to the message's.
fn free_name(target: &TargetDir, path: &RelName, damaged: Digest) -> Result<RelName, DiskError> {
    // A second one is needed only after a repair of the same damage, which came back.
    let mut name = conflict_name(path, &damaged);
    for _ in 0..8 {
        if target.stat(&name)? == EntryStat::Gone {
            return Ok(name);
        }
        name = conflict_name(&name, &damaged);
    }
    Err(DiskError::new("find a free name for", path, rustix::io::Errno::EXIST))
}

fn check_placed(placing: Placing, name: &RelName) -> Result<(), DiskError> {
    match placing {
        Placing::Done => Ok(()),
        Placing::Occupied => Err(DiskError::new("name", name, rustix::io::Errno::EXIST)),
    }
}

/// Writes the good version under a temporary name, from the first copy that is right.
fn stage(
    sources: &RestoreSources,
    target: &TargetDir,
    path: &RelName,
    item: &RestoreItem,
    good: &Identity,
) -> Result<Option<RelName>, JobError> {
    target.has_room(good.bytes)?;
    let staging = target.staging_dir()?;
    let mut staged = staging.stage(temporary_name(1))?;
    let mut refused = None;
    let copies = CopyReader::of(sources, item.version.content, *good)?;
    let end = copies.read(&mut Vec::new(), &mut |begins, bytes| {
        if refused.is_none() {
            refused = copy_reader::write(&mut staged, begins, bytes).err();
        }
    });
    match refused {
        Some(error) => Err(error.into()),
        None if matches!(end, ReadEnd::Right { .. }) => {
            let attrs = FileAttrs { mode: item.version.mode, modified: item.version.modified };
            let owner = target.owner_in(path.parent().as_ref())?;
            Ok(Some(staging.finish(&staged, attrs, owner)?))
        }
        None => Ok(None),
    }
}
