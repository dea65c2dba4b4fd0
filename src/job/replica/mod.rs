//! A station's bag on a drive: knowing the drive again, reading its ledger, mending what a power failure left.
//! Append-only: nothing here renames or truncates anything on a drive, and nothing but `prune` and `wipe` deletes.

pub mod prune;
pub mod scrub;
pub mod verify;

mod append_log;
mod bag_init;
mod compare;
mod copy;
mod evidence;
mod identity;
mod judge;
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
mod recognise;
mod recover;
mod remove_pruned;
mod retell;
mod station_bag;
mod wipe;
mod worth;

pub(crate) use compare::compare;
pub(crate) use copy::{
    CopyCheck, hash as hash_copy, hash_all as hash_copies, length as copy_length,
    list as list_segment,
};
pub use identity::{drive_id, is_station, make_drive, stations};
pub use line_reader::{LineReader, Piece};
pub(crate) use log_check::finding as log_finding;
pub(crate) use lost_id::not_as_another;
pub use lost_id::{AddedDrive, add, refuse_forgotten};
pub use manifest::{Listed, read as read_manifest};
pub(crate) use newcomer::{Newcomer, is_refused, may_come_in};
pub use open::{Replica, open_replica};
pub(crate) use open::{note_lost_pages, session_of};
pub use open_options::{Begin, Here, OpenOptions};
pub use present_drives::PresentDrives;
pub(crate) use present_drives::serial_is_read;
pub use wipe::{Wiped, wipe};
