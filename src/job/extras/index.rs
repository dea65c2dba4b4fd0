//! The list of a drive's messages, in pages of a month or of a part of one: what is on it is in the list, whatever
//! became of it since. The same messages always give the same pages, byte for byte: so that nothing is written when
//! nothing changed.
//!
//! A month's part 1 is its oldest, and a page knows of no other but its two neighbours: new mail changes the latest
//! page, and one more when a new page begins; not all that are there.

use super::overwrite::ExtrasWriter;
use crate::disk::{EntryKind, ReadFrom, read_full};
use crate::job::catalogue::{
    Catalogue, CopyRow, CopyState, DatedCopy, LastLocation, LocationStatus,
};
use crate::job::replica::Replica;
use crate::job::{JobError, headers};
use crate::model::limits::{
    DRIVE_FOLDER_ENTRIES, HEADER_BYTES, INDEX_FOLDER_CHARS, INDEX_HEADERS_KEPT, INDEX_LATEST,
    INDEX_MONTHS_MAX, INDEX_PAGE_MESSAGES,
};
use crate::model::message::Headers;
use crate::model::{PayloadName, RelName, StationName, Timestamp, bag, escape};
use std::collections::{BTreeMap, BTreeSet, HashMap};

/// What stands at the head of a page while it is written. What is left of the page is no part of what is shown.
const TORN_PAGE: &str = "<!DOCTYPE html><html lang=\"en\"><title>Being written</title><p>This page was being written \
                         when the drive was pulled or the power went. The messages are whole, in the folder \
                         <a href=\"data\">data</a>. It is made anew when the drive is at the station again.<!--";

/// Which page of the list: a part of a month.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub struct PageId<'a> {
    /// As `2026-11`, or [`bag::UNDATED`].
    pub month: &'a str,
    /// From 1, the oldest.
    pub part: u32,
}

/// A page, as the first page lists it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct IndexEntry<'a> {
    /// Which.
    pub page_id: PageId<'a>,
    /// How many messages.
    pub messages: u64,
    /// The times of its first and its last message, in claimed seconds; none where they do not belong together.
    pub span: Option<(i64, i64)>,
}

/// What there is to say of a message in addition to what it is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Note {
    /// Its deletion was seen.
    Removed,
    /// It was found missing from the mailbox.
    Vanished,
    /// Its copy was found damaged.
    Damaged,
    /// Its copy was not there any more.
    Missing,
    /// A later version has its place.
    Replaced,
    /// No line of the ledger says where it belongs.
    NoPlace,
    /// It looks like what a power failure left of a copy.
    Debris,
}

/// A message in the list.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct IndexedMessage {
    /// Its copy.
    pub payload: PayloadName,
    /// Bytes.
    pub bytes: u64,
    /// Its headers, as far as they can be read.
    pub headers: Headers,
    /// When it was first seen, in claimed seconds.
    pub seen: Option<i64>,
    /// Its folder, or several.
    pub folder: String,
    /// What else is to be said.
    pub marks: Vec<Note>,
}

/// A page of the list.
pub enum Page<'a> {
    /// The first.
    First {
        /// The station.
        station: &'a StationName,
        /// All others, those of a month together, the latest first.
        entries: &'a [IndexEntry<'a>],
        /// The latest messages, the latest first.
        latest: Vec<IndexedMessage>,
    },
    /// A part of a month.
    Part {
        /// The station.
        station: &'a StationName,
        /// Which.
        page_id: PageId<'a>,
        /// The page before it in time, perhaps of another month.
        earlier: Option<PageId<'a>>,
        /// The page after it in time.
        later: Option<PageId<'a>>,
        /// Its messages, the latest first.
        messages: Vec<IndexedMessage>,
    },
}

/// Writes a page.
pub trait Pages: Send + Sync {
    /// The whole page, the same for the same messages.
    fn page(&self, page: &Page<'_>) -> String;

    /// Messages on a page at most, at least 1: a month of more is in parts.
    fn messages_a_page(&self) -> usize {
        INDEX_PAGE_MESSAGES
    }
}

/// A message before its details are read, in the order of the list.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
struct IndexKey {
    /// When it is of, in claimed seconds; the least number where that is not known.
    at: i64,
    number: u32,
    /// It keeps its place all the same: else whatever is pruned would change every page after it.
    given_up: bool,
}

pub(super) fn write(
    catalogue: &Catalogue,
    drive: &Replica,
    station: &StationName,
    pages: &dyn Pages,
    extras: &mut ExtrasWriter<'_>,
) -> Result<(), JobError> {
    let mut list = MessageIndex { catalogue, drive, read: HashMap::new() };
    let by_month = list.by_month(extras)?;
    let page_ids = page_ids(&by_month, pages.messages_a_page());
    for (at, (page_id, index_keys)) in page_ids.iter().enumerate() {
        if extras.stops() {
            return Ok(());
        }
        // What has no date is neither before nor after what has one.
        let is_beside =
            |other: &PageId<'_>| (other.month == bag::UNDATED) == (page_id.month == bag::UNDATED);
        let beside = |at: Option<usize>| {
            at.and_then(|at| page_ids.get(at)).map(|(page_id, _)| *page_id).filter(is_beside)
        };
        let (earlier, later) = (beside(Some(at + 1)), beside(at.checked_sub(1)));
        let messages = list.copy_at(index_keys.iter().rev())?;
        let page = Page::Part { station, page_id: *page_id, earlier, later, messages };
        put(drive, &bag::index_page(page_id.month, page_id.part), pages.page(&page), extras)?;
    }
    if extras.stops() {
        return Ok(());
    }
    let entries: Vec<_> =
        page_ids.iter().map(|(page_id, index_keys)| entry(*page_id, index_keys)).collect();
    let latest = page_ids.iter().flat_map(|(_, index_keys)| index_keys.iter().rev());
    let latest = list.copy_at(latest.filter(|index_key| !index_key.given_up).take(INDEX_LATEST))?;
    let first = Page::First { station, entries: &entries, latest };
    put(drive, &RelName::fixed(bag::INDEX), pages.page(&first), extras)?;
    for (month, part) in left_over(drive, page_ids.iter().map(|(page_id, _)| *page_id).collect())? {
        let page_id = PageId { month: &month, part };
        let page =
            Page::Part { station, page_id, earlier: None, later: None, messages: Vec::new() };
        put(drive, &bag::index_page(&month, part), pages.page(&page), extras)?;
    }
    Ok(())
}

/// All pages but the first, the latest first, each with its messages. What has no date is last by its name alone.
fn page_ids(
    by_month: &BTreeMap<String, Vec<IndexKey>>,
    most: usize,
) -> Vec<(PageId<'_>, &[IndexKey])> {
    let dated = by_month.iter().rev().filter(|(month, _)| *month != bag::UNDATED);
    let months = dated.chain(by_month.get_key_value(bag::UNDATED));
    let parts = months.flat_map(|(month, index_keys)| {
        let parts = index_keys.chunks(most).zip(1..).collect::<Vec<_>>().into_iter().rev();
        parts.map(move |(index_keys, part)| (PageId { month, part }, index_keys))
    });
    parts.collect()
}

fn entry<'a>(page_id: PageId<'a>, index_keys: &[IndexKey]) -> IndexEntry<'a> {
    let there = || index_keys.iter().filter(|index_key| !index_key.given_up);
    let ends = there().next().zip(there().next_back());
    let span =
        ends.filter(|_| page_id.month != bag::UNDATED).map(|(first, last)| (first.at, last.at));
    IndexEntry { page_id, messages: there().count() as u64, span }
}

fn put(
    drive: &Replica,
    name: &RelName,
    mut page: String,
    extras: &mut ExtrasWriter<'_>,
) -> Result<(), JobError> {
    page.push('\n');
    extras.put(&drive.dir.join(name), page.as_bytes(), TORN_PAGE)
}

/// Pages of months and parts that have no messages any more: a message got its date since, and stands elsewhere.
/// Nothing is deleted on a drive, so they say that they are empty.
fn left_over(
    drive: &Replica,
    page_ids: BTreeSet<PageId<'_>>,
) -> Result<BTreeSet<(String, u32)>, JobError> {
    let entries = drive.volume.list(&drive.dir, DRIVE_FOLDER_ENTRIES)?;
    let files = entries.iter().filter(|entry| entry.kind == EntryKind::File);
    let pages = files.filter_map(|entry| bag::page_of_index(&entry.name));
    let left = pages.filter(|&(month, part)| !page_ids.contains(&PageId { month, part }));
    Ok(left.map(|(month, part)| (month.to_owned(), part)).collect())
}

struct MessageIndex<'a> {
    catalogue: &'a Catalogue,
    drive: &'a Replica,
    /// Headers read from copies just now, by the copies' numbers, as many as may be held: kept nowhere, since the
    /// catalogue takes what has headers for a message of the mailbox.
    read: HashMap<u32, Headers>,
}

impl MessageIndex<'_> {
    /// Every copy under its month, of its own date, else of its first sight; the oldest first.
    fn by_month(
        &mut self,
        extras: &mut ExtrasWriter<'_>,
    ) -> Result<BTreeMap<String, Vec<IndexKey>>, JobError> {
        let mut unread: Vec<DatedCopy> = Vec::new();
        let mut by_month: BTreeMap<String, Vec<IndexKey>> = BTreeMap::new();
        let mut add = |date: &str, dated: &DatedCopy| {
            let seen = dated.seen.map(|seconds| Timestamp { seconds, nanos: 0 });
            let of = Timestamp::from_rfc3339(date).or(seen);
            let month = of.map(Timestamp::to_rfc3339).and_then(|text| {
                text.get(..7).filter(|month| bag::is_month(month)).map(str::to_owned)
            });
            let (number, given_up) = (dated.number, dated.given_up);
            let index_key = IndexKey { at: of.map_or(i64::MIN, |of| of.seconds), number, given_up };
            by_month
                .entry(month.unwrap_or_else(|| bag::UNDATED.into()))
                .or_default()
                .push(index_key);
        };
        self.catalogue.each_dated(self.drive.state.row, |dated| match &dated.date {
            Some(date) => add(date, &dated),
            None => unread.push(dated),
        })?;
        for dated in unread {
            if extras.stops() {
                return Ok(BTreeMap::new());
            }
            let row = self.catalogue.payload(self.drive.state.row, dated.number)?;
            let headers = row.map(|row| self.headers_of(&row)).unwrap_or_default();
            add(&headers.date, &dated);
            if self.read.len() < INDEX_HEADERS_KEPT {
                self.read.insert(dated.number, headers);
            }
        }
        // Dates are whatever the mail says: months beyond the latest ones are no pages of their own.
        while by_month.len() > INDEX_MONTHS_MAX
            && let Some((_, messages)) = by_month.pop_first()
        {
            by_month.entry(bag::UNDATED.into()).or_default().extend(messages);
        }
        by_month.values_mut().for_each(|messages| messages.sort_unstable());
        Ok(by_month)
    }

    /// The headers as its copy has them; none where it cannot be read.
    fn headers_of(&self, copy: &CopyRow) -> Headers {
        if copy.state == CopyState::Missing {
            return Headers::default();
        }
        let at = self.drive.dir.join(&copy.name.to_rel());
        let Ok(mut source) = self.drive.volume.read(&at, 0, ReadFrom::Anywhere) else {
            return Headers::default();
        };
        let length = copy.identity.bytes.min(HEADER_BYTES as u64) as usize;
        let mut start = vec![0; length];
        let got = read_full(&mut *source, &mut start).unwrap_or(0);
        headers::read(&start[..got])
    }

    fn copy_at<'a>(
        &self,
        messages: impl Iterator<Item = &'a IndexKey>,
    ) -> Result<Vec<IndexedMessage>, JobError> {
        let mut listed = Vec::new();
        // What was given up to make room is not there to be opened.
        for index_key in messages.filter(|index_key| !index_key.given_up) {
            if let Some(row) = self.catalogue.payload(self.drive.state.row, index_key.number)? {
                listed.push(self.listed(&row)?);
            }
        }
        Ok(listed)
    }

    fn listed(&self, row: &CopyRow) -> Result<IndexedMessage, JobError> {
        let known = self.catalogue.known(row.content)?;
        let read = || self.read.get(&row.name.number).cloned();
        let headers = known.headers.or_else(read).unwrap_or_else(|| self.headers_of(row));
        let stands = self.catalogue.stands(self.drive.state.row, row.content)?;
        let is_there = |stand: &&LastLocation| stand.whereabouts == LocationStatus::There;
        let some_there = stands.iter().any(|stand| is_there(&stand));
        let named = stands.iter().filter(|stand| !some_there || is_there(stand));
        let mut folders = Vec::new();
        for stand in named {
            let folder = self.folder(stand)?;
            if !folders.contains(&folder) {
                folders.push(folder);
            }
        }
        let mut marks = Vec::new();
        match row.state {
            CopyState::Damaged => marks.push(Note::Damaged),
            CopyState::Missing => marks.push(Note::Missing),
            CopyState::Debris => marks.push(Note::Debris),
            CopyState::Claimed
            | CopyState::Good
            | CopyState::Adopted
            | CopyState::GivenUp
            | CopyState::Removed => {}
        }
        match stands.iter().map(|stand| stand.whereabouts).min() {
            None if row.state != CopyState::Debris => marks.push(Note::NoPlace),
            Some(LocationStatus::Removed) => marks.push(Note::Removed),
            Some(LocationStatus::Missing) => marks.push(Note::Vanished),
            Some(LocationStatus::Replaced | LocationStatus::Moved) => marks.push(Note::Replaced),
            _ => {}
        }
        Ok(IndexedMessage {
            payload: row.name,
            bytes: row.identity.bytes,
            headers,
            seen: known.seen.map(|(seen, _)| seen),
            folder: shortened(folders.join(", ")),
            marks,
        })
    }

    fn folder(&self, stand: &LastLocation) -> Result<String, JobError> {
        let (mailbox, _) = self.catalogue.mailbox_name(stand.mailbox)?;
        let path = RelName::from_key(&stand.key).ok();
        Ok(match path.and_then(|path| path.parent()) {
            Some(folder) => format!("{mailbox}/{}", escape::shown(folder.as_bytes())),
            None => mailbox.to_string(),
        })
    }
}

fn shortened(folders: String) -> String {
    match folders.char_indices().nth(INDEX_FOLDER_CHARS) {
        None => folders,
        Some((end, _)) => format!("{}\u{2026}", &folders[..end]),
    }
}
