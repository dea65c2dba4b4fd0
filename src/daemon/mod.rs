//! Time and events: the loop that watches the mailbox and serves the drives as they come and go.
//! Makes no words for a person and touches no file system but through `disk` and `job`.

mod churn;
mod clerk;
pub mod clock;
mod events;
mod mailboxes;
mod run;
mod serve;
mod service;
mod slots;
mod sources;
mod states;
mod worker;

pub use events::{News, Voice};
pub use run::{Call, Reload, Settings, run};
pub use sources::calls_from_signals;
pub use states::DriveState;
