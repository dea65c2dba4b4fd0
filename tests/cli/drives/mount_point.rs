//! Drives that come, go, and appear elsewhere; the empty folder they leave behind.

use crate::station::{Station, mail, tree};
use std::fs;

/// Fault 14: the mount point of a known drive is a plain folder of the card now. Nothing is written there.
#[test]
fn nothing_is_written_into_the_mount_point_of_a_drive_that_is_away() {
    let (station, red) = Station::with_drive();
    station.deliver("0001.eml", mail("water level"));
    station.mirror().expect_safe();
    let id = red.id();
    let pulled = red.pull();
    station.deliver("0002.eml", mail("bridge closed"));
    let output = station.mirror().expect_failed();
    output.expect_words(&[&id, "was here and is not", "Nothing was written"]);
    assert_eq!(fs::read_dir(red.path()).unwrap().count(), 0);
    station.verify().expect_failed();
    assert_eq!(fs::read_dir(red.path()).unwrap().count(), 0);
    station.audit().expect_unsafe().expect_unmirrored(&[("0002.eml", "no-drive")]);
    station.restore().expect_failed();
    assert_eq!(fs::read_dir(red.path()).unwrap().count(), 0);
    pulled.plug();
    station.mirror().expect_safe().expect_counts(&[("copied", 1), ("already", 1)]);
    red.expect_bag_valid();
}

#[test]
fn a_new_drive_in_that_folder_is_begun_only_when_asked_for() {
    let (station, red) = Station::with_drive();
    station.deliver("0001.eml", mail("water level"));
    station.mirror().expect_safe();
    let old = red.id();
    drop(red.pull());
    station.mirror().expect_failed();
    station.command(&["drives", "add", red.path().to_str().unwrap()]).expect_safe();
    station.mirror().expect_safe().expect_counts(&[("copied", 1)]);
    assert_ne!(red.id(), old);
    let drives = station.command(&["drives", "--json"]).expect_safe();
    drives.expect_counts(&[("drives", 2)]);
}

/// Fault 12: plugged in elsewhere, under another name: the same drive, and nothing is copied twice.
#[test]
fn a_drive_is_known_again_wherever_it_is_mounted() {
    let (mut station, mut red) = Station::with_drive();
    station.deliver_many(3);
    station.mirror().expect_safe();
    let id = red.id();
    red.carry_to(&station.path("media/usb0"));
    station.use_only(&[&red]);
    station.mirror().expect_safe().expect_counts(&[("copied", 0), ("already", 3)]);
    assert_eq!(red.id(), id);
    let output = station.command(&["drives", "--json"]).expect_safe();
    output.expect_counts(&[("drives", 1)]).drive("usb0");
    red.expect_bag_valid();
}

/// Fault 15: two drives change places.
#[test]
fn two_drives_that_change_places_stay_themselves() {
    let (mut station, red) = Station::with_drive();
    station.deliver("0001.eml", mail("water level"));
    station.mirror().expect_safe();
    let blue = station.drive("blue");
    station.deliver("0002.eml", mail("bridge closed"));
    station.mirror().expect_safe();
    let ids = (red.id(), blue.id());
    let aside = station.path("media/aside");
    for (from, to) in [(red.path(), &*aside), (blue.path(), red.path()), (&*aside, blue.path())] {
        fs::rename(from, to).unwrap();
    }
    assert_eq!((blue.id(), red.id()), ids);
    station.mirror().expect_safe().expect_counts(&[("copied", 0), ("already", 4)]);
    assert_eq!((blue.id(), red.id()), ids);
    red.expect_bag_valid();
    blue.expect_bag_valid();
    station.verify().expect_safe().expect_counts(&[("checked", 4), ("good", 4)]);
}

/// Fault 16: a stick was copied whole, id and all, and both are plugged in.
#[test]
fn a_copied_stick_gets_an_id_of_its_own_and_both_are_served() {
    let (mut station, red) = Station::with_drive();
    station.deliver_many(5);
    station.mirror().expect_safe();
    let copied = station.path("media/copied");
    crate::station::sh("cp", &["-a".as_ref(), red.path(), copied.as_path()]);
    let copied = station.use_drive(&copied);
    station.deliver("more.eml", mail("more"));
    let output = station.mirror().expect_safe().expect_counts(&[("copied", 2)]);
    output.expect_words(&[&red.id(), "was copied from drive"]);
    // One of them, whichever came first, has kept the id of both.
    let apart = [&red, &copied].map(|stick| stick.home().join("drive-2.json").exists());
    assert_eq!(apart.iter().filter(|apart| **apart).count(), 1, "{apart:?}");
    for round in 0..3 {
        station.deliver(format!("more{round}.eml"), mail(&format!("more {round}")));
        let output = station.mirror().expect_safe().expect_counts(&[("copied", 2)]);
        assert!(!output.warnings().contains("was copied from"));
        red.expect_bag_valid();
        copied.expect_bag_valid();
        let audit = station.audit().expect_safe().json();
        let ids: std::collections::BTreeSet<_> =
            audit["drives"].as_array().unwrap().iter().map(|d| d["id"].to_string()).collect();
        assert_eq!(ids.len(), 2, "{audit}");
    }
    for stick in [&red, &copied] {
        station.use_only(&[stick]);
        let got = station.restore().expect_safe().json();
        assert_eq!(got["restored"], 9);
    }
}

/// A stick copied whole, and neither was written to since: both are read.
#[test]
fn a_stick_and_its_copy_are_both_restored_from() {
    let (mut station, red) = Station::with_drive();
    station.deliver_many(5);
    station.mirror().expect_safe();
    let copied = station.path("media/copied");
    crate::station::sh("cp", &["-a".as_ref(), red.path(), copied.as_path()]);
    let copied = station.use_drive(&copied);
    station.audit().expect_words(&["a copy of another drive"]);
    // What the one has lost the other still has.
    for (stick, number) in [(&red, 1), (&copied, 2)] {
        let name = format!("{number:08}.EML");
        let lost = walk(stick.path()).into_iter().find(|path| path.ends_with(&name));
        fs::remove_file(lost.unwrap()).unwrap();
    }
    station.restore().expect_counts(&[("restored", 5)]);
}

fn walk(root: &std::path::Path) -> Vec<std::path::PathBuf> {
    let files = walkdir::WalkDir::new(root).into_iter().map(Result::unwrap);
    files.map(walkdir::DirEntry::into_path).collect()
}

/// Fault 16, one after the other: a stick and its copy, in turn at one mount point.
#[test]
fn a_stick_and_its_copy_in_turn_are_each_continued_from_where_they_are() {
    let (mut station, red) = Station::with_drive();
    station.deliver_many(5);
    station.mirror().expect_safe();
    let copied = station.path("media/copied");
    crate::station::sh("cp", &["-a".as_ref(), red.path(), copied.as_path()]);
    let copied = station.use_drive(&copied);
    for round in 0..3 {
        for stick in [&red, &copied] {
            station.use_only(&[stick]);
            let name = format!("more{round}-{}", stick.path().file_name().unwrap().display());
            station.deliver(&name, mail(&name));
            station.mirror().expect_safe();
            stick.expect_bag_valid();
            let all = station.restore().expect_safe().json();
            assert_eq!(all["restored"], tree(&station.inbox()).len());
        }
    }
}

/// Nothing on a drive but our own folder is ever touched.
#[test]
fn what_else_is_on_a_drive_is_left_alone() {
    let (station, red) = Station::with_drive();
    fs::write(red.path().join("holiday.jpg"), "a picture").unwrap();
    fs::create_dir(red.path().join("Counterfoil-old")).unwrap();
    station.deliver("0001.eml", mail("water level"));
    station.mirror().expect_safe();
    let mut names: Vec<_> =
        fs::read_dir(red.path()).unwrap().map(|e| e.unwrap().file_name()).collect();
    names.sort();
    assert_eq!(names, ["Counterfoil-old", "counterfoil", "holiday.jpg"]);
    assert_eq!(fs::read(red.path().join("holiday.jpg")).unwrap(), b"a picture");
}
