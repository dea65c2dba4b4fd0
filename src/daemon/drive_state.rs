//! The state table of a drive: its next state, and what is done then, for each event.
//! Pure: it reads no time and does nothing itself.

use crate::disk::{ErrorKind, VolumeFacts};
use crate::job::JobError;
use crate::job::sync_drive::SyncOutcome;
use crate::model::Reason;

/// The state of a drive.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum DriveState {
    /// It is not there.
    Away,
    /// Its worker is syncing it.
    Copying,
    /// Everything is committed; the device is given a second.
    Settling,
    /// Everything is committed and nothing is open: it may be pulled.
    Safe,
    /// It has no room for the messages that it lacks.
    Full,
    /// It can only be read.
    ReadOnly,
    /// Its sync failed; it is tried again later.
    Failed,
    /// It is not ours, or its owner does not want it used.
    LeftAlone,
    /// Its operator asked for it: nothing is done on it until it is mounted anew. These are the facts of what was
    /// released.
    Released(VolumeFacts),
    /// It was found not to keep what it is given: it is only read from.
    Untrusted,
    /// Its operator gave it up: no mail is written to it.
    Forgotten,
}

impl DriveState {
    /// The state as the catalogue stores it.
    pub fn as_str(&self) -> &'static str {
        match self {
            Self::Away => "away",
            Self::Copying => "copying",
            Self::Settling => "settling",
            Self::Safe => "safe",
            Self::Full => "full",
            Self::ReadOnly => "read-only",
            Self::Failed => "failed",
            Self::LeftAlone => "left-alone",
            Self::Released(_) => "released",
            Self::Untrusted => "untrusted",
            Self::Forgotten => "forgotten",
        }
    }
}

/// What can happen to a drive.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum DriveEvent {
    /// There may be something to write: the mailbox changed, or the drive may have come.
    SyncRequested,
    /// The sync copied something.
    Copied,
    /// The sync found nothing to copy.
    NothingNew,
    /// The sync ran out of room.
    OutOfRoom,
    /// The drive can only be read.
    WriteProtected,
    /// The drive is gone.
    Vanished,
    /// The sync failed.
    Failed,
    /// The drive is not to be used.
    Rejected,
    /// The drive does not keep what it is given.
    Distrusted,
    /// The operator gave the drive up.
    Forgotten,
    /// The operator asked for the drive, and everything is synced and closed.
    Released(VolumeFacts),
    /// What was released is not there any more.
    Removed,
    /// The time of the state is over.
    TimerExpired,
}

impl DriveEvent {
    /// What the outcome of a sync means for the state of its drive.
    pub(super) fn of_sync(sync: &SyncOutcome) -> Self {
        match &sync.outcome {
            Ok(report) if report.failed.iter().any(|f| f.reason == Reason::DriveFull) => {
                Self::OutOfRoom
            }
            Ok(report) if report.batches > 0 => Self::Copied,
            Ok(_) => Self::NothingNew,
            Err(error) => Self::of_error(error),
        }
    }

    /// The same of an error.
    pub(super) fn of_error(error: &JobError) -> Self {
        match error.trouble() {
            _ if matches!(error, JobError::Forgotten { .. }) => Self::Forgotten,
            ErrorKind::Gone => Self::Vanished,
            ErrorKind::ReadOnly => Self::WriteProtected,
            ErrorKind::Full => Self::OutOfRoom,
            ErrorKind::NotAccepted => Self::Rejected,
            ErrorKind::Untrusted => Self::Distrusted,
            _ => Self::Failed,
        }
    }
}

/// What is done then.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum DriveAction {
    /// Nothing.
    Nothing,
    /// Start a sync.
    Sync,
    /// Start another sync as soon as this one has ended.
    SyncAgain,
    /// Wait a second, then call it safe.
    Settle,
    /// Record that it is safe.
    RecordSafe,
    /// Wait, longer after each failure, then try again.
    BackOff,
}

/// The state table: the first row that fits counts.
pub(super) fn next(state: DriveState, event: DriveEvent) -> (DriveState, DriveAction) {
    use DriveEvent as E;
    use DriveState as S;
    match (state, event) {
        // A drive has one sync at a time; the next one sees whatever came meanwhile.
        (S::Copying, E::SyncRequested) => (S::Copying, DriveAction::SyncAgain),
        // A failed drive waits for its time: new mail is no reason to try it in quick succession.
        (S::Failed, E::SyncRequested) => (S::Failed, DriveAction::Nothing),
        (S::Failed, E::TimerExpired) => (S::Copying, DriveAction::Sync),
        // Its owner has it: not one byte more until it has been away.
        (S::Released(_), E::Removed) => (S::Away, DriveAction::Nothing),
        (S::Released(facts), _) => (S::Released(facts), DriveAction::Nothing),
        (_, E::Released(facts)) => (S::Released(facts), DriveAction::Nothing),
        (state, E::Removed) => (state, DriveAction::Nothing),
        (_, E::SyncRequested) => (S::Copying, DriveAction::Sync),
        (S::Settling, E::TimerExpired) => (S::Safe, DriveAction::RecordSafe),
        (state, E::TimerExpired) => (state, DriveAction::Nothing),
        (_, E::Copied) => (S::Settling, DriveAction::Settle),
        (_, E::NothingNew) => (S::Safe, DriveAction::Nothing),
        (_, E::OutOfRoom) => (S::Full, DriveAction::Nothing),
        (_, E::WriteProtected) => (S::ReadOnly, DriveAction::Nothing),
        (_, E::Vanished) => (S::Away, DriveAction::Nothing),
        (_, E::Failed) => (S::Failed, DriveAction::BackOff),
        (_, E::Rejected) => (S::LeftAlone, DriveAction::Nothing),
        (_, E::Distrusted) => (S::Untrusted, DriveAction::Nothing),
        (_, E::Forgotten) => (S::Forgotten, DriveAction::Nothing),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::model::Medium;
    use DriveEvent as E;
    use DriveState as S;

    fn after(events: &[DriveEvent]) -> (DriveState, DriveAction) {
        let begin = (S::Away, DriveAction::Nothing);
        events.iter().cloned().fold(begin, |(state, _), event| next(state, event))
    }

    fn facts() -> VolumeFacts {
        VolumeFacts {
            shown: "stick".into(),
            mount: "1".into(),
            longest_file: 1,
            read_only: false,
            readers: 1,
            device: 1,
            root: 1,
            serial: None,
            medium: Medium::Usb,
        }
    }

    #[test]
    fn a_drive_that_comes_is_copied_to_and_called_safe_a_second_later() {
        assert_eq!(after(&[E::SyncRequested]), (S::Copying, DriveAction::Sync));
        assert_eq!(after(&[E::SyncRequested, E::Copied]), (S::Settling, DriveAction::Settle));
        assert_eq!(
            after(&[E::SyncRequested, E::Copied, E::TimerExpired]),
            (S::Safe, DriveAction::RecordSafe)
        );
    }

    #[test]
    fn mail_that_comes_while_a_drive_is_copied_to_waits_for_its_worker() {
        assert_eq!(
            after(&[E::SyncRequested, E::SyncRequested]),
            (S::Copying, DriveAction::SyncAgain)
        );
    }

    #[test]
    fn a_failed_drive_is_not_hammered_and_tried_again_in_its_time() {
        let failed = [E::SyncRequested, E::Failed];
        assert_eq!(after(&failed), (S::Failed, DriveAction::BackOff));
        assert_eq!(
            after(&[E::SyncRequested, E::Failed, E::SyncRequested]),
            (S::Failed, DriveAction::Nothing)
        );
        assert_eq!(
            after(&[E::SyncRequested, E::Failed, E::TimerExpired]),
            (S::Copying, DriveAction::Sync)
        );
    }

    #[test]
    fn a_released_drive_is_not_touched_until_it_has_been_away() {
        let released = [E::SyncRequested, E::Copied, E::Released(facts())];
        for more in [E::SyncRequested, E::TimerExpired, E::NothingNew, E::Failed] {
            let events: Vec<_> = released.iter().cloned().chain([more.clone()]).collect();
            assert_eq!(after(&events), (S::Released(facts()), DriveAction::Nothing), "{more:?}");
        }
        let back: Vec<_> = released.iter().cloned().chain([E::Removed, E::SyncRequested]).collect();
        assert_eq!(after(&back), (S::Copying, DriveAction::Sync));
    }

    #[test]
    fn a_drive_given_up_is_synced_again_when_there_is_news_and_no_sooner() {
        let forgotten = [E::SyncRequested, E::Forgotten];
        assert_eq!(after(&forgotten), (S::Forgotten, DriveAction::Nothing));
        assert_eq!(
            after(&[E::SyncRequested, E::Forgotten, E::TimerExpired]),
            (S::Forgotten, DriveAction::Nothing)
        );
        assert_eq!(
            after(&[E::SyncRequested, E::Forgotten, E::SyncRequested]),
            (S::Copying, DriveAction::Sync)
        );
    }

    #[test]
    fn a_pulled_drive_is_away_until_a_sync_is_requested() {
        assert_eq!(after(&[E::SyncRequested, E::Vanished]), (S::Away, DriveAction::Nothing));
        assert_eq!(
            after(&[E::SyncRequested, E::Vanished, E::TimerExpired]),
            (S::Away, DriveAction::Nothing)
        );
        assert_eq!(
            after(&[E::SyncRequested, E::Vanished, E::SyncRequested]),
            (S::Copying, DriveAction::Sync)
        );
    }
}
