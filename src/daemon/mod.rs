//! The daemon: the loop that watches the mailboxes and keeps the drives up to date as they come and go.
//! Makes no sentences for a person, and uses the file system only through `disk` and `job`.

mod churn;
pub mod clock;
pub mod control;
mod control_server;
mod core_loop;
mod drive;
mod drive_state;
mod drives;
mod events;
mod mailboxes;
mod overdue;
mod reporter;
mod run;
mod scanner;
mod service;
mod settings;
mod sources;
mod timer_fd;
mod timers;
mod worker;

pub use drive_state::DriveState;
pub use events::{EventSink, Notice};
pub use overdue::NotifyCommand;
pub use reporter::ReportRequest;
pub use run::{DaemonCommand, run};
pub use settings::{FindDrives, ReloadSettings, Settings};
pub use sources::{commands_from_signals, on_termination_signal};

use crate::job::JobError;

fn spawn(name: String, run: impl FnOnce() + Send + 'static) -> Result<(), JobError> {
    std::thread::Builder::new()
        .name(name)
        .spawn(run)
        .map(drop)
        .map_err(|e| JobError::Broken(format!("no thread could be started: {e}")))
}
