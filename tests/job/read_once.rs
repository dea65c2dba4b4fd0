//! A message is read from the card once: its copies on all drives are written from memory, as long as there is room for
//! it there, and as long as its file is what was read.

use crate::card::{Card, done, mail};
use crate::medium::{expect_same, whole};
use crate::support::memory::MemoryDrive;
use counterfoil::model::Reason;
use rustix::fs::inotify;
use std::collections::BTreeMap;
use std::mem::MaybeUninit;

/// Counts how often the files of a folder are opened; a look that opens nothing does not count.
struct Opened {
    watch: rustix::fd::OwnedFd,
    times: BTreeMap<String, usize>,
}

impl Opened {
    fn in_inbox(card: &Card) -> Self {
        let watch = inotify::init(inotify::CreateFlags::NONBLOCK).unwrap();
        let inbox = card.root().join("inbox");
        inotify::add_watch(&watch, &inbox, inotify::WatchFlags::OPEN).unwrap();
        Self { watch, times: BTreeMap::new() }
    }

    fn times(&mut self) -> &BTreeMap<String, usize> {
        let mut buffer = [MaybeUninit::uninit(); 4_096];
        let mut events = inotify::Reader::new(&self.watch, &mut buffer);
        while let Ok(event) = events.next() {
            assert!(!event.events().contains(inotify::ReadFlags::QUEUE_OVERFLOW));
            let Some(name) = event.file_name() else { continue };
            *self.times.entry(name.to_str().unwrap().to_owned()).or_default() += 1;
        }
        &self.times
    }
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
        let mut opened = Opened::in_inbox(&card);
        card.scan(0);
        for (drive, label) in drives.iter().zip(["amber", "birch"]) {
            assert_eq!(done(card.mirror_as(drive, label)).copied, messages);
            expect_same(&whole(&[drive], false), &delivered, "written from memory");
        }
        assert_eq!(opened.times().len() as u64, messages);
        assert!(opened.times.values().all(|times| *times == 1), "{:?}", opened.times);
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
    let mut opened = Opened::in_inbox(&card);
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
