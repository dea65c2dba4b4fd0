//! The list of a drive's messages, in pages of a month: what is on it is in the list, whatever became of it since.
//! The same messages always give the same pages, octet for octet: so that nothing is written when nothing changed.

use super::shelf::Shelf;
use crate::disk::{EntryKind, ReadFrom, read_full};
use crate::job::catalogue::{
    Catalogue, Dated, GONE_REMOVED, GONE_VANISHED, PayloadRow, PayloadState, Stand,
};
use crate::job::drive::Admitted;
use crate::job::{JobError, headers};
use crate::model::limits::{DRIVE_FOLDER_ENTRIES, HEADER_BYTES, INDEX_LATEST, INDEX_PAGES_MAX};
use crate::model::message::Headers;
use crate::model::{Moment, PayloadName, RelName, StationName, bag, escape};
use std::collections::{BTreeMap, HashMap};

/// What stands at the head of a page while it is written. What is left of the page is no part of what is shown.
const TORN_PAGE: &str = "<!DOCTYPE html><html lang=\"en\"><title>Being written</title><p>This page was being written \
                         when the drive was pulled or the power went. The messages are whole, in the folder \
                         <a href=\"data\">data</a>. It is made anew when the drive is at the station again.<!--";

/// A page of the list, by the month of its messages.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Month {
    /// As `2026-11`, or [`bag::UNDATED`].
    pub name: String,
    /// How many messages.
    pub messages: u64,
}

/// What there is to say of a message beside what it is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Mark {
    /// Its deletion was seen.
    Removed,
    /// It was found missing from the mailbox.
    Vanished,
    /// Its copy was found damaged.
    Damaged,
    /// Its copy was not there any more.
    Missing,
    /// No line of the ledger says where it belongs, or a later version has its place.
    NoPlace,
    /// It looks like what a cut left of a copy.
    Debris,
}

/// A message in the list.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Listed {
    /// Its copy.
    pub payload: PayloadName,
    /// Octets.
    pub bytes: u64,
    /// Its headers, as far as they can be read.
    pub headers: Headers,
    /// When it was first seen, in claimed seconds.
    pub seen: Option<i64>,
    /// Its folder, or several.
    pub folder: String,
    /// What else is to be said.
    pub marks: Vec<Mark>,
}

/// A page of the list.
pub struct Page<'a> {
    /// The station.
    pub station: &'a StationName,
    /// All months there are.
    pub months: &'a [Month],
    /// The month of this page; the first page has none, and the latest messages.
    pub month: Option<&'a str>,
    /// Its messages, the latest first.
    pub messages: Vec<Listed>,
}

/// Puts a page into words.
pub trait Pages: Send + Sync {
    /// The whole page, the same for the same messages.
    fn page(&self, page: &Page<'_>) -> String;
}

/// A message before it is looked at closely: when it is of, and its number.
type Brief = (i64, u32);

pub(super) fn write(
    catalogue: &Catalogue,
    drive: &Admitted,
    station: &StationName,
    pages: &dyn Pages,
    shelf: &mut Shelf<'_>,
) -> Result<(), JobError> {
    let mut list = List {
        catalogue,
        drive,
        read: HashMap::new(),
        good: catalogue.good_versions(drive.book.row)?,
    };
    let mut by_month = list.by_month(shelf)?;
    if shelf.stops() {
        return Ok(());
    }
    by_month.values_mut().for_each(|messages| messages.sort_unstable_by(|a, b| b.cmp(a)));
    // The latest month first; what has no date is last by its name alone.
    let dated = by_month.iter().rev().filter(|(name, _)| *name != bag::UNDATED);
    let undated = by_month.get_key_value(bag::UNDATED);
    let months: Vec<(&String, &Vec<Brief>)> = dated.chain(undated).collect();
    let names: Vec<Month> = months
        .iter()
        .map(|(name, messages)| Month { name: (*name).clone(), messages: messages.len() as u64 })
        .collect();
    for (name, messages) in &months {
        let page = Page {
            station,
            months: &names,
            month: Some(name.as_str()),
            messages: list.look_at(messages)?,
        };
        put(drive, &bag::index_page(name), &pages.page(&page), shelf)?;
    }
    let latest: Vec<Brief> =
        months.iter().flat_map(|(_, messages)| *messages).take(INDEX_LATEST).copied().collect();
    let first = Page { station, months: &names, month: None, messages: list.look_at(&latest)? };
    put(drive, &RelName::fixed(bag::INDEX), &pages.page(&first), shelf)?;
    for name in left_over(drive, &names)? {
        let page = Page { station, months: &names, month: Some(&name), messages: Vec::new() };
        put(drive, &bag::index_page(&name), &pages.page(&page), shelf)?;
    }
    Ok(())
}

fn put(
    drive: &Admitted,
    name: &RelName,
    page: &str,
    shelf: &mut Shelf<'_>,
) -> Result<(), JobError> {
    let text = format!("{page}\n");
    shelf.put(&drive.dir.join(name), text.as_bytes(), TORN_PAGE)
}

/// Pages of months that have no messages any more: a message got its date since, and stands elsewhere. Nothing is
/// deleted on a drive, so they say that they are empty.
fn left_over(drive: &Admitted, months: &[Month]) -> Result<Vec<String>, JobError> {
    let entries = drive.volume.list(&drive.dir, DRIVE_FOLDER_ENTRIES)?;
    let files = entries.iter().filter(|entry| entry.kind == EntryKind::File);
    let pages = files.filter_map(|entry| bag::month_of_index(&entry.name));
    let left = pages.filter(|name| months.iter().all(|month| month.name != *name));
    let mut left: Vec<_> = left.map(str::to_owned).collect();
    left.sort_unstable();
    Ok(left)
}

struct List<'a> {
    catalogue: &'a Catalogue,
    drive: &'a Admitted,
    /// Headers read from copies just now, by content: kept nowhere, since the catalogue takes what has headers for a
    /// message of the mailbox.
    read: HashMap<i64, Headers>,
    good: HashMap<i64, Stand>,
}

impl List<'_> {
    /// Every copy under its month, of its own date, else of its first sight.
    fn by_month(
        &mut self,
        shelf: &mut Shelf<'_>,
    ) -> Result<BTreeMap<String, Vec<Brief>>, JobError> {
        let mut unread: Vec<Dated> = Vec::new();
        let mut by_month: BTreeMap<String, Vec<Brief>> = BTreeMap::new();
        let mut add = |date: &str, dated: &Dated| {
            let seen = dated.seen.map(|seconds| Moment { seconds, nanos: 0 });
            let of = Moment::from_rfc3339(date).or(seen);
            let month = of.map(Moment::to_rfc3339).and_then(|text| {
                text.get(..7).filter(|month| bag::is_month(month)).map(str::to_owned)
            });
            let brief = (of.map_or(i64::MIN, |of| of.seconds), dated.number);
            by_month.entry(month.unwrap_or_else(|| bag::UNDATED.into())).or_default().push(brief);
        };
        self.catalogue.each_dated(self.drive.book.row, |dated| match &dated.date {
            Some(date) => add(date, &dated),
            None => unread.push(dated),
        })?;
        for dated in unread {
            if shelf.stops() {
                return Ok(BTreeMap::new());
            }
            if !self.read.contains_key(&dated.content)
                && let Some(row) = self.catalogue.payload(self.drive.book.row, dated.number)?
            {
                self.read.insert(dated.content, self.headers_of(&row));
            }
            let date = self.read.get(&dated.content).map(|headers| headers.date.as_str());
            add(date.unwrap_or_default(), &dated);
        }
        // Dates are whatever the mail says: months beyond the latest ones are no pages of their own.
        while by_month.len() > INDEX_PAGES_MAX
            && let Some((_, messages)) = by_month.pop_first()
        {
            by_month.entry(bag::UNDATED.into()).or_default().extend(messages);
        }
        Ok(by_month)
    }

    /// The headers as its copy has them; none where it cannot be read.
    fn headers_of(&self, copy: &PayloadRow) -> Headers {
        if copy.state == PayloadState::Missing {
            return Headers::default();
        }
        let at = self.drive.dir.join(&copy.name.to_rel());
        let Ok(mut source) = self.drive.volume.read(&at, 0, ReadFrom::Anywhere) else {
            return Headers::default();
        };
        let length = copy.identity.bytes.min(HEADER_BYTES as u64) as usize;
        let mut start = vec![0; length];
        let got = read_full(|into| source.read(into), &mut start).unwrap_or(0);
        headers::read(&start[..got])
    }

    fn look_at(&self, messages: &[Brief]) -> Result<Vec<Listed>, JobError> {
        let mut listed = Vec::with_capacity(messages.len());
        for (_, number) in messages {
            if let Some(row) = self.catalogue.payload(self.drive.book.row, *number)? {
                // What was given up to make room is not there to be opened.
                if !row.state.is_given_up() {
                    listed.push(self.listed(&row)?);
                }
            }
        }
        Ok(listed)
    }

    fn listed(&self, row: &PayloadRow) -> Result<Listed, JobError> {
        let known = self.catalogue.known(row.content)?;
        let headers = known.headers.or_else(|| self.read.get(&row.content).cloned());
        let mut stands = self.catalogue.stands(self.drive.book.row, row.content)?;
        if stands.iter().all(|stand| stand.gone != 0)
            && let Some(stand) = self.good.get(&row.content)
        {
            stands.insert(0, stand.clone());
        }
        let is_there = stands.iter().any(|stand| stand.gone == 0);
        let named = stands.iter().filter(|stand| !is_there || stand.gone == 0);
        let mut folders = Vec::new();
        for stand in named {
            let folder = self.folder(stand)?;
            if !folders.contains(&folder) {
                folders.push(folder);
            }
        }
        let mut marks = Vec::new();
        match row.state {
            PayloadState::Damaged => marks.push(Mark::Damaged),
            PayloadState::Missing => marks.push(Mark::Missing),
            PayloadState::Debris => marks.push(Mark::Debris),
            PayloadState::Claimed
            | PayloadState::Good
            | PayloadState::Adopted
            | PayloadState::GivenUp
            | PayloadState::Removed => {}
        }
        match stands.iter().map(|stand| stand.gone).min() {
            None if row.state != PayloadState::Debris => marks.push(Mark::NoPlace),
            Some(GONE_REMOVED) => marks.push(Mark::Removed),
            Some(GONE_VANISHED) => marks.push(Mark::Vanished),
            _ => {}
        }
        Ok(Listed {
            payload: row.name,
            bytes: row.identity.bytes,
            headers: headers.unwrap_or_default(),
            seen: known.seen.map(|(seen, _)| seen),
            folder: folders.join(", "),
            marks,
        })
    }

    fn folder(&self, stand: &Stand) -> Result<String, JobError> {
        let (mailbox, _) = self.catalogue.mailbox_name(stand.mailbox)?;
        let path = RelName::from_key(&stand.key).ok();
        Ok(match path.and_then(|path| path.parent()) {
            Some(folder) => format!("{mailbox}/{}", escape::shown(folder.as_bytes())),
            None => mailbox.to_string(),
        })
    }
}
