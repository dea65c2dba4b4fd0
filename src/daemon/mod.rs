//! Time and events: the loop that watches the mailbox and serves the drives as they come and go.
//! Makes no words for a person and touches no file system but through `disk` and `job`.

mod churn;
pub mod clock;
pub mod control;
mod control_server;
mod core_loop;
mod drive_state;
mod drives;
mod events;
mod extras_timer;
mod mailboxes;
mod outcome;
mod overdue;
mod reporter;
mod run;
mod scanner;
mod scrub;
mod service;
mod settings;
mod slots;
mod sources;
mod timer_fd;
mod worker;
mod worker_thread;

pub use drive_state::DriveState;
pub use events::{EventSink, Notice};
pub use overdue::Notify;
pub use reporter::ReportRequest;
pub use run::{Command, run};
pub use settings::{Find, Reload, Settings};
pub use sources::{calls_from_signals, when_ended};

use crate::job::JobError;

fn spawn(name: String, run: impl FnOnce() + Send + 'static) -> Result<(), JobError> {
    std::thread::Builder::new()
        .name(name)
        .spawn(run)
        .map(drop)
        .map_err(|e| JobError::Broken(format!("no thread could be started: {e}")))
}
