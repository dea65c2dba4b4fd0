//! Finds a free name for a message in the folder restored into, or finds that the message is there already. Returns no
//! name that something has, and changes nothing.

use super::conflict_name::{RECOVERED, conflict_name, name_below_file};
use super::maildir::{Maildirs, hash_file};
use crate::disk::{DiskError, EntryStat, TargetDir, host};
use crate::model::{Identity, RelName};
use std::collections::BTreeSet;

/// Files on the path of one message that bar it, one next to the other: more were put there on purpose.
const BARRED_MAX: usize = 8;

/// A free name, and whether it is another than the message's own; `None` if the message is there already.
pub(super) fn free_name(
    target: Option<&TargetDir>,
    maildirs: &mut Maildirs,
    taken: &BTreeSet<Vec<u8>>,
    path: &RelName,
    identity: &Identity,
) -> Result<Option<(RelName, bool)>, DiskError> {
    let (mut clear, mut barred) = (path.clone(), false);
    for _ in 0..BARRED_MAX {
        let Some(file) = file_in_the_way(target, taken, &clear)? else { break };
        (clear, barred) = (name_below_file(&clear, &file), true);
    }
    let second = conflict_name(&clear, &identity.digest);
    if file_in_the_way(target, taken, &clear)?.is_some() {
        return Ok(Some((unpredictable_name()?, true)));
    }
    for (name, renamed) in [(&clear, barred), (&second, true)] {
        let look = match target {
            Some(target) => target.stat(name)?,
            None => EntryStat::Gone,
        };
        let is_free = match look {
            EntryStat::Gone => !taken.contains(name.as_bytes()),
            EntryStat::File(facts) if facts.bytes == identity.bytes => {
                let there = target.map(|t| t.open_existing(name)).transpose()?;
                if there.map(hash_file).transpose()? == Some(*identity) {
                    return Ok(None);
                }
                false
            }
            _ => false,
        };
        if target.is_some_and(|target| maildirs.has_with_other_flags(target, name, identity)) {
            return Ok(None);
        }
        if is_free {
            return Ok(Some((name.clone(), renamed)));
        }
    }
    Ok(Some((unpredictable_name()?, true)))
}

/// A name that nobody can predict: whoever writes to a drive may have taken every other one.
fn unpredictable_name() -> Result<RelName, DiskError> {
    Ok(RelName::fixed(&format!("{RECOVERED}-{:016x}.eml", host::random_bits()?)))
}

/// A file with the name of a folder on a path: one message vanished, and later ones were delivered into a folder of its
/// name.
fn file_in_the_way(
    target: Option<&TargetDir>,
    taken: &BTreeSet<Vec<u8>>,
    path: &RelName,
) -> Result<Option<RelName>, DiskError> {
    let mut above = path.parent();
    let mut found = None;
    while let Some(folder) = above {
        if target.is_some_and(|target| target.has_folder(&folder)) {
            break;
        }
        let there = match target {
            Some(target) => target.stat(&folder)?,
            None => EntryStat::Gone,
        };
        if there != EntryStat::Gone || taken.contains(folder.as_bytes()) {
            found = Some(folder.clone());
        }
        above = folder.parent();
    }
    Ok(found)
}
