//! Cards and drives in turn: a spare card writes to the drive of a dead one, two drives see different parts of a
//! history. The later statement wins, and nothing comes back twice. No card knows what only another has seen.

use crate::card::{Card, mail};
use crate::medium::{
    Numbers, copies, expect_same, expect_whole_bag, ledger_kinds, restored, whole,
};
use crate::support::memory::MemoryDrive;

fn names(drives: &[&MemoryDrive], with_removed: bool) -> Vec<String> {
    whole(drives, with_removed).into_keys().collect()
}

/// Fault 43: two cards of one station, used in turn on one drive. Each has a message of its own at one path: the one
/// recorded last is in place, and the other card's, which nobody saw leave, comes back next to it.
#[test]
fn what_two_cards_have_at_one_path_both_comes_back() {
    let drive = MemoryDrive::default();
    let cards = [Card::new(), Card::new()];
    let mut numbers = Numbers::default();
    for turn in 0..5 {
        let card = &cards[turn % 2];
        drive.replug(true);
        card.clock.reboot();
        card.deliver("inbox/standing", &mail(&format!("version of turn {turn}")));
        card.deliver(&format!("inbox/{turn}"), &mail(&format!("message {turn}")));
        assert_eq!(card.mirrored(&drive).copied, 2, "turn {turn}");
        numbers.expect_never_reused(&drive, &format!("turn {turn}"));
        expect_whole_bag(&drive, &format!("turn {turn}"));
        let got = whole(&[&drive], false);
        assert_eq!(got["inbox/standing"], mail(&format!("version of turn {turn}")));
        let other = turn.checked_sub(1).map(|turn| mail(&format!("version of turn {turn}")));
        let conflict_names = |path: &&String| path.starts_with("inbox/standing.counterfoil-");
        let conflict_names: Vec<_> =
            got.keys().filter(conflict_names).map(|path| got[path].clone()).collect();
        assert_eq!(conflict_names, other.into_iter().collect::<Vec<_>>(), "turn {turn}");
    }
    assert_eq!(
        names(&[&drive], false)[..5],
        ["inbox/0", "inbox/1", "inbox/2", "inbox/3", "inbox/4"]
    );
}

/// A new card with the old card's mailbox restored on it copies nothing again.
#[test]
fn a_spare_card_with_the_restored_mailbox_copies_nothing() {
    let drive = MemoryDrive::default();
    let old = Card::new();
    for n in 0..4 {
        old.deliver(&format!("inbox/{n}"), &mail(&format!("message {n}")));
    }
    old.mirrored(&drive);
    let spare = Card::new();
    for (path, bytes) in whole(&[&drive], false) {
        spare.deliver(&path, &bytes);
    }
    drive.replug(true);
    // The files have other times: that is recorded, and nothing is copied.
    let report = spare.mirrored(&drive);
    assert_eq!((report.copied, report.noted), (0, 4));
    assert_eq!(spare.mirrored(&drive).noted, 0, "once");
    spare.delete("inbox/2");
    spare.deliver("inbox/9", &mail("message 9"));
    let report = spare.mirrored(&drive);
    assert_eq!((report.copied, report.noted), (1, 1));
    assert_eq!(names(&[&drive], false), ["inbox/0", "inbox/1", "inbox/3", "inbox/9"]);
}

/// Two drives in turn, each with an old view of the mailbox when the other one has a newer. What only the newer one
/// reports as gone, and the other one has, is in doubt.
#[test]
fn a_message_moved_between_two_turns_comes_back_once_where_it_last_was() {
    let card = Card::new();
    let (first, second) = (MemoryDrive::default(), MemoryDrive::default());
    for name in ["moved", "removed", "vanished", "stays"] {
        card.deliver(&format!("inbox/{name}"), &mail(name));
    }
    card.mirror_as(&first, "first").outcome.unwrap();
    card.mirror_as(&second, "second").outcome.unwrap();
    card.rename("inbox/moved", "archive/moved");
    card.delete("inbox/removed");
    card.vanish("inbox/vanished");
    card.deliver("inbox/stays", &mail("stays, corrected"));
    card.mirror_as(&first, "first").outcome.unwrap();

    for drives in [[&first, &second], [&second, &first]] {
        let got = whole(&drives, false);
        assert_eq!(
            got.keys().collect::<Vec<_>>(),
            [
                "archive/moved",
                "inbox/stays",
                "inbox/vanished",
                "recovered/inbox/removed",
                "recovered/inbox/stays"
            ]
        );
        assert_eq!(got["inbox/stays"], mail("stays, corrected"));
        assert_eq!(got["recovered/inbox/stays"], mail("stays"));
        assert_eq!(names(&drives, true), got.into_keys().collect::<Vec<_>>());
    }
    // The outdated one alone gives what it knows.
    assert_eq!(names(&[&second], false).len(), 4);
    assert!(whole(&[&second], false).contains_key("inbox/moved"));
}

/// The second drive was begun after the change: it has no record of the message at its old location, and says nothing
/// about it.
#[test]
fn only_a_drive_that_was_told_withholds_what_left() {
    let card = Card::new();
    let (first, second) = (MemoryDrive::default(), MemoryDrive::default());
    for name in ["moved", "removed", "vanished", "stays"] {
        card.deliver(&format!("inbox/{name}"), &mail(name));
    }
    card.mirror_as(&first, "first").outcome.unwrap();
    card.rename("inbox/moved", "archive/moved");
    card.delete("inbox/removed");
    card.vanish("inbox/vanished");
    card.mirror_as(&second, "second").outcome.unwrap();
    // Departures not recorded on the first drive have no effect on it: absence on the second says nothing.
    for drives in [[&first, &second], [&second, &first]] {
        let all =
            ["archive/moved", "inbox/moved", "inbox/removed", "inbox/stays", "inbox/vanished"];
        assert_eq!(names(&drives, false), all);
    }
    assert_eq!(names(&[&second], true), ["archive/moved", "inbox/stays"]);
    assert!(restored(&[&second], false).report.is_whole());
    assert!(card.mirror_as(&second, "second").outcome.unwrap().batches == 0, "recorded once");
    // Recorded once the first is here again.
    card.mirror_as(&first, "first").outcome.unwrap();
    for drives in [[&first, &second], [&second, &first]] {
        assert_eq!(names(&drives, false), ["archive/moved", "inbox/stays", "inbox/vanished"]);
        let all = ["archive/moved", "inbox/removed", "inbox/stays", "inbox/vanished"];
        assert_eq!(names(&drives, true), all);
    }
}

/// Every drive has a copy of its own; each alone is enough.
#[test]
fn two_drives_hold_every_message_twice() {
    let card = Card::new();
    let (first, second) = (MemoryDrive::default(), MemoryDrive::default());
    for n in 0..6 {
        card.deliver(&format!("inbox/{n}"), &mail(&format!("message {n}")));
        let (drive, label) = if n % 2 == 0 { (&first, "first") } else { (&second, "second") };
        card.mirror_as(drive, label).outcome.unwrap();
    }
    card.mirror_as(&first, "first").outcome.unwrap();
    for drive in [&first, &second] {
        expect_same(&whole(&[drive], false), &card.messages(), "one drive alone");
        assert_eq!(copies(drive).len(), 6);
    }
    // The other drive makes up for damage on one, and that is reported.
    for path in first.files().into_iter().filter(|path| path.contains("/data/")) {
        first.tamper(&path, |bytes| bytes.reverse());
    }
    let restored = restored(&[&first, &second], false);
    assert_eq!((restored.report.restored, restored.report.from_second_copy), (6, 6));
    expect_same(&restored.files, &card.messages(), "one drive rotten");
}

/// A message that returns to a path it had left, seen by one drive only in parts.
#[test]
fn a_message_that_comes_back_is_there_again() {
    let card = Card::new();
    let (first, second) = (MemoryDrive::default(), MemoryDrive::default());
    card.deliver("inbox/m", &mail("m"));
    card.mirror_as(&first, "first").outcome.unwrap();
    card.mirror_as(&second, "second").outcome.unwrap();
    card.delete("inbox/m");
    card.mirror_as(&first, "first").outcome.unwrap();
    assert_eq!(names(&[&first], false), Vec::<String>::new());
    assert_eq!(
        names(&[&first, &second], false),
        ["recovered/inbox/m"],
        "the second has no record of it"
    );
    card.deliver("inbox/m", &mail("m"));
    card.mirror_as(&second, "second").outcome.unwrap();
    card.mirror_as(&first, "first").outcome.unwrap();
    let mut kinds = ledger_kinds(&first).split_off(2);
    kinds.retain(|kind| kind != "witness");
    assert_eq!(kinds, ["mirrored", "removed", "placed"]);
    assert_eq!(names(&[&first, &second], false), ["inbox/m"]);
    assert_eq!(names(&[&first], false), ["inbox/m"]);
}

/// Fault 23: a hub fails, and two drives with it, each somewhere in its batch. Neither affects the other.
#[test]
fn two_drives_pulled_at_once_each_fail_for_themselves() {
    for operations in 0..40 {
        let card = Card::new();
        let drives = [MemoryDrive::default(), MemoryDrive::default()];
        card.deliver("inbox/0", &mail("message 0"));
        for (drive, label) in drives.iter().zip(["first", "second"]) {
            card.mirror_as(drive, label).outcome.unwrap();
        }
        for n in 1..5 {
            card.deliver(&format!("inbox/{n}"), &mail(&format!("message {n}")));
        }
        drives[0].pull_after(operations);
        drives[1].pull_after(39 - operations);
        let ended = drives.iter().zip(["first", "second"]).map(|(drive, label)| {
            let round = card.mirror_as(drive, label);
            round.outcome.is_ok()
        });
        let ended: Vec<_> = ended.collect();
        for (drive, label) in drives.iter().zip(["first", "second"]) {
            drive.replug(true);
            card.mirror_as(drive, label).outcome.unwrap();
            let story =
                format!("{label}, pulled after {operations} and {}: {ended:?}", 39 - operations);
            expect_whole_bag(drive, &story);
            expect_same(&whole(&[drive], false), &card.messages(), &story);
        }
    }
}
