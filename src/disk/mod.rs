//! The only file system access of the program: drives, mailboxes, restore targets, the host.
//! Knows no mail, no ledger and no catalogue; uses `model` for names and bounds only.

mod beneath;
mod clear;
mod error;
mod folder;
pub mod host;
pub mod library;
mod mailbox;
mod memory;
pub mod mounts;
mod new_folder;
pub mod ownership;
mod passing;
mod reserved;
mod same_device;
mod scratch;
mod stand_in;
mod stoppable;
mod target;
mod target_lock;
mod volume;
mod waiting;
mod walk;

pub use error::{DiskError, Trouble};
pub use folder::{DirVolumeSource, medium_below};
pub use mailbox::{EntryStat, MailboxDir, MessageFile, WalkEntry, read_full, read_known};
pub use memory::{MemoryVolumeSource, MemoryDrive};
pub use passing::{TemporaryDir, make_dirs, remove_passing_folders};
pub use reserved::{Reserved, ReservedFolders, leads_to};
pub use same_device::{is_mounted, plain_folder, same_device, serial_below};
pub use scratch::{Files, DemoDir};
pub use stand_in::{MemoryFolder, StandIn, trouble};
pub use stoppable::{StopAsked, StoppableVolumeSource};
pub use target::{Placing, STAGING, TargetDir, passing_name};
pub use target_lock::TargetLocks;
pub use volume::{
    Access, VolumeSource, Entry, EntryKind, Lengths, ReadFrom, Sink, Source, Volume, VolumeFacts,
};
pub use waiting::{FileAttrs, Owner, Staged, StagingDir};
