//! A station's card: its mailbox, its catalogue, its clock, and the operations on them. Makes no assertions about the
//! outcome: the tests do.

use super::clock::HandClock;
#[allow(unused_imports, reason = "some test binaries use no sample message")]
pub(crate) use super::mail::mail;
use super::memory::MemoryDrive;
use counterfoil::disk::{Access, MailboxDir, VolumeSource};
use counterfoil::job::catalogue::{Catalogue, CopyStatus, FileState};
use counterfoil::job::extras::{Extras, ExtrasOutcome, write_extras_of_drive};
use counterfoil::job::mirror::{OpenMailbox, Pass, PassReport};
use counterfoil::job::replica::{NewDrivePolicy, PresentDrives, Replica};
use counterfoil::job::scan::{ScanReport, ScanRules, check_paths, scan};
use counterfoil::job::sync_drive::{self, SyncOutcome};
use counterfoil::job::{DriveRef, JobError, MailboxRef, Progress, Unwatched};
use counterfoil::model::{Clock, Identity, RelName, StationName};
use globset::GlobSet;
use std::cell::RefCell;
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use tempfile::TempDir;

/// A temporary folder, deleted when the value is dropped; in memory where the machine has such a file system, so that
/// thousands of restores do not wait for thousands of disk syncs.
pub(crate) fn folder() -> TempDir {
    let memory = Path::new("/dev/shm");
    match memory.is_dir() {
        true => tempfile::tempdir_in(memory).unwrap(),
        false => tempfile::tempdir().unwrap(),
    }
}

pub(crate) fn rel(path: &str) -> RelName {
    RelName::new(path).unwrap()
}

pub(crate) fn station() -> StationName {
    "pier-4".parse().unwrap()
}

pub(crate) fn drive_ref(drive: &MemoryDrive, label: &str) -> DriveRef {
    through(Arc::new(drive.volume_source()), label)
}

fn through(volume_source: Arc<dyn VolumeSource>, label: &str) -> DriveRef {
    DriveRef {
        volume_source,
        label: label.into(),
        path: label.into(),
        begin: NewDrivePolicy::InFolder,
    }
}

pub(crate) struct Card {
    pub catalogue: Catalogue,
    pub clock: HandClock,
    mail: TempDir,
    ignore: GlobSet,
    /// Deletions seen since the last scan.
    seen_gone: RefCell<Vec<RelName>>,
    /// Messages seen to be overwritten since then.
    hinted: RefCell<Vec<RelName>>,
    written: RefCell<u64>,
}

impl Card {
    pub(crate) fn new() -> Self {
        Self::with_mail_in(folder())
    }

    /// With its mailbox in a folder of the caller's.
    pub(crate) fn with_mail_in(mail: TempDir) -> Self {
        Self {
            catalogue: Catalogue::in_memory().unwrap(),
            clock: HandClock::new(),
            mail,
            ignore: GlobSet::empty(),
            seen_gone: RefCell::default(),
            hinted: RefCell::default(),
            written: RefCell::default(),
        }
    }

    /// Loses the card's catalogue; the mailbox stays.
    pub(crate) fn lose_catalogue(&mut self) {
        self.catalogue = Catalogue::in_memory().unwrap();
    }

    pub(crate) fn root(&self) -> &Path {
        self.mail.path()
    }

    fn at(&self, path: &str) -> PathBuf {
        self.mail.path().join(path)
    }

    /// Puts a message there as a mail program does: written under another name, then renamed, replacing any that is
    /// there.
    pub(crate) fn deliver(&self, path: &str, bytes: &[u8]) {
        if self.at(path).exists() {
            self.hinted.borrow_mut().push(rel(path));
        }
        let number = self.written.replace_with(|n| *n + 1);
        let passing = self.at("tmp");
        std::fs::create_dir_all(&passing).unwrap();
        let passing = passing.join(number.to_string());
        std::fs::write(&passing, bytes).unwrap();
        std::fs::create_dir_all(self.at(path).parent().unwrap()).unwrap();
        std::fs::rename(passing, self.at(path)).unwrap();
    }

    pub(crate) fn rename(&self, from: &str, to: &str) {
        std::fs::create_dir_all(self.at(to).parent().unwrap()).unwrap();
        std::fs::rename(self.at(from), self.at(to)).unwrap();
    }

    /// Deletes a message while the daemon watches.
    pub(crate) fn delete(&self, path: &str) {
        std::fs::remove_file(self.at(path)).unwrap();
        self.seen_gone.borrow_mut().push(rel(path));
    }

    /// A message disappears unseen.
    pub(crate) fn vanish(&self, path: &str) {
        std::fs::remove_file(self.at(path)).unwrap();
    }

    /// The card changes a byte of a message by itself. No test can prevent the system from updating the time of a
    /// change, so that time is written into the catalogue as if it had always been so.
    pub(crate) fn rot(&self, path: &str) {
        let at = self.at(path);
        let was = std::fs::metadata(&at).unwrap().modified().unwrap();
        let mut bytes = std::fs::read(&at).unwrap();
        bytes[20] ^= 1;
        let file = std::fs::OpenOptions::new().write(true).open(&at).unwrap();
        std::os::unix::fs::FileExt::write_all_at(&file, &bytes, 0).unwrap();
        file.set_modified(was).unwrap();
        let dir = self.dir();
        let counterfoil::disk::EntryStat::File(facts) = dir.stat(&rel(path)).unwrap() else {
            panic!("{path} is not there")
        };
        let (open, key) = (self.mailbox(), rel(path).key());
        let row = self.catalogue.file(open.row, &key).unwrap().unwrap();
        let looked = (row.first_statted, self.clock.event_time().claim());
        self.catalogue
            .record_look((open.row, &key), &facts, FileState::Fresh, looked, false)
            .unwrap();
        let row = self.catalogue.file(open.row, &key).unwrap().unwrap();
        self.catalogue.set_state(&row, FileState::Present, looked.0).unwrap();
    }

    /// What is in the mailbox now.
    pub(crate) fn messages(&self) -> BTreeMap<String, Vec<u8>> {
        tree(self.root()).into_iter().filter(|(path, _)| !path.starts_with("tmp/")).collect()
    }

    pub(crate) fn mailbox(&self) -> OpenMailbox {
        let name = "in".parse().unwrap();
        let open = MailboxRef { name, path: self.root().to_owned() };
        OpenMailbox::open(&self.catalogue, &open).unwrap()
    }

    pub(crate) fn dir(&self) -> MailboxDir {
        MailboxDir::open(self.root()).unwrap()
    }

    /// Scans with a settling span, in milliseconds.
    pub(crate) fn scan(&self, settle: i64) -> ScanReport {
        self.scan_holding(settle, &|_, _| false)
    }

    pub(crate) fn scan_holding(
        &self,
        settle: i64,
        hold: &dyn Fn(&RelName, FileState) -> bool,
    ) -> ScanReport {
        let seen_gone = self.seen_gone.take();
        let rules = self.rules(settle, &seen_gone, hold);
        let open = self.mailbox();
        let hinted = self.hinted.take();
        check_paths(&self.catalogue, open.row, &open.dir, &hinted, &rules).unwrap();
        let report = scan(&self.catalogue, open.row, &open.dir, &rules).unwrap();
        // Kept until the scan that reports them gone, which with a settling span is a later one.
        if settle > 0 {
            self.seen_gone.replace(seen_gone);
        }
        report
    }

    pub(crate) fn rules<'a>(
        &'a self,
        settle: i64,
        seen_gone: &'a [RelName],
        hold: &'a dyn Fn(&RelName, FileState) -> bool,
    ) -> ScanRules<'a> {
        ScanRules { ignore: &self.ignore, stable_for: settle, seen_gone, hold, clock: &self.clock }
    }

    /// Scans the mailbox and brings a drive up to date.
    pub(crate) fn mirror(&self, drive: &MemoryDrive) -> SyncOutcome {
        self.mirror_as(drive, "stick")
    }

    /// The same, for a drive with another label.
    pub(crate) fn mirror_as(&self, drive: &MemoryDrive, label: &str) -> SyncOutcome {
        self.scan(0);
        self.copy(drive, label)
    }

    /// Brings a drive up to the last scan.
    pub(crate) fn copy(&self, drive: &MemoryDrive, label: &str) -> SyncOutcome {
        self.copy_to(Arc::new(drive.volume_source()), label)
    }

    /// The same, through the caller's volume source.
    pub(crate) fn copy_to(&self, volume_source: Arc<dyn VolumeSource>, label: &str) -> SyncOutcome {
        self.copy_with_present(&through(volume_source, label), &PresentDrives::default())
    }

    /// Brings a drive up to date while others are present.
    pub(crate) fn copy_with_present(
        &self,
        drive: &DriveRef,
        present_drives: &PresentDrives,
    ) -> SyncOutcome {
        let (mailboxes, clock) = ([self.mailbox()], &self.clock);
        sync_drive::mirror_drive(
            &self.catalogue,
            &station(),
            &mailboxes,
            drive,
            present_drives,
            clock,
            &Unwatched,
        )
    }

    /// A pass over a drive already opened.
    pub(crate) fn pass<'a>(&'a self, mailboxes: &'a [OpenMailbox]) -> Pass<'a> {
        Pass { catalogue: &self.catalogue, mailboxes, clock: &self.clock, progress: &Unwatched }
    }

    /// Mirrors, and fails the test if anything goes wrong.
    pub(crate) fn mirrored(&self, drive: &MemoryDrive) -> PassReport {
        done(self.mirror(drive))
    }

    pub(crate) fn admit(&self, drive: &MemoryDrive, access: Access) -> Result<Replica, JobError> {
        let drive = drive_ref(drive, "stick");
        sync_drive::open(
            &self.catalogue,
            &station(),
            &drive,
            access,
            &PresentDrives::default(),
            &self.clock,
        )
    }

    /// The content of a path that the catalogue believes to be on the drive with this label, if it is there by the
    /// drive's ledger.
    pub(crate) fn recorded_content(&self, label: &str, path: &str) -> Option<Identity> {
        let drive = self.catalogue.drive_at(label.as_bytes()).unwrap()?;
        let replica = self.catalogue.replica(drive.row, &station()).unwrap();
        let mailbox = self.mailbox().row;
        let stands =
            self.catalogue.current_assertions(replica.row, mailbox, &rel(path).key()).unwrap();
        let content = stands.iter().find(|known| !known.missing)?.content;
        let status = self.catalogue.copy_status(replica.row, content).unwrap();
        assert!(matches!(status, CopyStatus::Good(_)), "{path} is recorded without a good copy");
        Some(self.catalogue.identity(content).unwrap())
    }
}

/// The report of a sync in which nothing went wrong.
pub(crate) fn done(round: SyncOutcome) -> PassReport {
    let report = round.outcome.unwrap();
    assert_eq!(report.failed, [], "{}", round.label);
    report
}

/// Every file below a folder.
pub(crate) fn tree(root: &Path) -> BTreeMap<String, Vec<u8>> {
    walkdir::WalkDir::new(root)
        .into_iter()
        .map(Result::unwrap)
        .filter(|entry| entry.file_type().is_file())
        .map(|entry| {
            let path = entry.path().strip_prefix(root).unwrap().to_string_lossy().into_owned();
            (path, std::fs::read(entry.path()).unwrap())
        })
        .collect()
}

/// A card whose messages have these names and contents, on a drive that has a copy of each.
pub(crate) fn mirrored_messages(names: &[&str]) -> (Card, MemoryDrive) {
    let (card, drive) = (Card::new(), MemoryDrive::default());
    for name in names {
        card.deliver(&format!("inbox/{name}"), &mail(name));
    }
    card.mirrored(&drive);
    (card, drive)
}

/// Writes what a drive carries in addition to the copies.
pub(crate) fn try_write_extras(
    card: &Card,
    drive: &MemoryDrive,
    extras: &Extras,
) -> Result<ExtrasOutcome, JobError> {
    let (drive, present_drives) = (drive_ref(drive, "stick"), PresentDrives::default());
    let (catalogue, clock) = (&card.catalogue, &card.clock);
    let station = station();
    write_extras_of_drive(catalogue, &station, &drive, &present_drives, clock, extras, &Unwatched)
}

/// Asks to stop after a number of polls.
pub(crate) struct StopAfter(AtomicU64);

impl StopAfter {
    pub(crate) fn polls(polls: u64) -> Self {
        Self(AtomicU64::new(polls))
    }
}

impl Progress for StopAfter {
    fn advance(&self, _: u64, _: u64) {}

    fn stop(&self) -> bool {
        let one_less = |left: u64| left.checked_sub(1);
        self.0.fetch_update(Ordering::Relaxed, Ordering::Relaxed, one_less).is_err()
    }
}
