//! Compares what a restore gave with the mailbox where it is, octet for octet.
//! Never writes anything.

use crate::disk::{Look, MailboxDir, MessageFile, Sighting, read_full};
use crate::job::JobError;
use crate::job::exclude::Exclusions;
use crate::model::RelName;
use crate::model::limits::{COPY_BUFFER_BYTES, PROBLEMS_MAX};
use globset::GlobSet;
use std::path::Path;

/// What a comparison found.
#[derive(Debug, Default, PartialEq, Eq)]
pub struct Compared {
    /// Messages that are the same, octet for octet.
    pub same: u64,
    /// Messages that are not, at most so many of them.
    pub other: Vec<RelName>,
    /// All of those.
    pub others: u64,
    /// Messages of the mailbox that the restore did not give, at most so many of them.
    pub not_restored: Vec<RelName>,
    /// All of those.
    pub not_restored_all: u64,
    /// Messages that are back and not in the mailbox any more.
    pub only_restored: u64,
}

impl Compared {
    /// Whether the restore gave everything that is in the mailbox.
    pub fn is_whole(&self) -> bool {
        self.others == 0 && self.not_restored_all == 0
    }
}

/// Compares a restored folder with a mailbox, both ways.
pub fn compare(restored: &Path, mailbox: &Path, ignore: &GlobSet) -> Result<Compared, JobError> {
    let (restored, mailbox) = (MailboxDir::open(restored)?, MailboxDir::open(mailbox)?);
    let mut found = Compared::default();
    for sighting in restored.walk(|_| true) {
        let Sighting::File(path, _) = sighting else { continue };
        match mailbox.look(&path)? {
            Look::File(_) if is_same(&restored, &mailbox, &path)? => found.same += 1,
            Look::File(_) => note(&mut found.other, &mut found.others, path),
            _ => found.only_restored += 1,
        }
    }
    let exclusions = Exclusions::new(&mailbox, ignore);
    for sighting in mailbox.walk(|folder| exclusions.enters(folder)) {
        match sighting {
            Sighting::File(path, _) => {
                if !exclusions.is_ignored(&path) && restored.look(&path)? == Look::Gone {
                    note(&mut found.not_restored, &mut found.not_restored_all, path);
                }
            }
            Sighting::Unreadable(Some(path), _) => {
                note(&mut found.not_restored, &mut found.not_restored_all, path);
            }
            Sighting::TooLong(_, names) => found.not_restored_all += names,
            Sighting::Unreadable(None, _) => found.not_restored_all += 1,
            Sighting::NotAFile(_) => {}
        }
    }
    Ok(found)
}

fn note(some: &mut Vec<RelName>, all: &mut u64, path: RelName) {
    *all += 1;
    if some.len() < PROBLEMS_MAX {
        some.push(path);
    }
}

fn is_same(one: &MailboxDir, other: &MailboxDir, path: &RelName) -> Result<bool, JobError> {
    let (mut one, mut other) = (one.open_message(path)?, other.open_message(path)?);
    let (mut here, mut there) = (vec![0; COPY_BUFFER_BYTES], vec![0; COPY_BUFFER_BYTES]);
    let fill =
        |file: &mut MessageFile, into: &mut [u8]| read_full(|octets| file.read(octets), into);
    loop {
        let (got, same) = (fill(&mut one, &mut here)?, fill(&mut other, &mut there)?);
        if here[..got] != there[..same] {
            return Ok(false);
        }
        if got == 0 {
            return Ok(true);
        }
    }
}
