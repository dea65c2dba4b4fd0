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

/// Fault 40: a move costs two lines, not a copy, and nothing about it is called a loss.
#[test]
fn a_move_is_two_lines_and_no_second_copy() {
    let (station, red) = Station::with_drive();
    station.deliver("in/0001.eml", mail("water level"));
    station.mirror().expect_safe();
    let lines = red.lines().len();
    station.move_to("in/0001.eml", "done/0001.eml");
    // A drive that was not told would give it back where it was.
    station.audit().expect_unsafe().expect_counts(&[("vanished", 0), ("messages.mirrored", 0)]);
    station.mirror().expect_safe().expect_counts(&[("copied", 0)]);
    let new: Vec<_> = red.lines()[lines..].iter().map(|line| line["kind"].clone()).collect();
    assert_eq!(new, ["writer", "placed", "removed"]);
    assert_eq!(red.payloads().len(), 1);
    let left = red.lines_of("removed").pop().unwrap();
    assert_eq!((&left["path"], &left["why"]), (&"in/0001.eml".into(), &"moved".into()));
    assert_eq!(left["to_path"], "done/0001.eml");
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
    assert_eq!((red.payloads().len(), red.lines_of("removed").len()), (1, 3));
    station.restore().expect_safe().expect_counts(&[("restored", 1)]);
    expect_same(&station.inbox(), &station.restored());
    for folder in ["cur", "new", "tmp"] {
        assert!(station.restored().join(folder).is_dir(), "a Maildir has {folder}");
    }
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
        .expect_verdict("damaged-or-missing")
        .expect_listed("vanished", "reason", &[("m001.eml", "null")])
        .expect_counts(&[("messages.total", 2), ("messages.mirrored", 2)]);
    station.mirror().expect_verdict("damaged-or-missing");
    assert_eq!(red.lines_of("missing")[0]["path"], "m001.eml");
    assert_eq!(red.payloads().len(), 3);
    station.restore_with(&[]).expect_safe().expect_counts(&[("restored", 1), ("identical", 2)]);
    // It is back since a later change than the drive knows of.
    station.audit().expect_unsafe().expect_counts(&[("vanished", 0), ("messages.mirrored", 2)]);
    station.mirror().expect_safe().expect_counts(&[("copied", 0)]);
    station.audit().expect_safe().expect_counts(&[("vanished", 0), ("messages.mirrored", 3)]);
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
    station.replace("log.txt", "first entry, and quite a long one\nanother entry\n");
    station.audit().expect_unsafe().expect_unmirrored(&[("log.txt", "not-yet")]);
    station.mirror().expect_safe().expect_counts(&[("copied", 1)]);
    assert_eq!(red.payloads().len(), 2);
    red.expect_bag_valid();
    station.audit().expect_safe().expect_counts(&[("suspect", 0)]);
    station.restore().expect_safe().expect_counts(&[("restored", 1)]);
    expect_same(&station.inbox(), &station.restored());
}

/// What is another message is not a version: nobody saw the first one go, and it is wanted back.
#[test]
fn another_message_at_the_path_of_one_leaves_both() {
    let (station, red) = Station::with_drive();
    station.deliver("0001.eml", mail("water level"));
    station.mirror().expect_safe();
    station.replace("0001.eml", mail("bridge closed, and the road is under water"));
    station.mirror();
    assert_eq!(red.payloads().len(), 2);
    assert_eq!(red.lines_of("missing")[0]["path"], "0001.eml");
    assert_eq!(red.lines_of("removed"), Vec::<serde_json::Value>::new());
    station.audit().expect_counts(&[("vanished", 1)]);
    station.restore().expect_safe().expect_counts(&[("restored", 2), ("kept_both", 1)]);
    let restored = tree(&station.restored());
    let last = fs::read(station.inbox().join("0001.eml")).unwrap();
    assert_eq!(restored[b"0001.eml".as_slice()].0, last, "the last is in place");
}

/// Versions of one message have one Message-ID: the later one takes the place of the other.
#[test]
fn a_version_is_told_by_its_message_id() {
    let (station, red) = Station::with_drive();
    let draft = |text: &str| format!("Message-ID: <draft-1@example.org>\r\n{}", mail(text));
    station.deliver("0001.eml", draft("water level"));
    station.mirror().expect_safe();
    station.replace("0001.eml", draft("water level, corrected"));
    station.mirror().expect_safe();
    assert_eq!(red.lines_of("removed")[0]["why"], "replaced");
    station.restore().expect_safe().expect_counts(&[("restored", 1)]);
    expect_same(&station.inbox(), &station.restored());
    // The older one is there for who asks for it.
    let output = station.restore_with(&["--versions", "inbox/0001.eml"]).expect_safe();
    output.expect_counts(&[("restored", 1), ("identical", 1), ("kept_both", 1)]);
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
    let (bytes, time, _) = &restored[b"0001.eml".as_slice()];
    assert!(bytes == long_mail().as_bytes(), "the good version is back");
    let seconds = time.duration_since(std::time::SystemTime::UNIX_EPOCH).unwrap().as_secs();
    assert_eq!(seconds, GOOD, "with its own file time");
}

fn expect_suspect(left: &[u8], word: &str) {
    let (station, red) = damaged_by_a_cut(left);
    station.mirror().expect_verdict("damaged-or-missing").expect_counts(&[("copied", 1)]);
    station
        .audit()
        .expect_verdict("damaged-or-missing")
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
    station.mirror().expect_verdict("damaged-or-missing");
    let output = station.audit().expect_unsafe();
    output.expect_listed("suspect", "reason", &[("m001.eml", "null")]);
    red.rot(&good);
    station.verify().expect_unsafe().expect_counts(&[("damaged", 1)]);
    station.deliver("new.eml", mail("not held up"));
    station.mirror().expect_counts(&[("copied", 1)]);
    let output = station.audit().expect_unsafe().expect_unmirrored(&[]);
    output.expect_listed("suspect", "reason", &[("m001.eml", "no-drive")]);
    let words = ["emptied: the last good version is on no drive known here"];
    station.command(&["audit"]).expect_unsafe().expect_words(&words);
}

/// Fault 36: after a power failure the file has no bytes.
#[test]
fn an_emptied_message_is_suspect_and_the_good_one_comes_back() {
    expect_suspect(b"", "emptied");
}

/// Fault 36: after a power failure the file is full of bytes never written.
#[test]
fn a_message_full_of_nul_is_suspect_and_the_good_one_comes_back() {
    expect_suspect(&vec![0; long_mail().len()], "nul-filled");
}

/// Fault 36: after a power failure the last blocks were never written.
#[test]
fn a_message_whose_end_is_nul_is_suspect_and_the_good_one_comes_back() {
    let mut left = long_mail().into_bytes();
    left[8192..].fill(0);
    expect_suspect(&left, "nul-filled");
}

/// Fault 36: after a power failure the file ends early.
#[test]
fn a_message_cut_short_is_suspect_and_the_good_one_comes_back() {
    expect_suspect(&long_mail().as_bytes()[..4096], "cut-short");
}

/// Fault 36, twice: a second power failure damages what the first one left.
#[test]
fn two_damaged_versions_in_a_row_still_give_the_good_one() {
    let (station, _red) = damaged_by_a_cut(&long_mail().as_bytes()[..4096]);
    station.mirror().expect_verdict("damaged-or-missing");
    station.replace("0001.eml", "");
    station.mirror().expect_verdict("damaged-or-missing");
    expect_good_version_back(&station);
}

/// Faults 7 and 36: the power failure that emptied the message took the catalogue with it.
#[test]
fn damage_is_seen_by_the_drives_word_alone() {
    let nul = vec![0; long_mail().len()];
    let cases =
        [(&b""[..], "emptied"), (&nul, "nul-filled"), (b"From: Net control <", "cut-short")];
    for (left, word) in cases {
        let (station, red) = damaged_by_a_cut(left);
        fs::remove_dir_all(station.state()).unwrap();
        station.mirror().expect_verdict("damaged-or-missing");
        assert_eq!(red.lines_of("mirrored").pop().unwrap()["suspect"], word);
        expect_good_version_back(&station);
        fs::remove_dir_all(station.state()).unwrap();
        station.mirror().expect_verdict("damaged-or-missing").expect_counts(&[("copied", 0)]);
        let output = station.audit().expect_verdict("damaged-or-missing");
        output.expect_listed("suspect", "suspect", &[("0001.eml", word)]);
    }
}

#[test]
fn a_good_version_after_a_damaged_one_is_taken() {
    let (station, _red) = damaged_by_a_cut(b"");
    station.mirror().expect_verdict("damaged-or-missing");
    station.replace("0001.eml", long_mail() + "It falls again.\r\n");
    station.mirror();
    station.audit().expect_counts(&[("suspect", 0)]);
    // Nothing tells that it is a version of the message which the card has damaged: that one is wanted back too.
    let output = station.restore().expect_safe();
    output.expect_counts(&[("restored", 2), ("kept_both", 1), ("instead_of_suspect", 0)]);
}

/// Fault 37: bytes of a file changed on the card, its length and its time did not.
#[test]
fn silent_rot_on_the_card_leaves_the_older_copy() {
    let (station, red) = Station::with_drive();
    station.deliver("0001.eml", mail("water level"));
    station.date("0001.eml", GOOD);
    station.mirror().expect_safe();
    station.replace("0001.eml", mail("water lexel"));
    station.date("0001.eml", GOOD);
    // Nobody saw who wrote there: what was there before is missing.
    station.mirror().expect_verdict("damaged-or-missing").expect_counts(&[("copied", 1)]);
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

fn with_id(body: &str) -> String {
    format!("Message-ID: <level-7@example.org>\r\n{}{body}", mail("water level"))
}

/// A message that was edited in one mailbox and copied to another before anybody looked: whichever mailbox is looked
/// over first, the later version takes the place of the earlier one.
#[test]
fn a_later_version_that_is_in_another_mailbox_too_takes_its_place() {
    for edited_first in [true, false] {
        let (mut station, red) = Station::with_drive();
        station.add_mailbox("second");
        let (first, second) = (station.inbox(), station.mailbox("second"));
        let (one, other) = if edited_first { (first, second) } else { (second, first) };
        fs::write(one.join("0001.eml"), with_id("a draft")).unwrap();
        station.mirror().expect_safe();
        fs::write(one.join("0001.eml"), with_id("a draft, and what was added")).unwrap();
        fs::copy(one.join("0001.eml"), other.join("0001.eml")).unwrap();
        station.mirror().expect_safe().expect_counts(&[("messages.vanished", 0)]);
        assert_eq!(red.lines_of("removed").len(), 1);
    }
}

/// A message that became shorter, or holed, while nobody looked, and the only stick that could tell what it was is
/// away: the good one is missing, which is said, and comes back beside the other; once that stick is in, it is called
/// damage.
#[test]
fn what_a_card_left_of_a_message_takes_no_place_while_the_good_one_is_away() {
    let line = "The water rises by a hand's breadth an hour.\r\n";
    let good = with_id(&line.repeat(300));
    let mut holed = good.clone().into_bytes();
    holed[4096..8192].fill(0);
    let cut = good.as_bytes()[..6000].to_vec();
    for (left, word) in [(cut, "cut-short"), (holed, "nul-filled")] {
        let (mut station, red) = Station::with_drive();
        let blue = station.drive("blue");
        station.use_only(&[&red]);
        station.deliver("0001.eml", &good);
        station.mirror().expect_verdict("safe");
        station.use_only(&[&blue]);
        station.replace("0001.eml", &left);
        for command in ["mirror", "status", "audit"] {
            let output = station.command(&[command, "--json"]).expect_verdict("damaged-or-missing");
            output.expect_counts(&[("messages.vanished", 1), ("messages.suspect", 0)]);
        }
        station.audit().expect_listed("vanished", "reason", &[("0001.eml", "null")]);
        // Nothing says that the good one left.
        for stick in [&red, &blue] {
            assert!(stick.lines_of("removed").is_empty());
        }
        station.use_only(&[&red, &blue]);
        station.restore().expect_counts(&[("restored", 2), ("kept_both", 1)]);
        assert!(tree(&station.restored()).values().any(|file| file.0 == good.as_bytes()));
        // The stick that has it tells what became of it.
        station.mirror().expect_verdict("damaged-or-missing");
        let output = station.audit().expect_listed("suspect", "suspect", &[("0001.eml", word)]);
        output.expect_counts(&[("messages.vanished", 0), ("messages.suspect", 1)]);
        // The other stick may have been told before: it is by the next time.
        station.mirror().expect_verdict("damaged-or-missing");
        station.restore().expect_safe().expect_counts(&[("instead_of_suspect", 1)]);
        assert!(tree(&station.restored())[b"0001.eml".as_slice()].0 == good.as_bytes());
        station.command(&["restore", "--repair", "inbox/0001.eml"]).expect_safe();
        station.mirror().expect_verdict("safe");
    }
}

/// The same where the good one is on the stick that is in: it is compared at once.
#[test]
fn a_block_of_nul_in_the_middle_is_suspect_and_the_good_one_comes_back() {
    let mut left = long_mail().into_bytes();
    left[4096..8192].fill(0);
    expect_suspect(&left, "nul-filled");
}

/// A message that was shortened with intent, as when an attachment is taken out, while no daemon watched: the stick
/// that has the longer one tells that it is no rest of it, and nobody is troubled.
#[test]
fn a_shorter_version_that_is_no_rest_of_the_longer_one_takes_its_place() {
    let (mut station, red) = Station::with_drive();
    let blue = station.drive("blue");
    let holed = format!("shorter, {} and a rest", "\0".repeat(1600));
    let longest = "the whole attachment\r\n".repeat(300);
    station.deliver("0001.eml", with_id(&longest));
    station.mirror().expect_verdict("safe");
    for body in [&longest[..2000].replace("whole", "small"), &holed, "none"] {
        station.replace("0001.eml", with_id(body));
        station.mirror().expect_verdict("safe").expect_counts(&[("messages.vanished", 0)]);
        station.audit().expect_verdict("safe");
        for sticks in [vec![&red], vec![&blue], vec![&red, &blue]] {
            station.use_only(&sticks);
            let output = station.restore().expect_safe();
            output.expect_counts(&[("restored", 1), ("kept_both", 0)]);
            expect_same(&station.inbox(), &station.restored());
        }
    }
    // Where no stick can compare them a person decides.
    station.use_only(&[&red]);
    station.replace("0001.eml", with_id(""));
    station.command(&["status", "--json"]).expect_verdict("damaged-or-missing");
    fs::remove_file(red.bag().join(&red.payloads()[3])).unwrap();
    red.replug();
    station
        .mirror()
        .expect_verdict("damaged-or-missing")
        .expect_counts(&[("messages.vanished", 1)]);
    station.command(&["acknowledge", "inbox/0001.eml"]).expect_safe();
    station.mirror().expect_verdict("safe");
}
