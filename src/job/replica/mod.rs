//! One station's bag on one drive: recognise the drive, load its ledger, repair what a power failure left; scrub,
//! verify and prune its copies. Nothing here renames or truncates a file on a drive, and only `remove_pruned` and
//! `wipe` delete any.

pub mod prune;
pub mod scrub;
pub mod verify;

mod acceptance;
mod append_log;
mod bag_init;
mod compare;
mod copy;
mod evidence;
mod id_recovery;
mod identity;
mod judge;
mod ledger;
mod ledger_admission;
mod ledger_reader;
mod lengths;
mod line_reader;
mod log_check;
mod lost_lines;
mod manifest;
mod match_drive;
mod open;
mod open_options;
mod present_drives;
mod recover;
mod remove_pruned;
mod station_bag;
mod wipe;

pub(crate) use acceptance::{Acceptance, check_acceptance, is_refused};
pub(crate) use compare::compare;
pub(crate) use copy::{
    CopyCheck, CopyLength, NewCopy, hash as hash_copy, length as copy_length, list as list_segment,
    not_as_written,
};
pub(crate) use id_recovery::check_refused;
pub use id_recovery::{AddedDrive, add, refuse_forgotten};
pub use identity::{drive_id, is_station, make_drive, stations};
pub use line_reader::{LineReader, Piece};
pub(crate) use log_check::finding as log_finding;
pub use manifest::{ManifestContents, read as read_manifest};
pub use open::{Replica, open_replica};
pub(crate) use open::{note_lost_pages, session_of};
pub use open_options::{NewDrivePolicy, OpenOptions, PresentDriveIds};
pub use present_drives::PresentDrives;
pub(crate) use present_drives::check_serial;
pub use wipe::{Wiped, wipe};
