//! The daemon's timers in one queue: each is due at a time, not before another, and some at most once in a span. The
//! loop asks in one place which deadline is next.
//! Reads no clock: the caller passes the time.

use crate::model::limits::{
    EXTRAS_AFTER, EXTRAS_EVERY, NEW_FOLDER_RESCAN_AFTER, REPORT_AFTER, REPORT_EVERY,
};
use std::cell::RefCell;
use std::collections::BTreeMap;
use std::time::Duration;
use tokio::time::Instant;

/// What the loop has timers for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Timer {
    /// All mailboxes are scanned whole, and removable drives searched for.
    Scan,
    /// Files that were new or changed at the last scan are checked again: are they stable?
    Confirm,
    /// The mailbox with this number is scanned again, since a folder appeared in it.
    Rescan(usize),
    /// The service manager expects a sign of life.
    Watchdog,
    /// The report is written.
    Report,
    /// A checkpoint of the overdue monitor is reached.
    Overdue,
    /// Until this is over no drive is scrubbed: the last step was faster than its rate allows.
    ScrubPause,
    /// A timer of the drive with this number.
    Drive(usize, DriveTimer),
}

/// What each drive has timers for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum DriveTimer {
    /// Its state has lasted as long as it may: a settling drive is safe, a failed one is tried again.
    State,
    /// Its worker has made no progress for long.
    Stall,
    /// What it carries in addition to the copies is brought up to date.
    Extras,
    /// Its next scrub step.
    Scrub,
}

/// How many requests for one piece of work become few runs of it.
#[derive(Debug, Clone, Copy)]
pub(super) struct Debounce {
    /// A run is due this long after a request.
    after: Duration,
    /// Runs begin at least this far apart.
    every: Duration,
    /// A request puts off the run that is due already, so that it comes only after a quiet time.
    restarts: bool,
}

/// The report: a burst of changes makes one.
pub(super) const REPORT: Debounce =
    Debounce { after: REPORT_AFTER, every: REPORT_EVERY, restarts: false };
/// The extras of a drive: once its mail has come to rest.
pub(super) const EXTRAS: Debounce =
    Debounce { after: EXTRAS_AFTER, every: EXTRAS_EVERY, restarts: true };
/// The second scan of a mailbox after a folder appeared in it.
pub(super) const RESCAN: Debounce =
    Debounce { after: NEW_FOLDER_RESCAN_AFTER, every: Duration::ZERO, restarts: true };

/// A queue of timers, each with a key. All who set timers share it, so it changes through a shared reference.
#[derive(Debug)]
pub(super) struct Timers<K>(RefCell<BTreeMap<K, TimerEntry>>);

#[derive(Debug, Default)]
struct TimerEntry {
    due: Option<Instant>,
    not_before: Option<Instant>,
    /// How long after it fired it is not due again.
    every: Duration,
}

impl TimerEntry {
    fn deadline(&self) -> Option<Instant> {
        self.due.map(|due| self.not_before.map_or(due, |earliest| due.max(earliest)))
    }
}

impl<K> Default for Timers<K> {
    fn default() -> Self {
        Self(RefCell::new(BTreeMap::new()))
    }
}

impl<K: Ord + Clone> Timers<K> {
    /// Makes a timer due at a time instead of any time before; `None` turns it off.
    pub(super) fn set(&self, key: K, due: impl Into<Option<Instant>>) {
        self.0.borrow_mut().entry(key).or_default().due = due.into();
    }

    /// Makes a timer due as its debounce says.
    pub(super) fn request(&self, key: K, now: Instant, debounce: Debounce) {
        let mut entries = self.0.borrow_mut();
        let entry = entries.entry(key).or_default();
        entry.every = debounce.every;
        if debounce.restarts || entry.due.is_none() {
            entry.due = Some(now + debounce.after);
        }
    }

    /// Keeps a timer from firing before a time, whenever it is due.
    pub(super) fn postpone(&self, key: K, not_before: Instant) {
        self.0.borrow_mut().entry(key).or_default().not_before = Some(not_before);
    }

    /// Removes timers for good.
    pub(super) fn remove(&self, which: impl Fn(&K) -> bool) {
        self.0.borrow_mut().retain(|key, _| !which(key));
    }

    /// Whether a timer is due at some time.
    pub(super) fn is_set(&self, key: &K) -> bool {
        self.0.borrow().get(key).is_some_and(|entry| entry.due.is_some())
    }

    /// Whether a debounced timer was ever requested.
    pub(super) fn was_requested(&self, key: &K) -> bool {
        self.0.borrow().contains_key(key)
    }

    /// How many timers there are.
    pub(super) fn len(&self) -> usize {
        self.0.borrow().len()
    }

    /// The next deadline of all timers that may fire now.
    pub(super) fn deadline(&self, may_fire: impl Fn(&K) -> bool) -> Option<Instant> {
        self.first(may_fire).map(|(_, due)| due)
    }

    /// The first timer that is over and may fire. It is off from then on.
    pub(super) fn pop(&self, now: Instant, may_fire: impl Fn(&K) -> bool) -> Option<K> {
        let (key, _) = self.first(may_fire).filter(|(_, due)| *due <= now)?;
        let mut entries = self.0.borrow_mut();
        match entries.get_mut(&key) {
            Some(entry) if !entry.every.is_zero() => {
                (entry.due, entry.not_before) = (None, Some(now + entry.every));
            }
            _ => drop(entries.remove(&key)),
        }
        Some(key)
    }

    fn first(&self, may_fire: impl Fn(&K) -> bool) -> Option<(K, Instant)> {
        let entries = self.0.borrow();
        let due = entries.iter().filter_map(|(key, entry)| Some((key, entry.deadline()?)));
        let first = due.filter(|(key, _)| may_fire(key)).min_by_key(|(_, due)| *due);
        first.map(|(key, due)| (key.clone(), due))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const DRIVE: Timer = Timer::Drive(1, DriveTimer::Extras);

    fn any(_: &Timer) -> bool {
        true
    }

    #[test]
    fn timers_fire_in_the_order_of_their_deadlines_and_once() {
        let (timers, begin) = (Timers::default(), Instant::now());
        let second = Duration::from_secs(1);
        timers.set(Timer::Scan, begin + second * 2);
        timers.set(Timer::Confirm, begin + second);
        timers.set(Timer::Overdue, begin + second * 3);
        timers.set(Timer::Overdue, None);
        assert_eq!(timers.pop(begin, any), None);
        assert_eq!(timers.deadline(any), Some(begin + second));
        let fired = std::iter::from_fn(|| timers.pop(begin + second * 9, any));
        assert_eq!(fired.collect::<Vec<_>>(), [Timer::Confirm, Timer::Scan]);
        assert_eq!(timers.deadline(any), None);
    }

    #[test]
    fn a_timer_that_is_held_or_may_not_fire_waits() {
        let (timers, begin) = (Timers::default(), Instant::now());
        timers.set(Timer::Scan, begin);
        let later = begin + Duration::from_secs(9);
        timers.postpone(Timer::Scan, later);
        assert_eq!(timers.deadline(any), Some(later));
        timers.set(Timer::Scan, begin);
        assert_eq!(timers.pop(begin, any), None, "the hold outlasts a new due time");
        assert_eq!(timers.pop(later, |timer| *timer != Timer::Scan), None);
        assert_eq!(timers.pop(later, any), Some(Timer::Scan));
    }

    #[test]
    fn a_burst_of_changes_is_one_report_and_the_next_waits() {
        let (timers, begin) = (Timers::default(), Instant::now());
        let second = Duration::from_secs(1);
        assert_eq!(timers.deadline(any), None);
        timers.request(Timer::Report, begin, REPORT);
        timers.request(Timer::Report, begin + second, REPORT);
        assert_eq!(timers.deadline(any), Some(begin + REPORT_AFTER));
        let wrote = begin + REPORT_AFTER;
        assert_eq!(timers.pop(wrote, any), Some(Timer::Report));
        timers.request(Timer::Report, wrote + second, REPORT);
        assert_eq!(timers.deadline(any), Some(wrote + REPORT_EVERY));
    }

    #[test]
    fn extras_are_updated_while_the_drive_is_idle_and_not_too_often() {
        let (timers, begin) = (Timers::default(), Instant::now());
        let never = |_: &Timer| false;
        assert!(!timers.was_requested(&DRIVE));
        timers.request(DRIVE, begin, EXTRAS);
        assert_eq!(timers.pop(begin, any), None);
        let due = begin + EXTRAS_AFTER;
        assert_eq!((timers.pop(due, never), timers.deadline(never)), (None, None), "it works");
        assert_eq!(timers.pop(due, any), Some(DRIVE));
        assert_eq!(timers.pop(due, any), None, "once");
        assert!(timers.was_requested(&DRIVE));
        timers.request(DRIVE, due + Duration::from_secs(1), EXTRAS);
        assert_eq!(timers.deadline(any), Some(due + EXTRAS_EVERY));
    }

    #[test]
    fn mail_that_keeps_coming_puts_off_the_extras_until_the_drive_rests() {
        let (timers, begin) = (Timers::default(), Instant::now());
        let second_change = begin + Duration::from_secs(30);
        timers.request(DRIVE, begin, EXTRAS);
        timers.request(DRIVE, second_change, EXTRAS);
        assert_eq!(timers.pop(begin + EXTRAS_AFTER, any), None);
        assert_eq!(timers.pop(second_change + EXTRAS_AFTER, any), Some(DRIVE));
    }
}
