//! Faults put into the program on purpose, by a `Volume` between it and the stick: if the simulator does not find one
//! of these, it proves nothing. Never part of the program.

use crate::medium::Junk;
use crate::oracle::HOME;
use crate::rewording::{departures_first, knows_every_gap, marked, rehashed, reworded};
use crate::stick::Stick;
use counterfoil::disk::{
    Access, DiskError, Entry, Lengths, ReadFrom, Sink, Source, Volume, VolumeFacts,
};
use counterfoil::model::RelName;
use rustix::io::Errno;
use std::sync::{Mutex, PoisonError};

/// What is done wrong.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Sabotage {
    LedgerBeforeSync,
    FailedSyncPassedOver,
    SecondSyncAfterAFailedOne,
    NoReadBack,
    NumberUsedAgain,
    AckBeforeTheLedgersSync,
    ManifestNotSynced,
    TailTrustedWithoutItsHash,
    OrphanDeleted,
    DebrisListedFirst,
    LineGluedToATornOne,
    LedgerWrittenOver,
    LedgerTruncated,
    SessionBelievedAfterAPull,
    LastCommitsNotReadAgain,
    OldCopyWrittenOver,
    MountPointTakenForTheDrive,
    DepartureBeforeTheArrival,
    MarkOverWhatLeft,
    GapsNotCounted,
    WriterKeptAfterACopy,
    ListNotFlushedBetweenSteps,
}

impl Sabotage {
    pub(crate) const ALL: [Self; 22] = [
        Self::LedgerBeforeSync,
        Self::FailedSyncPassedOver,
        Self::SecondSyncAfterAFailedOne,
        Self::NoReadBack,
        Self::NumberUsedAgain,
        Self::AckBeforeTheLedgersSync,
        Self::ManifestNotSynced,
        Self::TailTrustedWithoutItsHash,
        Self::OrphanDeleted,
        Self::DebrisListedFirst,
        Self::LineGluedToATornOne,
        Self::LedgerWrittenOver,
        Self::LedgerTruncated,
        Self::SessionBelievedAfterAPull,
        Self::LastCommitsNotReadAgain,
        Self::OldCopyWrittenOver,
        Self::MountPointTakenForTheDrive,
        Self::DepartureBeforeTheArrival,
        Self::MarkOverWhatLeft,
        Self::GapsNotCounted,
        Self::WriterKeptAfterACopy,
        Self::ListNotFlushedBetweenSteps,
    ];

    /// The same, for a person.
    pub(crate) fn words(self) -> &'static str {
        match self {
            Self::LedgerBeforeSync => "copies are not handed to the device before the ledger",
            Self::FailedSyncPassedOver => "a failed sync is passed over",
            Self::SecondSyncAfterAFailedOne => "a failed sync is tried a second time",
            Self::NoReadBack => "copies are read back from memory",
            Self::NumberUsedAgain => "the number of a copy without a line is used again",
            Self::AckBeforeTheLedgersSync => "acknowledged before the ledger is synced",
            Self::ManifestNotSynced => "the manifest is not synced before the ledger",
            Self::TailTrustedWithoutItsHash => "ledger lines are trusted without their hash",
            Self::OrphanDeleted => "copies without a line are deleted",
            Self::DebrisListedFirst => "debris is listed before the ledger tells of it",
            Self::LineGluedToATornOne => "a line is written behind a torn one, without a line feed",
            Self::LedgerWrittenOver => "the torn end of the ledger is written over",
            Self::LedgerTruncated => "the torn end of the ledger is cut off",
            Self::SessionBelievedAfterAPull => "a drive that was pulled is taken for never gone",
            Self::LastCommitsNotReadAgain => "the last commits are not read again",
            Self::OldCopyWrittenOver => "a new copy is written over an old one",
            Self::MountPointTakenForTheDrive => "an empty mount point is taken for the drive",
            Self::DepartureBeforeTheArrival => "what left is told before what came in its place",
            Self::MarkOverWhatLeft => "one line renews also what the mailbox has no more",
            Self::GapsNotCounted => "what left counts behind lines that nobody can read",
            Self::WriterKeptAfterACopy => "a card and its copy go on as the same writer",
            Self::ListNotFlushedBetweenSteps => "the list of messages is not flushed between steps",
        }
    }

    /// Whether the fault is in how a restore reads a ledger.
    pub(crate) fn misreads(self) -> bool {
        matches!(self, Self::GapsNotCounted)
    }

    pub(crate) fn wrap(
        self,
        inner: Box<dyn Volume>,
        stick: Stick,
        access: Access,
    ) -> Box<dyn Volume> {
        let mut facts = inner.facts().clone();
        if self == Self::SessionBelievedAfterAPull {
            facts.mount = "always".into();
        }
        let (late, rewrite) = (Mutex::default(), Mutex::default());
        let misreads = self.misreads() && access == Access::Read;
        let saboteur = Saboteur { how: self, inner, stick, facts, misreads, late, rewrite };
        if access == Access::Write {
            saboteur.at_opening();
        }
        Box::new(saboteur)
    }
}

/// Offset, intended bytes, and the bytes written instead.
type Rewrite = (u64, Vec<u8>, Vec<u8>);

struct Saboteur {
    how: Sabotage,
    inner: Box<dyn Volume>,
    stick: Stick,
    facts: VolumeFacts,
    /// The volume is read by a restore.
    misreads: bool,
    /// A write that is delayed.
    late: Mutex<Option<(RelName, u64, Vec<u8>)>>,
    /// The last intended write: its offset, its bytes, and the bytes written instead.
    rewrite: Mutex<Option<Rewrite>>,
}

fn is(at: &RelName, name: &str) -> bool {
    at.last() == name.as_bytes()
}

impl Saboteur {
    fn at_opening(&self) {
        let mut state = self.stick.state();
        if self.how == Sabotage::MountPointTakenForTheDrive
            && let Some(mount_point) = state.mount_point.clone().filter(|_| !state.plugged)
            && let Some(id) = state.medium.memory().file("counterfoil/drive.json", Junk::Zeros)
        {
            let medium = &mut mount_point.state().medium;
            if medium.memory().number("counterfoil/drive.json").is_none() {
                medium.make_folder("counterfoil");
                let file = medium.create("counterfoil/drive.json");
                medium.write(file, 0, &id);
            }
        }
        let ledger = state.medium.memory().file(&format!("{HOME}ledger.jsonl"), Junk::Zeros);
        let Some(ledger) = ledger else { return };
        match self.how {
            Sabotage::OrphanDeleted => {
                let text = String::from_utf8_lossy(&ledger).into_owned();
                let data = format!("{HOME}data/");
                let copies: Vec<_> =
                    state.medium.memory().all().map(|(path, _)| path.to_owned()).collect();
                for path in copies.iter().filter(|path| path.starts_with(&data)) {
                    if !text.contains(&path[HOME.len()..]) {
                        state.medium.remove(path);
                    }
                }
            }
            Sabotage::LedgerTruncated => {
                let sound = ledger.iter().rposition(|&byte| byte == b'\n').map_or(0, |at| at + 1);
                if sound < ledger.len() {
                    state
                        .medium
                        .tamper(&format!("{HOME}ledger.jsonl"), |bytes| bytes.truncate(sound));
                }
            }
            _ => {}
        }
    }

    fn ledger(&self) -> Vec<u8> {
        let state = self.stick.state();
        let ledger = state.medium.memory().file(&format!("{HOME}ledger.jsonl"), Junk::Zeros);
        ledger.unwrap_or_default()
    }

    /// The ledger as it is misread.
    fn misread(&self) -> Vec<u8> {
        reworded(&self.ledger(), knows_every_gap)
    }

    /// Writes other lines, and reads back those that were intended.
    fn write_otherwise(
        &self,
        at: &RelName,
        offset: u64,
        bytes: &[u8],
        otherwise: fn(&[u8], &[u8]) -> Option<Vec<u8>>,
    ) -> Result<(), DiskError> {
        let ledger = self.ledger();
        let before = &ledger[..ledger.len().min(offset as usize)];
        let written = otherwise(before, bytes).unwrap_or_else(|| bytes.to_vec());
        self.inner.write_synced(at, offset, &written)?;
        let mut rewrite = self.rewrite.lock().unwrap_or_else(PoisonError::into_inner);
        *rewrite = Some((offset, bytes.to_vec(), written));
        Ok(())
    }
}

impl Volume for Saboteur {
    fn facts(&self) -> &VolumeFacts {
        &self.facts
    }

    fn present(&self) -> Result<(), DiskError> {
        match self.how {
            Sabotage::SessionBelievedAfterAPull => Ok(()),
            _ => self.inner.present(),
        }
    }

    fn room(&self) -> Result<u64, DiskError> {
        self.inner.room()
    }

    fn make_dir(&self, at: &RelName) -> Result<(), DiskError> {
        self.inner.make_dir(at)
    }

    fn list(&self, at: &RelName, most: usize) -> Result<Vec<Entry>, DiskError> {
        let mut entries = self.inner.list(at, most)?;
        if self.how == Sabotage::NumberUsedAgain {
            let text = String::from_utf8_lossy(&self.ledger()).into_owned();
            entries.retain(|entry| {
                let name = String::from_utf8_lossy(&entry.name);
                name.len() < 12 || !name.starts_with('0') || text.contains(&*name)
            });
        }
        Ok(entries)
    }

    fn lengths(&self, at: &RelName, most: usize) -> Result<Lengths, DiskError> {
        self.inner.lengths(at, most)
    }

    fn length(&self, at: &RelName) -> Result<Option<u64>, DiskError> {
        match self.inner.length(at)? {
            Some(_) if self.misreads && is(at, "ledger.jsonl") => {
                Ok(Some(self.misread().len() as u64))
            }
            length => Ok(length),
        }
    }

    fn create(&self, at: &RelName) -> Result<Box<dyn Sink>, DiskError> {
        let mut at = at.clone();
        let mut state = self.stick.state();
        if self.how == Sabotage::OldCopyWrittenOver {
            let folder = at.parent().map(|folder| folder.to_string()).unwrap_or_default();
            let old =
                state.medium.memory().entries(&folder).into_iter().map(|(name, _)| name).max();
            if let Some(old) = old.filter(|_| folder.contains("/data/")) {
                at = RelName::new(format!("{folder}/{old}")).unwrap();
            }
        }
        if matches!(self.how, Sabotage::OldCopyWrittenOver | Sabotage::NumberUsedAgain) {
            state.medium.remove(&at.to_string());
        }
        drop(state);
        self.inner.create(&at)
    }

    fn write_synced(&self, at: &RelName, offset: u64, bytes: &[u8]) -> Result<(), DiskError> {
        let ledger = is(at, "ledger.jsonl");
        let unsynced = |at: &RelName, offset: u64, bytes: &[u8]| {
            let mut state = self.stick.state();
            let file = state.medium.memory().number(&at.to_string());
            let file = file.ok_or_else(|| DiskError::new("write", at, Errno::NOENT))?;
            state.medium.write(file, offset, bytes);
            Ok(())
        };
        match self.how {
            Sabotage::AckBeforeTheLedgersSync if ledger => unsynced(at, offset, bytes),
            Sabotage::DepartureBeforeTheArrival if ledger => {
                self.write_otherwise(at, offset, bytes, departures_first)
            }
            Sabotage::MarkOverWhatLeft if ledger => self.write_otherwise(at, offset, bytes, marked),
            Sabotage::ManifestNotSynced if is(at, "manifest-sha256.txt") => {
                unsynced(at, offset, bytes)
            }
            Sabotage::LineGluedToATornOne if ledger && bytes.starts_with(b"\n") => {
                self.inner.write_synced(at, offset, &bytes[1..])
            }
            Sabotage::LedgerWrittenOver if ledger => {
                let sound =
                    self.ledger().iter().rposition(|&byte| byte == b'\n').map_or(0, |at| at + 1);
                self.inner.write_synced(at, (sound as u64).min(offset), bytes)
            }
            Sabotage::DebrisListedFirst => {
                let mut late = self.late.lock().unwrap_or_else(PoisonError::into_inner);
                let debris = bytes.windows(8).any(|window| window == b"\"debris\"");
                if ledger && debris && late.is_none() {
                    *late = Some((at.clone(), offset, bytes.to_vec()));
                    return Ok(());
                }
                let delayed = late.take();
                drop(late);
                self.inner.write_synced(at, offset, bytes)?;
                delayed.map_or(Ok(()), |(at, offset, bytes)| {
                    self.inner.write_synced(&at, offset, &bytes)
                })
            }
            Sabotage::SecondSyncAfterAFailedOne => {
                self.inner.write_synced(at, offset, bytes).or_else(|_| self.inner.sync_all())
            }
            _ => self.inner.write_synced(at, offset, bytes),
        }
    }

    fn write_unsynced(&self, at: &RelName, offset: u64, bytes: &[u8]) -> Result<(), DiskError> {
        self.inner.write_unsynced(at, offset, bytes)
    }

    fn flush(&self) -> Result<(), DiskError> {
        match self.how {
            Sabotage::ListNotFlushedBetweenSteps => self.inner.sync_all(),
            _ => self.inner.flush(),
        }
    }

    fn sync_all(&self) -> Result<(), DiskError> {
        match self.how {
            Sabotage::LedgerBeforeSync => Ok(()),
            Sabotage::FailedSyncPassedOver => {
                drop(self.inner.sync_all());
                Ok(())
            }
            Sabotage::SecondSyncAfterAFailedOne => {
                self.inner.sync_all().or_else(|_| self.inner.sync_all())
            }
            _ => self.inner.sync_all(),
        }
    }

    fn read(
        &self,
        at: &RelName,
        offset: u64,
        from: ReadFrom,
    ) -> Result<Box<dyn Source>, DiskError> {
        let rewrite = self.rewrite.lock().unwrap_or_else(PoisonError::into_inner).clone();
        match self.how {
            _ if self.misreads && is(at, "ledger.jsonl") => {
                let ledger = self.misread();
                Ok(Box::new(Buffered(ledger, offset as usize)))
            }
            Sabotage::DepartureBeforeTheArrival | Sabotage::MarkOverWhatLeft
                if is(at, "ledger.jsonl")
                    && let Some((begin, acceptable, written)) = &rewrite
                    && *begin == offset
                    && self.ledger().get(offset as usize..) == Some(written) =>
            {
                Ok(Box::new(Buffered(acceptable.clone(), 0)))
            }
            Sabotage::NoReadBack => self.inner.read(at, offset, ReadFrom::Anywhere),
            Sabotage::TailTrustedWithoutItsHash if is(at, "ledger.jsonl") => {
                let ledger = rehashed(&self.ledger());
                let rest = ledger.get(offset as usize..).unwrap_or_default().to_vec();
                Ok(Box::new(Buffered(rest, 0)))
            }
            Sabotage::LastCommitsNotReadAgain if at.to_string().contains("/data/") => {
                // Once it has read something, it returns that for ever.
                let mut state = self.stick.state();
                let path = at.to_string();
                let bytes = state.medium.memory().file(&path, Junk::Zeros);
                match bytes.or_else(|| state.believed.get(&path).cloned()) {
                    Some(bytes) => {
                        let bytes = state.believed.entry(path).or_insert(bytes).clone();
                        Ok(Box::new(Buffered(bytes, offset as usize)))
                    }
                    None => {
                        drop(state);
                        self.inner.read(at, offset, from)
                    }
                }
            }
            _ => self.inner.read(at, offset, from),
        }
    }
}

/// Bytes to be read, and how many were read.
struct Buffered(Vec<u8>, usize);

impl Source for Buffered {
    fn read(&mut self, into: &mut [u8]) -> Result<usize, DiskError> {
        let rest = self.0.get(self.1..).unwrap_or_default();
        let got = rest.len().min(into.len());
        into[..got].copy_from_slice(&rest[..got]);
        self.1 += got;
        Ok(got)
    }
}
