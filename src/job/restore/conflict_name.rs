//! Names for messages whose own name is taken.
//! Never decides whether it is taken, and never looks at a file system.

use crate::model::{Digest, RelName};

/// Folder for messages of which only a number is known, and for those of which drives say different things.
pub(super) const RECOVERED: &str = "recovered";

/// A second name for a message whose own is taken: before the flags of a Maildir name, else at the end.
pub(super) fn conflict_name(path: &RelName, digest: &Digest) -> RelName {
    let name = path.last();
    let flags = name.windows(3).position(|w| w == b":2,").unwrap_or(name.len());
    let mark = format!(".counterfoil-{}", &digest.to_string()[..8]);
    let keep = flags.min(255 - mark.len() - (name.len() - flags).min(64));
    let mut second = name[..keep].to_vec();
    second.extend_from_slice(mark.as_bytes());
    second.extend_from_slice(&name[flags..]);
    let second = RelName::new(second);
    match (path.parent(), second) {
        (Some(folder), Ok(second)) => folder.join(&second),
        (None, Ok(second)) => second,
        (_, Err(_)) => RelName::fixed(&format!("{RECOVERED}/{digest}")),
    }
}

/// A second way to a message, where a file has the name of a folder on it: the folder goes beside the file, with all
/// that lies in it.
pub(super) fn name_below_file(path: &RelName, file: &RelName) -> RelName {
    let folder = conflict_name(file, &Digest::of(file.as_bytes()));
    let rest = path.as_bytes().get(file.as_bytes().len() + 1..).unwrap_or_default();
    match RelName::new(rest) {
        Ok(rest) => folder.join(&rest),
        Err(_) => folder,
    }
}
