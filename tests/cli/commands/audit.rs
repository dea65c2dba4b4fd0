//! `audit`: what would be lost now, and why. It only looks.

use crate::command_output::fields;
use crate::station::{Station, mail};

/// What every report of the mailboxes counts.
pub(super) const COUNTS: [&str; 19] = [
    "by_damaged_ledgers",
    "by_drives_in_question",
    "bytes",
    "deleted",
    "fewer_copies",
    "fewer_copies_bytes",
    "held_back",
    "mirrored",
    "on_no_drive",
    "on_no_drive_bytes",
    "suspect",
    "suspect_on_no_drive",
    "total",
    "unconfirmed",
    "unconfirmed_bytes",
    "unmirrored",
    "unmirrored_bytes",
    "vanished",
    "vanished_on_no_drive",
];

/// What a report says of the card: bytes written since boot and since its file system was made, by everybody, and by the
/// service or this command; its kind (`emmc`, `sd`); an eMMC's steps of 10 % of its life, 11 beyond it, and its blocks
/// in reserve (`normal`, `warning`, `urgent`); whether it should be replaced. `null`: not known.
pub(super) const CARD: [&str; 7] = [
    "kind",
    "life_tenths",
    "reserve",
    "worn",
    "written_by_program",
    "written_ever",
    "written_since_boot",
];

/// What every report says of a mailbox.
const MAILBOX: [&str; 8] =
    ["ignored", "messages", "missing", "name", "path", "state", "was_at", "why"];

const MESSAGE: [&str; 13] = [
    "airtime_seconds",
    "bytes",
    "copies",
    "date",
    "displaced",
    "first_seen",
    "from",
    "mailbox",
    "path",
    "reason",
    "sha256",
    "subject",
    "to",
];

const DRIVE: [&str; 26] = [
    "announced",
    "away_since",
    "bytes",
    "carried_bytes",
    "contradicts",
    "copies_unread",
    "counts",
    "days_left",
    "forgotten",
    "history",
    "id",
    "known",
    "known_since",
    "label",
    "last_seen",
    "last_verified",
    "ledger_damaged",
    "manifest_damaged",
    "medium",
    "messages",
    "mounted",
    "replace_soon",
    "replaced",
    "same_device_as",
    "state",
    "untrusted",
];

#[test]
fn a_message_is_unmirrored_until_a_drive_has_it() {
    let mut station = Station::new();
    station.deliver("0001.eml", mail("water level"));
    station.audit().expect_unsafe().expect_unmirrored(&[("0001.eml", "no-drive")]).expect_counts(
        &[("messages.total", 1), ("messages.mirrored", 0), ("messages.unmirrored", 1)],
    );
    station.drive("red");
    station.audit().expect_unsafe().expect_unmirrored(&[("0001.eml", "not-yet")]);
    station.mirror().expect_safe();
    station.audit().expect_safe().expect_unmirrored(&[]).expect_counts(&[
        ("messages.total", 1),
        ("messages.mirrored", 1),
        ("vanished", 0),
    ]);
}

#[test]
fn the_report_has_exactly_these_fields() {
    let (station, red) = Station::with_drive();
    station.deliver("kept.eml", mail("kept"));
    station.deliver("lost.eml", mail("lost"));
    station.deliver("emptied.eml", mail("emptied"));
    station.mirror().expect_safe();
    station.delete("lost.eml");
    station.replace("emptied.eml", "");
    station.deliver("new.eml", mail("water level"));
    let output = station.audit().expect_unsafe();
    let json = output.json();
    assert_eq!(
        fields(&json),
        [
            "assumed",
            "at_risk",
            "card",
            "clock_trusted",
            "contradictions",
            "copies",
            "drives",
            "exposure",
            "generated",
            "keeping",
            "lacking",
            "mailboxes",
            "messages",
            "not_in_config",
            "rehearsed",
            "same_device_counted",
            "same_device_left_out",
            "schema",
            "state",
            "station",
            "suspect",
            "unmirrored",
            "vanished",
            "verdict",
            "weight"
        ]
    );
    assert_eq!(fields(&json["at_risk"]), ["airtime_seconds", "amp_hours", "bytes", "messages"]);
    assert_eq!(fields(&json["messages"]), COUNTS);
    assert_eq!(fields(&json["card"]), CARD);
    assert_eq!(fields(&json["mailboxes"][0]), MAILBOX);
    assert_eq!(json["station"], "pier-4");
    assert!(json["clock_trusted"].is_boolean());
    let output = output
        .expect_unmirrored(&[("emptied.eml", "not-yet"), ("new.eml", "not-yet")])
        .expect_listed("vanished", "reason", &[("lost.eml", "null")])
        .expect_listed("suspect", "suspect", &[("emptied.eml", "emptied")])
        .expect_counts(&[("messages.suspect", 1), ("messages.vanished", 1), ("messages.total", 3)]);
    let new = json["unmirrored"].as_array().unwrap().iter().find(|m| m["path"] == "new.eml");
    let new = new.unwrap();
    assert_eq!(fields(new), MESSAGE);
    assert_eq!(fields(&json["vanished"][0]), MESSAGE);
    assert_eq!(new["from"], "Net control <q0net@example.org>");
    assert_eq!(new["to"], "q1pier@example.org");
    assert_eq!(new["subject"], "water level");
    assert_eq!(new["date"], "2003-07-01T08:52:37Z");
    assert_eq!(new["mailbox"], "inbox");
    assert_eq!(new["bytes"], mail("water level").len());
    let drive = output.drive("red");
    assert_eq!(fields(&drive), DRIVE);
    assert_eq!(drive["id"], red.id());
    assert_eq!((&drive["mounted"], &drive["state"]), (&true.into(), &"safe".into()));
    assert_eq!(drive["messages"], 3);
}

#[test]
fn it_writes_nothing_anywhere() {
    let (station, red) = Station::with_drive();
    station.deliver("0001.eml", mail("water level"));
    station.audit().expect_unsafe();
    assert!(!station.state().exists());
    assert_eq!(std::fs::read_dir(red.path()).unwrap().count(), 0);
    station.mirror().expect_safe();
    station.deliver("0002.eml", mail("bridge closed"));
    let before =
        (red.everything(), std::fs::read(station.state().join("catalogue.sqlite")).unwrap());
    station.audit().expect_unsafe();
    let after =
        (red.everything(), std::fs::read(station.state().join("catalogue.sqlite")).unwrap());
    assert!(before == after, "audit wrote to the drive or to the state");
}

#[test]
fn a_person_sees_what_would_be_lost_first() {
    let mut station = Station::new();
    station.deliver("0001.eml", mail("water level"));
    let output = station.command(&["audit"]).expect_unsafe();
    let verdict = "pier-4: NOT SAFE: 1 of 1 message (159 B) is only on the card.\n";
    let text = output.text();
    assert!(text.starts_with(verdict) && text.ends_with(verdict), "first and last: {text}");
    output.expect_words(&["inbox/0001.eml", "water level", "no-drive: plug in a drive"]);
    station.drive("red");
    station.command(&["mirror"]).expect_safe();
    station
        .command(&["audit"])
        .expect_safe()
        .expect_words(&["pier-4: SAFE: the 1 message (159 B) is on a stick and was checked."]);
}

#[test]
fn a_message_lost_before_any_drive_had_it_is_not_safe() {
    let (station, red) = Station::with_drive();
    let pulled = red.pull();
    station.deliver("0001.eml", mail("water level"));
    station.command(&["drives", "add", red.path().to_str().unwrap()]).expect_safe();
    drop(pulled);
    // Seen by a pass whose only drive fails, then lost.
    std::fs::remove_dir_all(red.path()).unwrap();
    station.mirror().expect_failed();
    station.delete("0001.eml");
    station.audit().expect_unsafe().expect_listed(
        "vanished",
        "reason",
        &[("0001.eml", "no-drive")],
    );
    station.command(&["audit"]).expect_unsafe().expect_words(&["on no drive known here"]);
}

#[test]
fn without_a_mailbox_it_is_wrongly_asked_and_without_its_folder_it_fails() {
    let station = Station::new();
    let config = station.config_file();
    station.run(&["audit", "--config", config.to_str().unwrap()]).expect_refused();
    std::fs::remove_dir(station.inbox()).unwrap();
    station.audit().expect_failed().expect_words(&["does not exist", "inbox"]);
}
