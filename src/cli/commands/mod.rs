//! One file a command: resolve the config, run a job, report. No work is done here.

pub(super) mod acknowledge;
pub(super) mod audit;
mod carry;
mod config_back;
pub(super) mod config_check;
pub(super) mod demo;
mod drive_location;
pub(super) mod drives;
mod forget;
pub(in crate::cli) mod inspect;
mod inventory;
mod let_in;
pub(super) mod mirror;
mod own_card;
mod release;
mod repair;
pub(super) mod restore;
mod select_station;
mod sources;
mod state;
pub(super) mod status;
mod targets;
mod test_restore;
pub(super) mod traffic;
mod typed_again;
pub(super) mod verify;
pub(super) mod watch;
mod wipe;

use super::notices::CliError;

/// Waits for the first signal that would end the process, and takes its place.
fn when_stopped(stop: impl FnOnce() + Send + 'static) -> Result<(), CliError> {
    crate::daemon::on_termination_signal(|_| stop())
        .map_err(|error| CliError::failed(format!("signals cannot be received: {error}")))
}

/// From here on folders that go with the process are removed when a signal ends it too; the exit code says which one,
/// as a shell's does.
fn leave_nothing_behind() -> Result<(), CliError> {
    let end = |signal| {
        crate::disk::remove_temporary_dirs();
        std::process::exit(128 + signal);
    };
    crate::daemon::on_termination_signal(end)
        .map_err(|error| CliError::failed(format!("signals cannot be received: {error}")))
}
