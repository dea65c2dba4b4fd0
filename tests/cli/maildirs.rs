//! A folder called `tmp`: a Maildir's is left out, and that is said; any other is a folder with mail in it.

use crate::station::{Station, expect_same, mail};
use std::fs;

fn maildir(station: &Station, at: &str) {
    for folder in ["cur", "new", "tmp"] {
        fs::create_dir_all(station.inbox().join(at).join(folder)).unwrap();
    }
}

/// Fault 42: what a mail program has not finished delivering is not mail yet.
#[test]
fn a_maildirs_tmp_is_no_mail() {
    let (station, red) = Station::with_drive();
    for at in ["", ".Sent"] {
        maildir(&station, at);
    }
    station.deliver("new/17.M1.pier", mail("water level"));
    // With nothing in it there is nothing to tell.
    station.mirror().expect_safe().expect_no_warning();
    let quiet = station.audit().expect_safe();
    assert_eq!(quiet.warnings(), "");
    station.deliver("tmp/18.M2.pier", "half of a mess");
    station.deliver(".Sent/tmp/19.M3.pier", "half of ano");
    station.audit().expect_safe().expect_counts(&[("messages.total", 1)]);
    station.mirror().expect_safe().expect_counts(&[("copied", 0)]);
    assert_eq!(red.payloads().len(), 1);
}

#[test]
fn what_is_left_out_is_said_once_and_makes_nothing_red() {
    let (station, _red) = Station::with_drive();
    maildir(&station, "");
    maildir(&station, ".Sent");
    station.deliver(".Sent/new/17.M1.pier", mail("water level"));
    station.deliver(".Sent/tmp/18.M2.pier", "half of a mess");
    station.deliver(".Sent/tmp/19.M3.pier", "half of another");
    station.mirror().expect_safe();
    for command in [&["mirror"][..], &["audit"], &["audit", "--json"], &["status"]] {
        let output = station.command(command).expect_safe().expect_no_warning();
        let said: Vec<_> = output.warnings().lines().map(str::to_owned).collect();
        let about: Vec<_> = said.iter().filter(|line| line.contains("left out")).collect();
        assert_eq!(about.len(), 1, "{command:?}: {said:?}");
        let words = "note: inbox: left out: .Sent/tmp (unfinished deliveries of a Maildir)";
        assert!(about[0].starts_with(words), "{}", about[0]);
        assert!(about[0].ends_with("move it to .Sent/new"), "{}", about[0]);
    }
    let config = station.config_file();
    station
        .run(&["config", "check", "--config", config.to_str().unwrap()])
        .expect_safe()
        .expect_words(&["# Left out in addition to ignore: a folder tmp next to cur and new"]);
}

/// Beside only one of the two, beside files of those names, deeper down, or alone: it is like any other folder.
#[test]
fn any_other_folder_of_that_name_is_mirrored() {
    let (station, red) = Station::with_drive();
    let paths = [
        "tmp/0001.eml",
        "tmp/deep/0002.eml",
        "a/tmp/0003.eml",
        "a/new/0004.eml",
        "b/tmp/0005.eml",
        "b/cur/0006.eml",
        "c/tmp/0007.eml",
        "c/cur",
        "c/new/0008.eml",
        "tmp/tmp/0009.eml",
        "d/cur/0010.eml",
        "d/tmp",
    ];
    for path in paths {
        station.deliver(path, mail(path));
    }
    station.audit().expect_unsafe().expect_counts(&[("messages.total", paths.len() as u64)]);
    let output = station.mirror().expect_safe().expect_no_warning();
    assert!(!output.warnings().contains("left out"), "{}", output.warnings());
    assert_eq!(red.payloads().len(), paths.len());
    station.audit().expect_safe();
    station.restore().expect_safe().expect_counts(&[("restored", paths.len() as u64)]);
    // What a restore makes beside is no Maildir around a folder that is none.
    let left: Vec<_> = fs::read_dir(station.restored().join("a")).unwrap().collect();
    assert_eq!(left.len(), 2, "{left:?}");
    expect_same(&station.inbox(), &station.restored());
    // The mailbox of a new card is that one, and all of it is mirrored again.
    fs::remove_dir_all(station.inbox()).unwrap();
    station.restore_with(&[]).expect_safe();
    station.mirror().expect_safe().expect_counts(&[("copied", 0)]);
    station.audit().expect_safe().expect_counts(&[("messages.total", paths.len() as u64)]);
}

/// A rehearsal leaves out what a scan does, and nothing else.
#[test]
fn a_rehearsal_goes_by_the_same_rule() {
    let (station, _red) = Station::with_drive();
    maildir(&station, "in");
    station.deliver("in/new/17.M1.pier", mail("water level"));
    station.deliver("in/tmp/18.M2.pier", "half of a mess");
    station.deliver("tmp/0001.eml", mail("bridge closed"));
    station.mirror().expect_safe();
    let counts = [("same", 2), ("not_restored", 0)];
    station.command(&["restore", "--rehearse", "--json"]).expect_safe().expect_counts(&counts);
    station.deliver("tmp/0002.eml", mail("not on the drive yet"));
    let output = station.command(&["restore", "--rehearse", "--json"]).expect_unsafe();
    output.expect_counts(&[("same", 2), ("not_restored", 1)]);
}
