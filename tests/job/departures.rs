//! What left the mailbox, and when a drive gives it up: only for its successor, and only if whoever recorded the
//! departure saw it happen. An older version is never given up where the later one was lost.

use crate::card::{Card, mail};
use crate::medium::{HOME, expect_same, whole};
use crate::support::memory::MemoryDrive;

fn names(drives: &[&MemoryDrive]) -> Vec<String> {
    whole(drives, false).into_keys().collect()
}

/// The card loses a later version before any drive has it: the drive keeps the earlier one.
#[test]
fn a_version_stays_where_the_later_one_was_lost_before_it_was_copied() {
    let (card, drive) = (Card::new(), MemoryDrive::default());
    card.deliver("inbox/1", &mail("first"));
    card.mirrored(&drive);
    card.deliver("inbox/1", &mail("second"));
    card.scan(0);
    card.vanish("inbox/1");
    card.mirrored(&drive);
    assert_eq!(whole(&[&drive], false)["inbox/1"], mail("first"));
    // Another message at that path does not end it either: both come back.
    card.deliver("inbox/1", &mail("another"));
    card.mirrored(&drive);
    let got = whole(&[&drive], false);
    assert_eq!(got["inbox/1"], mail("another"));
    assert!(got.into_values().any(|bytes| bytes == mail("first")));
}

/// The same where the later version was moved before it was lost.
#[test]
fn a_version_stays_where_the_later_one_was_moved_and_lost() {
    let (card, drive) = (Card::new(), MemoryDrive::default());
    card.deliver("inbox/1", &mail("first"));
    card.mirrored(&drive);
    card.deliver("inbox/1", &mail("second"));
    card.scan(0);
    card.rename("inbox/1", "archive/1");
    card.scan(0);
    card.vanish("archive/1");
    card.mirrored(&drive);
    assert_eq!(whole(&[&drive], false)["inbox/1"], mail("first"));
}

/// A message moves, is replaced there, and is lost: the drive still has it at the new path.
#[test]
fn a_moved_message_stays_where_its_later_version_was_lost() {
    let (card, drive) = (Card::new(), MemoryDrive::default());
    card.deliver("inbox/1", &mail("first"));
    card.mirrored(&drive);
    card.rename("inbox/1", "archive/1");
    card.scan(0);
    card.deliver("archive/1", &mail("second"));
    card.scan(0);
    card.vanish("archive/1");
    card.mirrored(&drive);
    assert_eq!(names(&[&drive]), ["inbox/1"]);
}

/// A later version on another drive is no reason for this drive to give up its own; once the later one is here, the
/// older one goes.
#[test]
fn a_version_goes_once_the_later_one_is_on_the_same_drive() {
    let card = Card::new();
    let (first, second) = (MemoryDrive::default(), MemoryDrive::default());
    card.deliver("inbox/1", &mail("first"));
    card.mirror_as(&first, "first").outcome.unwrap();
    card.mirror_as(&second, "second").outcome.unwrap();
    card.deliver("inbox/1", &mail("second"));
    card.mirror_as(&second, "second").outcome.unwrap();
    card.vanish("inbox/1");
    card.mirror_as(&second, "second").outcome.unwrap();
    card.mirror_as(&first, "first").outcome.unwrap();
    // The departure is recorded on the second drive, and counts for both.
    assert_eq!(whole(&[&first, &second], false)["inbox/1"], mail("second"));
    assert_eq!(whole(&[&first], false)["inbox/1"], mail("first"));
    card.deliver("archive/1", &mail("second"));
    card.mirror_as(&first, "first").outcome.unwrap();
    assert_eq!(names(&[&first]), ["archive/1"]);
}

/// The catalogue loses its last changes in a power failure. It reads from the drive what it recorded there meanwhile,
/// and from then on its departures cover that too.
#[test]
fn what_a_lost_end_of_the_state_told_is_ended_by_what_is_told_later() {
    let (mut card, drive) = (Card::new(), MemoryDrive::default());
    card.deliver("inbox/1", &mail("one"));
    card.mirrored(&drive);
    let before = card.catalogue.copied().unwrap();
    card.deliver("inbox/2", &mail("two"));
    card.mirrored(&drive);
    card.catalogue = before;
    drive.replug(true);
    card.clock.reboot();
    card.mirrored(&drive);
    card.delete("inbox/2");
    card.mirrored(&drive);
    assert_eq!(names(&[&drive]), ["inbox/1"]);
    // A later version is also later than what was recorded then.
    card.deliver("inbox/1", &mail("one, corrected"));
    card.mirrored(&drive);
    assert_eq!(whole(&[&drive], false)["inbox/1"], mail("one, corrected"));
    assert_eq!(names(&[&drive]), ["inbox/1"]);
}

/// Lines from a lost end of this card's state make nothing safe that came since, although the numbers are the same: it
/// is recorded again.
#[test]
fn a_line_of_a_lost_end_of_the_state_makes_nothing_safe_that_came_since() {
    let mut card = Card::new();
    let (first, second) = (MemoryDrive::default(), MemoryDrive::default());
    card.deliver("inbox/1", &mail("one"));
    card.scan(0);
    let before = card.catalogue.copied().unwrap();
    for version in 2..9 {
        card.deliver("inbox/1", &mail(&format!("version {version}")));
        card.scan(0);
    }
    card.deliver("inbox/2", &mail("two"));
    card.mirror_as(&first, "first").outcome.unwrap();
    card.mirror_as(&second, "second").outcome.unwrap();
    let at = card.root().join("inbox/2");
    let modified = std::fs::metadata(&at).unwrap().modified().unwrap();
    card.delete("inbox/2");
    card.mirror_as(&second, "second").outcome.unwrap();
    card.catalogue = before;
    card.clock.reboot();
    first.replug(true);
    // The drive is read before the mailbox is scanned.
    card.copy(&first, "first").outcome.unwrap();
    card.deliver("inbox/2", &mail("two"));
    std::fs::File::options().write(true).open(&at).unwrap().set_modified(modified).unwrap();
    card.mirror_as(&first, "first").outcome.unwrap();
    assert!(names(&[&first, &second]).contains(&"inbox/2".into()));
}

/// A later version has the same content as a message copied in the same batch, and other messages are recorded again,
/// each by a line of its own: the earlier version still goes.
#[test]
fn a_version_goes_though_the_later_one_is_told_among_those_told_again() {
    let mut card = Card::new();
    let (first, second) = (MemoryDrive::default(), MemoryDrive::default());
    card.deliver("inbox/1", &mail("one"));
    card.deliver("inbox/2", &mail("two"));
    card.mirror_as(&first, "first").outcome.unwrap();
    card.mirror_as(&second, "second").outcome.unwrap();
    card.lose_catalogue();
    card.mirror_as(&first, "first").outcome.unwrap();
    card.deliver("inbox/1", &mail("later"));
    card.deliver("inbox/3", &mail("later"));
    card.mirror_as(&second, "second").outcome.unwrap();
    assert_eq!(names(&[&second]), ["inbox/1", "inbox/2", "inbox/3"]);
}

/// A message was moved and then deleted while a drive was away: for that drive it was deleted, and it comes back with
/// the removed messages.
#[test]
fn what_was_moved_and_deleted_comes_back_with_what_was_removed() {
    let (card, drive) = (Card::new(), MemoryDrive::default());
    card.deliver("inbox/1", &mail("one"));
    card.mirrored(&drive);
    card.rename("inbox/1", "archive/1");
    card.scan(0);
    card.delete("archive/1");
    card.mirrored(&drive);
    assert_eq!(names(&[&drive]), Vec::<String>::new());
    assert_eq!(whole(&[&drive], true)["inbox/1"], mail("one"));
}

/// A message is moved, and an empty one takes its place before either is recorded on a drive: the empty one is not
/// damage, and the other one is not missing there.
#[test]
fn an_empty_message_where_another_was_moved_away_is_no_damage() {
    let (card, drive) = (Card::new(), MemoryDrive::default());
    card.deliver("inbox/1", &mail("one"));
    card.mirrored(&drive);
    card.rename("inbox/1", "archive/1");
    card.scan(0);
    card.deliver("inbox/1", b"");
    card.mirrored(&drive);
    assert_eq!(names(&[&drive]), ["archive/1", "inbox/1"]);
    assert_eq!(whole(&[&drive], false)["inbox/1"], b"");
}

/// The card damaged one of two files of a message before a new drive came: the good version is recorded at that
/// location too, in addition to its copy for the other one, and stays when the other one is deleted.
#[test]
fn a_good_version_is_told_at_its_place_beside_its_copy_for_another() {
    let (card, drive) = (Card::new(), MemoryDrive::default());
    card.deliver("inbox/1", &mail("one"));
    card.deliver("inbox/2", &mail("one"));
    card.scan(0);
    let bytes = mail("one").len();
    std::fs::write(card.root().join("inbox/1"), vec![0; bytes]).unwrap();
    card.mirrored(&drive);
    card.delete("inbox/2");
    card.mirrored(&drive);
    let got = whole(&[&drive], false);
    assert_eq!(got.keys().collect::<Vec<_>>(), ["inbox/1"]);
    assert_eq!(got["inbox/1"], mail("one"));
}

/// A copy of a card still has a message that went on growing on the card: it is the earlier version, and not damage to
/// the later one that the drive has. If it is lost there and nobody sees it, it is missing.
#[test]
fn an_earlier_version_on_a_copied_card_is_no_damage() {
    let drive = MemoryDrive::default();
    let card = Card::new();
    let long = [mail("one"), b"and more of it\r\n".to_vec()].concat();
    card.deliver("inbox/1", &mail("one"));
    card.mirrored(&drive);
    let mut copy = Card::new();
    copy.catalogue = card.catalogue.copied().unwrap();
    copy.deliver("inbox/1", &mail("one"));
    std::fs::write(card.root().join("inbox/1"), &long).unwrap();
    card.mirrored(&drive);
    drive.replug(true);
    copy.mirrored(&drive);
    copy.vanish("inbox/1");
    copy.mirrored(&drive);
    let got = whole(&[&drive], false).into_values().collect::<Vec<_>>();
    assert!(got.contains(&mail("one")) && got.contains(&long), "{}", got.len());
}

/// A message is missing from a path where another is now. However late that is recorded on a drive, the message that is
/// there has the path.
#[test]
fn what_is_missing_does_not_take_the_place_of_what_is_there() {
    let (card, drive) = (Card::new(), MemoryDrive::default());
    card.deliver("inbox/1", &mail("one"));
    card.mirrored(&drive);
    card.vanish("inbox/1");
    card.scan(0);
    card.deliver("inbox/1", &mail("another"));
    card.mirrored(&drive);
    // The drive loses its last line, and the statement is recorded again, after something else.
    drive.tamper(&format!("{HOME}ledger.jsonl"), |bytes| {
        let end = bytes[..bytes.len() - 1].iter().rposition(|byte| *byte == b'\n').unwrap();
        assert!(bytes[end..].windows(9).any(|window| window == b"\"missing\""));
        bytes.truncate(end + 1);
    });
    drive.replug(true);
    card.deliver("inbox/2", &mail("two"));
    card.mirrored(&drive);
    let got = whole(&[&drive], false);
    assert_eq!(got["inbox/1"], mail("another"));
    assert!(got.into_values().any(|bytes| bytes == mail("one")));
}

/// The longer version is on a drive that has never seen the shorter one, and comes from a card that had it: the shorter
/// one still does not count as damage to it.
#[test]
fn an_earlier_version_is_no_damage_on_a_drive_that_has_only_the_later_one() {
    let (first, second) = (MemoryDrive::default(), MemoryDrive::default());
    let card = Card::new();
    let long = [mail("one"), b"and more of it\r\n".to_vec()].concat();
    card.deliver("inbox/1", &mail("one"));
    card.scan(0);
    let mut copy = Card::new();
    copy.catalogue = card.catalogue.copied().unwrap();
    copy.deliver("inbox/1", &mail("one"));
    std::fs::write(card.root().join("inbox/1"), &long).unwrap();
    card.mirror_as(&first, "first").outcome.unwrap();
    first.replug(true);
    copy.mirror_as(&first, "first").outcome.unwrap();
    copy.mirror_as(&second, "second").outcome.unwrap();
    assert_eq!(whole(&[&second], false)["inbox/1"], mail("one"));
    copy.vanish("inbox/1");
    copy.mirror_as(&first, "first").outcome.unwrap();
    copy.mirror_as(&second, "second").outcome.unwrap();
    let got = whole(&[&first, &second], false).into_values().collect::<Vec<_>>();
    assert!(got.contains(&mail("one")) && got.contains(&long));
}

/// The damaged message on the card vanishes too, and comes back from a drive that has nothing else: it still counts as
/// damage. Where a later version takes its place, and nobody sees that, the good one does not come back next to it.
#[test]
fn damage_that_comes_back_is_damage_still() {
    let version = |text: &str| [b"Message-ID: <7@example.org>\r\n".to_vec(), mail(text)].concat();
    let good = version("one");
    let mut rest = good.clone();
    let end = rest.len() - 64;
    rest[end..].fill(0);
    for (emptied, left) in [(false, rest.as_slice()), (true, &[])] {
        let (card, drive) = (Card::new(), MemoryDrive::default());
        let write = |bytes: &[u8]| std::fs::write(card.root().join("inbox/1"), bytes).unwrap();
        card.deliver("inbox/1", &good);
        card.mirrored(&drive);
        write(left);
        card.scan(0);
        card.vanish("inbox/1");
        card.scan(0);
        write(left);
        card.scan(0);
        write(&version("one, and another"));
        card.mirrored(&drive);
        expect_same(&whole(&[&drive], false), &card.messages(), &format!("emptied: {emptied}"));
    }
}
