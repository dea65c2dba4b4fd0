//! A station's bag on an open drive, together with the catalogue that remembers it: the context of most functions here.
//! Reads and writes nothing by itself.

use super::copy::{self, CopyCheck};
use crate::disk::Volume;
use crate::job::JobError;
use crate::job::catalogue::Catalogue;
use crate::model::{PayloadName, RelName};

/// The bag of a station.
#[derive(Clone, Copy)]
pub(crate) struct StationBag<'a> {
    /// What this card knows of the drive.
    pub catalogue: &'a Catalogue,
    /// The open drive.
    pub volume: &'a dyn Volume,
    /// The station's folder on it.
    pub dir: &'a RelName,
}

impl StationBag<'_> {
    /// The path of a file of the bag, by its name in the station's folder.
    pub(super) fn file(&self, name: &str) -> RelName {
        self.dir.join(&RelName::fixed(name))
    }

    /// Reads and hashes a copy; `longest` bounds a file that grew without end, in bytes.
    pub(crate) fn hash(&self, payload: PayloadName, longest: u64) -> Result<CopyCheck, JobError> {
        copy::hash(self.volume, self.dir, payload, longest)
    }

    /// The drive's name for a person.
    pub(super) fn shown(&self) -> String {
        self.volume.facts().shown.clone()
    }
}
