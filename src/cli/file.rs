//! Files that a command writes for a person: a page, a table.
//! Never follows a link, never leaves half a file, and never writes among messages or copies: there it would be
//! taken for one.

use super::notices::CliError;
use super::resolved::Resolved;
use crate::disk::host;
use crate::model::{bag, escape};
use std::path::{Path, PathBuf};

/// Refuses a place where no file may be written, before any work is done.
pub(super) fn check(resolved: &Resolved, path: &Path) -> Result<(), CliError> {
    let shown = escape::shown_path(path);
    let Some(name) = path.file_name().filter(|_| path != Path::new("-")) else {
        return Err(CliError::usage(format!(
            "{shown}: a file has to be named here, as log.html; it cannot go to standard output"
        )));
    };
    if !host::is_free_for_a_file(path) {
        return Err(CliError::usage(format!(
            "{shown}: what is there is no plain file and is left alone: give another name"
        )));
    }
    let folder = match path.parent() {
        Some(folder) if folder != Path::new("") => folder,
        _ => Path::new("."),
    };
    let at = host::resolved(folder).join(name);
    let mailboxes = resolved.mailboxes.iter().map(|mailbox| ("a mailbox", mailbox.path.clone()));
    let copies =
        resolved.folders.iter().map(|drive| ("the copies on a drive", drive.join(bag::HOME)));
    let state = std::iter::once(("the state folder", resolved.state.clone()));
    let kept_off: Vec<(&str, PathBuf)> = mailboxes.chain(copies).chain(state).collect();
    match kept_off.iter().find(|(_, above)| at.starts_with(host::resolved(above))) {
        Some((what, _)) => Err(CliError::usage(format!(
            "{shown}: that is in {what}, where no report is written: give another folder"
        ))),
        None => Ok(()),
    }
}

/// Writes it: all of it, or nothing.
pub(super) fn write(path: &Path, bytes: &[u8]) -> Result<(), CliError> {
    host::write_whole(path, bytes).map_err(|error| {
        CliError::failed(format!(
            "{error}; nothing was written: give a folder that is there, with room and the right to write"
        ))
    })
}
