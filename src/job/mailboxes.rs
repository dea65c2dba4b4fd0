//! Takes the mailboxes of a station into the catalogue, each for itself: one that is away, cannot be read or is
//! damaged holds up no other, and what is known of it stays as it was.
//! Never takes another folder for a mailbox that is still where it was.

use super::catalogue::{Catalogue, FileState, KnownMailbox};
use super::mirror::OpenMailbox;
use super::scan::{ScanReport, ScanRules, scan};
use super::{JobError, MailboxRef, Station};
use crate::disk::{DiskError, MailboxDir, hash, host, serial_below};
use crate::job::catalogue::MailboxRowId;
use crate::model::limits::{MOVED_BYTES, MOVED_MESSAGES};
use crate::model::{Clock, Identity, MailboxName, RelName, escape};
use globset::GlobSet;
use rustix::io::Errno;
use std::os::unix::ffi::{OsStrExt as _, OsStringExt as _};
use std::path::PathBuf;

/// What to do with versions that a daemon holds back since they keep changing.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum HeldBackPolicy {
    /// Take them in: somebody asks for a copy now. The mailboxes are in force from here on for every process.
    TakeIn,
    /// Leave them as they are: somebody only looks.
    Leave,
}

/// How a mailbox could be looked at. Its texts are part of the JSON format.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum MailboxState {
    /// All of it.
    Ok,
    /// All of it, and it holds nothing, though messages were known.
    Emptied,
    /// Its folder is not there.
    Away,
    /// Its path leads to something that is no folder.
    NotAFolder,
    /// Its folder cannot be read; what the operating system said.
    Unreadable(String),
    /// Its folder cannot be read to its end; what the operating system said.
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

    /// What the operating system said, if the mailbox could not be looked at whole.
    pub fn why(&self) -> Option<&str> {
        match self {
            Self::Unreadable(why) | Self::ReadInPart(why) => Some(why),
            _ => None,
        }
    }

    /// Whether anything at all was seen of it.
    pub fn was_looked_at(&self) -> bool {
        matches!(self, Self::Ok | Self::Emptied | Self::ReadInPart(_))
    }

    /// Whether all of it was seen.
    pub fn is_whole(&self) -> bool {
        matches!(self, Self::Ok | Self::Emptied)
    }
}

/// What was taken in of one mailbox.
#[derive(Debug)]
pub struct ConfirmedMailbox {
    /// Its name.
    pub name: MailboxName,
    /// Its folder.
    pub path: PathBuf,
    /// Its row in the catalogue; none of one that was never looked at.
    pub row: Option<MailboxRowId>,
    /// The folder in which it was when it was last looked at, if that was another one.
    pub was_at: Option<PathBuf>,
    /// Whether it could be looked at.
    pub state: MailboxState,
    /// What was found; nothing of one that could not be looked at.
    pub report: ScanReport,
}

/// Scans every mailbox that can be looked at, reading at once whatever is new. An error is one of the catalogue, or
/// says that a name stands for another mailbox now.
pub fn confirm_mailboxes(
    catalogue: &Catalogue,
    station: &Station,
    ignore: &GlobSet,
    held: HeldBackPolicy,
    clock: &dyn Clock,
) -> Result<Vec<ConfirmedMailbox>, JobError> {
    let hold = |_: &RelName, state| held == HeldBackPolicy::Leave && state == FileState::Changing;
    let rules = ScanRules { ignore, settle: 0, seen_gone: &[], hold: &hold, clock };
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
    let mut taken = Vec::new();
    for (mailbox, was_at, open) in opened {
        let (name, path) = (mailbox.name.clone(), mailbox.path.clone());
        let row = catalogue.mailbox_known(&name)?.map(|known| known.row);
        let (state, report) = match open {
            Err(error) => (state_of(&error), ScanReport::default()),
            Ok(open) => {
                let report = scan(catalogue, open.row, &open.dir, &rules)?;
                (state_after(&report), report)
            }
        };
        taken.push(ConfirmedMailbox { name, path, row, was_at, state, report });
    }
    Ok(taken)
}

/// A drive on whose file system a mailbox lies is none any more: nothing is found there, and what is known of it dies
/// with the mailbox.
pub fn note_drives_beneath(catalogue: &Catalogue, station: &Station) -> Result<(), JobError> {
    for mailbox in &station.mailboxes {
        if let Some(serial) = serial_below(&mailbox.path) {
            catalogue.mailbox_is_on_drive(&mailbox.name, &serial)?;
        }
    }
    Ok(())
}

/// Opens a mailbox. The inner error is the mailbox's own, the outer one the catalogue's.
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
        // Of one that cannot be opened the scanner, or whoever looks, tells.
        all.extend(open(catalogue, mailbox)?.ok());
    }
    Ok(all)
}

/// Puts a station's mailboxes in force, those that cannot be looked at among them.
pub fn put_in_force(
    catalogue: &Catalogue,
    station: &Station,
    held: HeldBackPolicy,
) -> Result<(), JobError> {
    // Where none is named, as on a computer that has only drives, questions are about all that is known.
    if station.mailboxes.is_empty() {
        return Ok(());
    }
    let mut rows = Vec::new();
    for mailbox in &station.mailboxes {
        match held {
            HeldBackPolicy::TakeIn => rows.push(catalogue.mailbox(&mailbox.name, None)?),
            HeldBackPolicy::Leave => {
                rows.extend(catalogue.mailbox_known(&mailbox.name)?.map(|known| known.row))
            }
        }
    }
    match held {
        HeldBackPolicy::TakeIn => {
            catalogue.claim_for(&station.name)?;
            catalogue.keep_in_force(&rows)
        }
        HeldBackPolicy::Leave => {
            catalogue.put_in_force(&rows);
            Ok(())
        }
    }
}

/// Refuses to answer for one station from what is known of another one's mailboxes.
pub fn check_station(catalogue: &Catalogue, station: &Station) -> Result<(), JobError> {
    match catalogue.station()? {
        Some(known) if known != station.name && !station.mailboxes.is_empty() => {
            Err(JobError::OtherStation { known, asked: station.name.clone() })
        }
        _ => Ok(()),
    }
}

/// Whether a run for this station may work with this catalogue: it is its own, and so are its mailboxes.
pub fn check(catalogue: &Catalogue, station: &Station) -> Result<(), JobError> {
    check_station(catalogue, station)?;
    station.mailboxes.iter().try_for_each(|mailbox| check_place(catalogue, mailbox).map(drop))
}

/// Refuses a name that stands for another folder now while its mailbox is still where it was: its messages would
/// all be called missing, and others' would take their places. The folder where it was, if it moved.
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
        let is_there = |(path, known): &&(RelName, Identity)| holds(dir, path, known);
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

/// Whether a message is in a folder, as it is known.
fn holds(dir: &MailboxDir, path: &RelName, known: &Identity) -> bool {
    let Ok(mut file) = dir.open_message(path) else { return false };
    if file.facts_at_open().bytes != known.bytes {
        return false;
    }
    hash(&mut file, known.bytes).is_ok_and(|identity| identity == *known)
}

/// Why a mailbox could not be opened.
pub fn state_of(error: &DiskError) -> MailboxState {
    match error.errno {
        Errno::NOENT => MailboxState::Away,
        Errno::NOTDIR => MailboxState::NotAFolder,
        errno => MailboxState::Unreadable(errno.to_string()),
    }
}

/// How a mailbox was found by a look at all of it.
pub fn state_after(report: &ScanReport) -> MailboxState {
    match &report.root_unread {
        None => MailboxState::Ok,
        Some(why) if report.files == 0 => MailboxState::Unreadable(why.clone()),
        Some(why) => MailboxState::ReadInPart(why.clone()),
    }
}
