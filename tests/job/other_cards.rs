//! Departures that another card saw while this one still has the message: a departure on one drive is assumed to be on
//! all of them, until each has recorded again what is here. A message is never called safe where a restore may leave it
//! out.

use crate::card::{Card, mail, rel, station};
use crate::medium::{HOME, count, whole};
use crate::support::memory::MemoryDrive;

/// A card with one message that is on three drives, and a copy of that card which has the message too.
pub(crate) fn card_and_copy() -> (Card, Card, [MemoryDrive; 3]) {
    let (card, mut copy) = (Card::new(), Card::new());
    let drives = [MemoryDrive::default(), MemoryDrive::default(), MemoryDrive::default()];
    for one in [&card, &copy] {
        one.deliver("inbox/1", &mail("one"));
    }
    for (drive, label) in drives.iter().zip(["a", "b", "c"]) {
        card.mirror_as(drive, label).outcome.unwrap();
    }
    copy.catalogue = card.catalogue.copied().unwrap();
    copy.scan(0);
    (card, copy, drives)
}

/// The number of drives on which a card calls a message safe.
fn safe_on(card: &Card, path: &str) -> u32 {
    let (station, open) = (station(), card.mailbox());
    let key = rel(path).key();
    let on = |copies: &u32| {
        card.catalogue.is_safe(&station, (open.row, key.as_slice()), *copies).unwrap()
    };
    (1..=9).take_while(on).count().try_into().unwrap()
}

/// The other card's departure is on two drives, and one of them is found: the message is safe on that one alone, until
/// it is recorded again on the others.
#[test]
fn what_another_card_saw_go_is_safe_on_no_drive_that_was_not_told_again() {
    let (card, copy, [a, b, c]) = card_and_copy();
    copy.delete("inbox/1");
    copy.mirror_as(&a, "a").outcome.unwrap();
    copy.mirror_as(&c, "c").outcome.unwrap();
    assert_eq!(safe_on(&card, "inbox/1"), 3);
    card.mirror_as(&a, "a").outcome.unwrap();
    assert_eq!(safe_on(&card, "inbox/1"), 1);
    let all = [&a, &b, &c];
    assert_eq!(whole(&all[..1], false)["inbox/1"], mail("one"));
    assert!(whole(&all[2..], false).is_empty(), "what the other card saw go is left out");
    card.mirror_as(&b, "b").outcome.unwrap();
    card.mirror_as(&c, "c").outcome.unwrap();
    assert_eq!(safe_on(&card, "inbox/1"), 3);
    for drive in all {
        assert_eq!(whole(&[drive], false)["inbox/1"], mail("one"));
    }
    assert_eq!(whole(&all, false)["inbox/1"], mail("one"));
}

/// It is recorded again once, and the other card does not respond: two cards in turn do not overwrite each other for
/// ever.
#[test]
fn what_another_card_saw_go_is_told_again_once() {
    let (card, copy, [a, _, c]) = card_and_copy();
    copy.delete("inbox/1");
    copy.mirror_as(&a, "a").outcome.unwrap();
    let before = count(&c, "mark") + count(&c, "placed");
    for _ in 0..3 {
        card.mirror_as(&a, "a").outcome.unwrap();
        card.mirror_as(&c, "c").outcome.unwrap();
    }
    assert_eq!(count(&c, "mark") + count(&c, "placed"), before + 1);
    let written = [a.file(&format!("{HOME}ledger.jsonl")), c.file(&format!("{HOME}ledger.jsonl"))];
    for _ in 0..3 {
        copy.mirror_as(&a, "a").outcome.unwrap();
        card.mirror_as(&a, "a").outcome.unwrap();
        card.mirror_as(&c, "c").outcome.unwrap();
    }
    let since = [a.file(&format!("{HOME}ledger.jsonl")), c.file(&format!("{HOME}ledger.jsonl"))];
    assert_eq!(kinds_added(&written, &since), [Vec::<String>::new(), Vec::new()]);
}

/// Kinds of the lines added, except those that define writers.
fn kinds_added(before: &[Option<Vec<u8>>; 2], after: &[Option<Vec<u8>>; 2]) -> [Vec<String>; 2] {
    let kinds = |at: usize| {
        let from = before[at].as_ref().unwrap().len();
        let text = String::from_utf8(after[at].as_ref().unwrap()[from..].to_vec()).unwrap();
        let lines = text.lines().map(|line| serde_json::from_str(line).unwrap());
        let kinds = lines.map(|line: serde_json::Value| line["kind"].as_str().unwrap().to_owned());
        kinds.filter(|kind| !matches!(kind.as_str(), "writer" | "opened")).collect()
    };
    [kinds(0), kinds(1)]
}

/// A departure read from another card is not a new location: when another message with that content vanishes, nobody
/// has seen that it moved.
#[test]
fn what_another_card_saw_go_is_no_new_place_of_it() {
    let (card, copy, [a, b, _]) = card_and_copy();
    card.deliver("inbox/2", &mail("one"));
    card.mirror_as(&b, "b").outcome.unwrap();
    copy.delete("inbox/1");
    copy.mirror_as(&a, "a").outcome.unwrap();
    card.mirror_as(&a, "a").outcome.unwrap();
    card.vanish("inbox/2");
    card.mirror_as(&a, "a").outcome.unwrap();
    card.mirror_as(&b, "b").outcome.unwrap();
    assert_eq!(count(&b, "removed"), 0);
    assert_eq!(whole(&[&b], false).into_keys().collect::<Vec<_>>(), ["inbox/1", "inbox/2"]);
}
