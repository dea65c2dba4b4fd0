//! Makes mailboxes to measure with, beside the build or where `COUNTERFOIL_BENCH_AT` says, so that both sides use one
//! disk.
//! Never makes two messages alike, and never the same folder twice.

use crate::mail::long_mail;
use std::path::{Path, PathBuf};
use tempfile::TempDir;

/// Messages in one folder of a mailbox.
const FOLDER: usize = 2_000;

/// A folder that goes with the value. On ext4 best one of a file system of its own: for five minutes it is slow to make
/// files where some were deleted (Linux's fs/ext4/ialloc.c, `recently_deleted`).
pub(crate) fn place() -> TempDir {
    let at = std::env::var_os("COUNTERFOIL_BENCH_AT")
        .unwrap_or_else(|| env!("CARGO_TARGET_TMPDIR").into());
    tempfile::Builder::new().prefix("speed-").tempdir_in(at).unwrap()
}

/// Where message `number` of a mailbox lies.
pub(crate) fn path(number: usize) -> PathBuf {
    PathBuf::from(format!("{:03}/{number:07}.eml", number / FOLDER))
}

/// Makes a mailbox of so many messages.
pub(crate) fn mailbox(at: &Path, messages: usize, bytes: usize) {
    for number in 0..messages {
        let path = at.join(path(number));
        if number % FOLDER == 0 {
            std::fs::create_dir_all(path.parent().unwrap()).unwrap();
        }
        std::fs::write(path, long_mail(number, bytes)).unwrap();
    }
}

/// The arguments that every command of one station shares.
pub(crate) fn scope(mailbox: &Path, drive: &Path, state: &Path) -> Vec<std::ffi::OsString> {
    // All is on one file system, so that all of it is measured on the same.
    let mut args = vec!["--station".into(), "pier-4".into(), "--count-same-device".into()];
    for (option, path) in [("--mailbox", mailbox), ("--drive", drive), ("--state", state)] {
        args.push(option.into());
        args.push(path.into());
    }
    args
}

/// A command of one station.
pub(crate) fn command(
    name: &str,
    mailbox: &Path,
    drive: &Path,
    state: &Path,
) -> Vec<std::ffi::OsString> {
    let mut args = vec![name.into()];
    args.extend(scope(mailbox, drive, state));
    args
}
