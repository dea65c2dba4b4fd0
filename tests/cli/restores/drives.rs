//! What accidents leave of a stick: everything on it is offered, and what is not a message for sure is named.

use crate::station::{Station, expect_same, mail};
use crate::stick::Stick;
use std::collections::BTreeSet;
use std::fs;
use std::path::Path;

fn mirrored(messages: usize) -> (Station, Stick) {
    let (station, red) = Station::with_drive();
    station.deliver_many(messages);
    station.mirror().expect_safe();
    (station, red)
}

/// The bytes of everything below a folder.
fn octets_in(folder: &Path) -> BTreeSet<Vec<u8>> {
    crate::station::tree(folder).into_values().map(|(bytes, _, _)| bytes).collect()
}

fn sent(messages: usize) -> BTreeSet<Vec<u8>> {
    (0..messages).map(|number| mail(&format!("traffic {number}")).into_bytes()).collect()
}

/// Fault 51: the drive that has the last word on names has lost a copy; the older drive has it.
#[test]
fn the_newest_word_on_one_drive_and_the_whole_copy_on_the_other() {
    let (mut station, red) = Station::with_drive();
    let blue = station.drive("blue");
    station.deliver("in/0001.eml", mail("water level"));
    station.deliver("0002.eml", mail("bridge closed"));
    station.mirror().expect_safe();
    station.use_only(&[&red]);
    station.move_to("in/0001.eml", "done/0001.eml");
    station.mirror().expect_safe();
    red.rot(&red.payload_of("in/0001.eml"));
    for order in [[&red, &blue], [&blue, &red]] {
        station.use_only(&order);
        let output = station.restore().expect_safe();
        output.expect_counts(&[("restored", 2), ("damaged", 0), ("missing", 0)]);
        expect_same(&station.inbox(), &station.restored());
    }
    // Alone, the drive with the newest word says what it cannot give.
    station.use_only(&[&red]);
    station.restore().expect_unsafe().expect_listed(
        "damaged",
        "mailbox",
        &[("done/0001.eml", "inbox")],
    );
}

/// Fault 3: the ledger is older than the manifest, as after a power failure between the two.
#[test]
fn a_ledger_older_than_the_manifest_costs_names_and_no_message() {
    let (station, red) = mirrored(5);
    let text = fs::read_to_string(red.ledger()).unwrap();
    let lines: Vec<_> = text.split_inclusive('\n').collect();
    let kept = lines.len() - 2;
    fs::write(red.ledger(), lines[..kept].concat()).unwrap();
    station.restore().expect_safe().expect_counts(&[("restored", 5), ("numbered", 2)]);
    assert_eq!(octets_in(&station.restored()), sent(5));
}

/// Fault 52: each log alone is enough, and so is none.
#[test]
fn a_lost_ledger_or_a_lost_manifest_loses_no_message() {
    for (ledger, manifest, numbered) in [(false, true, 5), (true, false, 0), (false, false, 5)] {
        let (station, red) = mirrored(5);
        if !ledger {
            fs::remove_file(red.ledger()).unwrap();
        }
        if !manifest {
            fs::remove_file(red.manifest()).unwrap();
        }
        let output = station.restore().expect_safe();
        output.expect_counts(&[("restored", 5), ("numbered", numbered), ("doubtful", 0)]);
        assert_eq!(octets_in(&station.restored()), sent(5), "{ledger} {manifest}");
    }
}

/// Fault 52: both logs are lost, and a daemon on a new card met the stick before anybody restored from it. It knows
/// no message, so it takes the copies for what a power failure left; nothing on a stick is ever out of sight for that.
#[test]
fn copies_once_taken_for_debris_are_named_and_brought_back_when_asked_for() {
    let (station, red) = mirrored(4);
    fs::remove_file(red.ledger()).unwrap();
    fs::remove_file(red.manifest()).unwrap();
    station.lose_the_card();
    fs::create_dir_all(station.inbox()).unwrap();
    red.replug();
    station.mirror().expect_safe().expect_counts(&[("copied", 0)]);
    assert_eq!(red.lines_of("debris").len(), 4);
    let output = station.restore().expect_safe();
    output.expect_counts(&[("restored", 0), ("doubtful", 4)]);
    let target = station.restored();
    let words = ["--into", target.to_str().unwrap(), "--with-doubtful"];
    station.restore_with(&words).expect_safe().expect_counts(&[("numbered", 4), ("doubtful", 0)]);
    assert_eq!(octets_in(&target.join("recovered")), sent(4));
    // In words too, and in the list that the stick carries.
    let drive = red.path().to_str().unwrap();
    let config = station.config_file();
    let output = station.run(&[
        "restore",
        "--config",
        config.to_str().unwrap(),
        "--drive",
        drive,
        "--into",
        "x",
    ]);
    output.expect_words(&["4 copies look like what a power failure left", "--with-doubtful"]);
    station.deliver("new.eml", mail("one more"));
    station.mirror().expect_safe();
    let page = fs::read_to_string(red.bag().join("index-1.html")).unwrap();
    assert!(
        page.contains(
            "traffic 3 <strong>(looks like what a power failure left of a copy)</strong>"
        ),
        "{page}"
    );
}

/// A torn copy beside its whole one is debris for good: asked for, it is not brought back twice.
#[test]
fn debris_of_a_message_that_is_there_is_not_offered() {
    let (station, red) = mirrored(2);
    // What a power failure left: a second file of a message that the ledger tells of.
    let whole = fs::read(red.payload_of("m000.eml")).unwrap();
    fs::write(red.bag().join("data/0001/00000003.EML"), &whole).unwrap();
    red.replug();
    station.mirror().expect_safe();
    station.restore().expect_safe().expect_counts(&[("restored", 2), ("doubtful", 0)]);
}

/// Fault 28: a repair tool has filled the stick with what it found, among our folders too.
#[test]
fn a_stick_full_of_what_a_repair_tool_found_is_restored_from() {
    let (station, red) = mirrored(4);
    for folder in [red.path().to_owned(), red.home(), red.bag(), red.bag().join("data")] {
        for number in 0..3 {
            let found = folder.join(format!("FOUND.{number:03}"));
            fs::create_dir(&found).unwrap();
            for file in 0..200 {
                fs::write(found.join(format!("FILE{file:04}.CHK")), "half of a mess").unwrap();
            }
        }
    }
    // None of them is a station: nobody is asked which is meant.
    let (drive, config) = (red.path().to_str().unwrap(), station.config_file());
    let words = ["restore", "--json", "--config", config.to_str().unwrap(), "--drive", drive];
    let words: Vec<_> = words.into_iter().chain(["--into", "back"]).collect();
    station.run(&words).expect_safe().expect_counts(&[("restored", 4), ("doubtful", 0)]);
    expect_same(&station.path("back"), &station.inbox());
}

/// Fault 45: the same words are said of a stick that does not hold the station at all.
#[test]
fn the_wrong_station_is_said_with_what_is_there() {
    let (station, red) = mirrored(1);
    let (drive, config) = (red.path().to_str().unwrap(), station.config_file());
    let words = ["restore", "--config", config.to_str().unwrap(), "--drive", drive];
    let words: Vec<_> = words.into_iter().chain(["--station", "hut-9", "--into", "x"]).collect();
    station.run(&words).expect_failed().expect_words(&["hut-9", "pier-4"]);
    assert!(!station.path("x").exists());
}
