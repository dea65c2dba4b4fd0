//! `mirror`: one pass over every drive.

use crate::command_output::fields;
use crate::commands::audit::COUNTS;
use crate::opened::Opened;
use crate::station::{Station, mail};
use crate::support::mail::long_mail;
use std::os::unix::fs::MetadataExt as _;
use std::time::{Duration, SystemTime, UNIX_EPOCH};

#[test]
fn every_message_is_copied_and_the_second_pass_has_nothing_to_do() {
    let (station, red) = Station::with_drive();
    station.deliver("0001.eml", mail("water level"));
    station.deliver("out/0002.txt", "shelter open");
    station.mirror().expect_safe().expect_no_warning().expect_counts(&[
        ("copied", 2),
        ("already", 0),
        ("failed", 0),
    ]);
    let before = red.everything();
    station.mirror().expect_safe().expect_counts(&[("copied", 0), ("already", 2), ("bytes", 0)]);
    assert_eq!(red.everything(), before, "a pass with nothing to do writes nothing");
    assert_eq!(red.payloads(), ["data/0001/00000001.TXT", "data/0001/00000002.EML"]);
    red.expect_bag_valid();
}

/// Far more than is kept in memory at a time: the drive takes what is read while the rest is read.
#[test]
fn a_first_mirror_reads_each_message_once() {
    let (station, red) = Station::with_drive();
    for n in 0..600 {
        station.deliver(format!("{n:04}.eml"), long_mail(n, 50_000));
    }
    // The times of what has just changed may hide another change.
    let changed = std::fs::metadata(station.inbox().join("0599.eml")).unwrap().ctime();
    while SystemTime::now().duration_since(UNIX_EPOCH).unwrap().as_secs() as i64 <= changed + 2 {
        std::thread::sleep(Duration::from_millis(100));
    }
    let mut opened = Opened::in_folder(&station.inbox());
    station.mirror().expect_safe().expect_no_warning().expect_counts(&[("copied", 600)]);
    let times = opened.times();
    assert!(times.len() == 600 && times.values().all(|times| *times == 1), "{times:?}");
    red.expect_bag_valid();
    assert_eq!(red.lines_of("mirrored").len(), 600);
    // Its state lost, it reads everything again, and nothing is said of a mailbox of which a part is read: one line
    // renews all of it at the end.
    std::fs::remove_dir_all(station.state()).unwrap();
    station.mirror().expect_safe().expect_counts(&[("copied", 0)]);
    assert_eq!((red.lines_of("mirrored").len(), red.lines_of("placed").len()), (600, 0));
    assert_eq!(red.lines_of("mark").len(), 1);
}

#[test]
fn an_empty_mailbox_is_safe() {
    let (station, red) = Station::with_drive();
    station.mirror().expect_safe().expect_counts(&[("copied", 0), ("already", 0)]);
    assert_eq!(std::fs::read(red.manifest()).unwrap(), b"");
    station.audit().expect_safe();
}

#[test]
fn the_report_has_exactly_these_fields() {
    let (station, _red) = Station::with_drive();
    station.deliver("0001.eml", mail("water level"));
    let output = station.mirror().expect_safe();
    let json = output.json();
    assert_eq!(
        fields(&json),
        [
            "already",
            "bytes",
            "contradictions",
            "copied",
            "drives",
            "failed",
            "lacking",
            "mailboxes",
            "messages",
            "not_in_config",
            "same_device_counted",
            "same_device_left_out",
            "schema",
            "state",
            "verdict"
        ]
    );
    assert_eq!(fields(&json["messages"]), COUNTS);
    assert_eq!(json["bytes"], mail("water level").len());
    let red = output.drive("red");
    assert_eq!(
        (&red["copied"], &red["state"], &red["error"]),
        (&1.into(), &"settling".into(), &().into())
    );
}

#[test]
fn a_person_is_told_drive_by_drive() {
    let (station, _red) = Station::with_drive();
    station.deliver("0001.eml", mail("water level"));
    let output = station.command(&["mirror"]).expect_safe();
    assert!(output.text().starts_with("red: 1 message copied, "), "{}", output.text());
    let end = "; wait: its list of messages comes next\n\
               pier-4: SAFE: the 1 message (159 B) is on a stick and was checked.\n";
    assert!(output.text().contains(end), "{}", output.text());
    let quiet = station.command(&["mirror", "--quiet"]).expect_safe().expect_no_warning();
    assert_eq!(quiet.text(), "");
}

#[test]
fn what_could_not_be_copied_makes_it_unsafe() {
    let (station, _red) = Station::with_drive();
    station.deliver("0001.eml", mail("water level"));
    std::os::unix::fs::symlink("0001.eml", station.inbox().join("link.eml")).unwrap();
    station.mirror().expect_unsafe().expect_counts(&[("copied", 1)]);
}

#[test]
fn a_drive_that_is_not_there_costs_nothing_on_the_other() {
    let (mut station, red) = Station::with_drive();
    station.use_drive(&station.path("media/never"));
    station.deliver("0001.eml", mail("water level"));
    station.mirror().expect_unsafe().expect_counts(&[("copied", 1), ("failed", 1)]);
    red.expect_bag_valid();
    assert!(!station.path("media/never").exists(), "a drive's folder is never made");
}

#[test]
fn without_any_drive_it_cannot_be_done() {
    let mut station = Station::new();
    station.deliver("0001.eml", mail("water level"));
    station
        .mirror()
        .expect_failed()
        .expect_words(&["no removable drive is mounted", "--drive DIR"]);
    station.use_drive(&station.path("media/never"));
    station.mirror().expect_failed();
}

#[test]
fn without_its_mailbox_it_cannot_be_done_and_nothing_is_called_lost() {
    let (station, red) = Station::with_drive();
    station.deliver("0001.eml", mail("water level"));
    station.mirror().expect_safe();
    std::fs::rename(station.inbox(), station.path("card/elsewhere")).unwrap();
    let before = red.everything();
    station
        .mirror()
        .expect_failed()
        .expect_words(&["does not exist"])
        .expect_counts(&[("messages.vanished", 0)]);
    assert_eq!(red.everything(), before);
}

#[test]
fn two_mailboxes_are_kept_apart() {
    let (mut station, red) = Station::with_drive();
    station.add_mailbox("outbox");
    station.deliver_to("inbox", "0001.eml", mail("water level"));
    station.deliver_to("outbox", "0001.eml", mail("water level, answered"));
    station.mirror().expect_safe().expect_counts(&[("copied", 2)]);
    let mut places: Vec<_> = red.lines_of("mirrored");
    places.sort_by_key(|line| line["mailbox"].to_string());
    assert_eq!((&places[0]["mailbox"], &places[0]["path"]), (&"inbox".into(), &"0001.eml".into()));
    assert_eq!((&places[1]["mailbox"], &places[1]["path"]), (&"outbox".into(), &"0001.eml".into()));
}

#[test]
fn fewer_copies_than_wanted_are_not_safe() {
    let (mut station, _red) = Station::with_drive();
    station.write_config("[drives]\nwanted_copies = 2\n");
    station.deliver("0001.eml", mail("water level"));
    station.mirror().expect_unsafe();
    station.audit().expect_unsafe().expect_unmirrored(&[("0001.eml", "no-drive")]);
    station.drive("blue");
    station.mirror().expect_safe();
    station.audit().expect_safe().expect_unmirrored(&[]);
}
