//! Unreadable ledger lines and departures: such a line may have asserted the message again. A message is never left out
//! because of a departure whose writer did not know of that line.

use crate::card::{Card, mail, station};
use crate::logs::logs_verified;
use crate::medium::{HOME, expect_same, whole};
use crate::other_cards::card_and_copy;
use crate::support::memory::MemoryDrive;
use counterfoil::daemon::clock::SystemClock;
use counterfoil::job::acknowledge::{acknowledge_lacking, lacking_messages};

fn ledger() -> String {
    format!("{HOME}ledger.jsonl")
}

/// The last line of one of these kinds becomes unreadable.
fn lose_last(drive: &MemoryDrive, kinds: &[&str]) {
    drive.tamper(&ledger(), |bytes| {
        let mut lines = bytes.split_mut(|byte| *byte == b'\n');
        let line = lines.rfind(|line| kinds.contains(&kind(line).as_str()));
        line.unwrap_or_else(|| panic!("no line of {kinds:?}")).fill(b'x');
    });
}

/// A card with a message that its copy saw leave: the drive recorded the departure, and then the card asserted the
/// message again.
fn asserted_again() -> (Card, Card, [MemoryDrive; 3]) {
    let (card, copy, drives) = card_and_copy();
    copy.delete("inbox/1");
    copy.mirror_as(&drives[0], "a").outcome.unwrap();
    card.mirror_as(&drives[0], "a").outcome.unwrap();
    (card, copy, drives)
}

#[test]
fn what_was_told_again_in_a_line_that_rotted_is_given_back() {
    let (_card, _copy, [a, ..]) = asserted_again();
    lose_last(&a, &["placed", "mark"]);
    assert_eq!(whole(&[&a], false)["inbox/1"], mail("one"));
}

/// The card that saw it leave does not record that again either: it cannot know what the line said.
#[test]
fn a_departure_from_before_a_line_rotted_is_not_told_again() {
    let (_card, copy, [a, ..]) = asserted_again();
    lose_last(&a, &["placed", "mark"]);
    for _ in 0..2 {
        copy.mirror_as(&a, "a").outcome.unwrap();
        assert_eq!(whole(&[&a], false)["inbox/1"], mail("one"));
    }
    assert_eq!(count_readable(&a, "removed"), 1);
}

fn kind(line: &[u8]) -> String {
    let line: Option<serde_json::Value> = serde_json::from_slice(line).ok();
    line.and_then(|line| line["kind"].as_str().map(str::to_owned)).unwrap_or_default()
}

fn count_readable(drive: &MemoryDrive, of: &str) -> usize {
    let text = drive.file(&ledger()).unwrap();
    text.split(|byte| *byte == b'\n').filter(|line| kind(line) == of).count()
}

/// The same where the card that saw it leave had read the line: it asserts again what it knew, and not the departure
/// that the line cancelled.
#[test]
fn who_read_the_line_that_rotted_does_not_tell_of_the_departure_before_it() {
    let (_card, copy, [a, ..]) = asserted_again();
    copy.mirror_as(&a, "a").outcome.unwrap();
    lose_last(&a, &["placed", "mark"]);
    logs_verified(&copy, &a);
    copy.mirror_as(&a, "a").outcome.unwrap();
    assert_eq!(whole(&[&a], false)["inbox/1"], mail("one"));
}

/// A line that rotted before a departure does not affect it: the departure's writer knew of the gap.
#[test]
fn what_leaves_after_a_line_rotted_is_left_out() {
    let (card, drive) = (Card::new(), MemoryDrive::default());
    for name in ["one", "two", "three"] {
        card.deliver(&format!("inbox/{name}"), &mail(name));
        card.mirrored(&drive);
    }
    lose_last(&drive, &["mirrored"]);
    logs_verified(&card, &drive);
    card.delete("inbox/one");
    card.mirrored(&drive);
    expect_same(&whole(&[&drive], false), &card.messages(), "after a rotten line");
}

/// A departure that this card saw before it found the unreadable line is reported as lacking; the message goes once a
/// person acknowledges it.
#[test]
fn what_left_before_a_line_rotted_is_lacking_until_it_is_acknowledged() {
    let (card, drive) = (Card::new(), MemoryDrive::default());
    for name in ["one", "two"] {
        card.deliver(&format!("inbox/{name}"), &mail(name));
        card.mirrored(&drive);
    }
    card.delete("inbox/one");
    lose_last(&drive, &["mirrored"]);
    card.mirrored(&drive);
    assert_eq!(whole(&[&drive], false).len(), 2);
    let lacking = || {
        let row = card.catalogue.drives().unwrap().remove(0).row;
        let replica = card.catalogue.replica(row, &station()).unwrap();
        card.catalogue.lacking(&replica).unwrap().messages
    };
    assert_eq!(lacking(), 1);
    let id = card.catalogue.drives().unwrap().remove(0).id;
    acknowledge(&card, id);
    card.mirrored(&drive);
    assert_eq!(lacking(), 0);
    expect_same(&whole(&[&drive], false), &card.messages(), "acknowledged");
}

fn acknowledge(card: &Card, id: counterfoil::model::DriveId) {
    let lacked = lacking_messages(&card.catalogue, &station(), id).unwrap();
    acknowledge_lacking(&card.catalogue, &lacked, &SystemClock::new()).unwrap();
}

/// Another card finds a ledger with a line that it never read: what left before that is lacking there, in the same way.
#[test]
fn another_card_asks_about_what_left_before_a_line_that_it_never_read() {
    let (card, drive) = (Card::new(), MemoryDrive::default());
    for name in ["one", "two"] {
        card.deliver(&format!("inbox/{name}"), &mail(name));
    }
    card.mirrored(&drive);
    card.delete("inbox/one");
    card.mirrored(&drive);
    card.deliver("inbox/three", &mail("three"));
    card.mirrored(&drive);
    lose_last(&drive, &["mirrored"]);
    let other = Card::new();
    for (path, bytes) in card.messages() {
        other.deliver(&path, &bytes);
    }
    other.mirrored(&drive);
    assert!(whole(&[&drive], false).contains_key("inbox/one"));
    let row = other.catalogue.drives().unwrap().remove(0);
    let replica = other.catalogue.replica(row.row, &station()).unwrap();
    assert_eq!(other.catalogue.lacking(&replica).unwrap().messages, 1);
    acknowledge(&other, row.id);
    other.mirrored(&drive);
    let replica = other.catalogue.replica(row.row, &station()).unwrap();
    assert_eq!(other.catalogue.lacking(&replica).unwrap().messages, 0);
    // It was never this card's: nothing is recorded on the drive, and any other restore gets it back.
    assert!(whole(&[&drive], false).contains_key("inbox/one"));
}

/// If a ledger cannot be read whole, a message that another ledger reports as gone may have been asserted again in it.
#[test]
fn a_departure_in_one_ledger_takes_back_nothing_of_one_that_is_not_whole() {
    let (card, copy, [a, b, _c]) = card_and_copy();
    copy.delete("inbox/1");
    copy.mirror_as(&a, "a").outcome.unwrap();
    let before = a.file(&ledger()).unwrap();
    card.mirror_as(&a, "a").outcome.unwrap();
    card.mirror_as(&b, "b").outcome.unwrap();
    // `a` is as it was before the card asserted the message again, and a line of `b` rots that the card wrote since.
    a.tamper(&ledger(), |bytes| bytes.clone_from(&before));
    assert!(whole(&[&a], false).is_empty());
    lose_last(&b, &["placed", "mark"]);
    assert_eq!(whole(&[&a, &b], false)["recovered/inbox/1"], mail("one"));
}

/// A line that a power failure tore was never committed, and is no gap for any reader.
#[test]
fn what_left_stays_left_though_a_cut_tears_a_line() {
    for ended in [false, true] {
        let (card, drive) = (Card::new(), MemoryDrive::default());
        for name in ["one", "two"] {
            card.deliver(&format!("inbox/{name}"), &mail(name));
        }
        card.mirrored(&drive);
        card.delete("inbox/one");
        card.mirrored(&drive);
        let expected = card.messages();
        drive.tamper(&ledger(), |bytes| {
            let line = bytes.iter().rev().skip(1).position(|byte| *byte == b'\n').unwrap();
            let begin = bytes.len() - line - 1;
            bytes.extend_from_within(begin..begin + line / 2);
            if ended {
                bytes.push(b'\n');
            }
        });
        if !ended {
            expect_same(&whole(&[&drive], false), &expected, "torn");
        }
        card.mirrored(&drive);
        expect_same(&whole(&[&drive], false), &expected, "settled");
        let lines = count_readable(&drive, "removed");
        card.delete("inbox/two");
        card.deliver("inbox/three", &mail("three"));
        card.mirrored(&drive);
        expect_same(&whole(&[&drive], false), &card.messages(), "after it");
        assert_eq!((lines, count_readable(&drive, "removed")), (1, 2), "nothing is recorded again");
    }
}
