//! The sources of events: the kernel's hints about mailboxes, the table of mounts, signals.
//! A source only sends; nothing is decided or done inside a callback.

mod mailbox;
mod mounts;
mod signals;

pub(super) use mailbox::{FolderWatch, Hints, MailboxWatch};
pub(super) use mounts::watch_mounts;
pub use signals::{commands_from_signals, on_termination_signal};
