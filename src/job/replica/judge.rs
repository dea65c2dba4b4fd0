//! The one judge of a copy: compares what was read with what was expected, and derives what follows for the copy, the
//! ledger, a person and the drive. What is done about it is the caller's decision.

use super::copy::{CopyCheck, READ_ERROR};
use crate::job::JobError;
use crate::job::catalogue::{Catalogue, CopyRow, CopyState, ReplicaState};
use crate::model::ledger::Event;
use crate::model::{Finding, Identity};

/// The verdict on a copy: its row in the catalogue, and what was just read.
#[derive(Debug, Clone, Copy)]
pub(crate) struct CopyVerdict {
    copy: CopyRow,
    found: CopyCheck,
}

impl CopyCheck {
    /// Whether this is what was expected.
    pub(crate) fn is(self, expected: &Identity) -> bool {
        self == Self::Is(*expected)
    }

    /// Judges a copy by what was read of it.
    pub(crate) fn judge(self, copy: &CopyRow) -> CopyVerdict {
        CopyVerdict { copy: *copy, found: self }
    }
}

impl CopyVerdict {
    /// The copy, with the state that it had before.
    pub(super) fn copy(&self) -> &CopyRow {
        &self.copy
    }

    /// Whether the copy is what it should be.
    pub(crate) fn is_good(&self) -> bool {
        self.found.is(&self.copy.identity)
    }

    /// Whether the file is not there at all.
    pub(super) fn is_absent(&self) -> bool {
        self.found == CopyCheck::Absent
    }

    /// Whether the medium answered with an error of its own.
    pub(super) fn is_read_error(&self) -> bool {
        self.found.is_read_error()
    }

    /// The copy's state from now on. Debris that is still what it was stays debris.
    pub(super) fn state(&self) -> CopyState {
        let known = self.copy.state.is_whole() || self.copy.state == CopyState::Debris;
        match self.found {
            _ if self.is_good() && known => self.copy.state,
            _ if self.is_good() => CopyState::Good,
            CopyCheck::Absent => CopyState::Missing,
            _ => CopyState::Damaged,
        }
    }

    /// Whether the copy has another state now.
    pub(super) fn is_new(&self) -> bool {
        self.state() != self.copy.state
    }

    /// Whether a copy that counted is lost. Debris is nobody's message: it is no loss when it goes, as after a failed
    /// sync.
    pub(super) fn is_loss(&self) -> bool {
        !self.is_good() && self.copy.state != CopyState::Debris
    }

    /// The line that the ledger needs; none where it says the same already.
    pub(crate) fn event(&self) -> Option<Event> {
        let payload = self.copy.name;
        self.is_new().then(|| match self.found {
            _ if self.is_good() => Event::Sound { payload },
            CopyCheck::Absent => Event::Absent { payload },
            found => Event::Damaged { payload, found: found.digest() },
        })
    }

    /// What a person is shown of a bad copy.
    pub(super) fn finding(&self) -> Option<Finding> {
        let (payload, expected) = (self.copy.name, self.copy.identity.digest);
        match self.found {
            _ if self.is_good() => None,
            CopyCheck::Absent => Some(Finding::Missing { payload }),
            found => Some(Finding::Damaged { payload, expected, found: found.digest() }),
        }
    }

    /// Records what the copy says of its drive: whether it is worn, and whether it gives other bytes than it was given.
    pub(crate) fn note_drive(
        &self,
        catalogue: &Catalogue,
        replica: &ReplicaState,
    ) -> Result<(), JobError> {
        if let (false, CopyCheck::Is(other)) = (self.is_good(), self.found) {
            let (number, should) = (self.copy.name.number, &self.copy.identity);
            catalogue.note_wrong(replica.drive, replica.row, number, should, &other)?;
        }
        self.note_wear(catalogue, replica)
    }

    /// Records only whether the drive is worn: for a copy that was never known to be right on this drive, so that other
    /// bytes in it count against nobody.
    pub(super) fn note_wear(
        &self,
        catalogue: &Catalogue,
        replica: &ReplicaState,
    ) -> Result<(), JobError> {
        match self.is_read_error() {
            true => catalogue.mark_worn(replica.drive, READ_ERROR),
            false => Ok(()),
        }
    }
}
