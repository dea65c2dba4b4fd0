//! Restores mailboxes from drives alone: no catalogue, no config, no network. Overwrites nothing, and returns no
//! message with a wrong hash.

mod conflict_name;
mod copy_reader;
mod free_name;
mod maildir;
mod options;
mod pace;
mod pipeline;
mod plan;
mod repair;
mod report;
mod sources;
mod staging;
mod targets;
mod test_restore;

pub use options::{MailboxTarget, RestoreOptions};
pub use pace::pace;
pub use plan::restore;
pub use repair::{Repaired, repair};
pub use report::{LeftOut, RestoreReport, UnrestoredMessage};
pub use sources::{RestoreSources, open_sources};
pub use test_restore::{LimitedList, TreeComparison, compare};
