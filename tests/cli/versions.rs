//! What becomes of a message over time: moved, copied, removed, gone, replaced, damaged by the card.

use crate::station::{Station, expect_same, mail, tree};
use std::fs;

#[test]
fn an_empty_file_is_a_message_too() {
    let (station, red) = Station::with_drive();
    station.deliver("empty.eml", "");
    station.mirror().expect_safe().expect_counts(&[("copied", 1), ("bytes", 0)]);
    red.expect_bag_valid();
    station.audit().expect_safe().expect_counts(&[("suspect", 0)]);
    station.restore().expect_safe().expect_counts(&[("restored", 1)]);
    expect_same(&station.inbox(), &station.restored());
}

#[test]
fn the_same_content_at_two_places_is_one_copy() {
    let (station, red) = Station::with_drive();
    station.deliver("in/0001.eml", mail("water level"));
    station.deliver("sent/0009.eml", mail("water level"));
    station.mirror().expect_safe().expect_counts(&[("copied", 1), ("already", 1)]);
    assert_eq!(red.payloads().len(), 1);
    assert_eq!(red.lines_of("placed").len(), 1);
    station.deliver("third.eml", mail("water level"));
    station.mirror().expect_safe().expect_counts(&[("copied", 0)]);
    assert_eq!((red.payloads().len(), red.lines_of("placed").len()), (1, 2));
    station.restore().expect_safe().expect_counts(&[("restored", 3)]);
    expect_same(&station.inbox(), &station.restored());
}

/// Fault 40: a move costs a line, not a copy, and nothing about it is called a loss.
#[test]
fn a_move_is_one_line_and_no_second_copy() {
    let (station, red) = Station::with_drive();
    station.deliver("in/0001.eml", mail("water level"));
    station.mirror().expect_safe();
    let lines = red.lines().len();
    station.move_to("in/0001.eml", "done/0001.eml");
    station.audit().expect_safe().expect_counts(&[("vanished", 0), ("messages.mirrored", 1)]);
    station.mirror().expect_safe().expect_counts(&[("copied", 0)]);
    assert_eq!((red.payloads().len(), red.lines().len()), (1, lines + 1));
    let moved = red.lines_of("moved").pop().unwrap();
    assert_eq!(
        (&moved["from_path"], &moved["path"]),
        (&"in/0001.eml".into(), &"done/0001.eml".into())
    );
    station.restore().expect_safe().expect_counts(&[("restored", 1)]);
    expect_same(&station.inbox(), &station.restored());
}

/// Fault 40: reading mail renames its file in a Maildir, at every flag.
#[test]
fn flags_of_a_maildir_cost_a_line_each() {
    let (station, red) = Station::with_drive();
    for folder in ["cur", "new", "tmp"] {
        fs::create_dir(station.inbox().join(folder)).unwrap();
    }
    station.deliver("new/17.M1.pier", mail("water level"));
    station.mirror().expect_safe().expect_counts(&[("copied", 1)]);
    let steps = [
        ("new/17.M1.pier", "cur/17.M1.pier:2,"),
        ("cur/17.M1.pier:2,", "cur/17.M1.pier:2,S"),
        ("cur/17.M1.pier:2,S", "cur/17.M1.pier:2,RS"),
    ];
    for (from, to) in steps {
        station.move_to(from, to);
        station.mirror().expect_safe().expect_counts(&[("copied", 0)]);
    }
    assert_eq!((red.payloads().len(), red.lines_of("moved").len()), (1, 3));
    station.restore().expect_safe().expect_counts(&[("restored", 1)]);
    expect_same(&station.inbox(), &station.restored());
    for folder in ["cur", "new", "tmp"] {
        assert!(station.restored().join(folder).is_dir(), "a Maildir has {folder}");
    }
}

/// Fault 42: what a mail program has not finished delivering is not mail yet.
#[test]
fn a_maildirs_tmp_is_no_mail() {
    let (station, red) = Station::with_drive();
    station.deliver("new/17.M1.pier", mail("water level"));
    station.deliver("tmp/18.M2.pier", "half of a mess");
    station.deliver(".Sent/tmp/19.M3.pier", "half of ano");
    station.audit().expect_unsafe().expect_counts(&[("messages.total", 1)]);
    station.mirror().expect_safe().expect_counts(&[("copied", 1)]);
    assert_eq!(red.payloads().len(), 1);
}

/// Fault 40: a deletion never reaches a drive; one that nobody saw may be a loss, and is undone.
#[test]
fn a_message_that_vanished_is_named_and_brought_back() {
    let (station, red) = Station::with_drive();
    station.deliver_many(3);
    station.mirror().expect_safe();
    station.delete("m001.eml");
    station
        .audit()
        .expect_safe()
        .expect_listed("vanished", "reason", &[("m001.eml", "null")])
        .expect_counts(&[("messages.total", 2), ("messages.mirrored", 2)]);
    station.mirror().expect_safe();
    assert_eq!(red.lines_of("vanished")[0]["path"], "m001.eml");
    assert_eq!(red.payloads().len(), 3);
    station.restore_with(&[]).expect_safe().expect_counts(&[("restored", 1), ("identical", 2)]);
    station.audit().expect_safe().expect_counts(&[("vanished", 0), ("messages.mirrored", 3)]);
    station.mirror().expect_safe().expect_counts(&[("copied", 0)]);
    station.restore().expect_safe().expect_counts(&[("restored", 3)]);
}

#[test]
fn a_removed_message_that_is_delivered_again_is_there_again() {
    let (station, red) = Station::with_drive();
    station.deliver_many(2);
    station.mirror().expect_safe();
    station.delete_seen("m001.eml");
    station.mirror().expect_safe();
    station.deliver("m001.eml", mail("traffic 1"));
    station.mirror().expect_safe().expect_counts(&[("copied", 0)]);
    assert_eq!(red.payloads().len(), 2);
    station.restore().expect_safe().expect_counts(&[("restored", 2)]);
    expect_same(&station.inbox(), &station.restored());
}

#[test]
fn a_new_version_is_a_new_copy_and_the_older_one_stays() {
    let (station, red) = Station::with_drive();
    station.deliver("log.txt", "first entry, and quite a long one\n");
    station.mirror().expect_safe();
    station.replace("log.txt", "another text altogether, and as long as that\n");
    station.audit().expect_unsafe().expect_unmirrored(&[("log.txt", "not-yet")]);
    station.mirror().expect_safe().expect_counts(&[("copied", 1)]);
    assert_eq!(red.payloads().len(), 2);
    red.expect_bag_valid();
    station.audit().expect_safe().expect_counts(&[("suspect", 0)]);
    station.restore().expect_safe().expect_counts(&[("restored", 1)]);
    expect_same(&station.inbox(), &station.restored());
}

const GOOD: u64 = 880_127_706;

/// A long message, good at `GOOD`, mirrored; then its file is what a power cut left of it.
fn damaged_by_a_cut(left: &[u8]) -> (Station, crate::stick::Stick) {
    let (station, red) = Station::with_drive();
    station.deliver("0001.eml", long_mail());
    station.date("0001.eml", GOOD);
    station.mirror().expect_safe();
    station.replace("0001.eml", left);
    (station, red)
}

fn long_mail() -> String {
    mail("water level") + &"The water rises by a hand's breadth an hour.\r\n".repeat(300)
}

fn expect_good_version_back(station: &Station) {
    station.restore().expect_safe().expect_counts(&[("restored", 1), ("instead_of_suspect", 1)]);
    let restored = tree(&station.restored());
    let (octets, time, _) = &restored[b"0001.eml".as_slice()];
    assert!(octets == long_mail().as_bytes(), "the good version is back");
    let seconds = time.duration_since(std::time::SystemTime::UNIX_EPOCH).unwrap().as_secs();
    assert_eq!(seconds, GOOD, "with its own file time");
}

fn expect_suspect(left: &[u8], word: &str) {
    let (station, red) = damaged_by_a_cut(left);
    station.mirror().expect_safe().expect_counts(&[("copied", 1)]);
    station
        .audit()
        .expect_safe()
        .expect_listed("suspect", "suspect", &[("0001.eml", word)])
        .expect_counts(&[("messages.suspect", 1)]);
    assert_eq!(red.lines_of("mirrored").pop().unwrap()["suspect"], word);
    assert_eq!(red.payloads().len(), 2, "both versions are kept");
    expect_good_version_back(&station);
}

/// Faults 22, 36: the good version of a message that the card damaged rots too. Nothing has it then, and that is said.
#[test]
fn the_good_version_of_a_damaged_message_that_rots_is_told_to_be_lost() {
    let (station, red) = Station::with_drive();
    station.deliver_many(2);
    station.mirror().expect_safe();
    let good = red.payload_of("m001.eml");
    station.replace("m001.eml", "");
    station.mirror().expect_safe();
    let told = station.audit().expect_safe();
    told.expect_listed("suspect", "reason", &[("m001.eml", "null")]);
    red.rot(&good);
    station.verify().expect_unsafe().expect_counts(&[("damaged", 1)]);
    station.deliver("new.eml", mail("not held up"));
    station.mirror().expect_counts(&[("copied", 1)]);
    let told = station.audit().expect_unsafe().expect_unmirrored(&[]);
    told.expect_listed("suspect", "reason", &[("m001.eml", "no-drive")]);
    let words = ["emptied: the last good version is on no drive known here"];
    station.command(&["audit"]).expect_unsafe().expect_words(&words);
}

/// Fault 36: after a cut the file has no octets.
#[test]
fn an_emptied_message_is_suspect_and_the_good_one_comes_back() {
    expect_suspect(b"", "emptied");
}

/// Fault 36: after a cut the file is full of octets never written.
#[test]
fn a_message_full_of_nul_is_suspect_and_the_good_one_comes_back() {
    expect_suspect(&vec![0; long_mail().len()], "nul-filled");
}

/// Fault 36: after a cut the last blocks were never written.
#[test]
fn a_message_whose_end_is_nul_is_suspect_and_the_good_one_comes_back() {
    let mut left = long_mail().into_bytes();
    left[8192..].fill(0);
    expect_suspect(&left, "nul-filled");
}

/// Fault 36: after a cut the file ends early.
#[test]
fn a_message_cut_short_is_suspect_and_the_good_one_comes_back() {
    expect_suspect(&long_mail().as_bytes()[..4096], "cut-short");
}

/// Fault 36, twice: a second cut damages what the first one left.
#[test]
fn two_damaged_versions_in_a_row_still_give_the_good_one() {
    let (station, _red) = damaged_by_a_cut(&long_mail().as_bytes()[..4096]);
    station.mirror().expect_safe();
    station.replace("0001.eml", "");
    station.mirror().expect_safe();
    expect_good_version_back(&station);
}

/// Faults 7 and 36: the cut that emptied the message took the catalogue with it.
#[test]
fn damage_is_seen_by_the_drives_word_alone() {
    let nul = vec![0; long_mail().len()];
    let cases =
        [(&b""[..], "emptied"), (&nul, "nul-filled"), (b"From: Net control <", "cut-short")];
    for (left, word) in cases {
        let (station, red) = damaged_by_a_cut(left);
        fs::remove_dir_all(station.state()).unwrap();
        station.mirror().expect_safe();
        assert_eq!(red.lines_of("mirrored").pop().unwrap()["suspect"], word);
        expect_good_version_back(&station);
        fs::remove_dir_all(station.state()).unwrap();
        station.mirror().expect_safe().expect_counts(&[("copied", 0)]);
        station.audit().expect_safe().expect_listed("suspect", "suspect", &[("0001.eml", word)]);
    }
}

#[test]
fn a_good_version_after_a_damaged_one_is_taken() {
    let (station, _red) = damaged_by_a_cut(b"");
    station.mirror().expect_safe();
    station.replace("0001.eml", "a text that nobody would take for damage");
    station.mirror().expect_safe();
    station.audit().expect_safe().expect_counts(&[("suspect", 0)]);
    station.restore().expect_safe().expect_counts(&[("restored", 1), ("instead_of_suspect", 0)]);
    expect_same(&station.inbox(), &station.restored());
}

/// Fault 37: octets of a file changed on the card, its length and its time did not.
#[test]
fn silent_rot_on_the_card_leaves_the_older_copy() {
    let (station, red) = Station::with_drive();
    station.deliver("0001.eml", mail("water level"));
    station.date("0001.eml", GOOD);
    station.mirror().expect_safe();
    station.replace("0001.eml", mail("water lexel"));
    station.date("0001.eml", GOOD);
    station.mirror().expect_safe().expect_counts(&[("copied", 1)]);
    assert_eq!(red.payloads().len(), 2);
    red.expect_bag_valid();
}

/// Fault 46: file times that FAT cannot hold are in the ledger, not on the stick.
#[test]
fn file_times_of_any_year_come_back() {
    let (station, _red) = Station::with_drive();
    for (number, seconds) in [0, 1, 315_532_799, 4_354_819_199, 4_354_819_201].iter().enumerate() {
        let name = format!("{number}.eml");
        station.deliver(&name, mail(&name));
        station.date(&name, *seconds);
    }
    station.mirror().expect_safe();
    station.restore().expect_safe();
    expect_same(&station.inbox(), &station.restored());
}
