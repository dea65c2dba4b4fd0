//! What drives hold: their stations, the mailboxes of each, how much and how new.
//! Never writes anything, and never reads more than the logs and a few copies.

use crate::disk::Access;
use crate::job::catalogue::{ContentRowId, MailboxRowId};
use crate::job::replica::{Replica, stations};
use crate::job::report::traffic::headers_of;
use crate::job::restore::{RestoreSources, open_sources};
use crate::job::{DriveRef, JobError};
use crate::model::message::Headers;
use crate::model::{Clock, MailboxName, StationName, Timestamp};
use serde::Serialize;
use std::collections::HashMap;

/// A station, as the drives know it.
#[derive(Serialize)]
pub struct Inventory {
    /// Its name.
    pub station: StationName,
    /// Messages of all mailboxes.
    pub messages: u64,
    /// Its mailboxes.
    pub mailboxes: Vec<MailboxInventory>,
    /// The drives that hold it.
    pub drives: Vec<DriveInventory>,
    /// The ledger of each of them is whole.
    pub ledgers_whole: bool,
}

/// A mailbox of a station.
#[derive(Serialize)]
pub struct MailboxInventory {
    /// Its row in the catalogue of the restore.
    #[serde(skip)]
    pub row: MailboxRowId,
    /// As the config names it, or a ledger.
    #[serde(rename = "mailbox")]
    pub name: MailboxName,
    /// Messages that a restore would bring back.
    pub messages: u64,
    /// Sum of their lengths, in bytes.
    pub bytes: u64,
    /// Headers of the one that came last, if a copy of it can be read.
    pub newest: Option<Headers>,
}

/// The copies of a station on one drive.
#[derive(Serialize)]
pub struct DriveInventory {
    /// Where the drive is, for a person.
    pub at: String,
    /// Copies that were whole when they were last read.
    pub copies: u64,
    /// Sum of their lengths, in bytes.
    pub bytes: u64,
    /// Of them those that were read again after they were made.
    #[serde(rename = "reread")]
    pub read_again: u64,
    /// The earliest of the times at which each was last read, as claimed.
    pub oldest_proof: Option<Timestamp>,
    /// Copies whose line is past a break in the ledger: whole only if they are found to be.
    pub claimed: u64,
    /// Copies found damaged.
    pub damaged: u64,
    /// Copies that were not there any more.
    pub missing: u64,
    /// What looks like what a power failure left of a copy.
    pub doubtful: u64,
}

impl DriveInventory {
    /// Whether nothing is wrong with the copies, as far as the ledger says.
    pub fn is_whole(&self) -> bool {
        self.damaged + self.missing + self.claimed == 0
    }
}

impl Inventory {
    /// Whether nothing is wrong with the ledgers and the copies, as far as the ledgers say.
    pub fn is_whole(&self) -> bool {
        self.ledgers_whole
            && !self.drives.is_empty()
            && self.drives.iter().all(DriveInventory::is_whole)
    }
}

/// What these drives hold of their station.
pub fn inventory(sources: &RestoreSources) -> Result<Inventory, JobError> {
    let (catalogue, station) = (&sources.catalogue, &sources.station);
    let known = catalogue.recorded_mailboxes_of(station)?;
    let open: Vec<&Replica> = sources.drives.iter().collect();
    let mut mailboxes: Vec<MailboxInventory> = known
        .into_iter()
        .map(|(row, name)| MailboxInventory { row, name, messages: 0, bytes: 0, newest: None })
        .collect();
    let index: HashMap<MailboxRowId, usize> = mailboxes.iter().map(|of| of.row).zip(0..).collect();
    let mut latest: Vec<Option<(u64, ContentRowId)>> = vec![None; mailboxes.len()];
    catalogue.each_to_restore(station, false, |wanted| {
        if let Some(at) = index.get(&wanted.mailbox) {
            let mailbox = &mut mailboxes[*at];
            mailbox.messages += 1;
            mailbox.bytes += catalogue.identity(wanted.version.content)?.bytes;
            latest[*at] = latest[*at].max(Some((wanted.latest, wanted.version.content)));
        }
        Ok(())
    })?;
    for (mailbox, latest) in mailboxes.iter_mut().zip(latest) {
        if let Some((_, content)) = latest {
            mailbox.newest = headers_of(catalogue, station, &open, content)?;
        }
    }
    let mut drives = Vec::new();
    for drive in &sources.drives {
        let counts = catalogue.copy_counts(drive.state.row)?;
        drives.push(DriveInventory {
            at: drive.volume.facts().shown.clone(),
            copies: counts.whole,
            bytes: counts.bytes,
            read_again: counts.read_again,
            oldest_proof: counts.oldest,
            claimed: counts.claimed,
            damaged: counts.damaged,
            missing: counts.missing,
            doubtful: counts.debris,
        });
    }
    let ledgers_whole = sources.drives.iter().all(|drive| drive.ledger_whole);
    let messages = mailboxes.iter().map(|mailbox| mailbox.messages).sum();
    Ok(Inventory { station: station.clone(), messages, mailboxes, drives, ledgers_whole })
}

/// What the drives hold, station by station. A drive that cannot be opened is left out: a restore reports it.
pub fn inventories(drives: &[DriveRef], clock: &dyn Clock) -> Result<Vec<Inventory>, JobError> {
    let mut names = Vec::new();
    for place in drives {
        let volume = place.volume_source.open(Access::Read).map_err(JobError::from);
        names.extend(volume.and_then(|volume| stations(&*volume)).unwrap_or_default());
    }
    names.sort();
    names.dedup();
    names.iter().map(|station| inventory(&open_sources(drives, station, clock)?)).collect()
}
