//! `drives` and `drives add`: the drives known, and making a folder one.

use crate::command_output::fields;
use crate::station::{Station, mail};

#[test]
fn drives_known_are_listed_with_what_they_hold() {
    let (mut station, red) = Station::with_drive();
    let blue = station.drive("blue");
    station.deliver("0001.eml", mail("water level"));
    station.mirror().expect_safe();
    let output = station.command(&["drives", "--json"]).expect_safe();
    assert_eq!(fields(&output.json()), ["drives", "next_stick_seconds", "schema"]);
    assert_eq!(output.drive("red")["id"], red.id());
    assert_eq!(output.drive("blue")["id"], blue.id());
    assert_ne!(red.id(), blue.id());
    station.use_only(&[&red]);
    let output = station.command(&["drives", "--json"]).expect_safe();
    assert_eq!(output.drive("blue")["state"], "away");
    let output = station.command(&["drives"]).expect_safe();
    output.expect_words(&["red", "safe to pull", "not here", &red.id(), &blue.id()]);
}

#[test]
fn none_is_known_at_first() {
    let station = Station::new();
    station
        .command(&["drives"])
        .expect_safe()
        .expect_words(&["No drive is here, and none has been used yet."]);
    station.command(&["drives", "--json"]).expect_safe().expect_counts(&[("drives", 0)]);
}

#[test]
fn a_folder_is_made_a_drive_and_keeps_its_id() {
    let (station, red) = Station::with_drive();
    let add = ["drives", "add", red.path().to_str().unwrap()];
    station.command(&add).expect_safe().expect_words(&[red.path().to_str().unwrap(), "is drive"]);
    let id = red.id();
    let output = station.command(&["drives", "--json", "add", add[2]]).expect_safe();
    let json = output.json();
    assert_eq!((&json["id"], &json["label"]), (&id.as_str().into(), &"red".into()));
    assert_eq!(red.id(), id);
    station.deliver("0001.eml", mail("water level"));
    station.mirror().expect_safe();
    assert_eq!(red.id(), id);
}

#[test]
fn a_folder_that_is_not_there_is_not_made() {
    let station = Station::new();
    let never = station.path("media/never");
    station.command(&["drives", "add", never.to_str().unwrap()]).expect_failed();
    assert!(!never.exists());
}
