//! Brings the catalogue up to the mailboxes: walks them, compares files with their rows, waits until a file is stable,
//! then reads and hashes it. Uses no drive, and never writes to a mailbox.

pub mod confirm;
pub mod exclude;
pub mod headers;
pub mod mailboxes;

mod coarse_time;
mod open_mailbox;
mod read_message;
mod rules;
mod walk;

pub use open_mailbox::OpenMailbox;
pub(super) use read_message::any_nul_block;
pub use rules::{ScanReport, ScanRules};
pub(super) use walk::TOO_LONG;
pub use walk::{check_paths, scan};
