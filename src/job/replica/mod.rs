//! A station's bag on a drive: knowing the drive again, reading its ledger, mending what a power failure left.
//! Append-only: nothing here renames or truncates anything on a drive, and nothing but `prune` and `wipe` deletes.

mod append_log;
mod bag_init;
mod compare;
mod copy;
mod evidence;
mod identity;
mod ledger;
mod ledger_reader;
mod lengths;
mod line_reader;
mod log_check;
mod lost_id;
mod manifest;
mod newcomer;
mod open;
mod open_options;
mod present_drives;
mod prune;
mod recognise;
mod recover;
mod retell;
mod wipe;
mod worth;

pub(crate) use compare::compare;
pub(crate) use copy::{
    CopyCheck, HashStep, PartialHash, READ_ERROR, hash as hash_copy, hash_all as hash_copies,
    hash_piece, length as copy_length, list as list_segment,
};
pub use identity::{drive_id, is_station, make_drive, stations};
pub use line_reader::{LineReader, Piece};
pub(crate) use log_check::{LogCheck, Logs, finding as log_finding};
pub(crate) use lost_id::not_as_another;
pub use lost_id::{AddedDrive, add, refuse_forgotten};
pub use manifest::{Listed, read as read_manifest};
pub(crate) use newcomer::{Newcomer, is_refused, may_come_in};
pub use open::{Replica, open_replica};
pub(crate) use open::{note_lost_pages, session_of};
pub use open_options::{Begin, Here, OpenOptions};
pub use present_drives::PresentDrives;
pub(crate) use present_drives::serial_is_read;
pub(crate) use prune::finish_pruning;
pub use wipe::{Wiped, wipe};
