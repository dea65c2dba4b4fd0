//! Whose the folders and files are that root puts back: those of whoever owns the folder they come into, as whom root
//! works.

use crate::station::{Station, mail};
use std::fs;
use std::os::unix::fs::{MetadataExt as _, PermissionsExt as _, chown};
use std::path::Path;

fn mirrored() -> Station {
    let (station, _red) = Station::with_drive();
    for path in ["0001.eml", "in/cur/17.M1.pier:2,S", "in/.Sent/new/18.M2.pier", "a/b/c/d.eml"] {
        station.deliver(path, mail(path));
    }
    station.mirror().expect_safe();
    station
}

fn owned(path: &Path, by: u32) {
    fs::create_dir_all(path).unwrap();
    chown(path, Some(by), Some(by + 1)).expect("these tests run as root");
}

/// Everything below a folder belongs to somebody, links and folders and files.
fn expect_owner(root: &Path, by: u32) {
    for entry in walkdir::WalkDir::new(root) {
        let entry = entry.unwrap();
        let facts = entry.metadata().unwrap();
        assert_eq!((facts.uid(), facts.gid()), (by, by + 1), "{:?}", entry.path());
    }
}

#[test]
fn a_target_made_anew_below_an_operators_folder_is_the_operators() {
    let station = mirrored();
    let home = station.path("home/op");
    owned(&home, 1234);
    let target = home.join("mail/of/pier-4");
    station.restore_with(&["--into", target.to_str().unwrap()]).expect_safe();
    expect_owner(&home, 1234);
    for made in ["mail", "mail/of", "mail/of/pier-4"] {
        let mode = fs::metadata(home.join(made)).unwrap().permissions().mode();
        assert_eq!(mode & 0o777, 0o700, "{made} is for its owner alone");
    }
    assert_eq!(fs::metadata(station.path("home")).unwrap().uid(), 0, "what was there is as it was");
}

/// Without `--into`: the mailbox's folder is gone with the card, and its home is not.
#[test]
fn a_mailbox_put_back_where_it_was_is_the_operators() {
    let station = mirrored();
    fs::remove_dir_all(station.inbox()).unwrap();
    chown(station.path("card"), Some(1234), Some(1235)).unwrap();
    station.restore_with(&[]).expect_safe();
    expect_owner(&station.inbox(), 1234);
}

/// Several mailboxes below one folder, that folder itself made anew, by a path that is not absolute and goes up and
/// down.
#[test]
fn folders_of_several_mailboxes_are_the_operators() {
    let mut station = mirrored();
    station.add_mailbox("outbox");
    station.deliver_to("outbox", "0002.eml", mail("bridge closed"));
    station.mirror().expect_safe();
    owned(&station.path("home/op"), 1234);
    station.restore_with(&["--into", "home/op/new/../back"]).expect_safe();
    expect_owner(&station.path("home/op"), 1234);
    assert!(station.path("home/op/back/outbox/0002.eml").exists());
}

/// A folder within the mailbox that is somebody else's: root works as the owner of the target, to whom that folder is
/// closed. What belongs there is told, everything else comes back.
#[test]
fn nothing_comes_into_a_folder_of_a_third_user() {
    let station = mirrored();
    let target = station.restored();
    owned(&target, 1234);
    owned(&target.join("in"), 5678);
    owned(&target.join("a/b"), 0);
    chown(target.join("a"), Some(1234), Some(1235)).unwrap();
    chown(target.join("a/b"), Some(4321), Some(4322)).unwrap();
    let output = station.restore_with(&["--into", target.to_str().unwrap()]).expect_unsafe();
    output.expect_words(&["in/cur/17.M1.pier", "a/b/c/d.eml", "Permission denied"]);
    expect_owner(&target.join("in"), 5678);
    expect_owner(&target.join("a/b"), 4321);
    for path in ["", "0001.eml", "a"] {
        assert_eq!(fs::metadata(target.join(path)).unwrap().uid(), 1234, "{path}");
    }
}

/// Killed at any moment, what root leaves staged is no obstacle to the operator.
#[test]
fn what_root_left_staged_is_cleared_by_the_operator() {
    let mut station = mirrored();
    let target = station.restored();
    let staging = target.join(".counterfoil-restore");
    fs::create_dir_all(staging.join("00000001")).unwrap();
    fs::write(staging.join("00000002"), "half of a mess").unwrap();
    station.run_as_nobody();
    // As it is between making a folder and giving it away, and a file that was not ended.
    for name in ["00000001", "00000002"] {
        chown(staging.join(name), Some(0), Some(0)).unwrap();
        fs::set_permissions(staging.join(name), fs::Permissions::from_mode(0o700)).unwrap();
    }
    station.restore_with(&["--into", target.to_str().unwrap()]).expect_safe();
    assert!(!staging.exists());
}
