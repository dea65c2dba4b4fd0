//! The program's only access to the file system: drives, mailboxes, restore targets, the host's own files.
//! Knows nothing of mail, ledgers or the catalogue; uses `model` for names and bounds only.

pub mod bundled_programs;
mod clear;
mod demo_dir;
mod dir_volume;
mod drive_file;
mod error;
mod folder_id;
pub mod host;
mod mailbox;
pub mod mounts;
mod new_folder;
mod openat;
pub mod ownership;
mod read_ahead;
mod reserved;
mod same_device;
mod staging;
mod stand_in;
mod stoppable;
mod stream;
mod target;
mod target_lock;
mod temporary;
mod volume;
mod walk;

pub use demo_dir::{DemoDir, Files};
pub use dir_volume::{DirVolumeSource, medium_below};
pub use error::{DiskError, ErrorKind};
pub use mailbox::{EntryStat, MailboxDir, MessageFile};
pub use read_ahead::{ReadAhead, ReaderFault};
pub use reserved::{Reserved, ReservedFolders, leads_to};
pub use same_device::{device_use, is_mounted, plain_folder, same_device, serial_below};
pub use staging::{FileAttrs, Owner, Staged, StagingDir};
pub use stand_in::{MemoryFolder, StandIn, trouble};
pub use stoppable::{StopAsked, StoppableVolumeSource};
pub use stream::{Chunks, PrefixHash, hash, read_expected, read_full};
pub use target::{Placing, STAGING, TargetDir, temporary_name};
pub use target_lock::TargetLocks;
pub use temporary::{TemporaryDir, make_dirs, remove_temporary_dirs};
pub use volume::{
    Access, Entry, EntryKind, Lengths, ReadFrom, Sink, Source, Volume, VolumeFacts, VolumeSource,
};
pub use walk::WalkEntry;
