//! Tells once of each message that has been unmirrored for too long. Long is by the monotonic clock: every look
//! at the mailbox leaves a mark, and what was known at a mark and is unmirrored when its time is up is overdue.

use super::reporter::{ReportRequest, run};
use crate::job::catalogue::Overdue;
use crate::model::{StationName, escape};
use serde_json::json;
use std::collections::VecDeque;
use std::time::Duration;
use tokio::time::Instant;

/// Whom to tell, and after what time.
#[derive(Debug, Clone)]
pub struct Notify {
    /// The program, handed one JSON object on its standard input.
    pub request: ReportRequest,
    /// How long a message may be unmirrored.
    pub after: Duration,
}

/// Which messages are asked about: changes with numbers behind `told` and up to `until`; of those that were not
/// settled, the ones first looked at in that span, in monotonic milliseconds.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Span {
    pub told: (u64, i64),
    pub until: (u64, i64),
}

/// A moment, and what was known then.
#[derive(Debug, Clone, Copy)]
struct Checkpoint {
    made: Instant,
    due: Instant,
    known: (u64, i64),
    /// Everything known then is asked about once more.
    all: bool,
}

/// The marks that wait, and what was told.
pub(super) struct OverdueMonitor {
    notify: Option<Notify>,
    marks: VecDeque<Checkpoint>,
    told: (u64, i64),
    /// What was known at the last look.
    known: (u64, i64),
}

/// Before everything that is ever known.
const NOTHING: (u64, i64) = (0, i64::MIN);

impl OverdueMonitor {
    pub(super) fn new(notify: Option<Notify>) -> Self {
        Self { notify, marks: VecDeque::new(), told: NOTHING, known: NOTHING }
    }

    /// The mailbox was looked at: the number of its last change, and the monotonic time in milliseconds. Marks
    /// close to each other become one, so that a message is told of at most a quarter too late, and a busy
    /// mailbox does not wake the daemon at every message's time.
    pub(super) fn looked(&mut self, now: Instant, known: (u64, i64)) {
        self.known = known;
        let Some(notify) = &self.notify else { return };
        let due = now + notify.after;
        match self.marks.back_mut() {
            Some(last) if now - last.made < notify.after / 4 => {
                (last.due, last.known) = (due, known);
            }
            _ => self.marks.push_back(Checkpoint { made: now, due, known, all: false }),
        }
    }

    /// What was mirrored may not be any more, as when a drive was given up: when its time is up, everything known now
    /// is asked about once more.
    pub(super) fn begin_again(&mut self, now: Instant) {
        let Some(notify) = &self.notify else { return };
        let (due, known) = (now + notify.after, self.known);
        self.marks.push_back(Checkpoint { made: now, due, known, all: true });
    }

    /// When the next mark's time is up.
    pub(super) fn deadline(&self) -> Option<Instant> {
        self.marks.front().map(|mark| mark.due)
    }

    /// What is to be asked about now, if a mark's time is up.
    pub(super) fn on_time(&mut self, now: Instant) -> Option<Span> {
        let mark = self.marks.pop_front_if(|mark| mark.due <= now)?;
        let told = std::mem::replace(&mut self.told, mark.known);
        Some(Span { told: if mark.all { NOTHING } else { told }, until: mark.known })
    }

    /// Tells of what is overdue.
    pub(super) fn tell(&self, station: &StationName, overdue: &Overdue) {
        let Some(notify) = self.notify.as_ref().filter(|_| overdue.messages > 0) else { return };
        let first = overdue.first.as_ref().map(|first| {
            json!({
                "mailbox": first.mailbox.as_str(),
                "path": escape::exact(first.path.as_bytes()),
                "first_seen": first.first_seen.to_rfc3339(),
                "from": first.headers.from,
                "subject": first.headers.subject,
            })
        });
        let object = json!({
            "schema": 1,
            "event": "unmirrored",
            "station": station.as_str(),
            "messages": overdue.messages,
            "bytes": overdue.bytes,
            "after_seconds": notify.after.as_secs(),
            "first": first,
        });
        let text = crate::model::escape::in_json(&object.to_string()) + "\n";
        tokio::spawn(run(
            notify.request.clone(),
            text.into_bytes(),
            "nobody could be told of unmirrored mail",
            &[0],
        ));
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const AFTER: Duration = Duration::from_secs(1000);

    fn monitor() -> OverdueMonitor {
        OverdueMonitor::new(Some(Notify { request: ReportRequest::default(), after: AFTER }))
    }

    #[test]
    fn each_message_is_asked_about_once_and_not_before_its_time() {
        let mut monitor = monitor();
        let begin = Instant::now();
        monitor.looked(begin, (3, 10));
        assert_eq!(monitor.on_time(begin + AFTER / 2), None);
        let span = monitor.on_time(begin + AFTER).expect("the time is up");
        assert_eq!((span.told, span.until), ((0, i64::MIN), (3, 10)));
        assert_eq!(monitor.deadline(), None);
        monitor.looked(begin + AFTER, (5, 20));
        let span = monitor.on_time(begin + AFTER * 2).expect("the time is up");
        assert_eq!((span.told, span.until), ((3, 10), (5, 20)));
    }

    /// As when the only drive that had them was given up: what was asked about long ago is asked about once more.
    #[test]
    fn what_may_not_be_mirrored_any_more_is_asked_about_again_in_its_time() {
        let mut monitor = monitor();
        let begin = Instant::now();
        monitor.looked(begin, (3, 10));
        monitor.on_time(begin + AFTER).expect("the time is up");
        monitor.begin_again(begin + AFTER);
        assert_eq!(monitor.on_time(begin + AFTER + AFTER / 2), None);
        let span = monitor.on_time(begin + AFTER * 2).expect("the time is up");
        assert_eq!((span.told, span.until), ((0, i64::MIN), (3, 10)));
        monitor.looked(begin + AFTER * 2, (5, 20));
        let span = monitor.on_time(begin + AFTER * 3).expect("the time is up");
        assert_eq!((span.told, span.until), ((3, 10), (5, 20)));
    }

    #[test]
    fn a_busy_mailbox_makes_few_marks_and_none_is_put_off_for_ever() {
        let mut monitor = monitor();
        let begin = Instant::now();
        for second in 0..1000_u32 {
            monitor.looked(begin + Duration::from_secs(second.into()), (second.into(), 0));
        }
        assert_eq!(monitor.marks.len(), 4);
        let first = monitor.deadline().expect("a mark") - begin;
        assert!(first >= AFTER && first <= AFTER + AFTER / 4, "{first:?}");
    }
}
