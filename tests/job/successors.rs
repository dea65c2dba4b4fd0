//! The successor of a message that left, recorded with its departure: where no good copy of the successor exists, the
//! earlier version is restored, wherever it was.

use crate::card::{Card, mail};
use crate::medium::{count, restored, rot_copies, whole};
use crate::support::memory::MemoryDrive;

/// One message with a Message-ID, in a version.
fn version(number: u8) -> Vec<u8> {
    [b"Message-ID: <7@example.org>\r\n".to_vec(), mail(&format!("version {number}"))].concat()
}

/// A card whose message is on two drives.
fn on_two_drives() -> (Card, MemoryDrive, MemoryDrive) {
    let (card, a, b) = (Card::new(), MemoryDrive::default(), MemoryDrive::default());
    card.deliver("inbox/1", &version(0));
    card.mirror_as(&a, "a").outcome.unwrap();
    card.mirror_as(&b, "b").outcome.unwrap();
    (card, a, b)
}

/// The earlier version comes back at the location of the later one, and is reported as older; with a good copy of the
/// later one it does not. The other drive has no record of any of this, so its content is in doubt.
fn expect_older(a: &MemoryDrive, b: &MemoryDrive, later: &[u8]) {
    let in_doubt = ("recovered/inbox/1".to_owned(), version(0));
    let got: Vec<_> = whole(&[a, b], false).into_iter().collect();
    assert_eq!(got, [("done/1".to_owned(), later.to_vec()), in_doubt.clone()]);
    rot_copies(a, later);
    let got = restored(&[a, b], false);
    let files: Vec<_> = got.files.into_iter().collect();
    assert_eq!(files, [("done/1".to_owned(), version(0)), in_doubt]);
    assert_eq!(got.report.older, 1);
    assert_eq!(got.report.damaged.len(), 1);
}

#[test]
fn the_version_before_comes_back_where_the_later_one_was_moved_and_rots() {
    let (card, a, b) = on_two_drives();
    card.deliver("inbox/1", &version(1));
    card.scan(0);
    card.rename("inbox/1", "done/1");
    card.mirror_as(&a, "a").outcome.unwrap();
    expect_older(&a, &b, &version(1));
}

#[test]
fn the_version_before_comes_back_where_it_was_moved_and_the_later_one_rots() {
    let (card, a, b) = on_two_drives();
    card.rename("inbox/1", "done/1");
    card.scan(0);
    card.deliver("done/1", &version(1));
    card.mirror_as(&a, "a").outcome.unwrap();
    expect_older(&a, &b, &version(1));
}

/// The drive recorded every step.
#[test]
fn the_version_before_comes_back_through_every_step_that_was_told() {
    let (card, a, b) = on_two_drives();
    card.rename("inbox/1", "drafts/1");
    card.mirror_as(&a, "a").outcome.unwrap();
    card.deliver("drafts/1", &version(1));
    card.mirror_as(&a, "a").outcome.unwrap();
    card.rename("drafts/1", "done/1");
    card.mirror_as(&a, "a").outcome.unwrap();
    assert_eq!(count(&a, "removed"), 3);
    expect_older(&a, &b, &version(1));
}

/// Of several earlier versions, the last.
#[test]
fn the_last_of_the_versions_before_comes_back() {
    let (card, a, b) = on_two_drives();
    card.deliver("inbox/1", &version(1));
    card.mirror_as(&a, "a").outcome.unwrap();
    card.mirror_as(&b, "b").outcome.unwrap();
    card.deliver("inbox/1", &version(2));
    card.scan(0);
    card.rename("inbox/1", "done/1");
    card.mirror_as(&a, "a").outcome.unwrap();
    rot_copies(&a, &version(2));
    let got: Vec<_> = whole_but_rotten(&[&a, &b]);
    let in_doubt = ("recovered/inbox/1".to_owned(), version(1));
    assert_eq!(got, [("done/1".to_owned(), version(1)), in_doubt]);
    rot_copies(&a, &version(1));
    rot_copies(&b, &version(1));
    let got: Vec<_> = whole_but_rotten(&[&a, &b]);
    assert_eq!(got, [("done/1".to_owned(), version(0))]);
}

fn whole_but_rotten(drives: &[&MemoryDrive]) -> Vec<(String, Vec<u8>)> {
    restored(drives, false).files.into_iter().collect()
}

/// A message deleted in the end does not come back in an older version at its old location; the drive without a record
/// of that has content in doubt.
#[test]
fn no_version_before_comes_back_of_what_was_deleted() {
    let (card, a, b) = on_two_drives();
    card.deliver("inbox/1", &version(1));
    card.scan(0);
    card.rename("inbox/1", "done/1");
    card.mirror_as(&a, "a").outcome.unwrap();
    card.delete("done/1");
    card.mirror_as(&a, "a").outcome.unwrap();
    rot_copies(&a, &version(1));
    assert!(whole(&[&a], false).is_empty());
    let got: Vec<_> = whole(&[&a, &b], false).into_iter().collect();
    assert_eq!(got, [("recovered/inbox/1".to_owned(), version(0))]);
}

/// A version that the card had before is not a later one: where it turns up in place of the later one, and nobody saw
/// that, the later one is missing.
#[test]
fn an_earlier_version_that_turns_up_again_replaces_nothing() {
    let (card, drive) = (Card::new(), MemoryDrive::default());
    card.deliver("inbox/1", &version(0));
    card.deliver("inbox/2", &version(0));
    card.scan(0);
    card.deliver("inbox/1", &version(1));
    card.mirrored(&drive);
    card.vanish("inbox/1");
    let got = {
        std::fs::copy(card.root().join("inbox/2"), card.root().join("inbox/1")).unwrap();
        card.mirrored(&drive);
        whole(&[&drive], false)
    };
    assert_eq!(got["inbox/1"], version(0));
    assert_eq!(got["inbox/2"], version(0));
    assert!(got.into_values().any(|bytes| bytes == version(1)), "the later version is missing");
}

/// A later version that replaced an earlier one unseen is recognised by the Message-ID.
#[test]
fn a_version_that_was_never_here_replaces_the_one_before() {
    let (card, drive) = (Card::new(), MemoryDrive::default());
    card.deliver("inbox/1", &version(0));
    card.mirrored(&drive);
    std::fs::write(card.root().join("inbox/1"), version(1)).unwrap();
    card.mirrored(&drive);
    let got: Vec<_> = whole(&[&drive], false).into_iter().collect();
    assert_eq!(got, [("inbox/1".to_owned(), version(1))]);
}
