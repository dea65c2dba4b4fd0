//! `verify`: every copy read again.

use crate::station::{Station, mail};
use crate::told::fields;

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

/// Fault 22: octets on an old stick have changed. They are found, and the message is copied again.
#[test]
fn a_damaged_copy_is_named_and_made_anew_under_another_number() {
    let (station, red) = Station::with_drive();
    station.deliver_many(3);
    station.mirror().expect_safe();
    let bad = red.payload_of("m001.eml");
    red.rot(&bad);
    let told = station.verify().expect_unsafe().expect_counts(&[
        ("checked", 3),
        ("good", 2),
        ("missing", 0),
    ]);
    let damaged = &told.json()["damaged"][0];
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
    let names = ["checked", "damaged", "errors", "good", "missing", "schema", "superseded"];
    assert_eq!(fields(&json), names);
}
