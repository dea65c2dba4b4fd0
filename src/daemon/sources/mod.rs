//! Where events come from: the mailboxes' hints, the table of mounts, signals.
//! A source only sends; nothing is decided or done inside a callback.

mod mailbox;
mod mounts;
mod signals;

pub(super) use mailbox::{FolderWatch, Hints, MailboxWatch};
pub(super) use mounts::watch_mounts;
pub use signals::{calls_from_signals, when_ended};
