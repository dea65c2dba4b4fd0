//! Holds back new versions of files that keep changing: at most one copy per `churn`.
//! Bounded: when too many paths change, the oldest are forgotten, and then copied.

use crate::job::catalogue::MailboxRowId;
use crate::model::RelName;
use crate::model::limits::CHURN_PATHS_MAX;
use std::cell::RefCell;
use std::collections::HashMap;

/// When each changing path was last let through, in monotonic milliseconds.
pub(super) struct Churn {
    every: i64,
    last: RefCell<HashMap<(MailboxRowId, RelName), i64>>,
}

impl Churn {
    pub(super) fn new(every: i64) -> Self {
        Self { every, last: RefCell::new(HashMap::new()) }
    }

    /// Whether a new version must wait. One that need not is let through, and counted.
    pub(super) fn holds(&self, mailbox: MailboxRowId, path: &RelName, now: i64) -> bool {
        let mut last = self.last.borrow_mut();
        let key = (mailbox, path.clone());
        if last.get(&key).is_some_and(|at| now - at < self.every) {
            return true;
        }
        last.retain(|_, at| now - *at < self.every);
        if last.len() >= CHURN_PATHS_MAX
            && let Some(oldest) = last.iter().min_by_key(|(_, at)| **at).map(|(key, _)| key.clone())
        {
            last.remove(&oldest);
        }
        last.insert(key, now);
        false
    }

    /// When the first of the paths held may be let through, if any is held at `now`.
    pub(super) fn next(&self, now: i64) -> Option<i64> {
        let last = self.last.borrow();
        last.values().map(|at| at + self.every).filter(|due| *due > now).min()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_path_that_keeps_changing_is_let_through_once_a_span() {
        let churn = Churn::new(600);
        let path = RelName::new("draft").unwrap();
        let held: Vec<_> =
            [0, 10, 599, 600, 900].map(|now| churn.holds(1.into(), &path, now)).into();
        assert_eq!(held, [false, true, true, false, true]);
        assert_eq!(churn.next(900), Some(1200));
        assert_eq!(churn.next(1200), None);
    }

    #[test]
    fn memory_is_bounded() {
        let churn = Churn::new(i64::MAX / 4);
        for n in 0..CHURN_PATHS_MAX + 10 {
            assert!(!churn.holds(1.into(), &RelName::new(format!("{n}")).unwrap(), n as i64));
        }
        assert_eq!(churn.last.borrow().len(), CHURN_PATHS_MAX);
    }
}
