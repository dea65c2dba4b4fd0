//! `status`: what is safe now, on one screen. It only looks.

use crate::command_output::fields;
use crate::commands::audit::{CARD, COUNTS};
use crate::station::{Station, mail};

#[test]
fn it_counts_what_is_safe_and_says_that_nobody_watches() {
    let (station, _red) = Station::with_drive();
    station.deliver("0001.eml", mail("water level"));
    station.command(&["status"]).expect_unsafe().expect_words(&[
        "mailbox  inbox",
        "not running",
        "1 not-yet",
        "not used yet",
    ]);
    station.mirror().expect_safe();
    let output = station.command(&["status"]).expect_safe();
    output.expect_words(&["SAFE: the 1 message", "red", "safe to pull", "never"]);
}

#[test]
fn the_report_has_exactly_these_fields() {
    let (station, _red) = Station::with_drive();
    station.deliver("0001.eml", mail("water level"));
    station.mirror().expect_safe();
    station.deliver("0002.eml", "12345");
    let output = station.command(&["status", "--json"]).expect_unsafe();
    let json = output.json();
    let expected = [
        "card",
        "contradictions",
        "daemon",
        "drives",
        "lacking",
        "mailboxes",
        "messages",
        "next_stick_seconds",
        "not_in_config",
        "programs",
        "same_device_counted",
        "same_device_left_out",
        "schema",
        "state",
        "station",
        "verdict",
    ];
    assert_eq!(fields(&json), expected);
    assert_eq!(fields(&json["messages"]), COUNTS);
    assert_eq!(fields(&json["card"]), CARD);
    assert_eq!(json["daemon"], false);
    output.expect_counts(&[
        ("messages.total", 2),
        ("messages.mirrored", 1),
        ("messages.unmirrored", 1),
        ("messages.unmirrored_bytes", 5),
        ("drives", 1),
    ]);
}

#[test]
fn a_pulled_drive_is_known_and_away() {
    let (station, red) = Station::with_drive();
    station.deliver("0001.eml", mail("water level"));
    station.mirror().expect_safe();
    let pulled = red.pull();
    let output = station.command(&["status", "--json"]).expect_safe();
    let drive = output.drive("red");
    assert_eq!((&drive["mounted"], &drive["state"]), (&false.into(), &"away".into()));
    assert_eq!(drive["messages"], 1);
    pulled.plug();
    assert_eq!(station.command(&["status", "--json"]).drive("red")["state"], "safe");
}

#[test]
fn without_its_mailbox_it_cannot_be_done() {
    let station = Station::new();
    std::fs::remove_dir(station.inbox()).unwrap();
    station.command(&["status"]).expect_failed();
}
