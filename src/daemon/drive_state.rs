//! The state table of a drive: what it does in each state when something happens.
//! Pure: no time is read and nothing is done here.

/// Where a drive stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum DriveState {
    /// Not there.
    Away,
    /// A worker is at it.
    Copying,
    /// Everything is committed; the device is given a second.
    Settling,
    /// Everything is committed, nothing is open: it may be pulled.
    Safe,
    /// There is no room for what waits.
    Full,
    /// It may only be read.
    ReadOnly,
    /// It failed; it is tried again later.
    Failed,
    /// Its owner does not want it used, or it is none of ours.
    LeftAlone,
    /// It was asked back: nothing is done on it until it is mounted anew.
    Released,
    /// It was seen not to keep what it is given: it is only read from.
    Untrusted,
    /// Its operator gave it up: it takes no mail.
    Forgotten,
}

impl DriveState {
    /// The word kept in the catalogue.
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Away => "away",
            Self::Copying => "copying",
            Self::Settling => "settling",
            Self::Safe => "safe",
            Self::Full => "full",
            Self::ReadOnly => "read-only",
            Self::Failed => "failed",
            Self::LeftAlone => "left-alone",
            Self::Released => "released",
            Self::Untrusted => "untrusted",
            Self::Forgotten => "forgotten",
        }
    }
}

/// What happens to a drive.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum DriveEvent {
    /// There may be something to tell it: the mailbox changed, or the drive may have come.
    Wanted,
    /// Its worker is done, and copied something.
    Copied,
    /// Its worker is done; there was nothing to copy.
    NothingNew,
    /// Its worker ran out of room.
    OutOfRoom,
    /// Its worker found that it may only be read.
    WriteProtected,
    /// Its worker found it gone.
    Vanished,
    /// Its worker failed.
    Broke,
    /// Its worker found that it is not wanted.
    Unwanted,
    /// Its worker found that it does not keep what it is given.
    Distrusted,
    /// Its worker found that its operator gave it up.
    GivenUp,
    /// It was asked back, and everything is synced and closed.
    LetGo,
    /// What was let go is not there any more.
    Left,
    /// The time it was given is over.
    TimeUp,
}

/// What is to be done then.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum DriveAction {
    /// Nothing.
    Rest,
    /// Send the worker.
    Work,
    /// Send the worker again as soon as it is back.
    WorkAgain,
    /// Wait a second, then call it safe.
    Settle,
    /// Wait, longer each time, then try again.
    BackOff,
}

/// The table.
pub(super) fn next(state: DriveState, event: DriveEvent) -> (DriveState, DriveAction) {
    use DriveEvent as H;
    use DriveState as S;
    match (state, event) {
        // A worker is never sent twice; whatever came meanwhile is looked at when it is back.
        (S::Copying, H::Wanted) => (S::Copying, DriveAction::WorkAgain),
        // A failed drive waits for its time: news about mail must not make it be hammered.
        (S::Failed, H::Wanted) => (S::Failed, DriveAction::Rest),
        (S::Failed, H::TimeUp) => (S::Copying, DriveAction::Work),
        // Its owner has it: not one byte more until it has been away.
        (S::Released, H::Left) => (S::Away, DriveAction::Rest),
        (S::Released, _) => (S::Released, DriveAction::Rest),
        (_, H::LetGo) => (S::Released, DriveAction::Rest),
        (state, H::Left) => (state, DriveAction::Rest),
        (_, H::Wanted) => (S::Copying, DriveAction::Work),
        (S::Settling, H::TimeUp) => (S::Safe, DriveAction::Rest),
        (state, H::TimeUp) => (state, DriveAction::Rest),
        (_, H::Copied) => (S::Settling, DriveAction::Settle),
        (_, H::NothingNew) => (S::Safe, DriveAction::Rest),
        (_, H::OutOfRoom) => (S::Full, DriveAction::Rest),
        (_, H::WriteProtected) => (S::ReadOnly, DriveAction::Rest),
        (_, H::Vanished) => (S::Away, DriveAction::Rest),
        (_, H::Broke) => (S::Failed, DriveAction::BackOff),
        (_, H::Unwanted) => (S::LeftAlone, DriveAction::Rest),
        (_, H::Distrusted) => (S::Untrusted, DriveAction::Rest),
        (_, H::GivenUp) => (S::Forgotten, DriveAction::Rest),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use DriveEvent as H;
    use DriveState as S;

    fn after(happenings: &[DriveEvent]) -> (DriveState, DriveAction) {
        happenings.iter().fold((S::Away, DriveAction::Rest), |(state, _), h| next(state, *h))
    }

    #[test]
    fn a_drive_that_comes_is_copied_to_and_called_safe_a_second_later() {
        assert_eq!(after(&[H::Wanted]), (S::Copying, DriveAction::Work));
        assert_eq!(after(&[H::Wanted, H::Copied]), (S::Settling, DriveAction::Settle));
        assert_eq!(after(&[H::Wanted, H::Copied, H::TimeUp]), (S::Safe, DriveAction::Rest));
    }

    #[test]
    fn mail_that_comes_while_a_drive_is_copied_to_waits_for_its_worker() {
        assert_eq!(after(&[H::Wanted, H::Wanted]), (S::Copying, DriveAction::WorkAgain));
    }

    #[test]
    fn a_failed_drive_is_not_hammered_and_tried_again_in_its_time() {
        let failed = [H::Wanted, H::Broke];
        assert_eq!(after(&failed), (S::Failed, DriveAction::BackOff));
        assert_eq!(after(&[H::Wanted, H::Broke, H::Wanted]), (S::Failed, DriveAction::Rest));
        assert_eq!(after(&[H::Wanted, H::Broke, H::TimeUp]), (S::Copying, DriveAction::Work));
    }

    #[test]
    fn a_released_drive_is_not_touched_until_it_has_been_away() {
        let released = [H::Wanted, H::Copied, H::LetGo];
        for more in [H::Wanted, H::TimeUp, H::NothingNew, H::Broke] {
            let happenings: Vec<_> = released.into_iter().chain([more]).collect();
            assert_eq!(after(&happenings), (S::Released, DriveAction::Rest), "{more:?}");
        }
        let back: Vec<_> = released.into_iter().chain([H::Left, H::Wanted]).collect();
        assert_eq!(after(&back), (S::Copying, DriveAction::Work));
    }

    #[test]
    fn a_drive_given_up_is_looked_at_again_when_there_is_news_and_no_sooner() {
        let forgotten = [H::Wanted, H::GivenUp];
        assert_eq!(after(&forgotten), (S::Forgotten, DriveAction::Rest));
        assert_eq!(after(&[H::Wanted, H::GivenUp, H::TimeUp]), (S::Forgotten, DriveAction::Rest));
        assert_eq!(after(&[H::Wanted, H::GivenUp, H::Wanted]), (S::Copying, DriveAction::Work));
    }

    #[test]
    fn a_pulled_drive_is_away_until_it_is_wanted_again() {
        assert_eq!(after(&[H::Wanted, H::Vanished]), (S::Away, DriveAction::Rest));
        assert_eq!(after(&[H::Wanted, H::Vanished, H::TimeUp]), (S::Away, DriveAction::Rest));
        assert_eq!(after(&[H::Wanted, H::Vanished, H::Wanted]), (S::Copying, DriveAction::Work));
    }
}
