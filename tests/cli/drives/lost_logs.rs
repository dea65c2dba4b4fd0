//! Ledger, manifest or id lost: what is left still gives every message.

use crate::station::{Station, expect_same, mail};
use std::fs;
use std::os::unix::fs::FileExt as _;

fn mirrored() -> (Station, crate::stick::Stick) {
    let (station, red) = Station::with_drive();
    station.deliver_many(4);
    station.mirror().expect_safe();
    (station, red)
}

/// Fault 52: a repair tool took the ledger.
#[test]
fn a_deleted_ledger_is_written_anew_from_what_the_mailbox_has() {
    let (station, red) = mirrored();
    fs::remove_file(red.ledger()).unwrap();
    red.replug();
    station.audit().expect_unsafe();
    station.mirror().expect_safe().expect_words(&["the ledger has 0 bytes and had"]);
    assert_eq!(red.payloads().len(), 4, "the copies are there: nothing is copied twice");
    red.expect_bag_valid();
    station.audit().expect_safe();
    station.restore().expect_safe().expect_counts(&[("restored", 4), ("numbered", 0)]);
    expect_same(&station.inbox(), &station.restored());
}

/// Faults 49, 52: the same while the drive stays mounted. A look beside it calls nothing safe, and the next pass writes
/// it again without a second try.
#[test]
fn a_log_deleted_while_mounted_is_noticed_and_written_anew_at_once() {
    let (station, red) = mirrored();
    let missing = "damaged-or-missing";
    station.delete("m001.eml");
    station.mirror().expect_verdict(missing);
    fs::remove_file(red.ledger()).unwrap();
    station.audit().expect_counts(&[("messages.mirrored", 0)]);
    station.mirror().expect_verdict(missing).expect_counts(&[("copied", 0)]);
    red.expect_bag_valid();
    station.audit().expect_verdict(missing).expect_counts(&[("messages.mirrored", 3)]);
    fs::remove_file(red.manifest()).unwrap();
    station.audit().expect_verdict(missing).expect_counts(&[("messages.mirrored", 3)]);
    station.mirror().expect_verdict(missing).expect_counts(&[("copied", 0)]);
    red.expect_bag_valid();
    station.verify().expect_safe();
    // What vanished is wanted back, under its name.
    station.restore().expect_safe().expect_counts(&[("restored", 4), ("numbered", 0)]);
}

/// Fault 52: a repair tool cut the manifest, which is written anew from the ledger.
#[test]
fn a_deleted_manifest_is_written_anew() {
    let (station, red) = mirrored();
    fs::remove_file(red.manifest()).unwrap();
    station.restore().expect_safe().expect_counts(&[("restored", 4)]);
    red.replug();
    station.mirror().expect_safe().expect_counts(&[("copied", 0)]);
    red.expect_bag_valid();
}

/// Fault 3: a power failure tore the manifest anywhere. It is covered, so that `sha256sum --strict` is content.
#[test]
fn a_torn_manifest_is_covered_and_whole_again() {
    let (station, red) = mirrored();
    let manifest = fs::read(red.manifest()).unwrap();
    let line = manifest.len() / 4;
    for kept in [line - 1, line + 1, line + 63, line + 66, manifest.len() - 1, 0] {
        fs::write(red.manifest(), &manifest[..kept]).unwrap();
        red.replug();
        station.mirror().expect_safe().expect_counts(&[("copied", 0)]);
        red.expect_bag_valid();
    }
    for junk in [&b"x"[..], b"\n", b"\0\0\0\0\0", &[0; 4096], &[b'f'; 70_000]] {
        fs::write(red.manifest(), [&manifest, junk].concat()).unwrap();
        red.replug();
        station.mirror().expect_safe().expect_counts(&[("copied", 0)]);
        red.expect_bag_valid();
    }
}

/// A torn line of the manifest with more copies than it to write.
#[test]
fn a_block_of_the_manifest_never_written_is_covered() {
    let (station, red) = mirrored();
    let file = fs::File::options().write(true).open(red.manifest()).unwrap();
    let length = file.metadata().unwrap().len();
    file.write_all_at(&[0; 100], length - 100).unwrap();
    red.replug();
    station.deliver("more.eml", mail("one more"));
    station.mirror().expect_safe().expect_counts(&[("copied", 1)]);
    red.expect_bag_valid();
}

/// Fault 52: nothing is left but the copies themselves.
#[test]
fn copies_alone_are_restored_under_their_numbers() {
    let (station, red) = mirrored();
    for file in fs::read_dir(red.bag()).unwrap().map(Result::unwrap) {
        if file.file_type().unwrap().is_file() {
            fs::remove_file(file.path()).unwrap();
        }
    }
    let output = station.restore().expect_safe();
    output.expect_counts(&[("restored", 4), ("numbered", 4)]);
    let recovered = station.restored().join("recovered");
    let mut texts: Vec<_> = fs::read_dir(&recovered)
        .unwrap()
        .map(|entry| fs::read_to_string(entry.unwrap().path()).unwrap())
        .collect();
    texts.sort();
    assert_eq!(texts, (0..4).map(|n| mail(&format!("traffic {n}"))).collect::<Vec<_>>());
    for number in 1..=4 {
        assert!(recovered.join(format!("{}-{number:08}.EML", red.id())).exists());
    }
    // Without a goal nobody knows where they belong.
    station.restore_with(&[]).expect_refused().expect_words(&["--into DIR"]);
    // With its id gone too, they still can be had.
    fs::remove_file(red.home().join("drive.json")).unwrap();
    station.restore().expect_safe().expect_counts(&[("restored", 4), ("numbered", 4)]);
}

#[test]
fn a_damaged_copy_in_the_manifest_alone_is_not_handed_out() {
    let (station, red) = mirrored();
    fs::remove_file(red.ledger()).unwrap();
    red.rot(&red.bag().join("data/0001/00000002.EML"));
    let output = station.restore().expect_unsafe();
    output.expect_counts(&[("restored", 3), ("numbered", 3), ("damaged", 1)]);
}

/// A power failure while the drive was begun: its id is half a file.
#[test]
fn a_torn_id_is_made_anew_and_the_copies_stay() {
    let (station, red) = mirrored();
    for left in [
        "",
        "{\"format\":1,\"id\":\"00",
        "not ours at all, and longer than the file that we would write here: \
         .........................................................",
    ] {
        fs::write(red.home().join("drive.json"), left).unwrap();
        station.restore().expect_safe().expect_counts(&[("restored", 4)]);
        red.replug();
        station.mirror().expect_safe();
        assert_eq!(red.id().len(), 16);
        assert_eq!(red.payloads().len(), 4, "nothing is copied twice");
        red.expect_bag_valid();
        station.audit().expect_safe();
    }
}

/// A power failure while the bag was begun: its small files are missing or short.
#[test]
fn torn_small_files_of_the_bag_are_made_anew() {
    let (station, red) = mirrored();
    let names = ["bagit.txt", "bag-info.txt", "README.TXT"];
    let read = |name: &str| fs::read(red.bag().join(name)).unwrap();
    let before: Vec<_> = names.iter().map(|name| read(name)).collect();
    for left in [None, Some(0), Some(10)] {
        for (name, text) in names.iter().zip(&before) {
            match left {
                None => fs::remove_file(red.bag().join(name)).unwrap(),
                Some(left) => fs::write(red.bag().join(name), &text[..left]).unwrap(),
            }
        }
        red.replug();
        station.mirror().expect_safe();
        let after: Vec<_> = names.iter().map(|name| read(name)).collect();
        assert_eq!(after, before);
    }
}
