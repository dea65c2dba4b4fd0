//! Reports: the same values as text for a person and as JSON for a script.
//! Never computes anything that decides; never shows raw text from mail or drives.

pub(super) mod audit;
pub(super) mod card_use;
pub(super) mod contradictions;
pub(super) mod csv;
pub(super) mod drives;
mod format;
pub(super) mod index;
pub(super) mod inventory;
pub(super) mod mirror;
mod on_sticks;
pub(super) mod page;
pub(super) mod restore;
pub(super) mod status;
mod summary_json;
pub(super) mod test_restore;
pub(super) mod traffic;
pub(super) mod verdict;
pub(super) mod verify;

pub(super) use format::{
    clipped, count, drive_state, is_or_are, it_or_them, plural, shown_time, size, wait, was_or_were,
};
