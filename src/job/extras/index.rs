//! The list of a drive's messages, in pages by the numbers of their copies: what is on it is in the list, whatever
//! became of it since. The same messages always give the same pages, byte for byte, so that nothing is written when
//! nothing changed.
//!
//! Numbers only grow, and a page knows of no other but its two neighbours: new mail changes the last page, and the one
//! before once, when a new page begins; not all that are there.

use super::overwrite::ExtrasWriter;
use crate::disk::{ReadFrom, read_full};
use crate::job::JobError;
use crate::job::catalogue::{
    Catalogue, CopyRow, CopyState, LastLocation, LocationStatus, NumberedCopy,
};
use crate::job::replica::Replica;
use crate::job::scan::headers;
use crate::model::limits::{HEADER_BYTES, INDEX_FOLDER_CHARS, INDEX_LATEST, INDEX_PAGE_MESSAGES};
use crate::model::message::Headers;
use crate::model::{PayloadName, RelName, StationName, Timestamp, bag, escape};
use std::cmp::Reverse;

/// What stands at the head of a page while it is written. What is left of the page is no part of what is shown.
const TORN_PAGE: &str = "<!DOCTYPE html><html lang=\"en\"><title>Being written</title><p>This page was being written \
                         when the drive was pulled or the power went. The messages are whole, in the folder \
                         <a href=\"data\">data</a>. It is made anew when the drive is at the station again.<!--";

/// A page, as the first page lists it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct IndexEntry {
    /// Its number, from 1, the oldest.
    pub page: u32,
    /// How many messages.
    pub messages: u64,
    /// The earliest and the latest date of them, in claimed seconds.
    pub span: Option<(i64, i64)>,
}

/// What there is to say of a message in addition to what it is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum CopyNote {
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
    /// The copy's file, in a folder of `data/`.
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
    pub notes: Vec<CopyNote>,
}

impl IndexedMessage {
    /// Its own date, else when it was first seen; in claimed seconds.
    fn date(&self) -> Option<i64> {
        Timestamp::from_rfc3339(&self.headers.date).map(|date| date.seconds).or(self.seen)
    }
}

/// A page of the list.
pub enum Page<'a> {
    /// The first.
    First {
        /// Its bag on a drive is `counterfoil/STATION/`.
        station: &'a StationName,
        /// All others, the latest first.
        entries: &'a [IndexEntry],
        /// The latest messages, the latest first.
        latest: Vec<IndexedMessage>,
    },
    /// Another.
    Numbered {
        /// Its bag on a drive is `counterfoil/STATION/`.
        station: &'a StationName,
        /// Its number, from 1, the oldest.
        page: u32,
        /// The number of the latest.
        pages: u32,
        /// Its messages, the latest first.
        messages: Vec<IndexedMessage>,
    },
}

/// Writes a page.
pub trait Pages: Send + Sync {
    /// The whole page, the same for the same messages.
    fn page(&self, page: &Page<'_>) -> String;

    /// Messages on a page at most, at least 1.
    fn messages_a_page(&self) -> usize {
        INDEX_PAGE_MESSAGES
    }
}

pub(super) fn write(
    catalogue: &Catalogue,
    drive: &Replica,
    station: &StationName,
    writer: &dyn Pages,
    extras: &mut ExtrasWriter<'_>,
) -> Result<(), JobError> {
    let list = MessageIndex { catalogue, drive };
    let copies = catalogue.numbered_copies(drive.state.row)?;
    // What was given up keeps its place: else whatever is pruned would change every page after it.
    let parts: Vec<_> = (1..).zip(copies.chunks(writer.messages_a_page())).collect();
    let pages = parts.len() as u32;
    let (mut entries, mut latest) = (Vec::new(), Vec::new());
    for &(page, copies) in parts.iter().rev() {
        if extras.stops() {
            return Ok(());
        }
        let messages = list.messages(copies)?;
        entries.push(entry(page, &messages));
        latest.extend(messages.iter().take(INDEX_LATEST).cloned());
        latest_first(&mut latest);
        latest.truncate(INDEX_LATEST);
        let text = writer.page(&Page::Numbered { station, page, pages, messages });
        write_page(drive, &bag::index_page(page), text, extras)?;
    }
    if extras.stops() {
        return Ok(());
    }
    let first = writer.page(&Page::First { station, entries: &entries, latest });
    write_page(drive, &RelName::fixed(bag::INDEX), first, extras)?;
    // Where pages took fewer messages once. Nothing is deleted on a drive, so they say that they are empty.
    for page in pages + 1.. {
        let name = bag::index_page(page);
        let length = drive.volume.length(&drive.dir.join(&name));
        if extras.stops() || !length.is_ok_and(|length| length.is_some()) {
            break;
        }
        let messages = Vec::new();
        let text = writer.page(&Page::Numbered { station, page, pages, messages });
        write_page(drive, &name, text, extras)?;
    }
    Ok(())
}

fn entry(page: u32, messages: &[IndexedMessage]) -> IndexEntry {
    let dates = || messages.iter().filter_map(IndexedMessage::date);
    IndexEntry { page, messages: messages.len() as u64, span: dates().min().zip(dates().max()) }
}

fn latest_first(messages: &mut [IndexedMessage]) {
    messages.sort_by_key(|message| Reverse((message.date(), message.payload.number)));
}

fn write_page(
    drive: &Replica,
    name: &RelName,
    mut text: String,
    extras: &mut ExtrasWriter<'_>,
) -> Result<(), JobError> {
    text.push('\n');
    extras.write(&drive.dir.join(name), text.as_bytes(), TORN_PAGE)
}

struct MessageIndex<'a> {
    catalogue: &'a Catalogue,
    drive: &'a Replica,
}

impl MessageIndex<'_> {
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

    /// What is known of each, the latest first. What was given up to make room is not there to be opened.
    fn messages(&self, copies: &[NumberedCopy]) -> Result<Vec<IndexedMessage>, JobError> {
        let mut listed = Vec::new();
        self.catalogue.read_transaction(|| {
            for copy in copies.iter().filter(|copy| !copy.given_up) {
                if let Some(row) = self.catalogue.payload(self.drive.state.row, copy.number)? {
                    listed.push(self.listed(&row)?);
                }
            }
            Ok(())
        })?;
        latest_first(&mut listed);
        Ok(listed)
    }

    fn listed(&self, row: &CopyRow) -> Result<IndexedMessage, JobError> {
        let known = self.catalogue.known(row.content)?;
        let headers = known.headers.unwrap_or_else(|| self.headers_of(row));
        let locations = self.catalogue.last_locations(self.drive.state.row, row.content)?;
        let is_there = |location: &&LastLocation| location.status == LocationStatus::There;
        let some_there = locations.iter().any(|location| is_there(&location));
        let named = locations.iter().filter(|location| !some_there || is_there(location));
        let mut folders = Vec::new();
        for location in named {
            let folder = self.folder(location)?;
            if !folders.contains(&folder) {
                folders.push(folder);
            }
        }
        let mut notes = Vec::new();
        match row.state {
            CopyState::Damaged => notes.push(CopyNote::Damaged),
            CopyState::Missing => notes.push(CopyNote::Missing),
            CopyState::Debris => notes.push(CopyNote::Debris),
            CopyState::Claimed
            | CopyState::Good
            | CopyState::Adopted
            | CopyState::GivenUp
            | CopyState::Removed => {}
        }
        match locations.iter().map(|location| location.status).min() {
            None if row.state != CopyState::Debris => notes.push(CopyNote::NoPlace),
            Some(LocationStatus::Removed) => notes.push(CopyNote::Removed),
            Some(LocationStatus::Missing) => notes.push(CopyNote::Vanished),
            Some(LocationStatus::Replaced | LocationStatus::Moved) => {
                notes.push(CopyNote::Replaced)
            }
            _ => {}
        }
        Ok(IndexedMessage {
            payload: row.name,
            bytes: row.identity.bytes,
            headers,
            seen: known.seen.map(|(seen, _)| seen),
            folder: shortened(folders.join(", ")),
            notes,
        })
    }

    fn folder(&self, location: &LastLocation) -> Result<String, JobError> {
        let (mailbox, _) = self.catalogue.mailbox_name(location.mailbox)?;
        let path = RelName::from_key(&location.key).ok();
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
