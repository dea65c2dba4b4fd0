//! Unreadable files on a drive. A restore from a drive whose last pages cannot be read: the power failed while a file
//! grew, and the file claims to be longer than its clusters reach. And a mirror pass that needs an older copy. Never
//! repairs the drive.

use crate::card::{Card, drive_ref, folder, mail, station, tree};
use crate::logs::is_safe;
use crate::medium::{HOME, copies_of, count, expect_same, restored as restored_from, whole};
use crate::support::memory::MemoryDrive;
use counterfoil::disk::Access;
use counterfoil::job::Unwatched;
use counterfoil::job::replica::stations;
use counterfoil::job::restore::{MailboxTarget, RestoreOptions, open_sources, restore};
use counterfoil::model::RelName;
use std::collections::BTreeMap;

fn two_batches() -> (Card, MemoryDrive) {
    let (card, drive) = (Card::new(), MemoryDrive::default());
    for batch in ["first", "second"] {
        for name in ["one", "two"] {
            card.deliver(&format!("inbox/{batch}-{name}"), &mail(&format!("{batch} {name}")));
        }
        card.mirrored(&drive);
    }
    (card, drive)
}

/// What comes back, and what could not be read.
fn restored(drive: &MemoryDrive) -> (BTreeMap<String, Vec<u8>>, Vec<String>) {
    let clock = counterfoil::daemon::clock::SystemClock::new();
    let sources = open_sources(&[drive_ref(drive, "d")], &station(), &clock).unwrap();
    let failed = sources.failed.iter().map(|(_, error)| error.to_string()).collect();
    let into = folder();
    let recorded = sources.catalogue.recorded_mailboxes_of(&station()).unwrap();
    let mailbox_targets = recorded.into_iter().map(|(row, name)| MailboxTarget {
        row,
        name,
        path: into.path().to_owned(),
    });
    let plan = RestoreOptions {
        mailbox_targets: mailbox_targets.collect(),
        with_removed: false,
        versions: None,
        with_doubtful: false,
        dry_run: false,
        progress: &Unwatched,
    };
    assert!(restore(&sources, &plan).unwrap().is_whole());
    (tree(into.path()), failed)
}

/// Where the text of the second batch begins in one of the bag's files.
fn second_batch(drive: &MemoryDrive, file: &str, copy: &str) -> (String, usize) {
    let path = format!("{HOME}{file}");
    let text = String::from_utf8(drive.file(&path).unwrap()).unwrap();
    let at = text.find(copy).unwrap();
    (path, text[..at].rfind('\n').unwrap() + 1)
}

/// A power failure may leave a new folder of copies without its clusters, together with lines for its contents: no
/// other copy is affected, neither in a restore nor in the next pass.
#[test]
fn an_unreadable_folder_of_copies_that_are_only_listed_costs_nothing() {
    let (card, drive) = two_batches();
    let before = card.messages();
    let ledger = format!("{HOME}ledger.jsonl");
    let recorded = drive.file(&ledger).unwrap();
    drive.replug(false);
    card.deliver("inbox/third", &mail("third"));
    card.mirrored(&drive);
    // As if the power had failed between manifest and ledger.
    drive.tamper(&ledger, |bytes| *bytes = recorded.clone());
    let manifest = drive.file(&format!("{HOME}manifest-sha256.txt")).unwrap();
    let manifest = String::from_utf8(manifest).unwrap();
    let copy = manifest.lines().last().unwrap().split("  ").nth(1).unwrap();
    let folder = copy.rsplit_once('/').unwrap().0;
    assert!(!manifest.lines().next().unwrap().contains(folder), "a folder of its own: {manifest}");
    drive.set_unreadable_folder(&format!("{HOME}{folder}"));

    let (files, failed) = restored(&drive);
    assert_eq!((files, failed), (before, vec![]));
    drive.replug(false);
    card.deliver("inbox/fourth", &mail("fourth"));
    card.mirrored(&drive);
    let (files, _) = restored(&drive);
    assert_eq!(files, card.messages());
}

/// A power failure may leave a new folder next to those of the stations without its clusters, such as that of the
/// programs: none of them hides a station. Found in the virtual machine, as a state of a FAT stick.
#[test]
fn an_unreadable_folder_beside_those_of_stations_hides_none() {
    let (card, drive) = two_batches();
    let volume = drive_ref(&drive, "d").volume_source.open(Access::Write).unwrap();
    for name in ["counterfoil/program", "counterfoil/hull-2", "counterfoil/zinc-9"] {
        volume.make_dir(&RelName::new(name.as_bytes()).unwrap()).unwrap();
        drive.set_unreadable_folder(name);
        assert_eq!(stations(&*volume).unwrap(), [station()], "{name}");
        assert_eq!(restored(&drive), (card.messages(), vec![]), "{name}");
    }
    drive.set_unreadable_folder(HOME.trim_end_matches('/'));
    let clock = counterfoil::daemon::clock::SystemClock::new();
    let sources = open_sources(&[drive_ref(&drive, "d")], &station(), &clock).unwrap();
    assert_eq!(sources.failed.len(), 1, "that its own cannot be read is said");
    assert_eq!(sources.drives.len(), 0);
}

/// The ledger has everything: no message is missing, and the early end of the manifest is reported.
#[test]
fn an_unreadable_end_of_the_manifest_costs_nothing() {
    let (card, drive) = two_batches();
    let (path, at) = second_batch(&drive, "manifest-sha256.txt", "00000003");
    for byte in [0, at, at + 10] {
        drive.set_unreadable_from(&path, byte);
        let (files, failed) = restored(&drive);
        assert_eq!(files, card.messages(), "from {byte}");
        assert_eq!(failed.len(), 1, "{failed:?}");
    }
}

/// Messages that the ledger records up to there come back under their names, and all other copies under their numbers.
#[test]
fn an_unreadable_end_of_the_ledger_costs_names_only() {
    let (card, drive) = two_batches();
    let (path, at) = second_batch(&drive, "ledger.jsonl", "00000003");
    for byte in [at, at + 10] {
        drive.set_unreadable_from(&path, byte);
        let (files, failed) = restored(&drive);
        assert_eq!(failed.len(), 1, "{failed:?}");
        let messages = card.messages();
        for name in ["inbox/first-one", "inbox/first-two"] {
            assert_eq!(files.get(name), messages.get(name), "from {byte}: {name}");
        }
        let mut bytes: Vec<_> = files.values().collect();
        let mut expected: Vec<_> = messages.values().collect();
        bytes.sort();
        expected.sort();
        assert_eq!(bytes, expected, "from {byte}");
    }
}

/// Fault 22: the earlier version cannot be read; then the new one is copied like any other.
#[test]
fn a_message_cut_short_whose_older_copy_cannot_be_read_blocks_no_other() {
    let (card, drive) = (Card::new(), MemoryDrive::default());
    card.deliver("inbox/cut", &mail("cut"));
    card.deliver("inbox/other", &mail("other"));
    card.mirrored(&drive);
    let old = copies_of(&drive, &mail("cut")).pop().unwrap();
    drive.set_unreadable_from(&old, 10);
    card.deliver("inbox/cut", &mail("cut")[..40]);
    card.deliver("inbox/new", &mail("new"));
    let report = card.mirrored(&drive);
    assert_eq!(report.copied, 2, "the new version and the new message");
    assert_eq!(count(&drive, "damaged"), 1, "the older copy is known to be lost");
    assert!(is_safe(&card));
    assert!(card.catalogue.drives().unwrap().pop().unwrap().worn.is_some());
    expect_same(&whole(&[&drive], false), &card.messages(), "all of it");
    assert_eq!(card.mirrored(&drive).noted, 0, "recorded once");
}

/// The same where the older copy is absent.
#[test]
fn a_message_cut_short_whose_older_copy_is_gone_blocks_no_other() {
    let (card, drive) = (Card::new(), MemoryDrive::default());
    card.deliver("inbox/cut", &mail("cut"));
    card.mirrored(&drive);
    drive.remove(&copies_of(&drive, &mail("cut")).pop().unwrap());
    card.deliver("inbox/cut", &mail("cut")[..40]);
    card.deliver("inbox/new", &mail("new"));
    assert_eq!(card.mirrored(&drive).copied, 2);
    assert_eq!(count(&drive, "absent"), 1);
    expect_same(&whole(&[&drive], false), &card.messages(), "all of it");
}

/// A pulled stick is not a bad copy: the pass ends, and nothing is recorded about the copy.
#[test]
fn a_pull_while_an_older_copy_is_read_is_no_lost_copy() {
    for operations in 0..60 {
        let (card, drive) = (Card::new(), MemoryDrive::default());
        card.deliver("inbox/cut", &mail("cut"));
        card.mirrored(&drive);
        card.deliver("inbox/cut", &mail("cut")[..40]);
        card.scan(0);
        drive.pull_after(operations);
        drop(card.copy(&drive, "stick"));
        drive.replug(true);
        card.clock.reboot();
        card.mirrored(&drive);
        assert_eq!(count(&drive, "damaged") + count(&drive, "absent"), 0, "after {operations}");
        let back = restored_from(&[&drive], false);
        assert_eq!(back.report.instead_of_suspect, 1, "after {operations}");
    }
}
