//! What drives have to offer: their stations, the mailboxes of each, how much and how new.
//! Never writes anything, and never reads more than the logs and a few copies.

use super::{RestoreSources, gather};
use crate::disk::{Access, ReadFrom};
use crate::job::catalogue::{ContentRowId, CopyCounts, MailboxRowId};
use crate::job::replica::{Replica, stations};
use crate::job::traffic::headers_of;
use crate::job::{DriveRef, JobError};
use crate::model::limits::COPY_BUFFER_BYTES;
use crate::model::message::Headers;
use crate::model::{Clock, MailboxName, StationName};
use std::collections::HashMap;
use std::time::Duration;

/// Copies read to see how quick the drives are.
const PACED_BY: usize = 32;
/// Not for longer than this.
const PACED_FOR: Duration = Duration::from_millis(500);

/// A station, as the drives know it.
pub struct Inventory {
    /// Its name.
    pub station: StationName,
    /// Its mailboxes.
    pub mailboxes: Vec<OfferedStation>,
    /// Where the drives are that hold it, for a person, and how the copies on each stand.
    pub drives: Vec<(String, CopyCounts)>,
    /// The ledger of each of them is whole.
    pub ledgers_whole: bool,
}

/// A mailbox of it.
pub struct OfferedStation {
    /// Its row in the gathered catalogue.
    pub row: MailboxRowId,
    /// Its name.
    pub name: MailboxName,
    /// Messages that a restore would bring back.
    pub messages: u64,
    /// Bytes of them.
    pub bytes: u64,
    /// Headers of the one that came last, if a copy of it can be read.
    pub newest: Option<Headers>,
}

impl Inventory {
    /// Messages of all mailboxes.
    pub fn messages(&self) -> u64 {
        self.mailboxes.iter().map(|mailbox| mailbox.messages).sum()
    }
}

/// What has been gathered of one station.
pub fn inventory(sources: &RestoreSources) -> Result<Inventory, JobError> {
    let (catalogue, station) = (&sources.catalogue, &sources.station);
    let told = catalogue.mailboxes_told(station)?;
    let open: Vec<&Replica> = sources.drives.iter().collect();
    let mut mailboxes: Vec<OfferedStation> = told
        .into_iter()
        .map(|(row, name)| OfferedStation { row, name, messages: 0, bytes: 0, newest: None })
        .collect();
    let index: HashMap<MailboxRowId, usize> = mailboxes.iter().map(|of| of.row).zip(0..).collect();
    let mut latest: Vec<Option<(u64, ContentRowId)>> = vec![None; mailboxes.len()];
    catalogue.each_wanted(station, false, |wanted| {
        if let Some(at) = index.get(&wanted.mailbox) {
            let offered = &mut mailboxes[*at];
            offered.messages += 1;
            offered.bytes += catalogue.identity(wanted.version.content)?.bytes;
            latest[*at] = latest[*at].max(Some((wanted.latest, wanted.version.content)));
        }
        Ok(())
    })?;
    for (offered, latest) in mailboxes.iter_mut().zip(latest) {
        if let Some((_, content)) = latest {
            offered.newest = headers_of(catalogue, station, &open, content)?;
        }
    }
    let mut drives = Vec::new();
    for drive in &sources.drives {
        let counts = catalogue.copy_counts(drive.state.row)?;
        drives.push((drive.volume.facts().shown.clone(), counts));
    }
    let ledgers_whole = sources.drives.iter().all(|drive| drive.ledger_whole);
    Ok(Inventory { station: station.clone(), mailboxes, drives, ledgers_whole })
}

/// What the drives hold, station by station. What cannot be read of one of them is said by whoever reads it whole.
pub fn offers(drives: &[DriveRef], clock: &dyn Clock) -> Result<Vec<Inventory>, JobError> {
    let mut names = Vec::new();
    for place in drives {
        let volume = place.volume_source.open(Access::Read).map_err(JobError::from);
        names.extend(volume.and_then(|volume| stations(&*volume)).unwrap_or_default());
    }
    names.sort();
    names.dedup();
    names.iter().map(|station| inventory(&gather(drives, station, clock)?)).collect()
}

/// How long reading everything takes, by the pace of a few copies read from the medium; none if there are too few
/// to tell.
pub fn pace(
    sources: &RestoreSources,
    messages: u64,
    clock: &dyn Clock,
) -> Result<Option<Duration>, JobError> {
    let begun = clock.since_boot();
    let mut read: u32 = 0;
    for drive in &sources.drives {
        let copies = sources.catalogue.payloads_after(drive.state.row, 0, PACED_BY as u32)?;
        for copy in copies {
            if read as usize >= PACED_BY || clock.since_boot() - begun > PACED_FOR {
                break;
            }
            let at = drive.dir.join(&copy.name.to_rel());
            let Ok(mut source) = drive.volume.read(&at, 0, ReadFrom::Medium) else { continue };
            let mut buffer = vec![0; COPY_BUFFER_BYTES];
            // One that cannot be read takes its time all the same.
            while source.read(&mut buffer).is_ok_and(|got| got > 0) {}
            read += 1;
        }
    }
    let took = clock.since_boot() - begun;
    let whole = u32::try_from(messages).unwrap_or(u32::MAX);
    Ok((read > 0).then(|| took.saturating_mul(whole) / read))
}
