//! A card whose file system keeps whole seconds: a second change within the same second, at the same length, shows in
//! no attribute of the file. It is still found, and no file is read for ever.

use crate::card::{Card, done, folder, rel};
use crate::medium::{expect_same, whole};
use crate::support::memory::MemoryDrive;
use crate::support::station::{Mounted, sh};
use counterfoil::disk::EntryStat;
use std::path::Path;
use tempfile::TempDir;

/// A card in a file, mounted: ext4 with inodes that have no room for fractions of a second.
struct WholeSeconds {
    // Unmounted before the folder below it is removed.
    _mounted: Mounted,
    card: Card,
    _image: TempDir,
}

impl WholeSeconds {
    fn new() -> Self {
        let (image, mail) = (folder(), folder());
        let file = image.path().join("card.img");
        std::fs::File::create(&file).unwrap().set_len(8 << 20).unwrap();
        sh("mkfs.ext4", &["-q", "-I", "128", file.to_str().unwrap()]);
        let mounted = Mounted::image(&file, mail.path());
        std::fs::remove_dir(mail.path().join("lost+found")).unwrap();
        Self { _mounted: mounted, card: Card::with_mail_in(mail), _image: image }
    }
}

/// The second in which a file last changed. There is no finer part here, or the test would prove nothing.
fn changed(card: &Card, path: &str) -> i64 {
    let EntryStat::File(facts) = card.dir().stat(&rel(path)).unwrap() else { panic!("{path}") };
    assert_eq!((facts.modified.nanos, facts.changed.nanos), (0, 0));
    facts.changed.seconds
}

fn write(at: &Path, text: &str) {
    std::fs::write(at, text).unwrap();
}

/// Writes a message and mirrors it by a clock that is this many seconds off, then rewrites it in the same second: tries
/// as often as necessary.
fn changed_within_a_second(off: i64) -> (WholeSeconds, MemoryDrive) {
    for _ in 0..20 {
        let (whole, drive) = (WholeSeconds::new(), MemoryDrive::default());
        let card = &whole.card;
        let at = card.root().join("m");
        write(&at, "the first version\n");
        let first = changed(card, "m");
        card.clock.set_wall(first + off);
        card.mirrored(&drive);
        write(&at, "another, as long.\n");
        if changed(card, "m") == first {
            return (whole, drive);
        }
    }
    panic!("this machine takes a second for two writes");
}

/// By a clock that is right, and by one that is slow and does not show how new a file is.
#[test]
fn a_change_within_the_second_of_the_look_is_found() {
    for off in [0, 1, -1, -1_000_000] {
        let (seen, drive) = changed_within_a_second(off);
        let card = &seen.card;
        card.mirrored(&drive);
        // The first version is missing, since nobody saw it leave: it comes back under another name.
        let mut back = whole(&[&drive], false);
        assert_eq!(back.len(), 2);
        back.retain(|path, _| card.messages().contains_key(path));
        expect_same(&back, &card.messages(), "the second version");
        card.clock.set_wall(changed(card, "m") + 60);
        card.mirrored(&drive);
        assert_eq!(card.scan(0).changes, 0);
    }
}

/// A file at rest is read once more, when no change can be hidden any more, and from then on a pass finds nothing.
#[test]
fn what_rests_is_read_once_more_and_then_no_more() {
    for (first, later, again) in [(0, 0, 1), (1, 5, 1), (2, 5, 0), (60, 120, 0), (-1_000, -900, 1)]
    {
        let whole = WholeSeconds::new();
        let (card, drive) = (&whole.card, MemoryDrive::default());
        for name in ["m", "n", "folder/o"] {
            card.deliver(name, name.as_bytes());
        }
        // Renaming a file changes its status, too.
        let second = changed(card, "folder/o");
        assert!(second - changed(card, "m") <= 1, "delivered within a second or so");
        card.clock.set_wall(changed(card, "m") + first);
        card.scan(0);
        done(card.copy(&drive, "stick"));
        let before = drive.files().len();
        card.clock.set_wall(second + later);
        let found = card.scan(0).changes;
        match (first, again) {
            // By the same rule another scan is due for a file delivered in the next second.
            (2, _) => assert!(found <= 3),
            (_, 1) => assert_eq!(found, 3, "{first}, {later}"),
            _ => assert_eq!(found, 0, "{first}, {later}"),
        }
        assert_eq!(done(card.copy(&drive, "stick")).batches, 0, "nothing to tell the drive");
        assert_eq!(drive.files().len(), before);
        card.clock.set_wall(second + later.max(-900) + 5);
        card.scan(0);
        let change_no = card.catalogue.change_no().unwrap();
        for _ in 0..3 {
            assert_eq!(card.scan(0).changes, 0, "{first}, {later}: read for ever");
        }
        assert_eq!(
            card.catalogue.change_no().unwrap(),
            change_no,
            "a pass with nothing new writes nothing"
        );
    }
}

/// If times have fractions of a second, nothing is read twice, however new it is.
#[test]
fn a_card_with_finer_times_is_not_read_again() {
    let card = Card::new();
    card.deliver("m", b"text");
    let EntryStat::File(facts) = card.dir().stat(&rel("m")).unwrap() else { panic!("m") };
    card.clock.set_wall(facts.changed.seconds);
    assert_eq!(card.scan(0).changes, 1);
    assert_eq!(card.scan(0).changes, 0);
}
