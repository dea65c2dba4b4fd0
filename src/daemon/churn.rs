//! Holds back new versions of files that keep changing: at most one copy of each in the span `churn`.
//! Bounded: when too many paths change, the oldest are forgotten, and their next version is copied.

use super::timers::Timers;
use crate::job::catalogue::MailboxRowId;
use crate::model::RelName;
use crate::model::limits::CHURN_PATHS_MAX;
use std::time::Duration;
use tokio::time::Instant;

/// The paths that are held back, each with the time when its next version may be copied.
pub(super) struct Churn {
    every: Duration,
    held: Timers<(MailboxRowId, RelName)>,
}

impl Churn {
    pub(super) fn new(every: Duration) -> Self {
        Self { every, held: Timers::default() }
    }

    /// Whether a new version must wait. One that need not may be copied now, and its path is held back from then on.
    pub(super) fn must_wait(&self, mailbox: MailboxRowId, path: &RelName, now: Instant) -> bool {
        let key = (mailbox, path.clone());
        let first_due = self.next(now);
        if self.held.is_set(&key) {
            return true;
        }
        if let Some(first_due) = first_due.filter(|_| self.held.len() >= CHURN_PATHS_MAX) {
            self.held.pop(first_due, |_| true);
        }
        self.held.set(key, now + self.every);
        false
    }

    /// When the first of the paths held back at `now` may be copied again.
    pub(super) fn next(&self, now: Instant) -> Option<Instant> {
        while self.held.pop(now, |_| true).is_some() {}
        self.held.deadline(|_| true)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_path_that_keeps_changing_is_let_through_once_a_span() {
        let (begin, at) = (Instant::now(), Duration::from_millis);
        let churn = Churn::new(at(600));
        let path = RelName::new("draft").unwrap();
        let held: Vec<_> = [0, 10, 599, 600, 900]
            .map(|now| churn.must_wait(1.into(), &path, begin + at(now)))
            .into();
        assert_eq!(held, [false, true, true, false, true]);
        assert_eq!(churn.next(begin + at(900)), Some(begin + at(1200)));
        assert_eq!(churn.next(begin + at(1200)), None);
    }

    #[test]
    fn memory_is_bounded() {
        let (begin, span) = (Instant::now(), Duration::from_secs(1 << 30));
        let churn = Churn::new(span);
        for n in 0..CHURN_PATHS_MAX + 10 {
            let now = begin + Duration::from_millis(n as u64);
            assert!(!churn.must_wait(1.into(), &RelName::new(format!("{n}")).unwrap(), now));
        }
        assert_eq!(churn.held.len(), CHURN_PATHS_MAX);
    }
}
