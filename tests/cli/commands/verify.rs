//! `verify`: every copy read again.

use crate::command_output::fields;
use crate::station::{Station, expect_same, mail};
use crate::stick::Stick;
use std::fs;
use std::path::Path;

#[test]
fn every_copy_is_read_and_the_date_of_it_is_kept() {
    let (station, red) = Station::with_drive();
    station.deliver_many(3);
    station.mirror().expect_safe();
    station.verify().expect_safe().expect_counts(&[
        ("checked", 3),
        ("good", 3),
        ("damaged", 0),
        ("missing", 0),
    ]);
    let line = red.lines_of("verified").pop().unwrap();
    assert_eq!((&line["checked"], &line["damaged"]), (&3.into(), &0.into()));
    let drive = station.command(&["drives", "--json"]).drive("red");
    assert!(drive["last_verified"].is_string(), "{drive}");
}

/// Fault 22: bytes on an old stick have changed. They are found, and the message is copied again.
#[test]
fn a_damaged_copy_is_named_and_made_anew_under_another_number() {
    let (station, red) = Station::with_drive();
    station.deliver_many(3);
    station.mirror().expect_safe();
    let bad = red.payload_of("m001.eml");
    red.rot(&bad);
    let output = station.verify().expect_unsafe().expect_counts(&[
        ("checked", 3),
        ("good", 2),
        ("missing", 0),
    ]);
    let damaged = &output.json()["damaged"][0];
    assert_eq!(fields(damaged), ["drive", "path", "payload", "sha256"]);
    assert_eq!(damaged["drive"], red.id());
    assert_eq!(damaged["path"], "m001.eml");
    assert!(bad.ends_with(damaged["payload"].as_str().unwrap()));
    station.audit().expect_unsafe().expect_unmirrored(&[("m001.eml", "not-yet")]);
    station.mirror().expect_safe().expect_counts(&[("copied", 1)]);
    assert_ne!(red.payload_of("m001.eml"), bad);
    assert_eq!(red.payloads().len(), 4, "the damaged copy stays");
    station.verify().expect_safe().expect_counts(&[("checked", 4), ("good", 3), ("superseded", 1)]);
    station.audit().expect_safe();
}

/// Fault 49: somebody deleted a copy by hand.
#[test]
fn a_missing_copy_is_named_and_made_anew() {
    let (station, red) = Station::with_drive();
    station.deliver_many(3);
    station.mirror().expect_safe();
    std::fs::remove_file(red.payload_of("m002.eml")).unwrap();
    station.verify().expect_unsafe().expect_counts(&[("good", 2), ("damaged", 0)]).expect_listed(
        "missing",
        "drive",
        &[("m002.eml", &red.id())],
    );
    station.mirror().expect_safe().expect_counts(&[("copied", 1)]);
    red.expect_acknowledged_intact();
    station.restore().expect_safe().expect_counts(&[("restored", 3)]);
}

#[test]
fn a_person_is_told_what_is_wrong_and_what_helps() {
    let (station, red) = Station::with_drive();
    station.deliver("0001.eml", mail("water level"));
    station.mirror().expect_safe();
    station.command(&["verify"]).expect_safe().expect_words(&["1 copy re-read", "whole"]);
    red.rot(&red.payload_of("0001.eml"));
    station
        .command(&["verify"])
        .expect_unsafe()
        .expect_words(&["damaged: data/0001/00000001.EML (0001.eml)", "counterfoil mirror"]);
}

#[test]
fn a_folder_that_is_no_drive_cannot_be_verified_and_does_not_become_one() {
    let (station, red) = Station::with_drive();
    station.verify().expect_failed();
    assert_eq!(std::fs::read_dir(red.path()).unwrap().count(), 0);
    Station::new().verify().expect_failed().expect_words(&["no removable drive is mounted"]);
}

#[test]
fn the_report_has_these_fields() {
    let (station, _red) = Station::with_drive();
    station.deliver("0001.eml", mail("water level"));
    station.mirror().expect_safe();
    let json = station.verify().json();
    let names = [
        "checked",
        "damaged",
        "errors",
        "good",
        "ledger",
        "manifest",
        "missing",
        "schema",
        "superseded",
    ];
    assert_eq!(fields(&json), names);
}

/// The first byte of this text in a file has another bit.
fn rot(file: &Path, text: &str) {
    let mut bytes = fs::read(file).unwrap();
    let at = bytes.windows(text.len()).position(|part| part == text.as_bytes()).unwrap();
    bytes[at] ^= 1;
    fs::write(file, bytes).unwrap();
}

/// Three messages, one of them in the archive too.
fn archived() -> (Station, Stick) {
    let (station, red) = Station::with_drive();
    station.deliver_many(3);
    station.mirror().expect_safe();
    station.deliver("archive/m001.eml", mail("traffic 1"));
    station.mirror().expect_safe();
    station.deliver("last.eml", mail("last"));
    station.mirror().expect_safe();
    (station, red)
}

/// A line of the ledger that rotted is said once, with exit code 1, and is written again.
#[test]
fn a_rotten_line_of_the_ledger_is_said_once_and_written_again() {
    let (station, red) = archived();
    rot(&red.ledger(), "archive/m001.eml");
    let output = station.verify().expect_unsafe().expect_counts(&[
        ("checked", 4),
        ("good", 4),
        ("damaged", 0),
        ("missing", 0),
    ]);
    let json = output.json();
    let [line] = json["ledger"].as_array().unwrap().as_slice() else { panic!("{json}") };
    assert_eq!(fields(line), ["at", "drive", "lines", "unreadable", "written_again"]);
    assert_eq!((&line["lines"], &line["written_again"]), (&1.into(), &true.into()));
    assert_eq!(line["drive"], red.id());
    assert_eq!(output.json()["manifest"], serde_json::json!([]));
    assert_eq!(red.lines_of("placed").len(), 2, "the one that rotted stays");
    station.verify().expect_safe().expect_no_warning();
    station.audit().expect_safe();
    station.command(&["status"]).expect_safe();
    station.mirror().expect_safe().expect_no_warning().expect_counts(&[("copied", 0)]);
    red.expect_bag_valid();
    station.restore().expect_safe().expect_counts(&[("restored", 5), ("numbered", 0)]);
    expect_same(&station.inbox(), &station.restored());
}

#[test]
fn a_person_is_told_which_record_is_damaged() {
    let (station, red) = archived();
    rot(&red.ledger(), "archive/m001.eml");
    let output = station.command(&["verify"]).expect_unsafe();
    output.expect_words(&["ledger: 1 line damaged, from byte", "written again now"]);
    rot(&red.manifest(), "data/0001/00000002.EML");
    let output = station.command(&["verify"]).expect_unsafe();
    output.expect_words(&["manifest: 1 line damaged, from byte", "written again now"]);
    station.command(&["verify"]).expect_safe().expect_no_warning();
    red.expect_bag_valid();
}

/// A drive that cannot be written: it is said each time, and by every look at it, until it can be.
#[test]
fn a_rotten_line_of_a_read_only_drive_stays_told_until_it_is_written_again() {
    let (mut station, red) = archived();
    rot(&red.ledger(), "archive/m001.eml");
    // A later format of a drive may be read and not written.
    let id = red.home().join("drive.json");
    let text = fs::read_to_string(&id).unwrap();
    fs::write(&id, text.replacen("\"format\":1", "\"format\":2", 1)).unwrap();
    let before = red.everything();
    for _ in 0..2 {
        let output = station.verify().expect_unsafe();
        assert_eq!(output.json()["ledger"][0]["written_again"], false);
        let output = station.command(&["verify"]).expect_unsafe();
        output.expect_words(&["ledger: 1 line damaged, from byte", "counterfoil mirror"]);
    }
    assert_eq!(red.everything(), before, "nothing is written");
    let drive = station.audit().expect_unsafe().drive("red");
    assert_eq!(fields(&drive["ledger_damaged"]), ["at", "lines", "unreadable"]);
    assert_eq!(drive["ledger_damaged"]["lines"], 1);
    assert!(drive["manifest_damaged"].is_null());
    let words = [
        "5 messages are safe only by a ledger that has lost lines",
        "1 line of the ledger cannot be read any more",
    ];
    station.command(&["audit"]).expect_unsafe().expect_words(&words);
    station.command(&["status"]).expect_unsafe().expect_words(&words);
    let page = station.path("page.html");
    station.command(&["audit", "--html", page.to_str().unwrap()]).expect_unsafe();
    assert!(fs::read_to_string(page).unwrap().contains(words[0]));
    // With another drive nothing rests on that ledger; that it is damaged is still told.
    station.drive("blue");
    station.mirror().expect_counts(&[("copied", 4)]);
    assert_eq!(station.audit().expect_safe().drive("red")["ledger_damaged"]["lines"], 1);
    fs::write(&id, text).unwrap();
    station.mirror().expect_safe();
    assert!(station.audit().expect_safe().drive("red")["ledger_damaged"].is_null());
    station.verify().expect_safe();
    station.restore().expect_safe().expect_counts(&[("restored", 5)]);
}

/// A card that takes a drive over has read none of its copies, and says so.
#[test]
fn copies_that_this_card_never_read_are_told_apart() {
    let (station, red) = Station::with_drive();
    station.deliver_many(80);
    station.mirror().expect_safe();
    assert_eq!(station.audit().expect_safe().drive("red")["copies_unread"], 0);
    fs::remove_dir_all(station.state()).unwrap();
    // A look reads none; the next pass reads the last ones. Until then nobody here knows whether a line of another card
    // is later than what the mailbox holds.
    assert_eq!(station.audit().expect_unsafe().drive("red")["copies_unread"], 80);
    red.replug();
    station.mirror().expect_safe();
    assert_eq!(station.audit().expect_safe().drive("red")["copies_unread"], 16);
    let words = ["16 of 80 copies not read since this card took over"];
    station.command(&["audit"]).expect_safe().expect_words(&words);
    station.command(&["status"]).expect_safe().expect_words(&words);
    station.verify().expect_safe();
    assert_eq!(station.audit().expect_safe().drive("red")["copies_unread"], 0);
}
