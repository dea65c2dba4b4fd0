//! Copies on the mailbox's own card or disk: they are made, and make nothing safe, since they are lost with it. These
//! stories run as for an operator who asks for nothing; a small file system in memory stands for a stick.

use crate::station::{Mounted, Station, expect_same, mail, sh};
use crate::stick::Stick;
use std::ffi::OsStr;
use std::fs;

fn in_earnest() -> (Station, Stick) {
    let (mut station, red) = Station::with_drive();
    station.without_count_same_device();
    station.deliver_many(3);
    (station, red)
}

fn in_memory(station: &mut Station, label: &str) -> (Mounted, Stick) {
    let mounted = Mounted::small(&station.path("media").join(label), "size=16m");
    let stick = station.use_drive(mounted.path());
    (mounted, stick)
}

const SAID: &str = "on the same card or disk as mailbox inbox: its copies do not count";

#[test]
fn a_folder_beside_the_mailbox_is_mirrored_to_and_makes_nothing_safe() {
    let (station, red) = in_earnest();
    let mirrored = station.mirror().expect_unsafe();
    let mirrored = mirrored.expect_words(&[&format!("red is {SAID}"), "counterfoil audit"]);
    let drive = mirrored.expect_counts(&[("copied", 3), ("failed", 0)]).drive("red");
    assert_eq!((&drive["counts"], &drive["same_device_as"]), (&false.into(), &"inbox".into()));
    red.expect_bag_valid();
    let all = [("m000.eml", "no-drive"), ("m001.eml", "no-drive"), ("m002.eml", "no-drive")];
    let audit = station.audit().expect_unsafe().expect_unmirrored(&all);
    let audit = audit.expect_counts(&[
        ("messages.mirrored", 0),
        ("same_device_counted", 0),
        ("same_device_left_out", 1),
        ("keeping.copies", 1),
    ]);
    let drive = audit.drive("red");
    assert_eq!((&drive["counts"], &drive["same_device_as"]), (&false.into(), &"inbox".into()));
    assert_eq!(drive["messages"], 3);
    let words = ["3 of 3 messages", &format!("red is {SAID}")[..]];
    station.command(&["audit"]).expect_unsafe().expect_words(&words);
    station.command(&["status"]).expect_unsafe().expect_words(&words);
    let status = station.command(&["status", "--json"]).expect_unsafe();
    status.expect_counts(&[("same_device_left_out", 1), ("messages.unmirrored", 3)]);
    station.command(&["drives"]).expect_safe().expect_words(&["do not count"]);
    let page = station.path("audit.html");
    station.command(&["audit", "--html", page.to_str().unwrap()]).expect_unsafe();
    assert!(fs::read_to_string(page).unwrap().contains(SAID));
    // A second pass, with nothing to do, says the same.
    station.mirror().expect_unsafe().expect_counts(&[("copied", 0)]).expect_words(&[SAID]);
    // Against a deleted file it is of use.
    station.restore().expect_safe();
    expect_same(&station.inbox(), &station.restored());
}

#[test]
fn a_stick_beside_it_counts_and_the_folder_is_no_second_copy() {
    let (mut station, _red) = in_earnest();
    let (_mounted, amber) = in_memory(&mut station, "amber");
    station.mirror().expect_safe().expect_counts(&[("copied", 6)]);
    amber.expect_bag_valid();
    let audit = station.audit().expect_safe();
    assert_eq!(audit.json()["copies"]["messages_by_copies"], serde_json::json!([0, 3]));
    assert_eq!(audit.drive("amber")["same_device_as"], serde_json::Value::Null);
    assert_eq!(audit.drive("amber")["counts"], true);
    station.write_config("[drives]\nwanted_copies = 2\n");
    station.mirror().expect_unsafe();
    station.audit().expect_unsafe().expect_counts(&[("messages.unmirrored", 3)]);
    station.command(&["status"]).expect_unsafe().expect_words(&[SAID]);
}

/// Whatever way leads there: the device is what counts.
#[test]
fn a_bind_mount_of_the_card_is_the_card() {
    let (mut station, _) = in_earnest();
    fs::create_dir(station.path("card/shelf")).unwrap();
    let mounted = Mounted::bind(&station.path("card/shelf"), &station.path("media/amber"));
    let amber = station.use_drive(mounted.path());
    station.use_only(&[&amber]);
    station.mirror().expect_unsafe().expect_words(&[&format!("amber is {SAID}")]);
    station.audit().expect_unsafe().expect_counts(&[("messages.mirrored", 0)]);
}

/// Also where it is only one of several mailboxes that lies there.
#[test]
fn the_device_of_any_mailbox_is_meant() {
    let (mut station, _) = in_earnest();
    let outbox = Mounted::small(&station.path("card/outbox"), "size=16m");
    fs::create_dir(outbox.path().join("shelf")).unwrap();
    let shelf = station.path("media/shelf");
    let mounted = Mounted::bind(&outbox.path().join("shelf"), &shelf);
    let shelf = station.use_drive(mounted.path());
    station.use_only(&[&shelf]);
    station.mirror().expect_safe();
    station.audit().expect_safe();
    station.add_mailbox("outbox");
    let said = "on the same card or disk as mailbox outbox: its copies do not count";
    station.mirror().expect_unsafe().expect_words(&[said]);
    station.audit().expect_unsafe().expect_counts(&[("messages.mirrored", 0)]);
}

/// Counted only where it is asked for, and said with every answer.
#[test]
fn who_asks_for_it_has_them_counted_and_is_told_with_every_verdict() {
    let (station, _red) = in_earnest();
    station.mirror().expect_unsafe();
    let asked = |words: &[&str]| station.command(&[words, &["--count-same-device"]].concat());
    let said = "were counted, as asked (red)";
    asked(&["audit"]).expect_safe().expect_words(&["SAFE: all 3 messages", said]);
    asked(&["status"]).expect_safe().expect_words(&["SAFE: all 3 messages", said]);
    asked(&["mirror"]).expect_safe().expect_words(&[said]);
    let output = asked(&["audit", "--json"]).expect_safe();
    let output = output.expect_counts(&[("same_device_counted", 1)]);
    assert_eq!(output.json()["same_device_counted"], serde_json::json!(["red"]));
    assert_eq!(output.drive("red")["counts"], true);
    let page = station.path("audit.html");
    asked(&["audit", "--html", page.to_str().unwrap()]).expect_safe();
    assert!(fs::read_to_string(page).unwrap().contains(said));
    // Who does not ask is not told by what another asked for.
    station.audit().expect_unsafe().expect_counts(&[("messages.mirrored", 0)]);
    station.command(&["status"]).expect_unsafe();
    station.mirror().expect_unsafe();
    station.write_config("[drives]\ncount_same_device = true\n");
    station.audit().expect_safe();
    station.command(&["audit"]).expect_safe().expect_words(&[said]);
}

/// The folder was the stick's copy for a while; the stick is what counts, wherever it was last.
#[test]
fn a_drive_counts_by_where_it_is_seen() {
    let (mut station, red) = in_earnest();
    station.mirror().expect_unsafe();
    let mounted = Mounted::small(&station.path("media/amber"), "size=16m");
    let home = red.home();
    sh("cp", &[OsStr::new("-a"), home.as_os_str(), mounted.path().as_os_str()]);
    fs::remove_dir_all(red.home()).unwrap();
    let amber = station.use_drive(mounted.path());
    station.use_only(&[&amber]);
    station.audit().expect_safe().expect_counts(&[("drives", 1)]);
    station.mirror().expect_safe().expect_counts(&[("copied", 0), ("already", 3)]);
    // And back, in the folder: as soon as it is seen there it is lost with the card, also while it is away.
    let back =
        [OsStr::new("-a"), amber.home().as_os_str(), red.path().as_os_str()].map(OsStr::to_owned);
    sh("cp", &back);
    fs::remove_dir_all(amber.home()).unwrap();
    station.use_only(&[&red]);
    station.audit().expect_unsafe();
    station.mirror().expect_unsafe();
    let _pulled = red.pull();
    station.audit().expect_unsafe().expect_counts(&[("messages.mirrored", 0)]);
}

/// A drive made by hand says so at once.
#[test]
fn adding_a_folder_on_the_card_warns() {
    let (station, red) = in_earnest();
    station.mirror().expect_unsafe();
    let path = red.path().to_str().unwrap().to_owned();
    let output = station.command(&["drives", "add", &path]).expect_safe();
    output.expect_words(&[&format!("red is {SAID}")]);
}

/// What waits is not waiting for a drive that would make nothing safe.
#[test]
fn a_new_message_needs_a_stick_and_not_another_pass() {
    let (mut station, _red) = in_earnest();
    station.mirror().expect_unsafe();
    station.deliver("late.eml", mail("late"));
    let output = station.audit().expect_unsafe().json();
    let late = output["unmirrored"].as_array().unwrap().iter().find(|m| m["path"] == "late.eml");
    assert_eq!(late.unwrap()["reason"], "no-drive");
    let (_mounted, _amber) = in_memory(&mut station, "amber");
    let output = station.audit().expect_unsafe().json();
    assert_eq!(output["unmirrored"][0]["reason"], "not-yet");
}
