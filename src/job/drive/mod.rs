//! A station's bag on a drive: knowing the drive again, reading its ledger, mending what a cut left.
//! Append-only: nothing here renames or truncates anything on a drive, and nothing but `prune` and `wipe` deletes.

mod admit;
mod claims;
mod compare;
mod evidence;
mod identity;
mod ledger;
mod lengths;
mod lines;
mod log_check;
mod logs;
mod lost_id;
mod manifest;
mod newcomer;
mod passage;
mod payload;
mod prune;
mod recognise;
mod recover;
mod retell;
mod skeleton;
mod wipe;
mod worth;

pub use admit::{OpenOptions, Replica, Begin, Here, admit};
pub(crate) use admit::{note_lost_pages, session_of};
pub use claims::PresentDrives;
pub(crate) use claims::serial_is_read;
pub(crate) use compare::compare;
pub use identity::{drive_id, is_station, make_drive, stations};
pub use lines::{LineReader, Piece};
pub(crate) use log_check::{LogCheck, Logs, finding as log_finding};
pub(crate) use lost_id::not_as_another;
pub use lost_id::{AddedDrive, add, refuse_forgotten};
pub use manifest::{Listed, read as read_manifest};
pub(crate) use newcomer::{Newcomer, is_refused, may_come_in};
pub(crate) use payload::{
    CopyCheck, PartialHash, HashStep, hash as hash_copy, hash_all as hash_copies, hash_piece,
    length as copy_length, list as list_segment,
};
pub(crate) use prune::finish_pruning;
pub use wipe::{Wiped, wipe};
