//! Brings a drive up to date with the mailbox: decides what is missing on the drive, then commits it in batches. Never
//! reports a message as mirrored before the drive's ledger says so durably.

mod batch;
mod commit;
mod copy;
mod damage;
mod pass;
mod plan;
mod repair_from_peers;
mod run;
pub mod steps;

pub use crate::job::scan::OpenMailbox;
pub use pass::{NotCopied, Pass, PassReport};
