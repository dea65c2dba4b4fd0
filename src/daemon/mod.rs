//! Time and events: the loop that watches the mailbox and serves the drives as they come and go.
//! Makes no words for a person and touches no file system but through `disk` and `job`.

mod alarm;
mod carrier;
mod churn;
mod clerk;
pub mod clock;
pub mod control;
mod drives;
mod events;
mod mailboxes;
mod overdue;
mod reporter;
mod rereads;
mod run;
mod serve;
mod service;
mod slots;
mod sources;
mod states;
mod worker;

pub use events::{Notice, EventSink};
pub use overdue::Notify;
pub use reporter::ReportRequest;
pub use run::{Command, Find, Reload, Settings, run};
pub use sources::{calls_from_signals, when_ended};
pub use states::DriveState;

use crate::job::JobError;

fn spawn(name: String, run: impl FnOnce() + Send + 'static) -> Result<(), JobError> {
    std::thread::Builder::new()
        .name(name)
        .spawn(run)
        .map(drop)
        .map_err(|e| JobError::Broken(format!("no thread could be started: {e}")))
}
