//! Several drives, several stations: what each holds and what they give together.

use crate::station::{Station, expect_same, mail, tree};

/// Fault 51: each drive holds a part; a restore takes what all of them hold.
#[test]
fn two_drives_with_different_halves_give_the_whole() {
    let (mut station, red) = Station::with_drive();
    station.deliver("0001.eml", mail("water level"));
    station.mirror().expect_safe();
    let blue = station.drive("blue");
    station.use_only(&[&blue]);
    station.deliver("0002.eml", mail("bridge closed"));
    // On blue is only what was delivered since: as when the first half was on red alone.
    station.move_to("0001.eml", "../aside.eml");
    station.mirror().expect_verdict("damaged-or-missing");
    station.move_to("../aside.eml", "0001.eml");
    assert_eq!((red.payloads().len(), blue.payloads().len()), (1, 1));
    station.restore().expect_safe().expect_counts(&[("restored", 1)]);
    station.use_only(&[&red, &blue]);
    station.restore().expect_safe().expect_counts(&[("restored", 2), ("from_second_copy", 0)]);
    expect_same(&station.inbox(), &station.restored());
    station.mirror().expect_safe().expect_counts(&[("copied", 2)]);
    red.expect_bag_valid();
    blue.expect_bag_valid();
}

#[test]
fn the_later_word_counts_whichever_drive_has_it() {
    let (mut station, red) = Station::with_drive();
    let blue = station.drive("blue");
    station.deliver("in/0001.eml", mail("water level"));
    station.deliver("0002.eml", "a log that grows\n");
    station.mirror().expect_safe();
    // Blue is away while one message moves and the other gets a new version.
    station.use_only(&[&red]);
    station.move_to("in/0001.eml", "done/0001.eml");
    station.replace("0002.eml", "a log that grows\nby a line\n");
    station.mirror().expect_safe();
    for order in [[&red, &blue], [&blue, &red]] {
        station.use_only(&order);
        let output = station.restore().expect_safe().expect_counts(&[("restored", 3)]);
        let said = &output.json()["in_doubt"];
        assert_eq!((&said[0]["why"], &said[0]["messages"]), (&"replaced".into(), &1.into()));
        // Blue was not told of the later version: what it has is kept apart.
        let in_doubt = station.restored().join("recovered");
        assert_eq!(std::fs::read(in_doubt.join("0002.eml")).unwrap(), b"a log that grows\n");
        std::fs::remove_dir_all(in_doubt).unwrap();
        expect_same(&station.inbox(), &station.restored());
    }
}

/// The mailbox has a folder of the name that what is in doubt goes to, as after a restore into it: mail of that folder
/// keeps its names, and what is in doubt goes beside.
#[test]
fn what_is_in_doubt_takes_no_name_of_mail_that_has_a_place() {
    let (mut station, red) = Station::with_drive();
    let blue = station.drive("blue");
    station.deliver("archive/0001.eml", "a log that grows\n");
    station.deliver("recovered/archive/0001.eml", mail("water level"));
    station.mirror().expect_safe();
    station.use_only(&[&red]);
    station.replace("archive/0001.eml", "a log that grows\nby a line\n");
    station.mirror().expect_safe();
    station.use_only(&[&red, &blue]);
    let restored = station.restored();
    for counts in [("restored", 3), ("identical", 3)] {
        let output = station.restore_with(&["--into", restored.to_str().unwrap()]);
        output.expect_safe().expect_counts(&[counts]);
        let mut back = tree(&station.restored());
        for (name, what) in tree(&station.inbox()) {
            assert_eq!(back.remove(&name).unwrap().0, what.0, "{}", String::from_utf8_lossy(&name));
        }
        let in_doubt: Vec<_> = back.into_values().map(|what| what.0).collect();
        assert_eq!(in_doubt, [b"a log that grows\n".to_vec()]);
    }
}

/// Fault 43: a new card writes on after the old one; its word is the later, whatever the clocks say.
#[test]
fn a_new_cards_word_is_later_than_the_old_ones() {
    let (station, red) = Station::with_drive();
    let mut text = String::new();
    for entry in ["first", "second", "third"] {
        text += &format!("the {entry} entry of a log\n");
        std::fs::write(station.inbox().join("0001.eml"), &text).unwrap();
        station.mirror().expect_safe();
    }
    station.lose_the_card();
    station.restore_with(&[]).expect_safe();
    station.mirror().expect_safe().expect_counts(&[("copied", 0)]);
    station.replace("0001.eml", text + "written on the new card\n");
    station.mirror().expect_safe();
    assert_eq!(red.lines_of("mirrored").len(), 4);
    let writer = |line: &serde_json::Value| line["as_of"].as_str().unwrap()[..16].to_owned();
    let writers: Vec<_> = red.lines_of("mirrored").iter().map(writer).collect();
    assert!(!writers[..3].contains(&writers[3]), "{writers:?}");
    station.restore().expect_safe().expect_counts(&[("restored", 1)]);
    expect_same(&station.inbox(), &station.restored());
}

#[test]
fn two_stations_on_one_drive_do_not_touch_each_other() {
    let (station, red) = Station::with_drive();
    station.deliver("0001.eml", mail("water level"));
    station.mirror().expect_safe();
    let ours = std::fs::read(red.ledger()).unwrap();
    let mut other = Station::named("hut-9");
    let shared = other.use_drive(red.path());
    other.deliver("0001.eml", mail("bridge closed"));
    other.mirror().expect_safe().expect_counts(&[("copied", 1)]);
    assert_eq!(std::fs::read(red.ledger()).unwrap(), ours);
    station.mirror().expect_safe().expect_counts(&[("copied", 0)]);
    assert_eq!(std::fs::read(red.ledger()).unwrap(), ours);
    red.expect_bag_valid();
    shared.expect_bag_valid();
    assert_eq!(red.id(), shared.id());
    station.restore().expect_safe().expect_counts(&[("restored", 1)]);
    expect_same(&station.inbox(), &station.restored());
    other.restore().expect_safe().expect_counts(&[("restored", 1)]);
    expect_same(&other.inbox(), &other.restored());
}
