//! The message that a path on the command line means: its file, or its mailbox and its path in it, as it is or as it
//! was shown.

use super::notices::CliError;
use crate::disk::host;
use crate::model::{MailboxName, RelName, escape};
use std::ffi::OsStr;
use std::os::unix::ffi::OsStrExt as _;
use std::path::{Path, PathBuf};

/// The messages that a path may mean, the likeliest first: of each its mailbox, by number, and its path in it. None if
/// it is in none of these mailboxes.
pub(super) fn messages<'a>(
    typed: &'a Path,
    mailboxes: &'a [(&MailboxName, &Path)],
) -> impl Iterator<Item = Result<(usize, RelName), CliError>> + 'a {
    readings(typed).into_iter().filter_map(move |reading| {
        let wrong = |error| CliError::usage(format!("{}: {error}", escape::shown_path(typed)));
        Some(message(&reading, mailboxes)?.map_err(wrong))
    })
}

/// How a path may be meant: as reports show it, else as it is.
fn readings(typed: &Path) -> Vec<PathBuf> {
    let raw = typed.as_os_str().as_bytes();
    let meant = escape::from_exact(raw);
    let mut readings = vec![typed.to_owned()];
    if meant != raw {
        readings.insert(0, PathBuf::from(OsStr::from_bytes(&meant)));
    }
    readings
}

/// The mailbox of a message, by number, and its path in it; none if it is in none of these.
fn message(
    named: &Path,
    mailboxes: &[(&MailboxName, &Path)],
) -> Option<Result<(usize, RelName), String>> {
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
    let path = RelName::new(below.as_os_str().as_bytes());
    Some(path.map(|path| (at, path)).map_err(|error| error.to_string()))
}
