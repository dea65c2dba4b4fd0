//! What sticks record about each other, and honest histories in which they seem to contradict each other or the card.
//! Forgeries are in `contradictions`.

use crate::card::{Card, drive_ref, mail};
use crate::contradictions::{
    LEDGER, append, counts, deliver, found, id, inspect, last_number, lines, mirror,
    recorded_line_of, stick, two, write,
};
use crate::medium::{count, snapshot};
use crate::support::memory::MemoryDrive;
use counterfoil::job::restore::open_sources;

#[test]
fn sticks_tell_of_each_other_and_no_line_is_written_for_that_alone() {
    let (card, red, blue) = two();
    assert_eq!((count(&red, "witness"), count(&blue, "witness")), (3, 4));
    let before = (snapshot(&red), snapshot(&blue));
    for _ in 0..3 {
        mirror(&card, &[(&red, "RED"), (&blue, "BLUE")]);
        card.clock.reboot();
        inspect(&card, &[(&blue, "BLUE"), (&red, "RED")]);
    }
    let text = |drive: &MemoryDrive| drive.file(LEDGER).unwrap();
    assert!(text(&red) == before.0[LEDGER] && text(&blue) == before.1[LEDGER]);
    assert_eq!(found(&card), []);
    // A card without any state finds nothing either.
    let spare = Card::new();
    inspect(&spare, &[(&red, "RED"), (&blue, "BLUE")]);
    inspect(&spare, &[(&red, "RED"), (&blue, "BLUE")]);
    assert_eq!(found(&spare), []);
}

/// With more sticks than one commit records, each is recorded in turn.
#[test]
fn every_stick_of_many_is_told_of() {
    let card = Card::new();
    let sticks: Vec<_> = (0..6).map(|n| (stick(&format!("s-{n}")), format!("S{n}"))).collect();
    let all: Vec<_> = sticks.iter().map(|(drive, label)| (drive, label.as_str())).collect();
    for number in 0..4 {
        deliver(&card, number);
        mirror(&card, &all);
    }
    for (drive, label) in &sticks {
        let ledger = String::from_utf8(drive.file(LEDGER).unwrap()).unwrap();
        for (other, _) in sticks.iter().filter(|(_, of)| of != label) {
            assert!(ledger.contains(&format!("\"drive\":\"{}\"", id(other))), "{label}");
        }
    }
}

/// One line already read is removed again, so the whole ledger is read from its beginning.
fn read_anew(card: &Card, drive: &MemoryDrive, label: &str) {
    let before = lines(drive);
    append(drive, "\"kind\":\"opened\",\"program\":\"x\"");
    inspect(card, &[(drive, label)]);
    write(drive, &before);
    inspect(card, &[(drive, label)]);
}

/// The device lost what it had reported durable, or an old image was put back, and the stick continues from there.
/// Neither this card, which knew more, nor the other sticks, which record more, report a contradiction.
#[test]
fn a_stick_that_lost_lines_is_brought_up_to_date_and_contradicts_nothing() {
    let (card, red, blue) = two();
    let other = Card::new();
    for lost in [1, 2, 5, 7] {
        let left = lines(&red).len() - lost;
        write(&red, &lines(&red)[..left]);
        let left = last_number(&red);
        card.clock.reboot();
        inspect(&card, &[(&red, "RED"), (&blue, "BLUE")]);
        for number in 0..6 {
            deliver(&card, 10 * lost + number);
            mirror(&card, &[(&red, "RED")]);
            // The lines now there may have been written by another card.
            other.deliver(&format!("inbox/other-{lost}-{number}"), &mail("other"));
            mirror(&other, &[(&red, "RED")]);
        }
        // BLUE's record refers to lines that have since been replaced; the ledger is read again.
        assert!(recorded_line_of(&blue, &red) > left);
        read_anew(&card, &blue, "BLUE");
        for _ in 0..2 {
            card.clock.reboot();
            inspect(&card, &[(&blue, "BLUE"), (&red, "RED")]);
            mirror(&card, &[(&blue, "BLUE"), (&red, "RED")]);
            assert_eq!(found(&card), [], "{lost} lines");
        }
        assert!(counts(&card, "RED") && counts(&card, "BLUE"));
        deliver(&card, 10 * lost + 9);
        mirror(&card, &[(&red, "RED"), (&blue, "BLUE")]);
        // The number of its last line: the numbers of the lost lines are never used again.
        assert_eq!(recorded_line_of(&blue, &red), last_number(&red));
    }
    // BLUE's record is up to date, so a card that knows neither stick finds nothing.
    let spare = Card::new();
    inspect(&spare, &[(&blue, "BLUE"), (&red, "RED")]);
    assert_eq!(found(&spare), []);
}

/// Copied block by block, serial number included: nothing distinguishes the two, and each then diverges.
#[test]
fn a_stick_and_its_copy_in_turn_contradict_nothing() {
    let (card, red, blue) = two();
    let copy = red.copied();
    copy.set_serial("s-red");
    for number in 0..6 {
        deliver(&card, 10 + number);
        for drive in [&red, &copy] {
            mirror(&card, &[(drive, "RED"), (&blue, "BLUE")]);
            card.clock.reboot();
            assert_eq!(found(&card), [], "turn {number}");
        }
    }
    assert!(counts(&card, "RED") && counts(&card, "BLUE"));
}

/// Copied file by file: the copy gets an id of its own, and records about the original do not apply to it.
#[test]
fn a_copy_of_a_stick_is_another_one() {
    let (card, red, blue) = two();
    let copy = red.copied();
    copy.set_serial("s-copy");
    for number in 0..3 {
        deliver(&card, 10 + number);
        mirror(&card, &[(&copy, "COPY"), (&red, "RED"), (&blue, "BLUE")]);
        card.clock.reboot();
    }
    assert_eq!(found(&card), []);
    let spare = Card::new();
    let all = [(&copy, "COPY"), (&blue, "BLUE"), (&red, "RED")];
    inspect(&spare, &all);
    assert_eq!(found(&spare), []);
    let drives = all.map(|(drive, label)| drive_ref(drive, label));
    let sources = open_sources(&drives, &crate::card::station(), &card.clock).unwrap();
    assert_eq!(sources.contradictions().unwrap(), []);
}

/// Two cards, each with its own state, a third whose state is lost, and lines that rot meanwhile.
#[test]
fn cards_in_turn_contradict_nothing() {
    let (one, red, blue) = two();
    let mut other = Card::new();
    for number in 0..6 {
        for (card, name) in [(&one, "one"), (&other, "other")] {
            card.deliver(&format!("inbox/{name}-{number}"), &mail(&format!("{name} {number}")));
            mirror(card, &[(&red, "RED"), (&blue, "BLUE")]);
            assert_eq!(found(card), [], "{name}, turn {number}");
        }
        if number % 2 == 1 {
            let byte = lines(&red)[..3].iter().map(String::len).sum::<usize>() + 40 * number;
            red.tamper(LEDGER, |bytes| bytes[byte] ^= 1);
        }
        if number == 3 {
            other.lose_catalogue();
        }
        other.clock.reboot();
        one.clock.reboot();
        inspect(&other, &[(&blue, "BLUE"), (&red, "RED")]);
    }
    assert_eq!((found(&one), found(&other)), (vec![], vec![]));
}
