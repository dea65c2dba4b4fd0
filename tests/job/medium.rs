//! A drive examined from outside: its files, its manifest, and what a relief operator gets back from it. Never uses the
//! card's catalogue.

use crate::card::{drive_ref, folder, station, tree};
use crate::support::memory::MemoryDrive;
use counterfoil::job::restore::{
    MailboxTarget, RestoreOptions, RestoreReport, open_sources, restore,
};
use counterfoil::job::{JobError, Progress, Unwatched};
use counterfoil::model::bag::read_manifest_line;
use counterfoil::model::{Digest, Identity, PayloadName};
use std::collections::BTreeMap;
use std::path::Path;

pub(crate) const HOME: &str = "counterfoil/pier-4/";

/// Every file on the drive, with its bytes.
pub(crate) fn snapshot(drive: &MemoryDrive) -> BTreeMap<String, Vec<u8>> {
    drive.files().into_iter().map(|path| (path.clone(), drive.file(&path).unwrap())).collect()
}

/// Every copy on the drive.
pub(crate) fn copies(drive: &MemoryDrive) -> BTreeMap<String, Vec<u8>> {
    let below = |path: String| path.strip_prefix(HOME).map(str::to_owned);
    let all = snapshot(drive).into_iter().filter_map(|(path, bytes)| Some((below(path)?, bytes)));
    all.filter(|(path, _)| path.starts_with("data/")).collect()
}

/// Where on the drive the one copy of a content is, from its root.
pub(crate) fn only_copy(drive: &MemoryDrive, content: &[u8]) -> String {
    let [copy] = copies_of(drive, content).try_into().expect("one copy");
    copy
}

/// Where on the drive the copies of a content are, from its root.
pub(crate) fn copies_of(drive: &MemoryDrive, content: &[u8]) -> Vec<String> {
    let same = copies(drive).into_iter().filter(|(_, bytes)| bytes == content);
    same.map(|(path, _)| format!("{HOME}{path}")).collect()
}

/// The kinds of the ledger's lines, in order, except those that only define who writes.
pub(crate) fn ledger_kinds(drive: &MemoryDrive) -> Vec<String> {
    let text = String::from_utf8(drive.file(&format!("{HOME}ledger.jsonl")).unwrap()).unwrap();
    let kind = |line: &str| {
        let line: serde_json::Value = serde_json::from_str(line).unwrap();
        line["kind"].as_str().unwrap().to_owned()
    };
    let kinds = text.lines().filter(|line| !line.is_empty()).map(kind);
    kinds.filter(|kind| kind != "writer").collect()
}

/// Lines of one kind in the ledger.
pub(crate) fn count(drive: &MemoryDrive, kind: &str) -> usize {
    ledger_kinds(drive).iter().filter(|k| *k == kind).count()
}

/// The manifest lists every copy once, under its hash, and nothing else.
pub(crate) fn expect_whole_bag(drive: &MemoryDrive, story: &str) {
    let manifest = drive.file(&format!("{HOME}manifest-sha256.txt")).unwrap();
    let manifest = String::from_utf8(manifest).unwrap();
    let mut listed: BTreeMap<String, Digest> = BTreeMap::new();
    for line in manifest.lines().filter(|line| !line.starts_with('#') && !line.is_empty()) {
        let (digest, payload) = read_manifest_line(line.as_bytes()).expect(line);
        let again = listed.insert(payload.to_string(), digest);
        assert_eq!(again, None, "{story}: {payload} is listed twice");
    }
    let there: BTreeMap<String, Digest> =
        copies(drive).into_iter().map(|(path, bytes)| (path, Digest::of(&bytes))).collect();
    assert_eq!(listed, there, "{story}: the manifest is not what is there");
}

/// Remembers which number was given to which bytes, over the whole life of a drive.
#[derive(Default)]
pub(crate) struct Numbers(BTreeMap<u32, (String, Identity)>);

impl Numbers {
    /// No number occurs in two places, or was ever used for other bytes.
    pub(crate) fn expect_never_reused(&mut self, drive: &MemoryDrive, story: &str) {
        let mut now = BTreeMap::new();
        for (path, bytes) in copies(drive) {
            let name: PayloadName = path.parse().unwrap();
            let twice = now.insert(name.number, (path.clone(), Identity::of(&bytes)));
            assert_eq!(twice, None, "{story}: number {} is there twice", name.number);
        }
        for (number, was) in &self.0 {
            assert_eq!(now.get(number), Some(was), "{story}: copy {number} is not as it was");
        }
        self.0 = now;
    }
}

/// The result of a restore.
pub(crate) struct Restored {
    pub files: BTreeMap<String, Vec<u8>>,
    pub report: RestoreReport,
}

/// Two sets of files are the same; if not, says which paths differ.
pub(crate) fn expect_same(
    got: &BTreeMap<String, Vec<u8>>,
    expected: &BTreeMap<String, Vec<u8>>,
    story: &str,
) {
    let missing: Vec<_> = expected.keys().filter(|path| !got.contains_key(*path)).collect();
    let surplus: Vec<_> = got.keys().filter(|path| !expected.contains_key(*path)).collect();
    let other =
        |(path, bytes): &(&String, &Vec<u8>)| expected.get(*path).is_some_and(|w| w != *bytes);
    let other: Vec<_> = got.iter().filter(other).map(|(path, _)| path).collect();
    assert!(
        missing.is_empty() && surplus.is_empty() && other.is_empty(),
        "{story}: missing {missing:?}, surplus {surplus:?}, other bytes {other:?}"
    );
}

/// Restores from drives alone into an empty folder.
pub(crate) fn restored(drives: &[&MemoryDrive], with_removed: bool) -> Restored {
    let into = folder();
    let report = restored_into(into.path(), drives, with_removed, &Unwatched);
    Restored { files: tree(into.path()), report }
}

/// Restores from drives alone.
pub(crate) fn restored_into(
    into: &Path,
    drives: &[&MemoryDrive],
    with_removed: bool,
    progress: &dyn Progress,
) -> RestoreReport {
    try_restored_into(into, drives, with_removed, progress).unwrap()
}

/// The same, where it may be refused.
pub(crate) fn try_restored_into(
    into: &Path,
    drives: &[&MemoryDrive],
    with_removed: bool,
    progress: &dyn Progress,
) -> Result<RestoreReport, JobError> {
    let clock = counterfoil::daemon::clock::SystemClock::new();
    let refs: Vec<_> =
        drives.iter().enumerate().map(|(n, drive)| drive_ref(drive, &format!("d{n}"))).collect();
    let sources = open_sources(&refs, &station(), &clock).unwrap();
    let failed: Vec<_> = sources.failed.iter().map(|(_, error)| error.to_string()).collect();
    assert_eq!(failed, Vec::<String>::new());
    let recorded = sources.catalogue.recorded_mailboxes_of(&station()).unwrap();
    let mailbox_targets = recorded
        .into_iter()
        .map(|(row, name)| MailboxTarget { row, name, path: into.to_owned() })
        .collect();
    let (versions, with_doubtful, dry_run) = (None, false, false);
    let plan = RestoreOptions {
        mailbox_targets,
        with_removed,
        versions,
        with_doubtful,
        dry_run,
        progress,
    };
    restore(&sources, &plan)
}

/// A restore that gives everything it knows of.
pub(crate) fn whole(drives: &[&MemoryDrive], with_removed: bool) -> BTreeMap<String, Vec<u8>> {
    let restored = restored(drives, with_removed);
    assert!(restored.report.is_whole(), "{:?}", restored.report);
    restored.files
}

/// Damages every copy of a content on a drive.
pub(crate) fn rot_copies(drive: &MemoryDrive, content: &[u8]) {
    let copies = copies_of(drive, content);
    assert!(!copies.is_empty(), "there is no copy to rot");
    for path in copies {
        drive.tamper(&path, |bytes| bytes[20] ^= 1);
    }
}
