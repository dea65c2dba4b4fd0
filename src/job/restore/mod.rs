//! Puts the mailbox back from drives alone: no catalogue, no config, no network.
//! Never overwrites anything, and never hands out a message whose hash is not right.

mod beside;
mod gather;
mod offer;
mod put;
mod rehearse;
mod repair;

pub use gather::{Gathered, gather};
pub use offer::{Offer, Offered, offer, offers, pace};
pub use put::{Goal, Lost, Plan, RestoreReport, restore};
pub use rehearse::{Compared, compare};
pub use repair::{Repaired, repair};
