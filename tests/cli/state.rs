//! The state of the station: a cache with a lock. Lost, damaged or in use.

use crate::station::{Station, expect_same, mail};
use std::ffi::OsStr;
use std::fs;
use std::os::unix::fs::FileExt as _;

/// Fault 48: a second process that would write is refused; those that only look are not.
#[test]
fn a_second_writer_is_refused_and_a_reader_is_not() {
    let (mut station, red) = Station::with_drive();
    station.deliver("0001.eml", mail("water level"));
    station.mirror().expect_safe();
    station.deliver("0002.eml", mail("bridge closed"));
    let before = red.everything();
    let lock = station.state().join("lock");
    station.run_prefixed(&[OsStr::new("flock"), lock.as_os_str()]);
    let output = station.mirror().expect_failed();
    output.expect_words(&["another counterfoil is writing here", "probably the daemon"]);
    station.verify().expect_failed();
    station.command(&["drives", "add", red.path().to_str().unwrap()]).expect_failed();
    assert_eq!(red.everything(), before);
    station.audit().expect_unsafe().expect_unmirrored(&[("0002.eml", "not-yet")]);
    assert_eq!(station.command(&["status", "--json"]).json()["daemon"], true);
    station.restore().expect_safe().expect_counts(&[("restored", 1)]);
}

/// Fault 48: two stations with a state each, and one drive between them.
#[test]
fn a_drive_in_use_by_another_process_is_told_as_busy() {
    let (mut station, red) = Station::with_drive();
    station.deliver("0001.eml", mail("water level"));
    station.run_prefixed(&[OsStr::new("flock"), red.path().as_os_str()]);
    station.mirror().expect_failed().expect_words(&["another counterfoil is at work on it"]);
    assert_eq!(fs::read_dir(red.path()).unwrap().count(), 0);
}

fn expect_rebuilt(station: &Station, red: &crate::stick::Stick) {
    assert_eq!(red.payloads().len(), 5, "nothing is copied twice");
    red.expect_bag_valid();
    station.audit().expect_safe();
    station.restore().expect_safe().expect_counts(&[("restored", 5)]);
    expect_same(&station.inbox(), &station.restored());
}

/// Fault 7: the catalogue is gone, and is read again from mailbox and drives.
#[test]
fn a_lost_catalogue_is_built_anew_and_nothing_is_copied_twice() {
    let (station, red) = Station::with_drive();
    station.deliver_many(5);
    station.mirror().expect_safe();
    fs::remove_dir_all(station.state()).unwrap();
    // Until this card has looked at the mailbox and told the drive, nobody knows that it is as it was.
    // The stick would give them back all the same: nothing is called lost with the card, and nothing safe.
    let output = station.audit().expect_verdict("not-known");
    let counts =
        [("messages.mirrored", 0), ("messages.unconfirmed", 5), ("messages.on_no_drive", 0)];
    output.expect_counts(&counts).expect_counts(&[("at_risk.messages", 0)]);
    assert!(!station.state().exists(), "audit writes nothing");
    let text = station.command(&["audit"]).expect_unsafe().text().replace('\n', " ");
    assert!(text.contains("NOT KNOWN: 5 of 5 messages") && !text.contains("NOT SAFE"), "{text}");
    station.mirror().expect_safe().expect_counts(&[("copied", 0), ("already", 5)]);
    expect_rebuilt(&station, &red);
}

/// Fault 7: a power failure left other bytes where the catalogue was.
#[test]
fn a_damaged_catalogue_is_set_aside_and_built_anew() {
    let (station, red) = Station::with_drive();
    station.deliver_many(5);
    station.mirror().expect_safe();
    let catalogue = station.state().join("catalogue.sqlite");
    fs::write(&catalogue, [b'x'; 5000]).unwrap();
    station.audit().expect_unsafe().expect_counts(&[("messages.mirrored", 0)]);
    let output = station.mirror().expect_safe().expect_counts(&[("copied", 0), ("already", 5)]);
    output.expect_words(&["the catalogue was damaged", "catalogue.sqlite.damaged-1"]);
    assert_eq!(fs::read(station.state().join("catalogue.sqlite.damaged-1")).unwrap().len(), 5000);
    expect_rebuilt(&station, &red);
    station.mirror().expect_safe().expect_no_warning();
}

/// Fault 7: the catalogue's first page is whole, and others are not.
#[test]
fn a_catalogue_damaged_within_is_set_aside_and_built_anew() {
    let (station, red) = Station::with_drive();
    station.deliver_many(5);
    station.mirror().expect_safe();
    let path = station.state().join("catalogue.sqlite");
    let file = fs::File::options().write(true).open(&path).unwrap();
    let length = usize::try_from(file.metadata().unwrap().len()).unwrap();
    file.write_all_at(&vec![0xa5; length - 4096], 4096).unwrap();
    station.audit().expect_unsafe().expect_counts(&[("messages.mirrored", 0)]);
    let output = station.mirror().expect_safe().expect_counts(&[("copied", 0), ("already", 5)]);
    output.expect_words(&["the catalogue was damaged", "catalogue.sqlite.damaged-1"]);
    expect_rebuilt(&station, &red);
}

/// Fault 41: the card is full or read-only, so that no state can be kept.
#[test]
fn a_state_that_cannot_be_kept_says_where() {
    let (station, _red) = Station::with_drive();
    station.deliver("0001.eml", mail("water level"));
    fs::write(station.state(), "a file where the folder should be").unwrap();
    let state = station.state();
    station.mirror().expect_failed().expect_words(&[state.to_str().unwrap()]);
}

/// The operator's daemon goes on where root has worked once, as the operator: everything root made is the operator's.
#[test]
fn what_root_makes_belongs_to_whom_the_folder_belongs_to() {
    use std::os::unix::fs::MetadataExt as _;
    let (mut station, red) = Station::with_drive();
    fs::create_dir_all(station.state()).unwrap();
    for folder in [station.state().as_path(), &station.inbox(), red.path()] {
        std::os::unix::fs::chown(folder, Some(65534), Some(65534)).unwrap();
    }
    station.deliver_many(3);
    station.mirror().expect_safe();
    let mut seen = 0;
    for folder in [station.state().as_path(), red.path()] {
        for entry in walkdir::WalkDir::new(folder).into_iter().map(Result::unwrap) {
            let facts = entry.metadata().unwrap();
            let owner = (facts.uid(), facts.gid());
            assert_eq!(owner, (65534, 65534), "{}", entry.path().display());
            seen += 1;
        }
    }
    assert!(seen > 12, "{seen}");
    station.run_as_nobody();
    station.deliver("more.eml", mail("more"));
    station.mirror().expect_safe().expect_counts(&[("copied", 1)]);
}
