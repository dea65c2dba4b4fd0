//! Copies that are not any more what was written.

use crate::station::{Station, expect_same, mail};
use std::fs;

/// Fault 22: a copy is damaged on one drive and good on the other.
#[test]
fn a_damaged_copy_is_taken_from_the_second_drive_and_made_anew() {
    let (mut station, red) = Station::with_drive();
    let blue = station.drive("blue");
    station.deliver_many(5);
    station.mirror().expect_safe();
    let bad = red.payload_of("m002.eml");
    red.rot(&bad);
    station.use_only(&[&red]);
    station.restore().expect_unsafe().expect_counts(&[("restored", 4), ("damaged", 1)]);
    station.use_only(&[&red, &blue]);
    station.restore().expect_safe().expect_counts(&[
        ("restored", 5),
        ("from_second_copy", 1),
        ("damaged", 0),
    ]);
    expect_same(&station.inbox(), &station.restored());
    // The next time the drive is plugged in, its last commits are read again.
    red.replug();
    station
        .mirror()
        .expect_safe()
        .expect_counts(&[("copied", 1)])
        .expect_words(&["is not what was written; the message is copied again"]);
    assert_eq!(red.payloads().len(), 6, "the damaged copy stays, superseded");
    let anew = red.lines_of("mirrored").pop().unwrap();
    assert!(bad.ends_with(anew["replaces"].as_str().unwrap()));
    assert_eq!(anew["payload"], "data/0002/00000006.EML", "a number never used before");
    red.expect_acknowledged_intact();
    station.use_only(&[&red]);
    station.restore().expect_safe().expect_counts(&[("restored", 5), ("from_second_copy", 0)]);
}

/// A long message is written as it is read: what came of a copy that turns out bad at its end is left out again. One
/// of no bytes, and one just as long as a piece that is read, are no less.
#[test]
fn of_a_copy_that_is_bad_at_its_end_nothing_is_left_in_the_message() {
    const PIECE: usize = 128 << 10;
    let (mut station, red) = Station::with_drive();
    let blue = station.drive("blue");
    let long = mail("long") + &"x".repeat(3 * PIECE);
    station.deliver("long.eml", &long);
    let piece = mail("piece") + &"y".repeat(PIECE);
    station.deliver("piece.eml", &piece[..PIECE]);
    station.deliver("none.eml", "");
    station.mirror().expect_safe();
    let copy = red.payload_of("long.eml");
    let mut bytes = fs::read(&copy).unwrap();
    *bytes.last_mut().unwrap() ^= 1;
    fs::write(&copy, &bytes).unwrap();
    // Longer than it should be, and right as far as that.
    let copy = red.payload_of("piece.eml");
    fs::write(&copy, [fs::read(&copy).unwrap(), b"more".to_vec()].concat()).unwrap();
    station.use_only(&[&red]);
    station.restore().expect_unsafe().expect_counts(&[("restored", 1), ("damaged", 2)]);
    station.use_only(&[&red, &blue]);
    station.restore().expect_safe().expect_counts(&[
        ("restored", 3),
        ("from_second_copy", 2),
        ("damaged", 0),
    ]);
    expect_same(&station.inbox(), &station.restored());
}

/// Fault 49: somebody deleted a copy by hand.
#[test]
fn a_copy_deleted_by_hand_is_missed_when_the_drive_comes_back() {
    let (station, red) = Station::with_drive();
    station.deliver_many(3);
    station.mirror().expect_safe();
    fs::remove_file(red.payload_of("m001.eml")).unwrap();
    red.replug();
    station
        .mirror()
        .expect_safe()
        .expect_counts(&[("copied", 1)])
        .expect_words(&["is not there any more; the message is copied again"]);
    red.expect_acknowledged_intact();
    station.restore().expect_safe().expect_counts(&[("restored", 3), ("missing", 0)]);
    expect_same(&station.inbox(), &station.restored());
}

/// Fault 49: somebody deleted a copy whose message is gone from the mailbox too.
#[test]
fn a_lost_copy_of_a_lost_message_is_said_to_be_lost() {
    let (station, red) = Station::with_drive();
    station.deliver_many(3);
    station.mirror().expect_safe();
    fs::remove_file(red.payload_of("m001.eml")).unwrap();
    station.delete("m001.eml");
    station.verify().expect_unsafe().expect_counts(&[("missing", 1)]);
    station.mirror().expect_verdict("damaged-or-missing");
    station.audit().expect_verdict("damaged-or-missing").expect_listed(
        "vanished",
        "reason",
        &[("m001.eml", "no-drive")],
    );
    station.restore().expect_unsafe().expect_counts(&[("restored", 2), ("missing", 1)]);
}

/// Fault 26: a copy that cannot be read, here since a folder stands in its place, is isolated.
#[test]
fn a_copy_that_cannot_be_read_holds_up_no_other() {
    let (station, red) = Station::with_drive();
    station.deliver_many(3);
    station.mirror().expect_safe();
    let bad = red.payload_of("m001.eml");
    fs::remove_file(&bad).unwrap();
    fs::create_dir(&bad).unwrap();
    station.restore().expect_unsafe().expect_counts(&[("restored", 2), ("damaged", 1)]);
    station.verify().expect_unsafe().expect_counts(&[("good", 2), ("damaged", 1)]);
    station.mirror().expect_safe().expect_counts(&[("copied", 1)]);
    station.restore().expect_safe().expect_counts(&[("restored", 3)]);
}

/// Fault 9: the device took the last writes and did not keep them.
#[test]
fn copies_that_a_lying_device_lost_are_made_anew() {
    let (station, red) = Station::with_drive();
    station.deliver_many(4);
    station.mirror().expect_safe();
    let lost: Vec<_> = red.payloads().into_iter().skip(2).collect();
    for payload in &lost {
        let file = fs::File::options().write(true).open(red.bag().join(payload)).unwrap();
        let length = file.metadata().unwrap().len();
        file.set_len(0).unwrap();
        file.set_len(length).unwrap();
    }
    red.replug();
    station.mirror().expect_safe().expect_counts(&[("copied", 2)]);
    red.expect_acknowledged_intact();
    station.verify().expect_safe().expect_counts(&[("good", 4), ("superseded", 2)]);
}

/// Fault 28: what a repair tool finds is put beside, and is none of ours.
#[test]
fn what_a_repair_tool_leaves_is_passed_over() {
    let (station, red) = Station::with_drive();
    station.deliver("0001.eml", mail("water level"));
    station.mirror().expect_safe();
    let found = [red.path().join("FOUND.000"), red.home().join("FOUND.000")];
    for folder in found.iter().chain([&red.bag().join("data/FOUND.000")]) {
        fs::create_dir(folder).unwrap();
        fs::write(folder.join("FILE0000.CHK"), "half of a mess").unwrap();
    }
    fs::write(red.bag().join("data/0001/FILE0001.CHK"), "half of a mess").unwrap();
    red.replug();
    station.mirror().expect_safe().expect_counts(&[("copied", 0), ("already", 1)]);
    station.restore().expect_safe().expect_counts(&[("restored", 1)]);
    assert_eq!(fs::read(found[0].join("FILE0000.CHK")).unwrap(), b"half of a mess");
}

/// What went while a stick was out is missed by whoever looks at it first: a status and an audit as much as a mirror,
/// which lists its folders all the same.
#[test]
fn a_copy_lost_while_the_stick_was_out_is_missed_by_a_mere_look() {
    type Harm = fn(&std::path::Path);
    let gone: Harm = |copy| fs::remove_file(copy).unwrap();
    let shorter: Harm = |copy| fs::write(copy, &fs::read(copy).unwrap()[1..]).unwrap();
    let emptied: Harm = |copy| fs::write(copy, "").unwrap();
    for harm in [gone, shorter, emptied] {
        let (station, red) = Station::with_drive();
        station.deliver_many(5);
        station.mirror().expect_verdict("safe");
        red.replug();
        for command in ["status", "audit"] {
            station.command(&[command, "--json"]).expect_verdict("safe");
        }
        harm(&red.payload_of("m002.eml"));
        for command in ["status", "audit", "status"] {
            let output = station.command(&[command, "--json"]).expect_verdict("not-safe");
            output.expect_counts(&[("messages.on_no_drive", 1), ("messages.mirrored", 4)]);
        }
        station.mirror().expect_verdict("safe").expect_counts(&[("copied", 1)]);
        station.audit().expect_verdict("safe");
    }
}
