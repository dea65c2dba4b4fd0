//! The message that a path on the command line means: its file, or its mailbox and its path in it, as it is or as it
//! was shown.

use crate::disk::host;
use crate::model::{MailboxName, RelName, escape};
use std::ffi::OsStr;
use std::os::unix::ffi::OsStrExt as _;
use std::path::{Path, PathBuf};

/// How a path may be meant: as reports show it, else as it is.
pub(super) fn readings(typed: &Path) -> Vec<PathBuf> {
    let raw = typed.as_os_str().as_bytes();
    let meant = escape::from_exact(raw);
    let mut readings = vec![typed.to_owned()];
    if meant != raw {
        readings.insert(0, PathBuf::from(OsStr::from_bytes(&meant)));
    }
    readings
}

/// The mailbox of a message, by number, and its path in it; none if it is in none of these.
pub(super) fn message(
    named: &Path,
    mailboxes: &[(&MailboxName, &Path)],
) -> Option<(usize, Result<RelName, String>)> {
    let file = host::resolved(named.parent().unwrap_or(named));
    let file = file.join(named.file_name().unwrap_or_default());
    let by_file = mailboxes.iter().enumerate().find_map(|(at, (_, folder))| {
        let below = file.strip_prefix(host::resolved(folder)).ok()?;
        Some((at, below))
    });
    let by_name = || {
        let mut mailboxes = mailboxes.iter().enumerate();
        mailboxes.find_map(|(at, (name, _))| Some((at, named.strip_prefix(name.as_str()).ok()?)))
    };
    let (at, below) = by_file.or_else(by_name)?;
    Some((at, RelName::new(below.as_os_str().as_bytes()).map_err(|error| error.to_string())))
}
