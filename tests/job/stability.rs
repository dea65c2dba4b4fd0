//! The stability check: a file is read only at a second scan, so that a message half written by another program is
//! never taken. Never waits: the clock is moved by hand.

use crate::card::{Card, done, mail, rel};
use crate::medium::{copies, expect_same, ledger_kinds, whole};
use crate::support::memory::MemoryDrive;
use counterfoil::job::catalogue::{FileRow, FileState};
use counterfoil::job::scan::{self, confirm};
use counterfoil::model::Reason;
use std::io::Write as _;

const SETTLE: i64 = 2_000;

fn row(card: &Card, path: &str) -> Option<FileRow> {
    card.catalogue.file(card.mailbox().row, &rel(path).key()).unwrap()
}

fn state(card: &Card, path: &str) -> FileState {
    row(card, path).expect(path).state
}

fn append(card: &Card, path: &str, more: &[u8]) {
    let mut file = std::fs::OpenOptions::new().append(true).open(card.root().join(path)).unwrap();
    file.write_all(more).unwrap();
}

#[test]
fn a_file_is_not_read_before_its_second_look() {
    let (card, drive) = (Card::new(), MemoryDrive::default());
    card.deliver("inbox/m", &mail("m"));
    card.scan(SETTLE);
    assert_eq!(state(&card, "inbox/m"), FileState::Fresh);
    card.clock.advance(1_999);
    card.scan(SETTLE);
    assert_eq!(state(&card, "inbox/m"), FileState::Fresh);
    assert_eq!(done(card.copy(&drive, "stick")).copied, 0);
    card.clock.advance(1);
    card.scan(SETTLE);
    assert_eq!(state(&card, "inbox/m"), FileState::Present);
    assert_eq!(done(card.copy(&drive, "stick")).copied, 1);
}

/// Faults 39, 42.
#[test]
fn a_file_that_grows_between_looks_waits_again() {
    let (card, drive) = (Card::new(), MemoryDrive::default());
    card.deliver("inbox/m", b"From: q0aaa@example.org\r\n");
    card.scan(SETTLE);
    for part in [&b"Subject: slow link\r\n"[..], b"\r\n", b"the rest"] {
        card.clock.advance(1_500);
        append(&card, "inbox/m", part);
        card.scan(SETTLE);
        assert_eq!(state(&card, "inbox/m"), FileState::Fresh);
    }
    card.clock.advance(1_999);
    card.scan(SETTLE);
    assert_eq!(state(&card, "inbox/m"), FileState::Fresh);
    card.clock.advance(1);
    card.scan(SETTLE);
    assert_eq!(done(card.copy(&drive, "stick")).copied, 1);
    assert_eq!(copies(&drive).len(), 1, "no part of it was ever copied");
    expect_same(&whole(&[&drive], false), &card.messages(), "the whole message");
}

/// A file that changes after it was confirmed and before it is copied is detected by the commit.
#[test]
fn a_file_that_changes_before_it_is_copied_is_not_committed() {
    let (card, drive) = (Card::new(), MemoryDrive::default());
    card.deliver("inbox/m", &mail("m"));
    card.deliver("inbox/n", &mail("n"));
    card.scan(0);
    append(&card, "inbox/m", b"one more line\r\n");
    let report = card.copy(&drive, "stick").outcome.unwrap();
    assert_eq!(report.copied, 1);
    let failed: Vec<_> = report.failed.iter().map(|f| (f.path.as_bytes(), f.reason)).collect();
    assert_eq!(failed, [(&b"inbox/m"[..], Reason::Changing)]);
    assert_eq!(copies(&drive).len(), 1);
    assert_eq!(card.mirrored(&drive).copied, 1);
    expect_same(&whole(&[&drive], false), &card.messages(), "at the next pass");
}

/// Fault 40.
#[test]
fn a_rename_costs_a_line_and_no_copy() {
    let (card, drive) = (Card::new(), MemoryDrive::default());
    card.deliver("new/1.M1", &mail("m"));
    card.scan(0);
    done(card.copy(&drive, "stick"));
    card.rename("new/1.M1", "cur/1.M1:2,S");
    card.scan(SETTLE);
    assert_eq!(state(&card, "new/1.M1"), FileState::Leaving);
    assert_eq!(done(card.copy(&drive, "stick")).batches, 0, "nothing is settled yet");
    card.clock.advance(2_000);
    card.scan(SETTLE);
    assert_eq!(state(&card, "cur/1.M1:2,S"), FileState::Present);
    let report = done(card.copy(&drive, "stick"));
    assert_eq!((report.copied, report.noted, report.batches), (0, 2, 1));
    card.clock.advance(500);
    card.scan(SETTLE);
    assert_eq!(state(&card, "new/1.M1"), FileState::Moved);
    assert_eq!(done(card.copy(&drive, "stick")).batches, 0, "the move is recorded already");
    assert_eq!(ledger_kinds(&drive)[2..], ["mirrored", "placed", "removed"]);
    expect_same(&whole(&[&drive], true), &card.messages(), "once, where it is now");
}

/// A deletion that was seen is distinguished from a loss that nobody saw.
#[test]
fn seen_gone_is_removed_and_found_missing_is_vanished() {
    let (card, drive) = (Card::new(), MemoryDrive::default());
    for name in ["deleted", "lost", "folder/x", "folder/y"] {
        card.deliver(name, &mail(name));
    }
    card.mirrored(&drive);
    card.delete("deleted");
    card.vanish("lost");
    card.delete("folder/x");
    card.delete("folder/y");
    std::fs::remove_dir(card.root().join("folder")).unwrap();
    card.scan(SETTLE);
    assert_eq!(state(&card, "deleted"), FileState::LeavingSeen);
    assert_eq!(state(&card, "lost"), FileState::Leaving);
    card.clock.advance(2_500);
    card.scan(SETTLE);
    assert_eq!(state(&card, "deleted"), FileState::Removed);
    assert_eq!(state(&card, "folder/y"), FileState::Removed);
    assert_eq!(state(&card, "lost"), FileState::Vanished);
    assert_eq!(done(card.copy(&drive, "stick")).noted, 4);
    let names = |with_removed| whole(&[&drive], with_removed).into_keys().collect::<Vec<_>>();
    assert_eq!(names(false), ["lost"]);
    assert_eq!(names(true), ["deleted", "folder/x", "folder/y", "lost"]);
}

/// A file missing at one scan and back at the next never left.
#[test]
fn a_file_that_is_back_before_its_second_look_never_left() {
    let (card, drive) = (Card::new(), MemoryDrive::default());
    card.deliver("inbox/m", &mail("m"));
    card.mirrored(&drive);
    for folder in ["cur", "new"] {
        std::fs::create_dir(card.root().join(folder)).unwrap();
    }
    card.rename("inbox/m", "tmp/m");
    card.scan(SETTLE);
    assert_eq!(state(&card, "inbox/m"), FileState::Leaving);
    card.rename("tmp/m", "inbox/m");
    card.clock.advance(2_500);
    card.scan(SETTLE);
    card.clock.advance(2_500);
    card.scan(SETTLE);
    assert_eq!(state(&card, "inbox/m"), FileState::Present);
    let before = ledger_kinds(&drive);
    done(card.copy(&drive, "stick"));
    assert_eq!(ledger_kinds(&drive), before);
}

#[test]
fn a_version_held_back_is_changing_until_it_may_go() {
    let (card, drive) = (Card::new(), MemoryDrive::default());
    card.deliver("log", b"first line\n");
    card.mirrored(&drive);
    append(&card, "log", b"second line\n");
    card.scan(SETTLE);
    card.clock.advance(2_000);
    card.scan_holding(SETTLE, &|path, _| *path == rel("log"));
    assert_eq!(state(&card, "log"), FileState::Changing);
    assert_eq!(done(card.copy(&drive, "stick")).copied, 0);
    card.clock.advance(600_000);
    card.scan(SETTLE);
    assert_eq!(state(&card, "log"), FileState::Present);
    assert_eq!(done(card.copy(&drive, "stick")).copied, 1);
    expect_same(&whole(&[&drive], false), &card.messages(), "the latest version");
}

/// A new message is never delayed, whatever its path.
#[test]
fn a_first_version_is_not_held_back() {
    let card = Card::new();
    card.deliver("log", b"first line\n");
    card.scan_holding(0, &|_, _| true);
    assert_eq!(state(&card, "log"), FileState::Present);
}

/// A message was confirmed while no drive was there, then only touched: it is still copied to a drive that comes while
/// the touched file waits for its second scan.
#[test]
fn a_message_touched_while_a_drive_comes_is_copied_all_the_same() {
    let (card, drive) = (Card::new(), MemoryDrive::default());
    card.deliver("inbox/m", &mail("m"));
    card.scan(0);
    std::fs::OpenOptions::new()
        .append(true)
        .open(card.root().join("inbox/m"))
        .unwrap()
        .set_modified(std::time::SystemTime::UNIX_EPOCH)
        .unwrap();
    card.scan(SETTLE);
    assert_eq!(state(&card, "inbox/m"), FileState::Fresh);
    assert_eq!(done(card.copy(&drive, "stick")).copied, 0);
    card.clock.advance(2_000);
    card.scan(SETTLE);
    assert_eq!(done(card.copy(&drive, "stick")).copied, 1);
    expect_same(&whole(&[&drive], false), &card.messages(), "after the touch");
}

/// What the daemon does for a single hint: one path is checked, then confirmed, without a scan.
#[test]
fn a_single_path_is_taken_without_a_scan() {
    let (card, drive) = (Card::new(), MemoryDrive::default());
    card.deliver("inbox/m", &mail("m"));
    let (open, dir) = (card.mailbox(), card.dir());
    let rules = card.rules(SETTLE, &[], &|_, _| false);
    let inspect = |path: &str| {
        scan::check_paths(&card.catalogue, open.row, &dir, &[rel(path)], &rules).unwrap()
    };
    let settle = || {
        let mut report = scan::ScanReport::default();
        confirm::confirm(&card.catalogue, open.row, &dir, &rules, &mut report).unwrap();
    };
    assert!(inspect("inbox/m"));
    settle();
    assert_eq!(state(&card, "inbox/m"), FileState::Fresh);
    card.clock.advance(2_000);
    settle();
    assert_eq!(state(&card, "inbox/m"), FileState::Present);
    assert_eq!(done(card.copy(&drive, "stick")).copied, 1);
    assert!(!inspect("inbox"), "a folder asks for a scan");
    assert!(inspect("inbox/never-there"));
    assert!(row(&card, "inbox/never-there").is_none());
}
