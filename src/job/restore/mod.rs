//! Puts the mailbox back from drives alone: no catalogue, no config, no network.
//! Never overwrites anything, and never hands out a message whose hash is not right.

mod beside;
mod gather;
mod put;
mod repair;

pub use gather::{Gathered, gather};
pub use put::{Goal, Lost, Plan, RestoreReport, restore};
pub use repair::{Repaired, repair};
