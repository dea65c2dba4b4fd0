//! A drive that gives back other bytes than it was given: said, counted on no more, and begun afresh by its
//! operator's word alone.

use crate::station::{Station, expect_same, mail};
use std::fs;

/// Fault 18: a stick that claims more room than it has gives back later copies where earlier ones were.
#[test]
fn a_drive_that_gives_back_others_octets_counts_no_more_until_it_is_begun_afresh() {
    let (station, red) = Station::with_drive();
    for name in ["one", "two", "six"] {
        station.deliver(format!("{name}.eml"), mail(name));
    }
    station.mirror().expect_safe();
    station.verify().expect_safe();
    let other = fs::read(red.payload_of("six.eml")).unwrap();
    for name in ["one.eml", "two.eml"] {
        fs::write(red.payload_of(name), &other).unwrap();
    }
    station.verify().expect_unsafe().expect_counts(&[("checked", 3), ("good", 1)]);

    let before = red.everything();
    station.mirror().expect_failed().expect_words(&["not trusted any more", "drives add"]);
    assert!(red.everything() == before, "it was written to");
    let audit = station.audit().expect_unsafe();
    let drive = audit.drive("red");
    assert_eq!(drive["state"], "untrusted");
    assert!(drive["untrusted"].as_str().unwrap().contains("other octets"), "{drive}");
    audit.expect_counts(&[("messages.unmirrored", 3)]);
    let output = station.command(&["status"]).expect_unsafe();
    output.expect_words(&["not trusted", "nothing counts as mirrored on it alone"]);
    // What is right on it can still be had.
    station.restore().expect_unsafe().expect_counts(&[("restored", 1), ("damaged", 2)]);

    let path = red.path().to_str().unwrap();
    station.command(&["drives", "add", path]).expect_safe();
    station.mirror().expect_safe();
    station.audit().expect_safe();
    fs::remove_dir_all(station.restored()).unwrap();
    station.restore().expect_safe();
    expect_same(&station.inbox(), &station.restored());
}
