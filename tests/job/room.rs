//! Refusals of a drive: full, write-protected, or another drive in its place. Waiting messages are reported with the
//! reason, nothing half done counts, and everything is copied once that is possible. A refusal is never final.

use crate::card::{Card, done, mail};
use crate::medium::{copies, expect_same, expect_whole_bag, snapshot, whole};
use crate::support::memory::{MemoryDrive, MemoryVolumeSource};
use counterfoil::disk::{Access, DiskError, ErrorKind, Volume, VolumeFacts, VolumeSource};
use counterfoil::job::JobError;
use counterfoil::model::Reason;
use counterfoil::model::limits::{OVERHEAD_BYTES, RESERVE_BYTES, SEGMENT_MESSAGES};
use std::sync::Arc;

/// A drive that reports other facts about itself than are true.
struct Says {
    volume_source: MemoryVolumeSource,
    room: u64,
    longest_file: u64,
}

impl VolumeSource for Says {
    fn open_unlatched(&self, access: Access) -> Result<Box<dyn Volume>, DiskError> {
        let volume = self.volume_source.open_unlatched(access)?;
        let facts = VolumeFacts { longest_file: self.longest_file, ..volume.facts().clone() };
        Ok(Box::new(SaysVolume { volume, facts, room: self.room }))
    }

    fn still_present(&self, facts: &VolumeFacts) -> bool {
        let real = self.volume_source.open(Access::Read).map(|volume| volume.facts().mount.clone());
        real.is_ok_and(|mount| mount == facts.mount)
    }

    fn shown(&self) -> String {
        self.volume_source.shown()
    }
}

struct SaysVolume {
    volume: Box<dyn Volume>,
    facts: VolumeFacts,
    room: u64,
}

impl Volume for SaysVolume {
    as_beneath!(volume: present, make_dir, list, length, create, write_synced, reserve, sync_all, read, remove);

    fn facts(&self) -> &VolumeFacts {
        &self.facts
    }

    fn room(&self) -> Result<u64, DiskError> {
        Ok(self.room)
    }
}

/// Fault 17: that there is room for one of five is known beforehand; the newest goes first.
#[test]
fn what_does_not_fit_is_refused_and_copied_when_there_is_room() {
    let (card, drive) = (Card::new(), MemoryDrive::default());
    for n in 0..5 {
        card.deliver(&format!("inbox/{n}"), &mail(&format!("message {n}")));
        card.scan(0);
    }
    let one = mail("message 0").len() as u64;
    card.admit(&drive, Access::Write).unwrap();
    drive.set_room(RESERVE_BYTES + OVERHEAD_BYTES + one + one / 2);

    let round = card.mirror(&drive);
    assert_eq!(round.state(), "full");
    let report = round.outcome.unwrap();
    assert_eq!(report.copied, 1);
    let failed: Vec<_> = report.failed.iter().map(|f| (f.path.to_text(), f.reason)).collect();
    let full = |n: u32| (format!("inbox/{n}"), Reason::DriveFull);
    assert_eq!(failed, [full(3), full(2), full(1), full(0)], "the newest is safe first");
    expect_whole_bag(&drive, "full");
    let got: Vec<_> = whole(&[&drive], false).into_keys().collect();
    assert_eq!(got, ["inbox/4"]);

    drive.set_room(1 << 30);
    assert_eq!(card.mirrored(&drive).copied, 4);
    expect_whole_bag(&drive, "room again");
    expect_same(&whole(&[&drive], false), &card.messages(), "room again");
    assert_eq!(copies(&drive).len(), 5, "nothing twice");
}

/// Fault 17: the drive reported room and there was none, at any byte of the batch. What was written before is whole and
/// is committed; nothing of the refused message counts.
#[test]
fn a_write_that_finds_no_room_commits_no_message_by_halves() {
    for room in (0..).step_by(60) {
        let (card, drive) = (Card::new(), MemoryDrive::default());
        for n in 0..3 {
            card.deliver(&format!("inbox/{n}"), &mail(&format!("message {n}")));
        }
        card.scan(0);
        let sizes: Vec<_> = (0..3).map(|n| mail(&format!("message {n}")).len() as u64).collect();
        let fit = sizes
            .iter()
            .scan(0, |sum, n| {
                *sum += n;
                Some(*sum)
            })
            .filter(|sum| *sum <= room)
            .count();
        card.admit(&drive, Access::Write).unwrap();
        drive.set_room(room);
        let boaster =
            Says { volume_source: drive.volume_source(), room: 1 << 30, longest_file: 1 << 30 };
        let report = card.copy_to(Arc::new(boaster), "stick").outcome.unwrap();
        assert_eq!(report.copied, fit as u64, "{room}: {report:?}");
        assert_eq!(report.failed.len(), 3 - fit, "{room}: {report:?}");
        assert!(report.failed.iter().all(|f| f.reason == Reason::DriveFull), "{room}: {report:?}");
        let got = whole(&[&drive], true);
        assert_eq!(got.len(), fit, "{room}");
        assert!(got.iter().all(|(path, bytes)| card.messages().get(path) == Some(bytes)), "{room}");

        drive.set_room(1 << 30);
        card.mirrored(&drive);
        expect_whole_bag(&drive, &format!("{room} bytes"));
        expect_same(&whole(&[&drive], false), &card.messages(), &format!("{room} bytes"));
        if fit == 3 {
            break;
        }
    }
}

/// Fault 20.
#[test]
fn a_write_protected_drive_is_left_alone_and_can_be_read() {
    let (card, drive) = (Card::new(), MemoryDrive::default());
    card.deliver("inbox/1", &mail("one"));
    card.mirrored(&drive);
    drive.set_read_only(true);
    card.deliver("inbox/2", &mail("two"));
    let before = snapshot(&drive);
    let round = card.mirror(&drive);
    assert_eq!(round.state(), "read-only");
    assert_eq!(round.outcome.unwrap_err().trouble(), ErrorKind::ReadOnly);
    expect_same(&snapshot(&drive), &before, "write-protected");
    assert_eq!(whole(&[&drive], false).into_keys().collect::<Vec<_>>(), ["inbox/1"]);
    drive.set_read_only(false);
    assert_eq!(card.mirrored(&drive).copied, 1);
    expect_same(&whole(&[&drive], false), &card.messages(), "the switch is back");
}

/// The drive turns read-only during a batch, as after a file system error.
#[test]
fn a_drive_that_turns_read_only_in_a_batch_is_an_error_of_that_pass_only() {
    let (card, drive) = (Card::new(), MemoryDrive::default());
    card.deliver("inbox/1", &mail("one"));
    card.scan(0);
    let mut admitted = card.admit(&drive, Access::Write).unwrap();
    drive.set_read_only(true);
    let before = snapshot(&drive);
    let mailboxes = [card.mailbox()];
    let error = card.pass(&mailboxes).run(&mut admitted).unwrap_err();
    assert_eq!(error.trouble(), ErrorKind::ReadOnly);
    drop(admitted);
    expect_same(&snapshot(&drive), &before, "turned read-only");
    drive.set_read_only(false);
    assert_eq!(done(card.copy(&drive, "stick")).copied, 1);
    expect_whole_bag(&drive, "writable again");
}

/// Faults 14, 15: the mount point of a drive is now a folder without one.
#[test]
fn the_place_of_a_drive_that_is_away_is_not_written_to() {
    let (card, drive) = (Card::new(), MemoryDrive::default());
    card.deliver("inbox/1", &mail("one"));
    card.mirrored(&drive);
    let empty = MemoryDrive::default();
    let round = card.mirror(&empty);
    assert!(matches!(round.outcome, Err(JobError::DriveAway { .. })));
    assert_eq!(round.state(), "away");
    assert_eq!(empty.files(), Vec::<String>::new());
    let other = MemoryDrive::default();
    card.mirror_as(&other, "second").outcome.unwrap();
    assert_eq!(card.mirror(&other).outcome.unwrap().copied, 0, "known again by its id");
}

/// Fault 35: a file that the file system cannot hold is refused up front, and reported.
#[test]
fn a_file_too_long_for_the_drive_is_refused_up_front() {
    let (card, drive) = (Card::new(), MemoryDrive::default());
    card.deliver("inbox/fits", &[1; 100]);
    card.deliver("inbox/long", &[2; 101]);
    card.scan(0);
    let small = || Says { volume_source: drive.volume_source(), room: 1 << 30, longest_file: 100 };
    for copied in [1, 0] {
        let report = card.copy_to(Arc::new(small()), "stick").outcome.unwrap();
        let failed: Vec<_> = report.failed.iter().map(|f| (f.path.to_text(), f.reason)).collect();
        assert_eq!(failed, [("inbox/long".to_owned(), Reason::TooLarge)]);
        assert_eq!(report.copied, copied);
    }
    assert_eq!(copies(&drive).into_values().collect::<Vec<_>>(), [vec![1; 100]]);
    assert_eq!(done(card.copy(&drive, "stick")).copied, 1, "to one that can hold it");
}

/// Fault 29: a folder on FAT holds 65,536 entries. Ours stay far below that: a new one is begun in the middle of a
/// batch if necessary.
#[test]
fn a_folder_is_left_long_before_it_is_full() {
    let (card, drive) = (Card::new(), MemoryDrive::default());
    let all = SEGMENT_MESSAGES + 100;
    for n in 0..all {
        card.deliver(&format!("inbox/{n}"), &mail(&format!("message {n}")));
    }
    assert_eq!(card.mirrored(&drive).copied, u64::from(all));
    card.deliver("inbox/one-more", &mail("one more"));
    card.mirrored(&drive);
    let mut folders = std::collections::BTreeMap::new();
    for path in copies(&drive).into_keys() {
        *folders.entry(path[..9].to_owned()).or_insert(0) += 1;
    }
    let expected = [("data/0001".into(), SEGMENT_MESSAGES), ("data/0002".into(), 101)];
    assert_eq!(folders, expected.into());
    expect_whole_bag(&drive, "two folders");
}
