//! Sticks that lose lines of their ledgers, all of them or the last few, between two or three cards: no honest stick is
//! reported to contradict another, because no number is ever given to two lines, as the ledgers themselves show. One
//! test has somebody exploit that; other forgeries are in `contradictions`.

use crate::card::{Card, folder, mail, tree};
use crate::contradictions::{
    LEDGER, append, counts, deliver, departure, expect_all_back, found, inspect, last_number,
    lines, mirror, position, renumber, rewrite_from, stick, two, write,
};
use crate::medium::{expect_same, restored, snapshot, whole};
use crate::support::cases::cases;
use crate::support::memory::MemoryDrive;
use counterfoil::job::JobError;
use counterfoil::job::catalogue::Catalogue;
use counterfoil::model::Finding;
use proptest::prelude::*;
use std::collections::HashMap;

/// The number of each line, and the hash that it carries.
fn numbered(drive: &MemoryDrive) -> Vec<(u64, String)> {
    let text = String::from_utf8(drive.file(LEDGER).unwrap_or_default()).unwrap();
    let line = |line: &str| {
        let line: serde_json::Value = serde_json::from_str(line).unwrap();
        (line["seq"].as_u64().unwrap(), line["hash"].as_str().unwrap().to_owned())
    };
    text.lines().map(line).collect()
}

/// Cuts off the last lines of a ledger; if that is all of them, deletes it, as a repair tool does.
fn lose(drive: &MemoryDrive, count: usize) {
    let text = String::from_utf8(drive.file(LEDGER).unwrap_or_default()).unwrap();
    let all: Vec<_> = text.split_inclusive('\n').collect();
    match all.len().saturating_sub(count) {
        0 if all.is_empty() => {}
        0 => drive.remove(LEDGER),
        left => drive.put(LEDGER, all[..left].concat().as_bytes()),
    }
}

/// A card without any state reads both, in either order, and accuses nobody.
fn expect_nobody_accused(red: &MemoryDrive, blue: &MemoryDrive, what: &str) {
    let both = [(red, "RED"), (blue, "BLUE")];
    for order in [both, [both[1], both[0]]] {
        let spare = Card::new();
        inspect(&spare, &order);
        assert_eq!(found(&spare), [], "{what}");
        assert!(counts(&spare, "RED") && counts(&spare, "BLUE"), "{what}");
    }
}

/// Fault 52, and the card dies before new mail comes.
#[test]
fn a_stick_whose_ledger_was_lost_contradicts_no_other_on_a_new_card() {
    for (lost, blue_is_out) in
        [(1, false), (4, false), (usize::MAX, false), (1, true), (4, true), (usize::MAX, true)]
    {
        let what = format!("{lost} lines lost, BLUE is out: {blue_is_out}");
        let (card, red, blue) = two();
        lose(&red, lost);
        card.clock.reboot();
        match blue_is_out {
            true => mirror(&card, &[(&red, "RED")]),
            false => mirror(&card, &[(&red, "RED"), (&blue, "BLUE")]),
        }
        expect_nobody_accused(&red, &blue, &what);
        // The same after it has more lines than it ever had.
        for number in 10..20 {
            deliver(&card, number);
            mirror(&card, &[(&red, "RED")]);
        }
        expect_nobody_accused(&red, &blue, &what);
        assert_eq!(found(&card), [], "{what}");
        expect_same(&whole(&[&red, &blue], false), &card.messages(), &what);
    }
}

/// The card that writes after the loss never saw the stick before, and no other stick is there with a record of it.
#[test]
fn a_new_card_that_knows_nothing_gives_no_number_again() {
    for lost in [1, 4, usize::MAX] {
        let (card, red, blue) = two();
        lose(&red, lost);
        let spare = Card::new();
        for number in 30..40 {
            deliver(&spare, number);
            mirror(&spare, &[(&red, "RED")]);
        }
        expect_nobody_accused(&red, &blue, &format!("{lost} lines lost"));
        // The first card, which remembers the lost lines, reports that, and blames nobody.
        card.clock.reboot();
        inspect(&card, &[(&red, "RED"), (&blue, "BLUE")]);
        mirror(&card, &[(&red, "RED"), (&blue, "BLUE")]);
        assert_eq!(found(&card), [], "{lost} lines lost");
    }
}

/// Somebody who rewrites a stick may skip the numbers that others have recorded, as an honest card does on a stick that
/// lost lines. Then it counts as such a stick: this card reports the lost lines, and no mail is withheld because of
/// that stick alone.
#[test]
fn what_leaves_out_the_numbers_that_others_tell_of_has_lost_these_lines() {
    let (card, red, blue) = two();
    let as_of = position(&red, "mirrored");
    let writer = as_of.split(':').next().unwrap();
    let next = last_number(&red) + 1;
    let mut all = lines(&red);
    all.truncate(4);
    write(&red, &all);
    for number in 0..4 {
        let gone = departure(
            &format!("inbox/{number}"),
            &mail(&format!("message {number}")),
            &format!("{writer}:{}", 90 + number),
        );
        append(&red, &gone);
    }
    let mut all = lines(&red);
    renumber(&mut all[4..], next);
    write(&red, &all);
    let both = [(&red, "RED"), (&blue, "BLUE")];
    let spare = Card::new();
    inspect(&spare, &both);
    assert_eq!(found(&spare), []);
    let back = restored(&[&red, &blue], false).files;
    for (path, bytes) in card.messages() {
        assert!(back.values().any(|other| *other == bytes), "{path}");
    }
    card.clock.reboot();
    card.scan(0);
    let round = card.copy(&red, "RED");
    let lost =
        |f: &Finding| matches!(f, Finding::LedgerShorter { .. } | Finding::LedgerOther { .. });
    assert!(round.findings.iter().any(lost), "{:?}", round.findings);
    mirror(&card, &both);
    expect_all_back(&card, &[&red, &blue]);
    expect_all_back(&card, &[&red]);
}

/// The card's state and a stick are both put back to an earlier state, within one boot and one mount.
#[test]
fn a_state_that_is_put_back_with_its_stick_gives_no_number_again() {
    let (state, kept) = (folder(), folder());
    let open = || Catalogue::open(state.path()).unwrap().0;
    let (red, blue) = (stick("s-red"), stick("s-blue"));
    let mut card = Card::new();
    card.catalogue = open();
    deliver(&card, 0);
    mirror(&card, &[(&red, "RED"), (&blue, "BLUE")]);
    card.lose_catalogue();
    let (earlier, known) = (snapshot(&red), tree(state.path()));
    card.catalogue = open();
    deliver(&card, 10);
    mirror(&card, &[(&red, "RED"), (&blue, "BLUE")]);
    deliver(&card, 11);
    mirror(&card, &[(&blue, "BLUE")]);
    card.lose_catalogue();
    std::fs::rename(state.path(), kept.path().join("later")).unwrap();
    std::fs::create_dir(state.path()).unwrap();
    known.iter().for_each(|(path, bytes)| std::fs::write(state.path().join(path), bytes).unwrap());
    card.catalogue = open();
    red.wipe();
    earlier.iter().for_each(|(path, bytes)| red.put(path, bytes));
    deliver(&card, 12);
    mirror(&card, &[(&red, "RED")]);
    expect_nobody_accused(&red, &blue, "put back");
}

/// A new card saw the true stick, and wrote nothing to it about another one. Then another ledger is in its place.
#[test]
fn what_another_stick_tells_is_compared_again_once_a_ledger_is_another_one() {
    let (_, red, blue) = two();
    let spare = Card::new();
    let both = [(&red, "RED"), (&blue, "BLUE")];
    for _ in 0..2 {
        spare.clock.reboot();
        inspect(&spare, &both);
        assert_eq!(found(&spare), []);
    }
    rewrite_from(&red, 3);
    spare.clock.reboot();
    inspect(&spare, &both);
    assert!(found(&spare).iter().any(|one| one.drive.label == "RED"), "{:?}", found(&spare));
    expect_all_back_as(&blue, &[&red, &blue]);
}

/// Everything that one stick gives back alone comes back from all of these.
fn expect_all_back_as(one: &MemoryDrive, all: &[&MemoryDrive]) {
    let back: Vec<_> = restored(all, false).files.into_values().collect();
    for (path, bytes) in restored(&[one], false).files {
        assert!(back.contains(&bytes), "{path}");
    }
}

#[derive(Debug, Clone)]
enum Step {
    /// A card gets a message and mirrors to the sticks that are plugged in.
    Mirror {
        card: usize,
        sticks: [bool; 2],
        reboots: bool,
    },
    /// A stick loses this many lines.
    Lose {
        stick: usize,
        count: usize,
    },
    /// Somebody makes an image of a stick, or puts the last one back.
    Keep {
        stick: usize,
    },
    PutBack {
        stick: usize,
    },
    /// A card reads both.
    Look {
        card: usize,
    },
    /// A card's catalogue is lost, as with a new card that got its mail back.
    NewCard {
        card: usize,
    },
}

fn step() -> impl Strategy<Value = Step> {
    prop_oneof![
        6 => (0..2_usize, any::<[bool; 2]>(), any::<bool>())
            .prop_map(|(card, sticks, reboots)| Step::Mirror { card, sticks, reboots }),
        1 => (0..2_usize).prop_map(|stick| Step::Keep { stick }),
        1 => (0..2_usize).prop_map(|stick| Step::PutBack { stick }),
        2 => (0..2_usize, prop_oneof![1..6_usize, Just(usize::MAX)])
            .prop_map(|(stick, count)| Step::Lose { stick, count }),
        2 => (0..2_usize).prop_map(|card| Step::Look { card }),
        1 => (0..2_usize).prop_map(|card| Step::NewCard { card }),
    ]
}

proptest! {
    #![proptest_config(ProptestConfig { cases: cases(100, 20), ..ProptestConfig::default() })]

    /// Whatever happens, no number of a stick's lines is ever used twice, and no card accuses anybody.
    #[test]
    fn no_number_is_given_twice(steps in prop::collection::vec(step(), 1..24)) {
        let (mut cards, sticks) = ([Card::new(), Card::new()], [stick("s-red"), stick("s-blue")]);
        let both = [(&sticks[0], "RED"), (&sticks[1], "BLUE")];
        mirror(&cards[0], &both);
        let mut ever = [HashMap::new(), HashMap::new()];
        let mut earlier = sticks.each_ref().map(snapshot);
        for (number, step) in steps.iter().enumerate() {
            match step {
                Step::Mirror { card, sticks: plugged, reboots } => {
                    cards[*card].deliver(&format!("inbox/{number}"), &mail(&format!("{number}")));
                    if *reboots {
                        cards[*card].clock.reboot();
                    }
                    cards[*card].scan(0);
                    for (slot, (stick, label)) in both.iter().enumerate() {
                        let copied = plugged[slot].then(|| cards[*card].copy(stick, label).outcome);
                        // A stick that keeps coming back in an earlier state is not written to any more.
                        let ends = matches!(copied, None | Some(Ok(_) | Err(JobError::Untrusted { .. })));
                        prop_assert!(ends, "step {}", number);
                    }
                }
                Step::Lose { stick, count } => lose(&sticks[*stick], *count),
                Step::Keep { stick } => earlier[*stick] = snapshot(&sticks[*stick]),
                Step::PutBack { stick } => {
                    sticks[*stick].wipe();
                    earlier[*stick].iter().for_each(|(path, bytes)| sticks[*stick].put(path, bytes));
                }
                Step::Look { card } => {
                    cards[*card].clock.reboot();
                    inspect(&cards[*card], &both);
                }
                Step::NewCard { card } => cards[*card].lose_catalogue(),
            }
            for (ever, stick) in ever.iter_mut().zip(&sticks) {
                for (line, hash) in numbered(stick) {
                    let before = ever.insert(line, hash.clone());
                    prop_assert!(before.is_none_or(|before| before == hash), "step {number}: {line} twice");
                }
            }
            for card in &cards {
                prop_assert_eq!(found(card), [], "step {}", number);
            }
        }
        if sticks.iter().all(|stick| stick.file(LEDGER).is_some()) {
            expect_nobody_accused(&sticks[0], &sticks[1], "in the end");
        }
    }
}
