//! The options for opening a drive. Only values.

use crate::disk::Access;
use crate::model::{Clock, DriveId, StationName};

/// Whether a place without a drive may be made one.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum NewDrivePolicy {
    /// Yes, unless another drive was there before: then the place is its empty mount point.
    InFolder,
    /// Yes: a device is known to be there.
    OnDevice,
    /// No, and nothing is written to a drive that is not a known one.
    Known,
    /// No.
    Never,
}

/// Returns which other drives are present, at the moment of the call: drives come and go while one is opened.
pub type PresentDriveIds<'a> = dyn Fn() -> Vec<DriveId> + 'a;

/// The options for opening a drive.
pub struct OpenOptions<'a> {
    /// The station whose bag is opened.
    pub station: &'a StationName,
    /// Whether the drive may be written.
    pub access: Access,
    /// Whether a place without a drive may be made one.
    pub begin: NewDrivePolicy,
    /// The drive's name for a person.
    pub label: &'a str,
    /// Its path in raw bytes.
    pub path: &'a [u8],
    /// The id under which a temporary catalogue keeps it, since two drives may claim the same one.
    pub taken_for: Option<DriveId>,
    /// Returns the drives known to be elsewhere at this moment: this one is none of them.
    pub here: &'a PresentDriveIds<'a>,
    /// Where the time comes from.
    pub clock: &'a dyn Clock,
}
