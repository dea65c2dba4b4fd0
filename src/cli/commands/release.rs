//! `drives release`: ends what is being written to a drive, syncs it, unmounts it where that is allowed, and
//! says that it may be pulled. Never says so before everything is on the medium and closed.

use super::state::state_to_read;
use crate::cli::Exit;
use crate::cli::notices::{self, CliError};
use crate::cli::output::Output;
use crate::cli::resolved::Resolved;
use crate::daemon::control::{Answer, Request, ask};
use crate::disk::{Access, host, ownership};
use crate::job::DriveRef;
use crate::model::escape;
use crate::model::limits::{RELEASE_PATIENCE, SAFE_TO_PULL_AFTER};
use serde::Serialize;
use std::borrow::Cow;
use std::os::unix::ffi::OsStrExt as _;
use std::path::{Path, PathBuf};

/// The JSON of `drives release`.
#[derive(Serialize)]
struct ReleasedJson<'a> {
    label: &'a str,
    at: Cow<'a, str>,
    unmounted: bool,
    why_not_unmounted: Option<&'a String>,
    safe_to_pull: bool,
}

pub(super) fn run(
    resolved: &Resolved,
    name: &str,
    as_json: bool,
    output: &Output,
) -> Result<Exit, CliError> {
    let (state, _) = state_to_read(resolved);
    let (label, path) = match ask(&state, &Request::Release(name.to_owned()), RELEASE_PATIENCE)? {
        Some(Answer::Released(drive)) => {
            (drive.label, PathBuf::from(std::ffi::OsStr::from_bytes(&drive.path)))
        }
        Some(Answer::Refused(why)) => return Err(CliError::failed(why)),
        Some(Answer::Drives(_) | Answer::Written(_)) => {
            return Err(CliError::failed("the daemon's answer makes no sense"));
        }
        None if host::is_locked(&state.join("lock")) => return Err(notices::not_let_go(name)),
        None => lock_without_daemon(resolved, name)?,
    };
    let unmounted = unmount(resolved, &path)?;
    if !matches!(unmounted, Some(Ok(()))) {
        // An unmount would wait for the device: here it gets a second.
        std::thread::sleep(SAFE_TO_PULL_AFTER);
    }
    let why = unmounted.as_ref().and_then(|done| done.as_ref().err());
    if as_json {
        output.json(&ReleasedJson {
            label: &label,
            at: path.to_string_lossy(),
            unmounted: matches!(unmounted, Some(Ok(()))),
            why_not_unmounted: why,
            safe_to_pull: true,
        });
        return Ok(Exit::Safe);
    }
    let at = escape::shown(path.as_os_str().as_bytes());
    match unmounted {
        Some(Ok(())) => output.say(format!("{label} is unmounted: pull it out.")),
        None => output.say(format!("{label}: everything is written and closed. It may be pulled.")),
        Some(Err(why)) => {
            output.say(format!("{label}: everything is written and closed. It may be pulled."));
            output.notice(format!(
                "it could not be unmounted ({why}); where that is wanted: sudo umount {at}"
            ));
        }
    }
    Ok(Exit::Safe)
}

/// Unmounts a removable drive; `None` where there is nothing to unmount, for a named folder may be no mount point.
/// What a daemon, a config or a drive says of where it is, is not believed: nothing is unmounted but what is seen to
/// be a removable drive.
fn unmount(resolved: &Resolved, path: &Path) -> Result<Option<Result<(), String>>, CliError> {
    if !host::is_mount_point(path) {
        return Ok(None);
    }
    if !resolved.is_removable(path) {
        let why = "it is no removable drive, and those alone are unmounted here";
        return Ok(Some(Err(why.to_owned())));
    }
    ownership::become_root_again()?;
    Ok(Some(host::unmount(path)))
}

/// Without a daemon: nobody else uses the drive once its lock is taken.
fn lock_without_daemon(resolved: &Resolved, name: &str) -> Result<(String, PathBuf), CliError> {
    let drives = resolved.drives_here();
    let is_called = |drive: &&DriveRef| escape::is_place(&drive.label, &drive.path, name);
    let mut called = drives.iter().filter(is_called);
    let drive = match (called.next(), called.next()) {
        (Some(drive), None) => drive,
        (None, _) => return Err(notices::no_such_drive(name, &drives)),
        (Some(_), Some(_)) => {
            return Err(CliError::usage(format!(
                "several drives are called {name}: give its path"
            )));
        }
    };
    // A read-only drive can be locked too, and has nothing to sync.
    let volume = drive.volume_source.open(Access::Write)?;
    if !volume.facts().read_only {
        volume.sync_all()?;
    }
    Ok((drive.label.clone(), Path::new(std::ffi::OsStr::from_bytes(&drive.path)).to_owned()))
}
