//! Reports each message once that has been unmirrored for too long. The time is measured by the monotonic clock: every
//! scan leaves a checkpoint, and what was known at a checkpoint and is still unmirrored when its time is up is overdue.

use super::reporter::{ReportRequest, run};
use super::timers::{Timer, Timers};
use crate::job::catalogue::Overdue;
use crate::job::report::card_use::CardUse;
use crate::model::{StationName, escape};
use serde_json::json;
use std::collections::VecDeque;
use std::path::PathBuf;
use std::time::Duration;
use tokio::time::Instant;

/// Who is notified of overdue messages, and after what time.
#[derive(Debug, Clone)]
pub struct NotifyCommand {
    /// The program, handed one JSON object on its standard input.
    pub request: ReportRequest,
    /// How long a message may be unmirrored.
    pub after: Duration,
    /// The first mailbox: a worn card is reported too.
    pub mailbox: PathBuf,
}

/// What was known at a time: the number of the last change, and that time in monotonic milliseconds.
type ChangeAtTime = (u64, i64);

/// Which messages are checked: those whose change has a number above `after` and up to `until`; of those that are not
/// known to be stable, the ones that a scan first saw in that span of time.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct CheckpointSpan {
    pub after: ChangeAtTime,
    pub until: ChangeAtTime,
}

/// A time, and what was known then.
#[derive(Debug, Clone, Copy)]
struct Checkpoint {
    made: Instant,
    due: Instant,
    known: ChangeAtTime,
    /// Everything known then is checked once more.
    all: bool,
}

/// The checkpoints that are not due yet, and up to where messages were checked.
pub(super) struct OverdueMonitor<'a> {
    notify: Option<NotifyCommand>,
    /// In the order in which they are due.
    checkpoints: VecDeque<Checkpoint>,
    checked: ChangeAtTime,
    /// What was known at the last scan.
    known: ChangeAtTime,
    timers: &'a Timers<Timer>,
}

/// Before everything that is ever known.
const NOTHING: ChangeAtTime = (0, i64::MIN);

impl<'a> OverdueMonitor<'a> {
    pub(super) fn new(notify: Option<NotifyCommand>, timers: &'a Timers<Timer>) -> Self {
        let checkpoints = VecDeque::new();
        Self { notify, checkpoints, checked: NOTHING, known: NOTHING, timers }
    }

    /// A mailbox was scanned. Checkpoints close to each other become one, so that a message is reported at most a
    /// quarter of the time too late, and a busy mailbox does not wake the daemon once for every message.
    pub(super) fn scanned(&mut self, now: Instant, known: ChangeAtTime) {
        self.known = known;
        let Some(notify) = &self.notify else { return };
        let due = now + notify.after;
        match self.checkpoints.back_mut() {
            Some(last) if now - last.made < notify.after / 4 => {
                (last.due, last.known) = (due, known);
            }
            _ => self.checkpoints.push_back(Checkpoint { made: now, due, known, all: false }),
        }
        self.set_timer();
    }

    /// What was mirrored may not be any more, as when a drive was given up: when its time is up, everything known now
    /// is checked once more.
    pub(super) fn begin_again(&mut self, now: Instant) {
        let Some(notify) = &self.notify else { return };
        let (due, known) = (now + notify.after, self.known);
        self.checkpoints.push_back(Checkpoint { made: now, due, known, all: true });
        self.set_timer();
    }

    fn set_timer(&self) {
        self.timers.set(Timer::Overdue, self.checkpoints.front().map(|first| first.due));
    }

    /// The timer has fired: what is to be checked now.
    pub(super) fn on_timer(&mut self) -> Option<CheckpointSpan> {
        let checkpoint = self.checkpoints.pop_front()?;
        self.set_timer();
        let after = std::mem::replace(&mut self.checked, checkpoint.known);
        let after = if checkpoint.all { NOTHING } else { after };
        Some(CheckpointSpan { after, until: checkpoint.known })
    }

    /// Runs the program that notifies of what is overdue.
    pub(super) fn notify(&self, station: &StationName, overdue: &Overdue) {
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
            "card_worn": CardUse::of(&notify.mailbox, None).is_worn,
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

    fn monitor(timers: &Timers<Timer>) -> OverdueMonitor<'_> {
        let notify = NotifyCommand {
            request: ReportRequest::default(),
            after: AFTER,
            mailbox: PathBuf::new(),
        };
        OverdueMonitor::new(Some(notify), timers)
    }

    fn on_time(monitor: &mut OverdueMonitor<'_>, now: Instant) -> Option<CheckpointSpan> {
        monitor.timers.pop(now, |_| true).and_then(|_| monitor.on_timer())
    }

    #[test]
    fn each_message_is_checked_once_and_not_before_its_time() {
        let timers = Timers::default();
        let mut monitor = monitor(&timers);
        let begin = Instant::now();
        monitor.scanned(begin, (3, 10));
        assert_eq!(on_time(&mut monitor, begin + AFTER / 2), None);
        let span = on_time(&mut monitor, begin + AFTER).expect("the time is up");
        assert_eq!((span.after, span.until), ((0, i64::MIN), (3, 10)));
        assert_eq!(timers.deadline(|_| true), None);
        monitor.scanned(begin + AFTER, (5, 20));
        let span = on_time(&mut monitor, begin + AFTER * 2).expect("the time is up");
        assert_eq!((span.after, span.until), ((3, 10), (5, 20)));
    }

    /// As when the only drive that had them was given up: what was checked long ago is checked once more.
    #[test]
    fn what_may_not_be_mirrored_any_more_is_checked_again_in_its_time() {
        let timers = Timers::default();
        let mut monitor = monitor(&timers);
        let begin = Instant::now();
        monitor.scanned(begin, (3, 10));
        on_time(&mut monitor, begin + AFTER).expect("the time is up");
        monitor.begin_again(begin + AFTER);
        assert_eq!(on_time(&mut monitor, begin + AFTER + AFTER / 2), None);
        let span = on_time(&mut monitor, begin + AFTER * 2).expect("the time is up");
        assert_eq!((span.after, span.until), ((0, i64::MIN), (3, 10)));
        monitor.scanned(begin + AFTER * 2, (5, 20));
        let span = on_time(&mut monitor, begin + AFTER * 3).expect("the time is up");
        assert_eq!((span.after, span.until), ((3, 10), (5, 20)));
    }

    #[test]
    fn a_busy_mailbox_makes_few_checkpoints_and_none_is_put_off_for_ever() {
        let timers = Timers::default();
        let mut monitor = monitor(&timers);
        let begin = Instant::now();
        for second in 0..1000_u32 {
            monitor.scanned(begin + Duration::from_secs(second.into()), (second.into(), 0));
        }
        assert_eq!(monitor.checkpoints.len(), 4);
        let first = timers.deadline(|_| true).expect("a checkpoint") - begin;
        assert!(first >= AFTER && first <= AFTER + AFTER / 4, "{first:?}");
    }
}
