//! A message is read from the card once: its copies on all drives are written from memory, as long as there is room for
//! it there, and as long as its file is what was read.

use crate::card::{Card, done, mail};
use crate::medium::{expect_same, whole};
use crate::support::memory::MemoryDrive;
use crate::support::opened::Opened;
use counterfoil::model::Reason;
use std::collections::BTreeMap;
use std::os::unix::fs::MetadataExt as _;

/// Sets the clock to so many seconds after the last change of a message.
fn set_after(card: &Card, path: &str, seconds: i64) {
    card.clock.set_wall(std::fs::metadata(card.root().join(path)).unwrap().ctime() + seconds);
}

/// Few messages are read by one thread, many by two.
#[test]
fn a_message_is_opened_once_for_all_drives() {
    for messages in [10, 200] {
        let (card, drives) = (Card::new(), [MemoryDrive::default(), MemoryDrive::default()]);
        for n in 0..messages {
            card.deliver(&format!("inbox/{n}"), &mail(&format!("message {n}")));
        }
        let delivered = card.messages();
        set_after(&card, &format!("inbox/{}", messages - 1), 2);
        let mut opened = Opened::in_folder(&card.root().join("inbox"));
        card.scan(0);
        for (drive, label) in drives.iter().zip(["amber", "birch"]) {
            assert_eq!(done(card.mirror_as(drive, label)).copied, messages);
            expect_same(&whole(&[drive], false), &delivered, "written from memory");
        }
        let times = opened.times();
        assert_eq!(times.len() as u64, messages);
        assert!(times.values().all(|times| *times == 1), "{times:?}");
    }
}

/// A message too long for memory, and those that made room for others, are read from the card again.
#[test]
fn what_is_not_in_memory_is_read_again() {
    let (card, drive) = (Card::new(), MemoryDrive::default());
    card.deliver("inbox/long", &vec![b'l'; 200_000]);
    for n in 100..200_u32 {
        card.deliver(&format!("inbox/{n}"), format!("{n} ").repeat(25_000).as_bytes());
    }
    let delivered = card.messages();
    set_after(&card, "inbox/199", 2);
    let mut opened = Opened::in_folder(&card.root().join("inbox"));
    card.scan(0);
    assert_eq!(card.mirrored(&drive).copied, 101);
    expect_same(&whole(&[&drive], false), &delivered, "partly from memory");
    let times = opened.times();
    assert_eq!(times["long"], 2);
    let again = times.values().filter(|times| **times == 2).count();
    // 10 MB of messages, of which 8 MiB are kept.
    assert!((17..=25).contains(&again), "{again}");
    assert!(times.values().all(|times| *times <= 2), "{times:?}");
}

/// What is in memory is not copied once the file is another one, or is gone.
#[test]
fn a_message_that_changes_after_it_was_read_is_not_copied_from_memory() {
    let (card, drive) = (Card::new(), MemoryDrive::default());
    for path in ["inbox/1", "inbox/2", "inbox/3"] {
        card.deliver(path, &mail(path));
    }
    set_after(&card, "inbox/3", 2);
    card.scan(0);
    card.deliver("inbox/1", &mail("INBOX/1"));
    std::fs::remove_file(card.root().join("inbox/2")).unwrap();
    let report = card.copy(&drive, "stick").outcome.unwrap();
    assert_eq!(report.copied, 1);
    let failed: Vec<_> =
        report.failed.iter().map(|one| (one.path.to_string(), one.reason)).collect();
    let expected = ["inbox/1", "inbox/2"].map(|path| (path.to_owned(), Reason::Changing));
    assert_eq!(BTreeMap::from_iter(failed), BTreeMap::from(expected));
    card.mirrored(&drive);
    expect_same(&whole(&[&drive], false), &card.messages(), "the next pass");
}

/// The times of a file that has just changed may hide that it changes again: it is read again. So it is when the clock
/// is earlier than the file.
#[test]
fn a_message_that_has_just_changed_is_read_again() {
    for (seconds, times) in [(-1, 2), (0, 2), (1, 2), (2, 1)] {
        let (card, drive) = (Card::new(), MemoryDrive::default());
        card.deliver("inbox/1", &mail("one"));
        set_after(&card, "inbox/1", seconds);
        let mut opened = Opened::in_folder(&card.root().join("inbox"));
        card.scan(0);
        assert_eq!(card.mirrored(&drive).copied, 1);
        assert_eq!(opened.times()["1"], times, "{seconds} s after its change");
    }
}
