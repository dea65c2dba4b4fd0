//! A drive that somebody prepared: links, paths that lead out, numbers without end.

use crate::station::{Station, mail};
use std::fs;
use std::os::unix::fs::symlink;

/// Fault 56: our folder on the drive is a link to somewhere on the card.
#[test]
fn a_link_in_place_of_our_folder_is_refused_and_nothing_is_written_behind_it() {
    let (station, red) = Station::with_drive();
    let elsewhere = station.path("elsewhere");
    fs::create_dir(&elsewhere).unwrap();
    symlink(&elsewhere, red.home()).unwrap();
    station.deliver("0001.eml", mail("water level"));
    station.mirror().expect_failed().expect_words(&["something else stands where"]);
    station.command(&["drives", "add", red.path().to_str().unwrap()]).expect_failed();
    station.verify().expect_failed();
    station.restore().expect_failed();
    assert_eq!(fs::read_dir(&elsewhere).unwrap().count(), 0);
    station.audit().expect_unsafe().expect_unmirrored(&[("0001.eml", "drive-failed")]);
}

/// Fault 56: deeper in, a link leads to files of the card.
#[test]
fn links_anywhere_below_are_not_followed() {
    let (station, red) = Station::with_drive();
    station.deliver_many(3);
    station.mirror().expect_safe();
    let secret = station.path("secret");
    fs::write(&secret, "not of this drive").unwrap();
    // A copy.
    let copy = red.payload_of("m001.eml");
    fs::remove_file(&copy).unwrap();
    symlink(&secret, &copy).unwrap();
    station.restore().expect_unsafe().expect_counts(&[("restored", 2), ("damaged", 1)]);
    station.verify().expect_unsafe().expect_counts(&[("good", 2), ("damaged", 1)]);
    station.mirror().expect_safe().expect_counts(&[("copied", 1)]);
    // The manifest and the ledger: a write through them would end in a file of the card.
    for log in [red.manifest(), red.ledger()] {
        let text = fs::read(&log).unwrap();
        fs::remove_file(&log).unwrap();
        symlink(&secret, &log).unwrap();
        red.replug();
        station.deliver("0004.eml", mail("water level"));
        station.mirror().expect_failed().expect_words(&["something else stands where"]);
        station.delete("0004.eml");
        fs::remove_file(&log).unwrap();
        fs::write(&log, text).unwrap();
    }
    // A segment folder.
    let aside = station.path("aside");
    fs::rename(red.bag().join("data/0001"), &aside).unwrap();
    symlink(&aside, red.bag().join("data/0001")).unwrap();
    station.restore().expect_unsafe();
    assert_eq!(fs::read(&secret).unwrap(), b"not of this drive");
}

/// Fault 56: lines of manifest and ledger that lead out of the drive or out of the mailbox.
#[test]
fn paths_that_lead_out_are_no_paths() {
    let (station, red) = Station::with_drive();
    station.deliver("0001.eml", mail("water level"));
    station.mirror().expect_safe();
    let outside = red.path().join("outside.eml");
    fs::write(&outside, "not of this bag").unwrap();
    let digest = "0".repeat(64);
    let mut manifest = fs::read_to_string(red.manifest()).unwrap();
    for path in ["../../outside.eml", "/etc/hostname", "data/../../../outside.eml"] {
        manifest += &format!("{digest}  {path}\n");
    }
    fs::write(red.manifest(), manifest).unwrap();
    let ledger = fs::read_to_string(red.ledger()).unwrap();
    let evil = ledger.replace("\"path\":\"0001.eml\"", "\"path\":\"../0001.eml\"");
    fs::write(red.ledger(), evil).unwrap();
    station.restore().expect_safe().expect_counts(&[("restored", 1), ("numbered", 1)]);
    assert!(!station.path("0001.eml").exists());
    let names: Vec<_> =
        fs::read_dir(station.restored()).unwrap().map(|e| e.unwrap().file_name()).collect();
    assert_eq!(names, ["recovered"]);
}

/// Fault 57: lines without end, depths without end, lengths beyond every file.
#[test]
fn a_ledger_made_to_exhaust_the_machine_is_passed_over() {
    let (mut station, red) = Station::with_drive();
    station.deliver("0001.eml", mail("water level"));
    station.mirror().expect_safe();
    let ledger = fs::read(red.ledger()).unwrap();
    let deep = [vec![b'['; 30_000], b"\n".to_vec()].concat();
    let huge = b"{\"v\":1,\"seq\":18446744073709551615,\"bytes\":18446744073709551615}\n".to_vec();
    fs::write(red.ledger(), [deep, huge, ledger].concat()).unwrap();
    // And a line longer than the memory allowed, of which the file system stores nothing.
    let file = fs::File::options().append(true).open(red.ledger()).unwrap();
    let length = file.metadata().unwrap().len();
    file.set_len(length + (256 << 20)).unwrap();
    let manifest = fs::File::options().append(true).open(red.manifest()).unwrap();
    manifest.set_len(1 << 28).unwrap();
    station.run_prefixed(&["prlimit".as_ref(), "--as=134217728".as_ref()]);
    station.restore().expect_safe().expect_counts(&[("restored", 1)]);
}

/// Fault 57: an id file that is none, and does not end.
#[test]
fn an_endless_id_file_is_not_read() {
    let (station, red) = Station::with_drive();
    fs::create_dir(red.home()).unwrap();
    let id = fs::File::create(red.home().join("drive.json")).unwrap();
    id.set_len(1 << 40).unwrap();
    station.deliver("0001.eml", mail("water level"));
    station.mirror().expect_failed().expect_words(&["drive.json is not ours"]);
    assert_eq!(fs::read_dir(red.home()).unwrap().count(), 1, "nothing is written");
}

/// Fault 58 in part: a copy exchanged for another is not handed out under the first one's name.
#[test]
fn an_exchanged_copy_is_not_handed_out() {
    let (station, red) = Station::with_drive();
    station.deliver_many(2);
    station.mirror().expect_safe();
    fs::write(red.payload_of("m000.eml"), mail("evacuate at once")).unwrap();
    station.restore().expect_unsafe().expect_counts(&[("restored", 1), ("damaged", 1)]);
    assert!(!station.restored().join("m000.eml").exists());
}
