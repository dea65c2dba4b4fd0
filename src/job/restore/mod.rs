//! Puts the mailbox back from drives alone: no catalogue, no config, no network.
//! Never overwrites anything, and never hands out a message whose hash is not right.

mod belt;
mod beside;
mod copies;
mod free;
mod gather;
mod maildir;
mod offer;
mod put;
mod rehearse;
mod repair;
mod report;
mod seats;
mod targets;

pub use gather::{RestoreSources, gather};
pub use offer::{Inventory, OfferedStation, offer, offers, pace};
pub use put::{MailboxTarget, RestoreOptions, restore};
pub use rehearse::{Compared, Listed, compare};
pub use repair::{Repaired, repair};
pub use report::{LeftOut, Lost, RestoreReport};
