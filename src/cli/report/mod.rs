//! Reports: the same values as text for a person and as JSON for a script.
//! Never computes anything that decides; never shows raw text from mail or drives.

pub(super) mod audit;
pub(super) mod contradictions;
pub(super) mod csv;
pub(super) mod drives;
pub(super) mod index;
pub(super) mod mirror;
pub(super) mod offer;
mod on_sticks;
pub(super) mod page;
pub(super) mod rehearsal;
pub(super) mod restore;
pub(super) mod status;
pub(super) mod traffic;
pub(super) mod verdict;
pub(super) mod verify;
mod words;

pub(super) use words::{
    are, clipped, count, drive_state, json_path, plural, size, them, wait, were, when,
};
