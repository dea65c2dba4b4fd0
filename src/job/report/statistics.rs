//! The figures of a report in addition to the plain audit: copies, proofs, how long messages were on the card only,
//! and what they cost on the air. By claimed times, for a person's eye: nothing is ever decided by it.

use crate::job::JobError;
use crate::job::catalogue::{
    Catalogue, ContentRowId, DriveRowId, MailboxRowId, Proof, TrackedMessage,
};
use crate::model::airtime::RadioLink;
use crate::model::limits::{CHART_STEPS, EXPOSURE_INTERVALS_MAX, GROUPS_MAX};
use crate::model::message::SizeBreakdown;
use crate::model::{MailboxName, RelName, StationName, Timestamp};
use serde::Serialize;
use std::collections::{BTreeMap, HashMap, VecDeque};

/// Figures over all messages, from one pass over the catalogue.
#[derive(Debug, Default)]
pub struct Statistics {
    /// How many messages of the mailbox have no good copy on a drive, one, two and so on.
    pub copies: Vec<u64>,
    /// Messages of the mailbox that have a good copy on a drive declared to be elsewhere.
    pub elsewhere: u64,
    /// The message whose latest proof is the oldest: when that was. `None` if there is no proof of some, or no
    /// message.
    pub oldest_proof: Option<Timestamp>,
    /// What is known of the copies of messages in the mailbox, by the drive's row.
    pub drives: BTreeMap<DriveRowId, ProofDates>,
    /// How long messages waited for their first proven copy.
    pub exposure: Exposure,
    /// The sizes of the mailbox's messages by sender, the largest first.
    pub senders: Vec<SizeGroup>,
    /// The same by folder.
    pub folders: Vec<SizeGroup>,
    /// All of them.
    pub whole: SizeGroup,
}

/// The proofs of a drive's copies.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct ProofDates {
    /// Copies of messages in the mailbox.
    pub copies: u64,
    /// Of them read again in a later look than the one that made them.
    pub read_again: u64,
    /// The oldest of their last proofs.
    pub oldest: Timestamp,
    /// The latest.
    pub latest: Timestamp,
}

/// How long messages existed on the card only.
#[derive(Debug, Default, Serialize)]
pub struct Exposure {
    /// Messages whose wait is over and known.
    pub proven: u64,
    /// Messages that still wait.
    pub waiting: u64,
    /// Messages during whose wait the clock was set, so that its length is not known.
    pub unknown: u64,
    /// The longest wait, in seconds, those not over among them.
    #[serde(rename = "worst_seconds")]
    pub worst: Option<u64>,
    /// The wait in the middle, in seconds.
    #[serde(rename = "median_seconds")]
    pub median: Option<u64>,
    /// How many were on the card only, and from when on: steps in order, at most [`CHART_STEPS`].
    pub steps: Vec<(Timestamp, u64)>,
    /// The most at once.
    #[serde(skip)]
    pub most: u64,
    /// Some of the times come from a clock that nothing vouched for.
    #[serde(skip)]
    pub unsure: bool,
}

/// The size of some of the messages.
#[derive(Debug, Clone, Default, PartialEq, Serialize)]
pub struct SizeGroup {
    /// Whose, or which folder's; raw text of mail or of a path.
    pub name: String,
    /// Messages.
    pub messages: u64,
    /// Bytes.
    pub bytes: u64,
    /// What they are made of, as far as it is known.
    #[serde(flatten)]
    pub breakdown: SizeBreakdown,
    /// Seconds on the air, if the link is known.
    #[serde(rename = "airtime_seconds")]
    pub seconds: Option<f64>,
}

impl SizeGroup {
    fn add(&mut self, tracked: &TrackedMessage, seconds: Option<f64>) {
        self.messages += 1;
        self.bytes += tracked.bytes;
        let breakdown = tracked.size_breakdown.unwrap_or_default();
        self.breakdown.body += breakdown.body;
        self.breakdown.quoted += breakdown.quoted;
        self.breakdown.attached += breakdown.attached;
        self.seconds = seconds.map(|seconds| self.seconds.unwrap_or(0.0) + seconds);
    }

    /// Bytes of headers and of the lines between parts.
    pub fn head(&self) -> u64 {
        let SizeBreakdown { body, quoted, attached } = self.breakdown;
        self.bytes.saturating_sub(body + quoted + attached)
    }
}

/// Computes the figures over all messages known.
pub fn compute(
    catalogue: &Catalogue,
    station: &StationName,
    link: &RadioLink,
    now: Timestamp,
) -> Result<Statistics, JobError> {
    let mut statistics = Statistics::default();
    let mut groups = (SizeGroups::default(), SizeGroups::default());
    let mut waits =
        ExposureIntervals { now, last: None, known: VecDeque::new(), open: 0, unsure: false };
    let mut mailboxes: HashMap<MailboxRowId, MailboxName> = HashMap::new();
    let mut oldest: Option<Timestamp> = None;
    let mut unproven = false;
    catalogue.each_tracked(station, |tracked, proofs| {
        waits.add(&tracked);
        if !tracked.is_there {
            return Ok(());
        }
        statistics.take_copies(proofs);
        match proofs.iter().map(|proof| proof.time).max_by_key(|at| at.seconds) {
            Some(latest) if oldest.is_none_or(|old| latest.seconds < old.seconds) => {
                oldest = Some(latest);
            }
            latest => unproven |= latest.is_none(),
        }
        let seconds = link.seconds(tracked.bytes);
        statistics.whole.add(&tracked, seconds);
        groups.0.add(tracked.sender.clone(), &tracked, seconds);
        let mailbox = match mailboxes.get(&tracked.mailbox) {
            Some(name) => name.clone(),
            None => {
                let (name, _) = catalogue.mailbox_name(tracked.mailbox)?;
                mailboxes.insert(tracked.mailbox, name.clone());
                name
            }
        };
        groups.1.add(folder(&mailbox, &tracked.key), &tracked, seconds);
        Ok(())
    })?;
    statistics.oldest_proof = oldest.filter(|_| !unproven);
    statistics.exposure = waits.exposure();
    statistics.senders = groups.0.largest_first();
    statistics.folders = groups.1.largest_first();
    Ok(statistics)
}

impl Statistics {
    fn take_copies(&mut self, proofs: &[Proof]) {
        let mut drives: Vec<DriveRowId> = proofs.iter().map(|proof| proof.drive).collect();
        drives.sort_unstable();
        drives.dedup();
        if self.copies.len() <= drives.len() {
            self.copies.resize(drives.len() + 1, 0);
        }
        self.copies[drives.len()] += 1;
        self.elsewhere += u64::from(proofs.iter().any(|proof| proof.away));
        for proof in proofs {
            let none =
                ProofDates { copies: 0, read_again: 0, oldest: proof.time, latest: proof.time };
            let drive = self.drives.entry(proof.drive).or_insert(none);
            drive.copies += 1;
            drive.read_again += u64::from(proof.read_again);
            drive.oldest = earlier(drive.oldest, proof.time);
            drive.latest = later(drive.latest, proof.time);
        }
    }

    /// The number of drives on which even the message with the fewest good copies has one.
    pub fn fewest(&self) -> u32 {
        self.copies.iter().position(|messages| *messages > 0).unwrap_or(0) as u32
    }
}

fn earlier(a: Timestamp, b: Timestamp) -> Timestamp {
    if b.seconds < a.seconds { b } else { a }
}

fn later(a: Timestamp, b: Timestamp) -> Timestamp {
    if b.seconds > a.seconds { b } else { a }
}

/// The folder of a path, below its mailbox's name.
fn folder(mailbox: &MailboxName, key: &[u8]) -> String {
    let path = RelName::from_key(key).map(|path| path.as_bytes().to_vec()).unwrap_or_default();
    match path.iter().rposition(|&byte| byte == b'/') {
        Some(end) => format!("{mailbox}/{}", String::from_utf8_lossy(&path[..end])),
        None => mailbox.to_string(),
    }
}

/// Groups by name, at most [`GROUPS_MAX`]: what comes later is added up under `(others)`.
#[derive(Default)]
struct SizeGroups(HashMap<String, SizeGroup>);

impl SizeGroups {
    fn add(&mut self, name: String, tracked: &TrackedMessage, seconds: Option<f64>) {
        let name = match self.0.len() < GROUPS_MAX || self.0.contains_key(&name) {
            true => name,
            false => "(others)".to_owned(),
        };
        self.0.entry(name).or_default().add(tracked, seconds);
    }

    fn largest_first(self) -> Vec<SizeGroup> {
        let named = |(name, group): (String, SizeGroup)| SizeGroup { name, ..group };
        let mut groups: Vec<_> = self.0.into_iter().map(named).collect();
        groups.sort_by(|a, b| b.bytes.cmp(&a.bytes).then_with(|| a.name.cmp(&b.name)));
        groups
    }
}

/// From when until when each content was on the card only. Contents come in order, those of several paths one after
/// the other.
struct ExposureIntervals {
    now: Timestamp,
    last: Option<ContentRowId>,
    /// From and until, in claimed seconds; until none: it still waits. The latest contents.
    known: VecDeque<(i64, Option<i64>)>,
    open: u64,
    unsure: bool,
}

impl ExposureIntervals {
    fn add(&mut self, tracked: &TrackedMessage) {
        if tracked.content.is_some() && tracked.content == self.last {
            return;
        }
        self.last = tracked.content;
        let wait = match tracked.proven {
            Some((proven, waited)) => {
                self.unsure |= !proven.trusted;
                let until = proven.time.seconds;
                (until.saturating_sub(waited), Some(until))
            }
            // Gone before any drive had it: its wait has no end that anybody knows.
            None if !tracked.is_there => return,
            None => {
                self.unsure |= !tracked.first_seen.trusted;
                self.open += 1;
                (tracked.first_seen.time.seconds, None)
            }
        };
        if self.known.len() >= EXPOSURE_INTERVALS_MAX {
            self.known.pop_front();
        }
        self.known.push_back(wait);
    }

    fn exposure(self) -> Exposure {
        let now = self.now.seconds;
        let mut exposure =
            Exposure { waiting: self.open, unsure: self.unsure, ..Exposure::default() };
        let mut lengths = Vec::with_capacity(self.known.len());
        let mut edges = Vec::with_capacity(2 * self.known.len());
        for (from, until) in self.known {
            match until.unwrap_or(now).checked_sub(from).map(u64::try_from) {
                Some(Ok(length)) => {
                    lengths.push(length);
                    edges.push((from, 1_i64));
                    edges.extend(until.map(|until| (until, -1)));
                    exposure.proven += u64::from(until.is_some());
                }
                _ => exposure.unknown += 1,
            }
        }
        lengths.sort_unstable();
        exposure.worst = lengths.last().copied();
        exposure.median = lengths.get(lengths.len().saturating_sub(1) / 2).copied();
        edges.sort_unstable();
        let (steps, most) = steps(&edges, now);
        exposure.steps = steps;
        exposure.most = most;
        exposure
    }
}

/// How many were exposed from when on. Where there are more edges than a chart has room for, each of its steps
/// shows the most of its time: a peak is never left out.
fn steps(edges: &[(i64, i64)], now: i64) -> (Vec<(Timestamp, u64)>, u64) {
    let (Some(first), Some(last)) = (edges.first(), edges.last()) else { return (Vec::new(), 0) };
    let (begin, end) = (first.0, last.0.max(now));
    let width = (end.saturating_sub(begin) / CHART_STEPS as i64).max(1);
    let slot = |at: i64| begin + (at - begin) / width * width;
    let mut steps: Vec<(i64, u64)> = Vec::new();
    let (mut count, mut most) = (0_i64, 0_u64);
    let mut edges = edges.iter().peekable();
    while let Some((at, by)) = edges.next() {
        count += by;
        let next = edges.peek().map(|(next, _)| *next);
        if next == Some(*at) {
            continue;
        }
        let exposed = u64::try_from(count).unwrap_or(0);
        most = most.max(exposed);
        match steps.last_mut() {
            // In a slot wider than a second the most counts, and what is left at its end begins the next.
            Some((same, shown)) if *same == slot(*at) && width > 1 => {
                *shown = (*shown).max(exposed);
                let is_last = next.map(slot) != Some(slot(*at));
                if is_last && *shown != exposed {
                    steps.push((slot(*at) + width, exposed));
                }
            }
            _ => steps.push((slot(*at), exposed)),
        }
    }
    let moment = |(seconds, count)| (Timestamp { seconds, nanos: 0 }, count);
    (steps.into_iter().map(moment).collect(), most)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn waits(known: &[(i64, Option<i64>)], now: i64) -> Exposure {
        let open = known.iter().filter(|(_, until)| until.is_none()).count() as u64;
        let known = known.iter().copied().collect();
        ExposureIntervals {
            now: Timestamp { seconds: now, nanos: 0 },
            last: None,
            known,
            open,
            unsure: false,
        }
        .exposure()
    }

    #[test]
    fn the_worst_the_middle_and_the_steps() {
        let exposure = waits(&[(0, Some(10)), (5, Some(10)), (20, None)], 50);
        assert_eq!((exposure.worst, exposure.median), (Some(30), Some(10)));
        assert_eq!((exposure.proven, exposure.waiting, exposure.unknown), (2, 1, 0));
        let steps: Vec<_> = exposure.steps.iter().map(|(at, n)| (at.seconds, *n)).collect();
        assert_eq!(steps, [(0, 1), (5, 2), (10, 0), (20, 1)]);
        assert_eq!(exposure.most, 2);
    }

    #[test]
    fn a_clock_that_was_set_back_meanwhile_makes_a_wait_unknown() {
        let exposure = waits(&[(1_000, Some(10)), (5, Some(6))], 50);
        assert_eq!((exposure.unknown, exposure.worst), (1, Some(1)));
        assert_eq!(waits(&[(i64::MIN, Some(i64::MAX))], 0).unknown, 1);
    }

    #[test]
    fn nothing_has_no_wait() {
        let exposure = waits(&[], 50);
        assert_eq!((exposure.worst, exposure.median, exposure.steps.len()), (None, None, 0));
    }

    #[test]
    fn a_chart_has_room_for_any_history_and_leaves_no_peak_out() {
        let many: Vec<_> = (0..50_000).map(|n| (n * 60, Some(n * 60 + 90))).collect();
        let exposure = waits(&many, 3_000_000);
        assert!(exposure.steps.len() <= 2 * CHART_STEPS + 2, "{}", exposure.steps.len());
        assert_eq!(exposure.most, 2);
        assert!(exposure.steps.iter().any(|(_, n)| *n == 2));
        assert_eq!(exposure.steps.last().map(|(_, n)| *n), Some(0));
        assert!(exposure.steps.is_sorted_by_key(|(at, _)| at.seconds));
    }
}
