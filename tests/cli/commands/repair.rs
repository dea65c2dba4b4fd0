//! `restore --repair`: one message that the card changed by itself.

use crate::station::{Station, mail, tree};
use std::fs;

const WHEN: u64 = 880_127_706;

/// The card changes a byte, and neither length nor time.
fn rot(station: &Station, path: &str) -> Vec<u8> {
    let at = station.inbox().join(path);
    let mut bytes = fs::read(&at).unwrap();
    bytes[20] ^= 1;
    fs::write(&at, &bytes).unwrap();
    station.date(path, WHEN);
    bytes
}

fn one_message() -> (Station, crate::stick::Stick) {
    let (station, red) = Station::with_drive();
    station.deliver("box/0001.eml", mail("water level"));
    station.date("box/0001.eml", WHEN);
    station.mirror().expect_safe();
    (station, red)
}

#[test]
fn the_good_version_is_put_back_and_the_damaged_one_kept_beside() {
    for named in ["inbox/box/0001.eml", "its file"] {
        let (station, _red) = one_message();
        let before = tree(&station.inbox());
        let bad = rot(&station, "box/0001.eml");
        let file = station.inbox().join("box/0001.eml");
        let named = if named == "its file" { file.to_str().unwrap() } else { named };
        let output = station.restore_with(&["--repair", named]).expect_safe().json();
        let mut after = tree(&station.inbox());
        let beside = output["beside"].as_str().unwrap().as_bytes().to_vec();
        assert_eq!(after.remove(&beside).unwrap().0, bad);
        assert_eq!(after, before, "octets, time and rights");
        // Once more there is nothing to do, and nothing is done.
        let words = ["nothing is to be repaired"];
        station.restore_with(&["--repair", named]).expect_failed().expect_words(&words);
        assert_eq!(tree(&station.inbox()).len(), 2);
    }
}

#[test]
fn a_version_that_the_drives_were_told_is_suspect_is_repaired_whatever_its_time() {
    let (station, _red) = one_message();
    station.replace("box/0001.eml", "");
    station.mirror();
    station.restore_with(&["--repair", "inbox/box/0001.eml"]).expect_safe();
    let good = mail("water level").into_bytes();
    assert_eq!(fs::read(station.inbox().join("box/0001.eml")).unwrap(), good);
}

#[test]
fn what_somebody_wrote_is_left_alone() {
    let (station, red) = one_message();
    let path = "inbox/box/0001.eml";
    let refused = |words: &str| {
        let before = (tree(&station.inbox()), red.everything());
        station.restore_with(&["--repair", path]).expect_failed().expect_words(&[words]);
        assert!(before == (tree(&station.inbox()), red.everything()));
    };
    station.replace("box/0001.eml", mail("another matter"));
    refused("somebody wrote to it");
    station.delete("box/0001.eml");
    refused("no file is there");
    station.deliver("elsewhere.eml", mail("a third"));
    let output = station.restore_with(&["--repair", "inbox/elsewhere.eml"]).expect_failed();
    output.expect_words(&["no drive here tells of a message there"]);
    let output = station.restore_with(&["--repair", "/etc/hostname"]).expect_refused();
    output.expect_words(&["lies in no mailbox"]);
}

#[test]
fn without_a_good_copy_nothing_is_touched() {
    let (station, red) = one_message();
    rot(&station, "box/0001.eml");
    let copy = red.bag().join("data/0001/00000001.EML");
    fs::write(&copy, "spoilt").unwrap();
    let before = tree(&station.inbox());
    let output = station.restore_with(&["--repair", "inbox/box/0001.eml"]).expect_failed();
    output.expect_words(&["no drive here has a good copy"]);
    assert_eq!(tree(&station.inbox()), before);
}
