//! The communications log: what passed through the station, in the station's own order.
//! Writes nothing anywhere, and leaves nothing out: what is not known of a message is said to be.

use super::catalogue::{Catalogue, CopyState, Counted, LocationRecord};
use super::replica::Replica;
use super::{JobError, headers};
use crate::disk::{ReadFrom, read_full};
use crate::job::catalogue::ContentRowId;
use crate::model::dtg::Span;
use crate::model::limits::HEADER_BYTES;
use crate::model::message::Headers;
use crate::model::{Hasher, Identity, RelName, StationName};
use globset::GlobSet;
use std::path::Path;

/// What is asked for.
pub struct Period<'a> {
    /// The station.
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

/// A message that passed.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct LogEntry {
    /// What it is.
    pub identity: Identity,
    /// Which way it went.
    pub way: Direction,
    /// When the station first saw it, in claimed seconds, and whether something vouched for the clock.
    pub seen: Option<(i64, bool)>,
    /// Its headers; none if nothing that is here has them.
    pub headers: Option<Headers>,
    /// Where it was first; none if only a copy is known, as of a version that another took the place of.
    pub path: Option<RelName>,
    /// It is in this card's mailbox now.
    pub here: bool,
    /// It is a version that looks like damage to the card.
    pub suspect: bool,
}

/// The log.
#[derive(Debug, Default)]
pub struct Traffic {
    /// What passed in the period, in the station's own order.
    pub passed: Vec<LogEntry>,
    /// Messages outside of the period.
    pub outside: u64,
    /// Of them those whose time nothing vouched for: they may belong into it.
    pub outside_unsure: u64,
    /// Some stand by their time of first sight, since only the order of their leaving is known.
    pub some_by_time: bool,
}

/// Makes the log of a period from a catalogue brought up to date. `drives` are here and open: what of the
/// headers is not in the catalogue is read there.
pub fn traffic(
    catalogue: &Catalogue,
    period: &Period<'_>,
    drives: &[&Replica],
) -> Result<Traffic, JobError> {
    let mut log = Traffic::default();
    let mut kept = Vec::new();
    let mut open: Option<EntryBuilder> = None;
    catalogue.each_word(period.station, |word| {
        match &mut open {
            Some(message) if message.content == word.content => message.add(word, period),
            _ => {
                let done = open.replace(EntryBuilder::new(word, period));
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
    let kept = in_order(kept, &mut log);
    for (content, mut passed) in kept {
        if passed.headers.is_none() {
            passed.headers = headers_of(catalogue, period.station, drives, content)?;
        }
        log.passed.push(passed);
    }
    Ok(log)
}

/// A message while the words on it are read.
struct EntryBuilder {
    content: ContentRowId,
    rank: SortKey,
    /// No card before this one knew of it.
    own: bool,
    way: Direction,
    seen: Option<(i64, bool)>,
    path: Option<RelName>,
    here: bool,
    suspect: bool,
}

/// What a message's place in the log goes by.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum SortKey {
    /// Whether an earlier card (0) or this one (1) met it first, and a counter within that.
    Counted(u64, u64),
    /// The claimed time of first sight: nothing counts it.
    ByTime,
}

impl EntryBuilder {
    /// The earliest word comes first, and gives the message its place. For this card's own ones that is the order in
    /// which contents were met: a message is not to move in the log because it was read or deleted.
    fn new(word: LocationRecord, period: &Period<'_>) -> Self {
        let rank = match word.order {
            Counted::Own => SortKey::Counted(1, word.content.order()),
            Counted::Earlier(line) => SortKey::Counted(0, line),
            Counted::Not => SortKey::ByTime,
        };
        let mut message = Self {
            content: word.content,
            rank,
            own: word.order == Counted::Own,
            way: Direction::Unknown,
            seen: None,
            path: None,
            here: false,
            suspect: true,
        };
        message.add(word, period);
        message
    }

    fn add(&mut self, word: LocationRecord, period: &Period<'_>) {
        self.here |= word.here;
        self.seen = self.seen.or(word.seen);
        let Some((_, key)) = word.place else { return };
        self.suspect &= word.suspect;
        let Ok(path) = RelName::from_key(&key) else { return };
        if self.way == Direction::Unknown {
            self.way = way_of(&path, period);
        }
        self.path.get_or_insert(path);
    }

    /// The message, if it belongs into the period. One whose time is not known does: nothing is left out.
    fn end(
        self,
        catalogue: &Catalogue,
        period: &Period<'_>,
        log: &mut Traffic,
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
        let passed = LogEntry {
            identity: known.identity,
            way: self.way,
            seen,
            headers: known.headers,
            suspect: self.suspect && self.path.is_some(),
            path: self.path,
            here: self.here,
        };
        Ok(Some((self.content, self.rank, passed)))
    }
}

/// Whether a path, or a folder it lies in, is one for mail that came in or for mail that went out; one that is
/// both says nothing.
fn way_of(path: &RelName, period: &Period<'_>) -> Direction {
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
fn in_order(
    kept: Vec<(ContentRowId, SortKey, LogEntry)>,
    log: &mut Traffic,
) -> Vec<(ContentRowId, LogEntry)> {
    let (mut counted, mut by_time): (Vec<_>, Vec<_>) =
        kept.into_iter().partition(|(_, rank, _)| *rank != SortKey::ByTime);
    counted.sort_by_key(|(content, rank, _)| match rank {
        SortKey::Counted(generation, count) => (*generation, *count, *content),
        SortKey::ByTime => (u64::MAX, u64::MAX, *content),
    });
    log.some_by_time = !by_time.is_empty();
    by_time.sort_by_key(|(content, _, passed)| (passed.seen.is_none(), passed.seen, *content));
    let vouched =
        counted.iter().any(|(_, _, passed)| passed.seen.is_some_and(|(_, trusted)| trusted));
    let mut by_time = by_time.into_iter().peekable();
    let mut all = Vec::new();
    for (content, _, passed) in counted {
        let mark = passed.seen.filter(|(_, trusted)| *trusted || !vouched);
        while let Some((mark, _)) = mark
            && let Some((content, _, earlier)) =
                by_time.next_if(|(_, _, other)| other.seen.is_some_and(|(seen, _)| seen < mark))
        {
            all.push((content, earlier));
        }
        all.push((content, passed));
    }
    all.extend(by_time.map(|(content, _, passed)| (content, passed)));
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
        // A copy that cannot be read is one that does not help here; verify is there to tell of it.
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
            assert_eq!(way_of(&RelName::new(path).unwrap(), &period), way, "{path}");
        }
    }

    fn passed(
        content: i64,
        rank: SortKey,
        seen: Option<(i64, bool)>,
    ) -> (ContentRowId, SortKey, LogEntry) {
        let identity = Hasher::default().finish();
        let (headers, path) = (None, None);
        let passed = LogEntry {
            identity,
            way: Direction::Unknown,
            seen,
            headers,
            path,
            here: true,
            suspect: false,
        };
        (content.into(), rank, passed)
    }

    fn ordered(kept: Vec<(ContentRowId, SortKey, LogEntry)>) -> (Vec<u64>, bool) {
        let mut log = Traffic::default();
        let contents =
            in_order(kept, &mut log).into_iter().map(|(content, _)| content.order()).collect();
        (contents, log.some_by_time)
    }

    #[test]
    fn counters_come_before_clocks() {
        let by_counter = ordered(vec![
            passed(1, SortKey::Counted(2, 1), Some((10, true))),
            passed(2, SortKey::Counted(1, 9), Some((30, true))),
            passed(3, SortKey::Counted(1, 8), Some((20, false))),
        ]);
        assert_eq!(by_counter, (vec![3, 2, 1], false));
    }

    #[test]
    fn what_has_no_counter_stands_before_what_was_seen_later() {
        let mixed = ordered(vec![
            passed(1, SortKey::Counted(1, 1), Some((10, true))),
            // By a clock that had not been set: no mark, since others are vouched for.
            passed(2, SortKey::Counted(1, 2), Some((99, false))),
            passed(3, SortKey::Counted(1, 3), Some((30, true))),
            passed(4, SortKey::ByTime, Some((40, true))),
            passed(5, SortKey::ByTime, None),
            passed(6, SortKey::ByTime, Some((20, true))),
        ]);
        assert_eq!(mixed, (vec![1, 2, 6, 3, 4, 5], true));
        let unsure = ordered(vec![
            passed(1, SortKey::Counted(1, 1), Some((30, false))),
            passed(2, SortKey::ByTime, Some((20, false))),
        ]);
        assert_eq!(unsure, (vec![2, 1], true));
    }
}
