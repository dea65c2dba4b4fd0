//! Scans the mailboxes of a station, each by itself: one that is away, unreadable or damaged delays no other, and what
//! is known of it stays. Never takes another folder for a mailbox that is still where it was.

use super::confirm::{confirm_missing_files, confirm_stable_files};
use super::open_mailbox::OpenMailbox;
use super::rules::{ScanReport, ScanRules};
use super::walk::walk;
use crate::disk::{DiskError, MailboxDir, hash, host, serial_below};
use crate::job::catalogue::{Catalogue, FileState, KnownMailbox, MailboxRowId};
use crate::job::{JobError, MailboxRef, Station};
use crate::model::limits::{MOVED_BYTES, MOVED_MESSAGES};
use crate::model::{Clock, Identity, MailboxName, RelName, escape};
use globset::GlobSet;
use rustix::io::Errno;
use std::os::unix::ffi::{OsStrExt as _, OsStringExt as _};
use std::path::PathBuf;

/// What to do with versions that a daemon holds back because they keep changing.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum HeldBackPolicy {
    /// Read them: somebody asks for a copy now. The mailboxes are in force for every process from here on.
    Read,
    /// Leave them as they are: somebody only looks.
    Leave,
}

/// How far a mailbox could be scanned. Its texts are part of the JSON format.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum MailboxState {
    /// To its end.
    Ok,
    /// To its end, and it is empty although messages were known.
    Emptied,
    /// Its folder does not exist.
    Away,
    /// Its path leads to something that is no folder.
    NotAFolder,
    /// Its folder cannot be read; the operating system's message.
    Unreadable(String),
    /// Its folder cannot be read to its end; the operating system's message.
    ReadInPart(String),
}

impl MailboxState {
    /// The word used in JSON.
    pub fn as_str(&self) -> &'static str {
        match self {
            Self::Ok => "ok",
            Self::Emptied => "emptied",
            Self::Away => "away",
            Self::NotAFolder => "not-a-folder",
            Self::Unreadable(_) => "unreadable",
            Self::ReadInPart(_) => "read-in-part",
        }
    }

    /// The operating system's message, if the mailbox could not be scanned to its end.
    pub fn why(&self) -> Option<&str> {
        match self {
            Self::Unreadable(why) | Self::ReadInPart(why) => Some(why),
            _ => None,
        }
    }

    /// Whether any of it was scanned.
    pub fn was_scanned(&self) -> bool {
        matches!(self, Self::Ok | Self::Emptied | Self::ReadInPart(_))
    }

    /// Whether it was scanned to its end.
    pub fn is_whole(&self) -> bool {
        matches!(self, Self::Ok | Self::Emptied)
    }
}

/// The result of scanning one mailbox.
#[derive(Debug)]
pub struct ConfirmedMailbox {
    /// As the config names it, or a ledger.
    pub name: MailboxName,
    /// Its folder.
    pub path: PathBuf,
    /// Its row in the catalogue; none if it was never scanned.
    pub row: Option<MailboxRowId>,
    /// The folder of the last scan, if that was another one.
    pub was_at: Option<PathBuf>,
    /// How far it could be scanned.
    pub state: MailboxState,
    /// The scan's report; empty if it could not be scanned.
    pub report: ScanReport,
}

/// Scans every mailbox that can be opened, and reads new files at once. An error is one of the catalogue, or says that
/// a name now stands for another mailbox.
pub fn scan_mailboxes(
    catalogue: &Catalogue,
    station: &Station,
    ignore: &GlobSet,
    held: HeldBackPolicy,
    clock: &dyn Clock,
) -> Result<Vec<ConfirmedMailbox>, JobError> {
    StationScan { catalogue, ignore, held, clock }.walk(station)?.confirm()
}

/// How the mailboxes of a station are scanned by hand.
#[derive(Clone, Copy)]
pub struct StationScan<'a> {
    /// What this card knows of them.
    pub catalogue: &'a Catalogue,
    /// Paths that are never read.
    pub ignore: &'a GlobSet,
    /// What to do with versions that keep changing.
    pub held: HeldBackPolicy,
    /// Where the time comes from.
    pub clock: &'a dyn Clock,
}

/// Mailboxes that were walked, and what was found new in them not yet read.
pub struct WalkedMailboxes<'a> {
    scan: StationScan<'a>,
    mailboxes: Vec<(ConfirmedMailbox, Option<OpenMailbox>)>,
}

impl WalkedMailboxes<'_> {
    /// Files in all of them.
    pub fn files(&self) -> u64 {
        self.mailboxes.iter().map(|(mailbox, _)| mailbox.report.files).sum()
    }

    /// Whether any of them was scanned.
    pub fn any_scanned(&self) -> bool {
        self.mailboxes.iter().any(|(mailbox, _)| mailbox.state.was_scanned())
    }

    /// Reads new files, of all mailboxes, and then decides on missing ones: what has moved to another mailbox is known
    /// there by then.
    pub fn confirm(mut self) -> Result<Vec<ConfirmedMailbox>, JobError> {
        let StationScan { catalogue, ignore, held, clock } = self.scan;
        let hold =
            |_: &RelName, state| held == HeldBackPolicy::Leave && state == FileState::Changing;
        let rules = ScanRules { ignore, stable_for: 0, seen_gone: &[], hold: &hold, clock };
        for (mailbox, open) in &mut self.mailboxes {
            let Some(OpenMailbox { row, dir, .. }) = open else { continue };
            confirm_stable_files(catalogue, *row, dir, &rules, &mut mailbox.report)?;
        }
        for (_, open) in &self.mailboxes {
            let Some(OpenMailbox { row, dir, .. }) = open else { continue };
            confirm_missing_files(catalogue, *row, dir, &rules)?;
            catalogue.set_scanned(*row)?;
        }
        Ok(self.mailboxes.into_iter().map(|(mailbox, _)| mailbox).collect())
    }
}

impl<'a> StationScan<'a> {
    /// Walks every mailbox that can be opened, and records which are in force. An error is one of the catalogue, or
    /// says that a name now stands for another mailbox.
    pub fn walk(self, station: &Station) -> Result<WalkedMailboxes<'a>, JobError> {
        let Self { catalogue, ignore, held, clock } = self;
        let rules = ScanRules { ignore, stable_for: 0, seen_gone: &[], hold: &|_, _| false, clock };
        catalogue.begin_run(clock)?;
        catalogue.put_ignored(ignore);
        check_station(catalogue, station)?;
        note_drives_beneath(catalogue, station)?;
        let mut opened = Vec::new();
        for mailbox in &station.mailboxes {
            let was_at = check_place(catalogue, mailbox)?;
            opened.push((mailbox, was_at, open(catalogue, mailbox)?));
        }
        put_in_force(catalogue, station, held)?;
        let mut mailboxes = Vec::new();
        for (mailbox, was_at, open) in opened {
            let (name, path) = (mailbox.name.clone(), mailbox.path.clone());
            let row = catalogue.mailbox_known(&name)?.map(|known| known.row);
            let (state, report) = match &open {
                Err(error) => (state_of(error), ScanReport::default()),
                Ok(open) => {
                    let report = walk(catalogue, open.row, &open.dir, &rules)?;
                    (state_after(&report), report)
                }
            };
            let mailbox = ConfirmedMailbox { name, path, row, was_at, state, report };
            mailboxes.push((mailbox, open.ok()));
        }
        Ok(WalkedMailboxes { scan: self, mailboxes })
    }
}

/// Records that a drive on whose file system a mailbox lies is no drive any more: nothing is found there, and it would
/// be lost together with the mailbox.
pub fn note_drives_beneath(catalogue: &Catalogue, station: &Station) -> Result<(), JobError> {
    for mailbox in &station.mailboxes {
        if let Some(serial) = serial_below(&mailbox.path) {
            catalogue.mailbox_is_on_drive(&mailbox.name, &serial)?;
        }
    }
    Ok(())
}

/// Opens a mailbox. The inner error is the mailbox's, the outer one the catalogue's.
pub fn open(
    catalogue: &Catalogue,
    mailbox: &MailboxRef,
) -> Result<Result<OpenMailbox, DiskError>, JobError> {
    match OpenMailbox::open(catalogue, mailbox) {
        Ok(open) => Ok(Ok(open)),
        Err(JobError::Disk(error)) => Ok(Err(error)),
        Err(error) => Err(error),
    }
}

/// The mailboxes that can be opened now.
pub fn open_all(
    catalogue: &Catalogue,
    mailboxes: &[MailboxRef],
) -> Result<Vec<OpenMailbox>, JobError> {
    let mut all = Vec::new();
    for mailbox in mailboxes {
        // The scanner, or whoever inspects the mailboxes, reports one that cannot be opened.
        all.extend(open(catalogue, mailbox)?.ok());
    }
    Ok(all)
}

/// Puts a station's mailboxes in force, including those that cannot be opened.
pub fn put_in_force(
    catalogue: &Catalogue,
    station: &Station,
    held: HeldBackPolicy,
) -> Result<(), JobError> {
    // If none is named, as on a computer that has only drives, all that is known is in force.
    if station.mailboxes.is_empty() {
        return Ok(());
    }
    let mut rows = Vec::new();
    for mailbox in &station.mailboxes {
        match held {
            HeldBackPolicy::Read => rows.push(catalogue.mailbox(&mailbox.name, None)?),
            HeldBackPolicy::Leave => {
                rows.extend(catalogue.mailbox_known(&mailbox.name)?.map(|known| known.row))
            }
        }
    }
    match held {
        HeldBackPolicy::Read => {
            catalogue.claim_for(&station.name)?;
            catalogue.save_in_force(&rows)
        }
        HeldBackPolicy::Leave => {
            catalogue.put_in_force(&rows);
            Ok(())
        }
    }
}

/// Refuses to answer for one station from what is known of another's mailboxes.
pub fn check_station(catalogue: &Catalogue, station: &Station) -> Result<(), JobError> {
    match catalogue.station()? {
        Some(known) if known != station.name && !station.mailboxes.is_empty() => {
            Err(JobError::OtherStation { known, asked: station.name.clone() })
        }
        _ => Ok(()),
    }
}

/// Whether a run for this station may use this catalogue: the catalogue and its mailboxes are this station's.
pub fn check(catalogue: &Catalogue, station: &Station) -> Result<(), JobError> {
    check_station(catalogue, station)?;
    station.mailboxes.iter().try_for_each(|mailbox| check_place(catalogue, mailbox).map(drop))
}

/// Refuses a name that now stands for another folder while its mailbox is still where it was: all its messages would be
/// called missing, and others would replace them. Returns the former folder if the mailbox has moved.
pub fn check_place(
    catalogue: &Catalogue,
    mailbox: &MailboxRef,
) -> Result<Option<PathBuf>, JobError> {
    let known = catalogue.mailbox_known(&mailbox.name)?;
    let Some(KnownMailbox { row, root: Some(root) }) = known else { return Ok(None) };
    let was_at = PathBuf::from(std::ffi::OsString::from_vec(root));
    if host::resolved(&mailbox.path).as_os_str().as_bytes() == was_at.as_os_str().as_bytes() {
        return Ok(None);
    }
    let Ok(here) = MailboxDir::open(&mailbox.path) else { return Ok(None) };
    let Ok(there) = MailboxDir::open(&was_at) else { return Ok(Some(was_at)) };
    if matches!((here.identity(), there.identity()), (Ok(here), Ok(there)) if here == there) {
        return Ok(None);
    }
    let known = catalogue.some_present(row, MOVED_MESSAGES, MOVED_BYTES)?;
    let most_of = |dir: &MailboxDir| {
        let is_there = |(path, known): &&(RelName, Identity)| has_content(dir, path, known);
        known.iter().filter(is_there).count() * 2 >= known.len()
    };
    match known.is_empty() || most_of(&here) || !most_of(&there) {
        true => Ok(Some(was_at)),
        false => Err(JobError::OtherMailbox {
            name: mailbox.name.clone(),
            was_at: escape::shown_path(&was_at),
            is_at: escape::shown_path(&mailbox.path),
        }),
    }
}

/// Whether a folder has a message with the known content.
fn has_content(dir: &MailboxDir, path: &RelName, known: &Identity) -> bool {
    let Ok(mut file) = dir.open_message(path) else { return false };
    if file.facts_at_open().bytes != known.bytes {
        return false;
    }
    hash(&mut file, known.bytes).is_ok_and(|identity| identity == *known)
}

/// The state of a mailbox that could not be opened.
pub fn state_of(error: &DiskError) -> MailboxState {
    match error.errno {
        Errno::NOENT => MailboxState::Away,
        Errno::NOTDIR => MailboxState::NotAFolder,
        errno => MailboxState::Unreadable(errno.to_string()),
    }
}

/// The state of a mailbox after a scan.
pub fn state_after(report: &ScanReport) -> MailboxState {
    match &report.root_unread {
        None => MailboxState::Ok,
        Some(why) if report.files == 0 => MailboxState::Unreadable(why.clone()),
        Some(why) => MailboxState::ReadInPart(why.clone()),
    }
}
