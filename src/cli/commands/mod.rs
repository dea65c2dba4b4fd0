//! One file a command: set up, run a round of `job`, report. No work is done here.

pub(super) mod acknowledge;
pub(super) mod audit;
mod choice;
mod config_back;
pub(super) mod config_check;
pub(super) mod demo;
pub(super) mod drives;
mod forget;
mod holdings;
mod let_in;
pub(super) mod mirror;
mod own_card;
mod rehearse;
mod release;
mod repair;
pub(super) mod restore;
mod sources;
mod state;
pub(super) mod status;
pub(in crate::cli) mod survey;
mod targets;
pub(super) mod traffic;
pub(super) mod verify;
pub(super) mod watch;
mod whereabouts;
mod wipe;

use super::notices::CliError;

/// Hears once that the process is to end, in place of its end.
fn when_stopped(stop: impl FnOnce() + Send + 'static) -> Result<(), CliError> {
    crate::daemon::when_ended(|_| stop())
        .map_err(|error| CliError::failed(format!("signals cannot be received: {error}")))
}

/// From here on folders that go with the process are removed when a signal ends it too; the exit code says which one,
/// as a shell's does.
fn leave_nothing_behind() -> Result<(), CliError> {
    let end = |signal| {
        crate::disk::remove_passing_folders();
        std::process::exit(128 + signal);
    };
    crate::daemon::when_ended(end)
        .map_err(|error| CliError::failed(format!("signals cannot be received: {error}")))
}
