//! What is asked of an admission. Only values: nothing is looked at here.

use crate::disk::Access;
use crate::model::{Clock, DriveId, StationName};

/// Whether a place without a drive may be made one.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Begin {
    /// Yes, unless another drive was found there before: then the place is its empty mount point.
    InFolder,
    /// Yes: a device is seen to be there.
    OnDevice,
    /// No, and nothing is written to a drive that is not known to be ours.
    Known,
    /// No.
    Never,
}

/// Tells which other drives are here, when it is asked: drives come and go while one is admitted.
pub type Here<'a> = dyn Fn() -> Vec<DriveId> + 'a;

/// What is asked of an admission.
pub struct OpenOptions<'a> {
    /// Whose bag.
    pub station: &'a StationName,
    /// To look, or to write.
    pub access: Access,
    /// Whether a new drive may be begun.
    pub begin: Begin,
    /// How the drive is called.
    pub label: &'a str,
    /// Where it is, raw.
    pub at: &'a [u8],
    /// Kept under this id in a catalogue that is thrown away, since two drives may say the same of themselves.
    pub taken_for: Option<DriveId>,
    /// Tells which other drives are seen to be here at this moment: this one is none of them.
    pub here: &'a Here<'a>,
    /// Time.
    pub clock: &'a dyn Clock,
}
