//! The communications log: what passed through the station, in the station's own order.
//! Writes nothing anywhere, and leaves nothing out: what is not known of a message is said to be.

use crate::disk::{ReadFrom, read_full};
use crate::job::JobError;
use crate::job::catalogue::{Catalogue, ContentRowId, CopyState, LocationRecord, StationOrder};
use crate::job::replica::Replica;
use crate::job::scan::headers;
use crate::model::dtg::Span;
use crate::model::limits::HEADER_BYTES;
use crate::model::message::Headers;
use crate::model::{Hasher, Identity, RelName, StationName};
use globset::GlobSet;
use std::path::Path;

/// What is asked for.
pub struct Period<'a> {
    /// Its bag on a drive is `counterfoil/STATION/`.
    pub station: &'a StationName,
    /// Folders with mail that came in.
    pub received: &'a GlobSet,
    /// Folders with mail that went out.
    pub sent: &'a GlobSet,
    /// The claimed times of first sight that count.
    pub span: Span,
}

/// Which way a message went.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Direction {
    /// To the station.
    Received,
    /// From it.
    Sent,
    /// None of its folders says.
    Unknown,
}

/// A message that entry.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct LogEntry {
    /// SHA-256 and length of the content.
    pub identity: Identity,
    /// Which way it went.
    pub direction: Direction,
    /// When the station first saw it, in claimed seconds, and whether something vouched for the clock.
    pub seen: Option<(i64, bool)>,
    /// Its headers; none if nothing that is here has them.
    pub headers: Option<Headers>,
    /// Where it was first; none if only a copy is known, as of a version that another took the place of.
    pub path: Option<RelName>,
    /// It is in this card's mailbox now.
    pub in_mailbox: bool,
    /// It is a version that looks like damage to the card.
    pub suspect: bool,
}

/// The entries of a period, and what a reader has to know of them.
#[derive(Debug, Default)]
pub struct TrafficLog {
    /// What passed in the period, in the station's own order.
    pub entries: Vec<LogEntry>,
    /// Messages outside of the period.
    pub outside: u64,
    /// Of them those whose time nothing vouched for: they may belong into it.
    pub outside_unsure: u64,
    /// The place of some is by their time of first sight, since only the order in which they left is known.
    pub some_by_time: bool,
}

/// Makes the log of a period from a catalogue brought up to date. `drives` are here and open: what of the
/// headers is not in the catalogue is read there.
pub fn traffic(
    catalogue: &Catalogue,
    period: &Period<'_>,
    drives: &[&Replica],
) -> Result<TrafficLog, JobError> {
    let mut log = TrafficLog::default();
    let mut kept = Vec::new();
    let mut open: Option<EntryBuilder> = None;
    catalogue.each_location_record(period.station, |record| {
        match &mut open {
            Some(message) if message.content == record.content => message.add(record, period),
            _ => {
                let done = open.replace(EntryBuilder::new(record, period));
                kept.extend(
                    done.map(|message| message.end(catalogue, period, &mut log))
                        .transpose()?
                        .flatten(),
                );
            }
        }
        Ok(())
    })?;
    if let Some(last) = open {
        kept.extend(last.end(catalogue, period, &mut log)?);
    }
    let kept = sort_entries(kept, &mut log);
    for (content, mut entry) in kept {
        if entry.headers.is_none() {
            entry.headers = headers_of(catalogue, period.station, drives, content)?;
        }
        log.entries.push(entry);
    }
    Ok(log)
}

/// A message while its records are read.
struct EntryBuilder {
    content: ContentRowId,
    rank: SortKey,
    /// No card before this one knew of it.
    own: bool,
    direction: Direction,
    seen: Option<(i64, bool)>,
    path: Option<RelName>,
    in_mailbox: bool,
    suspect: bool,
}

/// What a message's place in the log goes by.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum SortKey {
    /// Whether an earlier card (0) or this one (1) saw it first, and a counter within that.
    Counted(u64, u64),
    /// The claimed time of first sight: nothing counts it.
    ByTime,
}

impl EntryBuilder {
    /// The earliest record comes first, and gives the message its place. For this card's own ones that is the order in
    /// which contents were seen: a message is not to move in the log because it was read or deleted.
    fn new(record: LocationRecord, period: &Period<'_>) -> Self {
        let rank = match record.order {
            StationOrder::Own => SortKey::Counted(1, record.content.order()),
            StationOrder::Earlier(line) => SortKey::Counted(0, line),
            StationOrder::Not => SortKey::ByTime,
        };
        let mut message = Self {
            content: record.content,
            rank,
            own: record.order == StationOrder::Own,
            direction: Direction::Unknown,
            seen: None,
            path: None,
            in_mailbox: false,
            suspect: true,
        };
        message.add(record, period);
        message
    }

    fn add(&mut self, record: LocationRecord, period: &Period<'_>) {
        self.in_mailbox |= record.here;
        self.seen = self.seen.or(record.seen);
        let Some((_, key)) = record.place else { return };
        self.suspect &= record.suspect;
        let Ok(path) = RelName::from_key(&key) else { return };
        if self.direction == Direction::Unknown {
            self.direction = direction_of(&path, period);
        }
        self.path.get_or_insert(path);
    }

    /// The message, if it belongs into the period. One whose time is not known does: nothing is left out.
    fn end(
        self,
        catalogue: &Catalogue,
        period: &Period<'_>,
        log: &mut TrafficLog,
    ) -> Result<Option<(ContentRowId, SortKey, LogEntry)>, JobError> {
        let known = catalogue.known(self.content)?;
        // The ledgers go back further than this card; its own rows know of times before any drive was there.
        let seen = match self.own {
            true => self.seen.or(known.seen),
            false => known.seen.or(self.seen),
        };
        if let Some((seen, trusted)) = seen
            && !(period.span.from..period.span.until).contains(&seen)
        {
            log.outside += 1;
            log.outside_unsure += u64::from(!trusted);
            return Ok(None);
        }
        let entry = LogEntry {
            identity: known.identity,
            direction: self.direction,
            seen,
            headers: known.headers,
            suspect: self.suspect && self.path.is_some(),
            path: self.path,
            in_mailbox: self.in_mailbox,
        };
        Ok(Some((self.content, self.rank, entry)))
    }
}

/// Whether a path, or a folder it lies in, is one for mail that came in or for mail that went out; one that is
/// both says nothing.
fn direction_of(path: &RelName, period: &Period<'_>) -> Direction {
    let among = |globs: &GlobSet| {
        let folders = path.as_path().ancestors().filter(|folder| *folder != Path::new(""));
        !globs.is_empty() && folders.into_iter().any(|folder| globs.is_match(folder))
    };
    match (among(period.received), among(period.sent)) {
        (true, false) => Direction::Received,
        (false, true) => Direction::Sent,
        _ => Direction::Unknown,
    }
}

/// The station's own order. A message that has no place in it stands before the first one that was seen later:
/// by the clock, since there is nothing else, but only against times that something vouched for if there are any.
fn sort_entries(
    kept: Vec<(ContentRowId, SortKey, LogEntry)>,
    log: &mut TrafficLog,
) -> Vec<(ContentRowId, LogEntry)> {
    let (mut counted, mut by_time): (Vec<_>, Vec<_>) =
        kept.into_iter().partition(|(_, rank, _)| *rank != SortKey::ByTime);
    counted.sort_by_key(|(content, rank, _)| match rank {
        SortKey::Counted(generation, count) => (*generation, *count, *content),
        SortKey::ByTime => (u64::MAX, u64::MAX, *content),
    });
    log.some_by_time = !by_time.is_empty();
    by_time.sort_by_key(|(content, _, entry)| (entry.seen.is_none(), entry.seen, *content));
    let vouched =
        counted.iter().any(|(_, _, entry)| entry.seen.is_some_and(|(_, trusted)| trusted));
    let mut by_time = by_time.into_iter().peekable();
    let mut all = Vec::new();
    for (content, _, entry) in counted {
        let mark = entry.seen.filter(|(_, trusted)| *trusted || !vouched);
        while let Some((mark, _)) = mark
            && let Some((content, _, earlier)) =
                by_time.next_if(|(_, _, other)| other.seen.is_some_and(|(seen, _)| seen < mark))
        {
            all.push((content, earlier));
        }
        all.push((content, entry));
    }
    all.extend(by_time.map(|(content, _, entry)| (content, entry)));
    all
}

/// Headers from a copy on a drive that is here. A copy that is short enough to be read whole is believed only if
/// it is what it should be; of a longer one its beginning is, for display.
pub(super) fn headers_of(
    catalogue: &Catalogue,
    station: &StationName,
    drives: &[&Replica],
    content: ContentRowId,
) -> Result<Option<Headers>, JobError> {
    for (replica, copy) in catalogue.copies_of(station, content)? {
        let Some(drive) = drives.iter().find(|drive| drive.state.row == replica) else { continue };
        if matches!(copy.state, CopyState::Debris | CopyState::Missing) {
            continue;
        }
        let at = drive.dir.join(&copy.name.to_rel());
        // A copy that cannot be read is one that does not help here; verify reports it.
        let Ok(mut source) = drive.volume.read(&at, 0, ReadFrom::Anywhere) else { continue };
        let mut start = vec![0; HEADER_BYTES];
        let Ok(got) = read_full(&mut *source, &mut start) else { continue };
        start.truncate(got);
        if copy.identity.bytes <= HEADER_BYTES as u64 {
            let mut hasher = Hasher::default();
            hasher.update(&start);
            if hasher.finish() != copy.identity {
                continue;
            }
        }
        return Ok(Some(headers::read(&start)));
    }
    Ok(None)
}

#[cfg(test)]
mod tests {
    use super::*;
    use globset::{GlobBuilder, GlobSetBuilder};

    fn globs(texts: &[&str]) -> GlobSet {
        let mut set = GlobSetBuilder::new();
        for text in texts {
            set.add(GlobBuilder::new(text).literal_separator(true).build().unwrap());
        }
        set.build().unwrap()
    }

    #[test]
    fn folders_tell_which_way_mail_went() {
        let (received, sent) = (globs(&["in", "**/inbox", "both"]), globs(&["out/**", "both"]));
        let station = "pier-4".parse().unwrap();
        let span = Span { from: i64::MIN, until: i64::MAX };
        let period = Period { station: &station, received: &received, sent: &sent, span };
        for (path, way) in [
            ("in/1", Direction::Received),
            ("in/new/1", Direction::Received),
            ("a/b/inbox/cur/1", Direction::Received),
            ("out/1", Direction::Sent),
            ("out", Direction::Unknown),
            ("inn/1", Direction::Unknown),
            ("a/in/1", Direction::Unknown),
            ("both/1", Direction::Unknown),
            ("1", Direction::Unknown),
        ] {
            assert_eq!(direction_of(&RelName::new(path).unwrap(), &period), way, "{path}");
        }
    }

    fn entry(
        content: i64,
        rank: SortKey,
        seen: Option<(i64, bool)>,
    ) -> (ContentRowId, SortKey, LogEntry) {
        let identity = Hasher::default().finish();
        let (headers, path) = (None, None);
        let entry = LogEntry {
            identity,
            direction: Direction::Unknown,
            seen,
            headers,
            path,
            in_mailbox: true,
            suspect: false,
        };
        (content.into(), rank, entry)
    }

    fn ordered(kept: Vec<(ContentRowId, SortKey, LogEntry)>) -> (Vec<u64>, bool) {
        let mut log = TrafficLog::default();
        let contents =
            sort_entries(kept, &mut log).into_iter().map(|(content, _)| content.order()).collect();
        (contents, log.some_by_time)
    }

    #[test]
    fn counters_come_before_clocks() {
        let by_counter = ordered(vec![
            entry(1, SortKey::Counted(2, 1), Some((10, true))),
            entry(2, SortKey::Counted(1, 9), Some((30, true))),
            entry(3, SortKey::Counted(1, 8), Some((20, false))),
        ]);
        assert_eq!(by_counter, (vec![3, 2, 1], false));
    }

    #[test]
    fn what_has_no_counter_stands_before_what_was_seen_later() {
        let mixed = ordered(vec![
            entry(1, SortKey::Counted(1, 1), Some((10, true))),
            // By a clock that had not been set: no mark, since others are vouched for.
            entry(2, SortKey::Counted(1, 2), Some((99, false))),
            entry(3, SortKey::Counted(1, 3), Some((30, true))),
            entry(4, SortKey::ByTime, Some((40, true))),
            entry(5, SortKey::ByTime, None),
            entry(6, SortKey::ByTime, Some((20, true))),
        ]);
        assert_eq!(mixed, (vec![1, 2, 6, 3, 4, 5], true));
        let unsure = ordered(vec![
            entry(1, SortKey::Counted(1, 1), Some((30, false))),
            entry(2, SortKey::ByTime, Some((20, false))),
        ]);
        assert_eq!(unsure, (vec![2, 1], true));
    }
}
