//! Makes names for messages whose own name is taken. Does not decide whether it is taken, and looks at no file system.

use crate::model::{Digest, RelName};

/// Folder for messages of which only a number is known, and for those on which drives disagree.
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

/// A path for a message where a file has the name of one of its folders: the folder, with everything in it, goes next
/// to the file.
pub(super) fn name_below_file(path: &RelName, file: &RelName) -> RelName {
    let folder = conflict_name(file, &Digest::of(file.as_bytes()));
    let rest = path.as_bytes().get(file.as_bytes().len() + 1..).unwrap_or_default();
    match RelName::new(rest) {
        Ok(rest) => folder.join(&rest),
        Err(_) => folder,
    }
}
