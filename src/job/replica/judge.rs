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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::disk::ErrorKind;

    const STATES: [CopyState; 6] = [
        CopyState::Claimed,
        CopyState::Good,
        CopyState::Damaged,
        CopyState::Missing,
        CopyState::Debris,
        CopyState::Adopted,
    ];

    fn verdict(state: CopyState, found: CopyCheck) -> CopyVerdict {
        let name = "data/0001/00000042.EML".parse().unwrap();
        found.judge(&CopyRow { name, content: 7.into(), identity: Identity::of(b"mail"), state })
    }

    #[test]
    fn a_right_copy_counts_again_and_needs_a_line_only_if_it_did_not_count() {
        for state in STATES {
            let verdict = verdict(state, CopyCheck::Is(Identity::of(b"mail")));
            let counted = [CopyState::Good, CopyState::Adopted, CopyState::Debris].contains(&state);
            assert!(verdict.is_good() && !verdict.is_loss() && verdict.finding().is_none());
            assert_eq!(verdict.state(), if counted { state } else { CopyState::Good }, "{state:?}");
            let sound = matches!(verdict.event(), Some(Event::Sound { .. }));
            assert_eq!((sound, verdict.is_new()), (!counted, !counted), "{state:?}");
        }
    }

    #[test]
    fn a_bad_copy_needs_a_line_unless_it_is_known_to_be_as_bad() {
        let other = Identity::of(b"male");
        for (found, state, digest) in [
            (CopyCheck::Is(other), CopyState::Damaged, Some(other.digest)),
            (CopyCheck::Unreadable(ErrorKind::Failing), CopyState::Damaged, None),
            (CopyCheck::Unreadable(ErrorKind::Refused), CopyState::Damaged, None),
            (CopyCheck::OtherLength, CopyState::Damaged, None),
            (CopyCheck::Absent, CopyState::Missing, None),
        ] {
            for before in STATES {
                let verdict = verdict(before, found);
                let payload = verdict.copy().name;
                assert!(!verdict.is_good());
                assert_eq!(verdict.state(), state);
                assert_eq!(verdict.is_loss(), before != CopyState::Debris);
                let expected = verdict.copy().identity.digest;
                let (event, finding) = match state {
                    CopyState::Missing => (Event::Absent { payload }, Finding::Missing { payload }),
                    _ => (
                        Event::Damaged { payload, found: digest },
                        Finding::Damaged { payload, expected, found: digest },
                    ),
                };
                assert_eq!(verdict.event(), (before != state).then_some(event), "{before:?}");
                assert_eq!(verdict.finding(), Some(finding));
            }
        }
        assert!(
            verdict(CopyState::Good, CopyCheck::Unreadable(ErrorKind::Failing)).is_read_error()
        );
        assert!(
            !verdict(CopyState::Good, CopyCheck::Unreadable(ErrorKind::Refused)).is_read_error()
        );
    }
}
