//! What would be lost if the card died now, and why: the mailbox compared with every drive's ledger.
//! Writes nothing anywhere: it works on a copy of the catalogue.

use super::verdict::Counts;
use crate::job::JobError;
use crate::job::catalogue::{Catalogue, ContentRowId, DriveRow, FileRow, FileState, MailboxRowId};
use crate::job::scan::TOO_LONG;
use crate::job::scan::mailboxes::ConfirmedMailbox;
use crate::model::airtime::RadioLink;
use crate::model::limits::{OVERHEAD_BYTES, RESERVE_BYTES};
use crate::model::message::Headers;
use crate::model::{Digest, MailboxName, Reason, RelName, StationName, Suspicion, Timestamp};
use serde::Serialize;
use std::collections::BTreeMap;

/// What an audit asks for.
pub struct AuditOptions<'a> {
    /// Its bag on a drive is `counterfoil/STATION/`.
    pub station: &'a StationName,
    /// Copies a message needs to be safe.
    pub wanted_copies: u32,
    /// What keeps each drive that is there now from taking messages: `None` if nothing does.
    pub present: &'a [Option<Reason>],
    /// The longest file that all drives there now can hold, in bytes.
    pub longest_file: u64,
    /// The room on the emptiest drive there now that takes messages, in bytes.
    pub room: u64,
    /// The link on which a lost message would be asked for again.
    pub link: RadioLink,
    /// Messages of each kind listed one by one; more are counted.
    pub list_at_most: usize,
    /// The mailboxes, as they were scanned.
    pub mailboxes: &'a [ConfirmedMailbox],
}

/// A message as the audit lists it.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ListedMessage {
    /// As the config names it, or a ledger.
    pub mailbox: MailboxName,
    /// Below the folder of its mailbox.
    #[serde(flatten)]
    pub path: RelName,
    /// Its length in bytes.
    pub bytes: u64,
    /// Its digest, if it could be read.
    #[serde(rename = "sha256")]
    pub digest: Option<Digest>,
    /// Why it is not mirrored; `None` if it is.
    pub reason: Option<Reason>,
    /// Drives with a good copy of what a restore would give back.
    pub copies: u32,
    /// What is suspect about it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub suspect: Option<Suspicion>,
    /// Of a missing one: another version is in its place, and it is not known whether that is what the card left of it.
    #[serde(rename = "displaced")]
    pub is_displaced: bool,
    /// Sender, receivers, subject and date, as far as they could be read.
    #[serde(flatten)]
    pub headers: Headers,
    /// When it was first seen.
    pub first_seen: Timestamp,
    /// Seconds on the air, if the link is known.
    #[serde(rename = "airtime_seconds")]
    pub seconds: Option<f64>,
}

/// Messages of one kind: the first ones listed, all of them counted.
#[derive(Debug, Default)]
pub struct MessageGroup {
    /// The first, at most as many as were asked for.
    pub listed: Vec<ListedMessage>,
    /// How many there are in all, and their bytes, by reason.
    counts: BTreeMap<Option<&'static str>, (u64, u64)>,
    /// Seconds on the air for those that no drive would give back.
    airtime: Airtime,
}

/// A sum of seconds on the air.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Airtime {
    Seconds(f64),
    /// The link is not known, or one of the messages takes nobody knows how long.
    Unknown,
}

impl Default for Airtime {
    fn default() -> Self {
        Self::Seconds(0.0)
    }
}

impl MessageGroup {
    fn add(
        &mut self,
        row: &FileRow,
        reason: Option<Reason>,
        copies: u32,
        options: &AuditOptions<'_>,
        list: impl FnOnce() -> Result<ListedMessage, JobError>,
    ) -> Result<(), JobError> {
        let sums = self.counts.entry(reason.map(Reason::as_str)).or_default();
        *sums = (sums.0 + 1, sums.1 + row.bytes);
        if copies == 0 {
            self.airtime = match (self.airtime, options.link.seconds(row.bytes)) {
                (Airtime::Seconds(sum), Some(more)) => Airtime::Seconds(sum + more),
                _ => Airtime::Unknown,
            };
        }
        if self.listed.len() < options.list_at_most {
            self.listed.push(list()?);
        }
        Ok(())
    }

    /// How many there are.
    pub fn count(&self) -> u64 {
        self.counts.values().map(|(count, _)| count).sum()
    }

    /// Seconds on the air for those that no drive would give back, if the link is known.
    pub fn seconds(&self) -> Option<f64> {
        match self.airtime {
            Airtime::Seconds(sum) => Some(sum),
            Airtime::Unknown => None,
        }
    }

    /// Sum of their lengths, in bytes.
    pub fn bytes(&self) -> u64 {
        self.counts.values().map(|(_, bytes)| bytes).sum()
    }

    /// Number and bytes of those with each reason, by the reason's text.
    pub fn by_reason(&self) -> impl Iterator<Item = (Reason, u64, u64)> {
        self.counts.iter().filter_map(|(reason, (count, bytes))| {
            Some((Reason::from_text((*reason)?)?, *count, *bytes))
        })
    }
}

/// What an audit reports, without a sentence.
#[derive(Debug, Default)]
pub struct Audit {
    /// Everything that is counted, and the verdict by it.
    pub counts: Counts,
    /// Those that are not on enough drives, with the reason.
    pub unmirrored: MessageGroup,
    /// Messages found missing from the mailbox; with a reason if no drive has them.
    pub vanished: MessageGroup,
    /// Messages whose present version looks like damage to the card; with a reason if no drive has the last good one.
    pub suspect: MessageGroup,
    /// Every drive known: its row, and number and bytes of messages it holds for this station.
    pub drives: Vec<(DriveRow, u64, u64)>,
}

/// Answers from a catalogue brought up to date. To be called within [`Catalogue::read_transaction`], with the counts.
pub fn audit(
    catalogue: &Catalogue,
    options: &AuditOptions<'_>,
    counts: Counts,
) -> Result<Audit, JobError> {
    let mut audit = Audit { counts, ..Audit::default() };
    let link = options.link;
    let mut names = MailboxNames { catalogue, link, known: Vec::new() };
    let copies =
        |at: (MailboxRowId, &[u8]), content: Option<ContentRowId>| -> Result<u32, JobError> {
            content.map_or(Ok(0), |content| catalogue.copies_kept(options.station, at, content))
        };
    if audit.counts.unmirrored() > 0 {
        catalogue.unmirrored(options.station, options.wanted_copies, |row| {
            let why = Some(reason(catalogue, &row, options)?);
            let settled = row.content.filter(|_| row.state == FileState::Present);
            let copies = copies((row.mailbox, &row.key), settled)?;
            audit.unmirrored.add(&row, why, copies, options, || names.list(&row, why, copies))
        })?;
    }
    let why = |copies: u32| (copies == 0).then_some(Reason::NoDrive);
    catalogue.each_missing(|missing| {
        // A damaged one is listed by the version that is in its place.
        if !missing.damaged {
            let kept = copies((missing.mailbox, &missing.key), Some(missing.content))?;
            let (row, why) = (missing.as_file(catalogue)?, why(kept));
            audit.vanished.add(&row, why, kept, options, || {
                let there = catalogue.file(row.mailbox, &row.key)?;
                let is_displaced = there.is_some_and(|file| file.state.is_there());
                Ok(ListedMessage { is_displaced, ..names.list(&row, why, kept)? })
            })?;
        }
        Ok(())
    })?;
    catalogue.suspect(|row| {
        // A restore gives the last good version; where none is known, at least this one.
        let kept = copies((row.mailbox, &row.key), row.good.or(row.content))?;
        let why = why(kept);
        audit.suspect.add(&row, why, kept, options, || names.list(&row, why, kept))
    })?;
    for drive in catalogue.drives()? {
        let mut held = (0, 0);
        for (replica, station) in catalogue.replicas_of(drive.row)? {
            if station == *options.station {
                held = catalogue.replica_totals(replica)?;
            }
        }
        audit.drives.push((drive, held.0, held.1));
    }
    Ok(audit)
}

/// Why a message is not safe: the message's own trouble first, then what keeps the drives from it.
fn reason(
    catalogue: &Catalogue,
    row: &FileRow,
    options: &AuditOptions<'_>,
) -> Result<Reason, JobError> {
    // Every drive that is there may have it already, and the config asks for more.
    let everywhere = match row.content {
        Some(_) if row.state == FileState::Present => {
            let here = u32::try_from(options.present.len()).unwrap_or(u32::MAX);
            here == 0 || catalogue.is_safe(options.station, (row.mailbox, &row.key), here)?
        }
        _ => options.present.is_empty(),
    };
    let is_away = |confirmed: &ConfirmedMailbox| {
        confirmed.row == Some(row.mailbox) && !confirmed.state.was_scanned()
    };
    Ok(match row.state {
        _ if options.mailboxes.iter().any(is_away) => Reason::MailboxAway,
        FileState::NotAFile => Reason::NotAFile,
        FileState::Unreadable if row.inode == TOO_LONG => Reason::PathTooLong,
        FileState::Unreadable => Reason::Unreadable,
        FileState::Changing => Reason::Changing,
        _ if everywhere => Reason::NoDrive,
        _ if row.bytes > options.longest_file => Reason::TooLarge,
        _ if options.present.contains(&None) => {
            match row.bytes.saturating_add(OVERHEAD_BYTES + RESERVE_BYTES) > options.room {
                true => Reason::DriveFull,
                false => Reason::NotYet,
            }
        }
        _ => options.present.iter().find_map(|trouble| *trouble).unwrap_or(Reason::NotYet),
    })
}

/// Names of mailboxes, read once.
struct MailboxNames<'a> {
    catalogue: &'a Catalogue,
    link: RadioLink,
    known: Vec<(MailboxRowId, MailboxName)>,
}

impl MailboxNames<'_> {
    fn list(
        &mut self,
        row: &FileRow,
        reason: Option<Reason>,
        copies: u32,
    ) -> Result<ListedMessage, JobError> {
        let mailbox = match self.known.iter().find(|(id, _)| *id == row.mailbox) {
            Some((_, name)) => name.clone(),
            None => {
                let (name, _) = self.catalogue.mailbox_name(row.mailbox)?;
                self.known.push((row.mailbox, name.clone()));
                name
            }
        };
        let (digest, headers) = match row.content {
            Some(content) => {
                (Some(self.catalogue.identity(content)?.digest), self.catalogue.headers(content)?)
            }
            None => (None, Headers::default()),
        };
        Ok(ListedMessage {
            mailbox,
            path: row.path()?,
            bytes: row.bytes,
            digest,
            reason,
            copies,
            suspect: row.suspect,
            is_displaced: false,
            headers,
            first_seen: row.first_seen,
            seconds: self.link.seconds(row.bytes),
        })
    }
}
