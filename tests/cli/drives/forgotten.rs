//! `drives forget`: a drive its operator gave up counts for nothing anywhere, takes no mail when it turns up again, and
//! is taken back by `drives add` alone.

use crate::command_output::{CommandOutput, fields};
use crate::station::{Mounted, Station, expect_same, mail};
use crate::stick::Stick;
use std::fs;

fn forget(station: &Station, name: &str) -> CommandOutput {
    let words = ["drives", "forget", name, "--why", "lost", "--where", "fell into the harbour"];
    station.command(&words)
}

/// The one drive of a station is away, and all mail is on it.
fn with_red_away() -> (Station, Stick, crate::stick::Pulled) {
    let (station, red) = Station::with_drive();
    station.deliver_many(3);
    station.mirror().expect_safe();
    let pulled = red.pull();
    station.audit().expect_safe();
    (station, red, pulled)
}

/// Every command says the same of one drive given up: what was safe by it alone is not.
#[test]
fn what_was_on_a_drive_given_up_counts_nowhere() {
    let (station, _red, _pulled) = with_red_away();
    forget(&station, "red").expect_safe().expect_words(&[
        "red (",
        "is forgotten since",
        "lost, fell into the harbour",
        "count for nothing",
        "counterfoil drives add",
    ]);
    let reasons: Vec<_> = ["m000.eml", "m001.eml", "m002.eml"].map(|m| (m, "no-drive")).into();
    let audit = station.audit().expect_unsafe().expect_unmirrored(&reasons);
    let audit = audit.expect_counts(&[("messages.mirrored", 0), ("keeping.copies", 1)]);
    assert_eq!(audit.json()["copies"]["messages_by_copies"], serde_json::json!([3]));
    assert_eq!(audit.json()["keeping"]["media"], 1, "the card alone");
    let output = audit.drive("red");
    assert_eq!((&output["state"], &output["counts"]), (&"forgotten".into(), &false.into()));
    assert_eq!(fields(&output["forgotten"]), ["since", "where", "why"]);
    assert_eq!(output["forgotten"]["why"], "lost");
    assert_eq!(output["forgotten"]["where"], "fell into the harbour");
    assert_eq!(output["history"][0]["what"], "forgotten");
    let status = station.command(&["status", "--json"]).expect_unsafe();
    status.expect_counts(&[("messages.unmirrored", 3)]);
    let shown = ["forgotten since", "lost, fell into the", "takes no mail"];
    station.command(&["status"]).expect_unsafe().expect_words(&shown);
    station.command(&["audit"]).expect_unsafe().expect_words(&shown);
    station.command(&["drives"]).expect_safe().expect_words(&shown);
    let page = station.path("audit.html");
    station.command(&["audit", "--html", page.to_str().unwrap()]).expect_unsafe();
    let page = fs::read_to_string(page).unwrap();
    assert!(page.contains("forgotten since") && page.contains("fell into the harbour"), "{page}");
    let table = station.path("audit.csv");
    station.command(&["audit", "--csv", table.to_str().unwrap()]).expect_unsafe();
    assert_eq!(fs::read_to_string(table).unwrap().lines().count(), 4);
}

/// The drive that was at the bottom of the harbour is plugged in: it is known, said, and left alone.
#[test]
fn a_drive_given_up_that_turns_up_is_announced_and_not_written_to() {
    let (mut station, red, pulled) = with_red_away();
    forget(&station, "red").expect_safe();
    pulled.plug();
    let before = red.everything();
    let words = ["is forgotten since", "lost, fell into the harbour", "counterfoil drives add"];
    let output = station.mirror().expect_failed().expect_words(&words);
    assert_eq!(output.drive("red")["state"], "forgotten");
    let audit = station.audit().expect_unsafe().expect_words(&words);
    audit.expect_counts(&[("messages.unmirrored", 3)]).drive("red");
    station.command(&["status"]).expect_unsafe().expect_words(&words[..2]);
    assert_eq!(station.command(&["status", "--json"]).drive("red")["mounted"], true);
    assert_eq!(station.command(&["status", "--json"]).drive("red")["state"], "forgotten");
    station.verify().expect_safe().expect_counts(&[("checked", 3)]);
    station.audit().expect_unsafe();
    assert!(red.everything() == before, "it was written to");
    // What is on it can still be had.
    station.restore().expect_safe();
    expect_same(&station.inbox(), &station.restored());

    // Another drive makes it safe, and the forgotten one beside it is no failure.
    let blue = station.drive("blue");
    let output = station.mirror().expect_safe().expect_words(&words);
    assert_eq!(output.drive("red")["state"], "forgotten");
    blue.expect_bag_valid();
    station.audit().expect_safe();
    assert!(red.everything() == before, "it was written to");
}

#[test]
fn it_is_taken_back_by_drives_add_and_looked_over_as_one_that_comes_back() {
    let (station, red, pulled) = with_red_away();
    forget(&station, "red").expect_safe();
    pulled.plug();
    let id = red.id();
    let lost = red.payload_of("m001.eml");
    fs::remove_file(lost).unwrap();
    let add = ["drives", "add", red.path().to_str().unwrap()];
    station.command(&add).expect_safe().expect_words(&["taken back", "forgotten until now"]);
    assert_eq!(red.id(), id);
    station.mirror().expect_safe().expect_counts(&[("copied", 1)]);
    let drives = station.command(&["drives", "--json"]).expect_safe();
    let output = drives.drive("red");
    assert_eq!((&output["forgotten"], &output["counts"]), (&().into(), &true.into()));
    let history: Vec<_> =
        output["history"].as_array().unwrap().iter().map(|e| e["what"].as_str().unwrap()).collect();
    assert_eq!(history, ["taken-back", "forgotten"]);
    station.audit().expect_safe();
    station.command(&add).expect_safe().expect_words(&["is drive"]);
    assert_eq!(station.command(&["drives", "--json", "add", add[2]]).json()["taken_back"], false);
}

/// With two copies wanted, one drive given up leaves one.
#[test]
fn one_of_two_given_up_leaves_one_copy() {
    let (mut station, red) = Station::with_drive();
    let blue = station.drive("blue");
    station.write_config("[drives]\nwanted_copies = 2\n");
    station.deliver("0001.eml", mail("water level"));
    station.mirror().expect_safe();
    let id = red.id();
    let (_red, _blue) = (red.pull(), blue.pull());
    station.command(&["drives", "away", "red"]).expect_safe();
    station.audit().expect_safe().expect_counts(&[("copies.elsewhere", 1)]);
    forget(&station, &id).expect_safe();
    let audit = station.audit().expect_unsafe().expect_unmirrored(&[("0001.eml", "no-drive")]);
    assert_eq!(audit.json()["copies"]["messages_by_copies"], serde_json::json!([0, 1]));
    audit.expect_counts(&[("copies.elsewhere", 0)]);
    station.write_config("");
    station.audit().expect_safe();
}

/// A message that vanished from the card and was on that drive alone is on none.
#[test]
fn a_vanished_message_of_a_drive_given_up_is_lost() {
    let (station, _red, _pulled) = with_red_away();
    station.delete("m001.eml");
    station.audit().expect_unsafe().expect_listed("vanished", "reason", &[("m001.eml", "null")]);
    forget(&station, "red").expect_safe();
    let output = station.audit().expect_unsafe();
    output.expect_listed("vanished", "reason", &[("m001.eml", "no-drive")]);
}

#[test]
fn names_that_mean_no_drive_or_several_are_refused_with_what_there_is() {
    let (mut station, red) = Station::with_drive();
    station.deliver("0001.eml", mail("water level"));
    station.mirror().expect_safe();
    forget(&station, "green").expect_refused().expect_words(&["no drive green", "red"]);
    // A second drive of the same name, on the same mount point.
    let first = red.id();
    drop(red.pull());
    station.command(&["drives", "add", red.path().to_str().unwrap()]).expect_safe();
    station.mirror().expect_safe();
    let second = red.id();
    let output = forget(&station, "red").expect_refused();
    output.expect_words(&["several drives are called red", &first, &second, "last seen"]);
    station.audit().expect_safe();
    forget(&station, &first).expect_safe();
    let drives = station.command(&["drives", "--json"]).expect_safe().json();
    let of = |id: &str| {
        let drives = drives["drives"].as_array().unwrap();
        drives.iter().find(|drive| drive["id"] == id).unwrap().clone()
    };
    assert_eq!(of(&first)["state"], "forgotten");
    assert_eq!(of(&second)["forgotten"], serde_json::Value::Null);
    station.use_only(&[]);
    station.audit().expect_safe();
}

#[test]
fn why_must_be_one_of_the_words_and_where_is_short_and_harmless() {
    let (station, _red, _pulled) = with_red_away();
    station.command(&["drives", "forget", "red"]).expect_refused().expect_words(&["--why"]);
    let wrong = ["drives", "forget", "red", "--why", "tired"];
    station.command(&wrong).expect_refused().expect_words(&["lost", "given-away", "broken"]);
    let long = "x".repeat(201);
    let long = ["drives", "forget", "red", "--why", "broken", "--where", &long];
    station.command(&long).expect_refused().expect_words(&["--where", "200"]);
    station.audit().expect_safe();
    let steering =
        ["drives", "forget", "red", "--why", "given-away", "--where", "\u{1b}[2J\u{202e}x"];
    station.command(&steering).expect_safe().expect_harmless();
    station.command(&["drives"]).expect_safe().expect_words(&["given away"]).expect_harmless();
    station.audit().expect_unsafe().expect_harmless();
    // Said again, it is since when it was first said.
    let since = |station: &Station| {
        station.command(&["drives", "--json"]).drive("red")["forgotten"]["since"].clone()
    };
    let first = since(&station);
    let again = station.command(&["drives", "forget", "red", "--why", "broken", "--json"]);
    let again = again.expect_safe().json();
    assert_eq!(fields(&again), ["forgotten_since", "id", "label", "schema", "where", "why"]);
    assert_eq!((&again["forgotten_since"], &again["why"]), (&first, &"broken".into()));
    assert_eq!(since(&station), first);
    station.command(&["drives", "away", "red"]).expect_refused().expect_words(&["forgotten"]);
    station.command(&["drives", "here", "red"]).expect_refused().expect_words(&["drives add"]);
}

/// The catalogue is a cache and may be lost; the operator's word stands beside it.
#[test]
fn the_word_outlives_the_catalogue() {
    let (station, red, pulled) = with_red_away();
    forget(&station, "red").expect_safe();
    for name in ["catalogue.sqlite", "catalogue.sqlite-wal", "catalogue.sqlite-shm"] {
        drop(fs::remove_file(station.state().join(name)));
    }
    pulled.plug();
    let before = red.everything();
    // Who only looks makes no new one.
    station.audit().expect_unsafe().expect_counts(&[("messages.unmirrored", 3)]);
    station.mirror().expect_failed().expect_words(&["lost, fell into the harbour"]);
    station.audit().expect_unsafe().expect_counts(&[("messages.unmirrored", 3)]);
    // Damaged, in its middle or from its beginning.
    for at in [0, 4096] {
        let file = station.state().join("catalogue.sqlite");
        let mut bytes = fs::read(&file).unwrap();
        bytes[at..].iter_mut().take(16_384).for_each(|byte| *byte = 0x55);
        fs::write(&file, bytes).unwrap();
        station.audit().expect_unsafe().expect_counts(&[("messages.unmirrored", 3)]);
        station.mirror().expect_failed().expect_words(&["lost, fell into the harbour"]);
    }
    assert!(red.everything() == before, "it was written to");
    station.command(&["drives", "add", red.path().to_str().unwrap()]).expect_safe();
    for name in ["catalogue.sqlite", "catalogue.sqlite-wal", "catalogue.sqlite-shm"] {
        drop(fs::remove_file(station.state().join(name)));
    }
    station.mirror().expect_safe();
}

/// A rotten id does not make another drive of it.
#[test]
fn a_drive_given_up_is_known_without_its_id() {
    for spoil in [fs::remove_file, |path: std::path::PathBuf| fs::write(path, "not ours")] {
        let (station, red, pulled) = with_red_away();
        forget(&station, "red").expect_safe();
        pulled.plug();
        spoil(red.home().join("drive.json")).unwrap();
        let before = red.everything();
        station.mirror().expect_failed().expect_words(&["lost, fell into the harbour"]);
        station.audit().expect_unsafe().expect_counts(&[("messages.unmirrored", 3)]);
        assert!(red.everything() == before, "it was written to");
    }
}

/// On a stick that may only be read, as one with a switch, it is the same.
#[test]
fn a_drive_given_up_that_may_only_be_read_is_announced_too() {
    let (mut station, red) = Station::with_drive();
    station.deliver("0001.eml", mail("water level"));
    station.mirror().expect_safe();
    forget(&station, "red").expect_safe();
    let locked = Mounted::read_only(red.path(), &station.path("media/locked"));
    station.use_drive(locked.path());
    station.use_only(&[&Stick::at(locked.path(), "pier-4")]);
    station.audit().expect_unsafe().expect_words(&["is forgotten since"]);
    let output = station.mirror().expect_failed().expect_words(&["is forgotten since"]);
    assert_eq!(output.drive("locked")["state"], "forgotten");
    // Nor does its owner's mark hide it.
    fs::write(red.path().join("counterfoil.skip"), "").unwrap();
    station.use_only(&[&red]);
    let output = station.mirror().expect_failed().expect_words(&["is forgotten since"]);
    assert_eq!(output.drive("red")["state"], "forgotten");
}
