//! Handing a station over: another operator's box, which has a station of its own.

use crate::command_output::CommandOutput;
use crate::station::{Station, expect_same, mail, tree};
use crate::stick::Stick;
use std::fs;

/// Station `pier-4` with a stick; and the box of `hut-9`, with mail and a config of its own.
fn two_boxes() -> (Station, Stick, Station) {
    let (station, red) = Station::with_drive();
    station.deliver("0001.eml", mail("water level"));
    station.deliver("out/0002.eml", mail("bridge closed"));
    station.mirror().expect_safe();
    let relief = Station::named("hut-9");
    relief.deliver("0001.eml", mail("helicopter pad"));
    relief.write_config(&format!(
        "station = \"hut-9\"\n[[mailbox]]\nname = \"inbox\"\npath = {:?}\n",
        relief.inbox()
    ));
    (station, red, relief)
}

fn on_relief(relief: &Station, red: &Stick, words: &[&str]) -> CommandOutput {
    let state = relief.state();
    let (config, drive) = (relief.config_file(), red.path().to_owned());
    let options = [&config, &state, &drive].map(|path| path.to_str().unwrap().to_owned());
    let mut args: Vec<String> = vec![words[0].into()];
    for (option, value) in ["--config", "--state", "--drive"].iter().zip(options) {
        args.extend([(*option).to_owned(), value]);
    }
    args.extend(words[1..].iter().map(|word| (*word).to_owned()));
    relief.run(&args)
}

#[test]
fn another_station_is_taken_over_into_a_folder_of_its_own() {
    let (station, red, relief) = two_boxes();
    let own = tree(&relief.inbox());
    let before = red.everything();
    // Both mailboxes are called inbox: that is no reason to put one into the other.
    let output = on_relief(&relief, &red, &["restore", "--station", "pier-4"]).expect_refused();
    output.expect_words(&["pier-4 is not this one", "--into DIR"]);
    assert_eq!(tree(&relief.inbox()), own);
    let into = relief.path("pier-4-mail");
    let words = ["restore", "--station", "pier-4", "--into", into.to_str().unwrap(), "--json"];
    on_relief(&relief, &red, &words).expect_safe().expect_counts(&[("restored", 2)]);
    expect_same(&into, &station.inbox());
    assert_eq!(tree(&relief.inbox()), own);
    assert_eq!(red.everything(), before, "a restore changes nothing on a stick");
}

#[test]
fn two_stations_that_share_a_stick_never_touch_each_others_files() {
    let (station, red, mut relief) = two_boxes();
    let of = |stick: &Stick| -> Vec<_> {
        let (bag, all) = (stick.bag(), stick.everything());
        all.into_iter().filter(|(path, _)| path.starts_with(&bag)).collect()
    };
    let ours = of(&red);
    let theirs_on_it = relief.use_drive(red.path());
    for round in 0..3 {
        relief.deliver(format!("more-{round}.eml"), mail(&format!("pad {round}")));
        relief.mirror().expect_safe();
        relief.verify().expect_safe();
        relief.command(&["restore", "--rehearse"]).expect_safe();
        assert_eq!(of(&red), ours, "round {round}");
    }
    let theirs = of(&theirs_on_it);
    station.deliver("0003.eml", mail("road open"));
    station.mirror().expect_safe();
    station.verify().expect_safe();
    assert_eq!(of(&theirs_on_it), theirs);
    red.expect_bag_valid();
    theirs_on_it.expect_bag_valid();
}

/// The box of another station, which has a mailbox and a config: neither says anything of a strange stick.
#[test]
fn another_stations_stick_is_not_held_against_ones_own_mailbox() {
    let (_station, red, relief) = two_boxes();
    let output =
        on_relief(&relief, &red, &["audit", "--station", "pier-4", "--json"]).expect_safe();
    let json = output.json();
    assert_eq!((&json["whole"], &json["stations"][0]["messages"]), (&true.into(), &2.into()));
    on_relief(&relief, &red, &["audit", "--json"])
        .expect_unsafe()
        .expect_counts(&[("messages.total", 1), ("messages.unmirrored", 1)]);
}

/// A box that never saw the stick, with neither mailbox nor config.
fn bare(words: &[&str]) -> (Station, CommandOutput) {
    let bare = Station::new();
    let state = bare.path("bare-state");
    let words: Vec<_> = words.iter().copied().chain(["--state", state.to_str().unwrap()]).collect();
    let output = bare.run(&words);
    (bare, output)
}

#[test]
fn what_a_strange_stick_holds_is_told_without_a_mailbox() {
    let (_station, red, mut relief) = two_boxes();
    relief.use_drive(red.path());
    relief.mirror().expect_safe();
    let drive = red.path().to_str().unwrap();
    let before = red.everything();
    let (_box, output) = bare(&["audit", "--drive", drive, "--json"]);
    let json = output.expect_safe().json();
    assert_eq!(json["whole"], true);
    let stations = json["stations"].as_array().unwrap();
    let of = |name: &str| stations.iter().find(|station| station["station"] == name).unwrap();
    assert_eq!((&of("pier-4")["messages"], &of("hut-9")["messages"]), (&2.into(), &1.into()));
    let newest = &of("hut-9")["mailboxes"][0]["newest"];
    assert_eq!(newest["subject"], "helicopter pad");
    assert_eq!(of("pier-4")["drives"][0]["copies"], 2);
    assert_eq!(red.everything(), before);
    let (_box, output) = bare(&["audit", "--drive", drive, "--station", "pier-4"]);
    let output = output.expect_safe();
    assert!(!output.text().contains("hut-9"), "{}", output.text());
    output.expect_words(&[
        "station pier-4",
        "2 copies",
        "whole, as far as the ledger says",
        "verify",
    ]);
}

#[test]
fn damage_that_the_ledger_knows_of_shows_on_a_strange_box() {
    let (station, red, _relief) = two_boxes();
    let drive = red.path().to_str().unwrap();
    red.rot(&red.payload_of("0001.eml"));
    // Not read again: the ledger knows nothing of it yet.
    bare(&["audit", "--drive", drive]).1.expect_safe();
    let (_box, output) = bare(&["verify", "--drive", drive, "--json"]);
    output.expect_unsafe().expect_counts(&[("good", 1), ("damaged", 1)]);
    let output = bare(&["audit", "--drive", drive]).1.expect_unsafe();
    output.expect_words(&["1 damaged", "not whole"]);
    fs::remove_file(red.ledger()).unwrap();
    bare(&["audit", "--drive", drive]).1.expect_unsafe().expect_words(&["broken or lost"]);
    drop(station);
}

#[test]
fn nothing_is_begun_for_a_box_that_only_verifies() {
    let (_station, red, _relief) = two_boxes();
    bare(&["verify", "--drive", red.path().to_str().unwrap(), "--json"]).1.expect_safe();
    let folders = fs::read_dir(red.home()).unwrap().map(Result::unwrap);
    let folders = folders.filter(|entry| entry.file_type().unwrap().is_dir());
    let names: Vec<_> = folders.map(|entry| entry.file_name()).collect();
    assert_eq!(names, ["pier-4"]);
}
