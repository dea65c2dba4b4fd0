//! Commands and options as they are typed in a shell, for a person to type them next.
//! Never lets a name become more than one argument.

use super::args::Scope;
use crate::model::escape;
use std::ffi::OsStr;
use std::os::unix::ffi::OsStrExt as _;

/// What a command to be typed next has to name again.
pub(super) fn options(scope: &Scope) -> String {
    let mailboxes = scope.mailbox.iter().map(|dir| option("--mailbox", dir.as_os_str()));
    let drives = scope.drive.iter().map(|dir| option("--drive", dir.as_os_str()));
    let station = scope.station.iter().map(|name| option("--station", name.as_ref()));
    let state = scope.state.iter().map(|dir| option("--state", dir.as_os_str()));
    mailboxes.chain(drives).chain(station).chain(state).collect()
}

/// The option that names a drive by where it was, where a run's options name drives and not this one.
pub(super) fn drive_option(options: &str, at: &[u8]) -> String {
    let named = option("--drive", OsStr::from_bytes(at));
    let names_it = options.split(" --").any(|one| named.strip_prefix(" --") == Some(one));
    match options.contains(" --drive ") && !names_it {
        true => named,
        false => String::new(),
    }
}

/// An option as it is typed in a shell, with a blank before it.
pub(super) fn option(name: &str, value: &OsStr) -> String {
    format!(" {name} {}", quoted(value))
}

/// An argument as it is typed in a shell.
pub(super) fn quoted(text: &OsStr) -> String {
    escape::in_shell(&escape::shown(text.as_bytes()))
}
