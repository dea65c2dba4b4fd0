//! Several mailboxes, one of them in trouble: it stops itself and nothing else, is said, and is called safe by nobody.

use crate::station::{Mounted, Station, expect_same, mail, sh};
use crate::stick::Stick;
use crate::verdicts::expect_agreed;
use std::ffi::OsStr;
use std::fs;
use std::path::Path;

/// Two mailboxes with a message each, both on `red`.
fn two_mailboxes() -> (Station, Stick) {
    let (mut station, red) = Station::with_drive();
    station.add_mailbox("outbox");
    station.deliver_to("inbox", "in-1.eml", mail("water level"));
    station.deliver_to("outbox", "out-1.eml", mail("water level, answered"));
    station.mirror().expect_verdict("safe").expect_counts(&[("copied", 2)]);
    (station, red)
}

/// The outbox is in trouble: mail for the inbox is copied all the same, and nothing of the outbox is called gone.
fn expect_others_served(station: &Station, red: &Stick, state: &str) {
    station.deliver_to("inbox", "in-2.eml", mail("bridge closed"));
    station.mirror().expect_verdict("not-known").expect_counts(&[("copied", 1)]);
    for output in expect_agreed(station, "not-known") {
        let outbox = output.mailbox("outbox");
        assert_eq!(outbox["state"], state, "{outbox}");
        assert_eq!((&outbox["messages"], &outbox["missing"]), (&1.into(), &0.into()));
        assert_eq!(output.mailbox("inbox")["state"], "ok");
        output
            .expect_words(&["mailbox outbox", "What is known of it stays as it was"])
            .expect_counts(&[("messages.total", 3), ("messages.mirrored", 3)])
            .expect_counts(&[("messages.vanished", 0)]);
    }
    for command in ["mirror", "status", "audit"] {
        let output = station.command(&[command]).expect_unsafe();
        output.expect_words(&["pier-4: NOT KNOWN: ", "mailbox outbox", "all 3 messages"]);
    }
    let gone = ["removed", "vanished", "moved"].map(|kind| red.lines_of(kind).len());
    assert_eq!(gone, [0, 0, 0], "nothing is told of a mailbox that nobody saw");
    station.restore().expect_safe().expect_counts(&[("restored", 3)]);
}

#[test]
fn a_mailbox_without_its_folder_stops_itself_and_nothing_else() {
    let (station, red) = two_mailboxes();
    fs::rename(station.mailbox("outbox"), station.path("card/elsewhere")).unwrap();
    expect_others_served(&station, &red, "away");
    fs::rename(station.path("card/elsewhere"), station.mailbox("outbox")).unwrap();
    expect_agreed(&station, "safe");
}

#[test]
fn a_mailbox_that_is_a_file_stops_itself_and_nothing_else() {
    let (station, red) = two_mailboxes();
    fs::rename(station.mailbox("outbox"), station.path("card/elsewhere")).unwrap();
    fs::write(station.mailbox("outbox"), "no folder").unwrap();
    expect_others_served(&station, &red, "not-a-folder");
}

#[test]
fn a_mailbox_without_the_right_to_read_it_stops_itself_and_nothing_else() {
    use std::os::unix::fs::PermissionsExt as _;
    let (mut station, red) = two_mailboxes();
    station.run_as_nobody();
    let outbox = station.mailbox("outbox");
    std::os::unix::fs::chown(&outbox, Some(0), Some(0)).unwrap();
    // Listed by nobody, though what is in it could be opened by whoever knows its name.
    for mode in [0o700, 0o711] {
        fs::set_permissions(&outbox, fs::Permissions::from_mode(mode)).unwrap();
        let output = station.audit().expect_verdict("not-known");
        assert_eq!(output.mailbox("outbox")["state"], "unreadable", "{mode:o}");
        assert_eq!(output.mailbox("outbox")["why"], "Permission denied (os error 13)");
    }
    expect_others_served(&station, &red, "unreadable");
    fs::set_permissions(&outbox, fs::Permissions::from_mode(0o755)).unwrap();
    expect_agreed(&station, "safe");
}

/// The card's partition is damaged where the mailbox's folder was: the system answers with an error of its own.
#[test]
fn a_mailbox_on_a_damaged_card_stops_itself_and_nothing_else() {
    let (mut station, red) = Station::with_drive();
    let (image, part) = (station.path("part.img"), station.path("card/part"));
    fs::create_dir_all(&part).unwrap();
    fs::File::create(&image).unwrap().set_len(4 << 20).unwrap();
    let plain = ["-q", "-O", "^metadata_csum,^extents,^has_journal,^64bit"].map(OsStr::new);
    sh("mkfs.ext4", &[&plain[..], &[image.as_os_str()]].concat());
    station.add_mailbox("part/outbox");
    fs::remove_dir(station.mailbox("part/outbox")).unwrap();
    {
        let _mounted = Mounted::image(&image, &part);
        station.deliver_to("inbox", "in-1.eml", mail("water level"));
        station.deliver_to("part/outbox", "out-1.eml", mail("water level, answered"));
        station.mirror().expect_verdict("safe");
    }
    // Its blocks are nowhere on the device.
    let nowhere = ["-w", "-R", "set_inode_field outbox block[0] 77777777"].map(OsStr::new);
    sh("debugfs", &[&nowhere[..], &[image.as_os_str()]].concat());
    let _mounted = Mounted::image(&image, &part);
    expect_others_served(&station, &red, "unreadable");
}

#[test]
fn what_was_on_no_drive_of_a_mailbox_that_is_away_stays_not_safe() {
    let (mut station, red) = two_mailboxes();
    station.use_only(&[]);
    station.use_drive(&station.path("media/never"));
    station.deliver_to("outbox", "out-2.eml", mail("shelter open"));
    // Seen by a pass that had no drive.
    station.mirror().expect_failed();
    fs::rename(station.mailbox("outbox"), station.path("card/elsewhere")).unwrap();
    station.use_only(&[&red]);
    let output = expect_agreed(&station, "not-safe");
    for output in output {
        let on_none = mail("shelter open").len() as u64;
        output
            .expect_counts(&[("messages.on_no_drive", 1), ("messages.on_no_drive_bytes", on_none)])
            .expect_counts(&[("messages.total", 3), ("messages.vanished", 0)]);
    }
    station.audit().expect_unmirrored(&[("out-2.eml", "mailbox-away")]);
    let text = station.command(&["audit"]).expect_unsafe();
    text.expect_words(&["NOT SAFE: 1 of 3 messages", "NOT KNOWN: the folder of mailbox outbox"]);
}

#[test]
fn without_any_mailbox_nothing_is_done_and_nothing_is_called_lost() {
    let (station, red) = two_mailboxes();
    for name in ["inbox", "outbox"] {
        fs::rename(station.mailbox(name), station.path("card").join(format!("{name}.old")))
            .unwrap();
    }
    let before = red.everything();
    for command in ["mirror", "status", "audit"] {
        let output = station.command(&[command, "--json"]).expect_failed();
        assert_eq!(output.json()["verdict"], "not-known");
        output.expect_counts(&[("messages.total", 2), ("messages.vanished", 0)]);
    }
    assert_eq!(red.everything(), before);
}

/// A pass that could not open a mailbox has told the drive nothing of it: the next one does, though nothing in the
/// mailbox is new by then.
#[test]
fn a_stick_that_came_while_a_mailbox_was_away_gets_its_messages_afterwards() {
    let (mut station, _red) = two_mailboxes();
    let blue = station.drive("blue");
    station.use_only(&[&blue]);
    fs::rename(station.mailbox("outbox"), station.path("card/elsewhere")).unwrap();
    station.mirror().expect_verdict("not-known").expect_counts(&[("copied", 1)]);
    station.mirror().expect_verdict("not-known").expect_counts(&[("copied", 0)]);
    fs::rename(station.path("card/elsewhere"), station.mailbox("outbox")).unwrap();
    station.mirror().expect_verdict("safe").expect_counts(&[("copied", 1)]);
    station.restore().expect_safe().expect_counts(&[("restored", 2)]);
    expect_same(&station.mailbox("outbox"), &station.restored().join("outbox"));
}

/// The same of one that was not named in between.
#[test]
fn a_stick_that_came_while_a_mailbox_was_not_named_gets_its_messages_afterwards() {
    let (mut station, _red) = two_mailboxes();
    let blue = station.drive("blue");
    station.use_only(&[&blue]);
    station.name_mailboxes(&["inbox"]);
    station.mirror().expect_verdict("safe").expect_counts(&[("copied", 1)]);
    station.name_mailboxes(&["inbox", "outbox"]);
    station.mirror().expect_verdict("safe").expect_counts(&[("copied", 1)]);
    station.restore().expect_safe().expect_counts(&[("restored", 2)]);
}

/// The partition with the mail is not mounted: its mount point is an empty folder. Nobody saw the messages go.
#[test]
fn an_empty_folder_where_mail_was_is_mail_missing_and_not_removed() {
    let (mut station, red) = Station::with_drive();
    station.add_mailbox("outbox");
    station.deliver_to("inbox", "in-1.eml", mail("water level"));
    let outbox = station.mailbox("outbox");
    fs::remove_dir(&outbox).unwrap();
    let part = Mounted::small(&outbox, "size=1m");
    for number in 0..5 {
        station.deliver_to("outbox", format!("{number}.eml"), mail(&format!("report {number}")));
    }
    station.mirror().expect_verdict("safe").expect_counts(&[("copied", 6)]);
    let kept = station.path("kept");
    sh("cp", &[OsStr::new("-a"), outbox.as_os_str(), kept.as_os_str()]);
    drop(part);
    for output in expect_agreed(&station, "damaged-or-missing") {
        let outbox = output.mailbox("outbox");
        assert_eq!((&outbox["state"], &outbox["missing"]), (&"emptied".into(), &5.into()));
        output
            .expect_counts(&[("messages.total", 1), ("messages.vanished", 5)])
            .expect_counts(&[("messages.vanished_on_no_drive", 0)]);
    }
    station.command(&["status"]).expect_unsafe().expect_words(&[
        "pier-4: MESSAGES MISSING: 5 are gone from the card, and nobody saw them go.",
        "The folder of mailbox outbox is empty, and 5 messages were in it",
        "Is its card or partition mounted?",
        "5 missing messages are on a stick. Type:",
        "counterfoil restore --config ",
    ]);
    assert_eq!((red.lines_of("missing").len(), red.lines_of("removed").len()), (5, 0));
    station.restore().expect_safe().expect_counts(&[("restored", 6)]);
    // Mounted again, with everything as it was.
    sh("mount", &[OsStr::new("--bind"), kept.as_os_str(), outbox.as_os_str()]);
    let output = station.mirror();
    sh("umount", &[outbox.as_os_str()]);
    output.expect_verdict("safe").expect_counts(&[("copied", 0)]);
}

fn lines_of_mailbox(red: &Stick, kind: &str, mailbox: &str) -> usize {
    red.lines_of(kind).iter().filter(|line| line["mailbox"] == mailbox).count()
}

/// A mailbox that the config does not name any more is no part of any answer, and a restore gives it back.
#[test]
fn a_mailbox_dropped_from_the_config_is_neither_safe_nor_missing_and_is_given_back() {
    let (mut station, red) = two_mailboxes();
    station.name_mailboxes(&["inbox"]);
    fs::remove_dir_all(station.mailbox("outbox")).unwrap();
    for output in expect_agreed(&station, "safe") {
        let output = output.expect_counts(&[("messages.total", 1), ("messages.mirrored", 1)]);
        assert_eq!(output.json()["mailboxes"].as_array().unwrap().len(), 1);
        let expected = serde_json::json!([{"mailbox": "outbox", "messages": 1}]);
        assert_eq!(output.json()["not_in_config"], expected);
    }
    for command in ["mirror", "status", "audit"] {
        station.command(&[command]).expect_safe().expect_words(&[
            "pier-4: SAFE: the 1 message",
            "1 message of mailbox outbox is on the sticks and no longer in the config.",
        ]);
    }
    assert_eq!(lines_of_mailbox(&red, "vanished", "outbox"), 0);
    assert_eq!(lines_of_mailbox(&red, "removed", "outbox"), 0);
    station.restore().expect_safe().expect_counts(&[("restored", 2)]);
    let back = fs::read(station.restored().join("outbox/out-1.eml")).unwrap();
    assert_eq!(back, mail("water level, answered").as_bytes());
}

/// The copies and waits that a report tells of are those of the mailboxes in the config too.
#[test]
fn the_figures_are_those_of_the_mailboxes_in_the_config() {
    let (mut station, _red) = two_mailboxes();
    station.name_mailboxes(&["inbox"]);
    let json = station.audit().expect_verdict("safe").json();
    assert_eq!(json["copies"]["messages_by_copies"], serde_json::json!([0, 1]));
    assert_eq!(json["weight"]["all"]["messages"], 1);
}

/// The same folder under a new name: its messages are safe under that, and come back under both.
#[test]
fn a_mailbox_renamed_in_the_config_keeps_its_messages_and_calls_none_missing() {
    let (mut station, red) = Station::with_drive();
    station.deliver_many(3);
    station.mirror().expect_verdict("safe");
    station.name_mailboxes_as(&[("post", "inbox")]);
    for output in expect_agreed(&station, "safe") {
        output.expect_counts(&[("messages.total", 3), ("messages.vanished", 0)]);
    }
    assert_eq!(red.payloads().len(), 3, "nothing is copied twice");
    let output = station.command(&["status"]).expect_safe();
    output.expect_words(&[
        "3 messages of mailbox inbox are on the sticks and no longer in the config",
    ]);
    station.restore().expect_safe();
    for name in ["post", "inbox"] {
        expect_same(&station.inbox(), &station.restored().join(name));
    }
}

/// What is known of the mailbox under its old name is no proof that a message is still there.
#[test]
fn a_message_lost_after_the_mailbox_was_renamed_is_missing() {
    let (mut station, red) = Station::with_drive();
    station.deliver_many(3);
    station.mirror().expect_verdict("safe");
    station.name_mailboxes_as(&[("post", "inbox")]);
    station.mirror().expect_verdict("safe");
    station.delete("m001.eml");
    for output in expect_agreed(&station, "damaged-or-missing") {
        output.expect_counts(&[("messages.total", 2), ("messages.vanished", 1)]);
    }
    assert_eq!(lines_of_mailbox(&red, "missing", "post"), 1);
    station.restore().expect_safe();
    assert!(station.restored().join("post/m001.eml").exists());
}

/// A run over one mailbox forgets nothing of the other.
#[test]
fn what_is_missing_from_a_mailbox_is_missing_again_after_a_run_without_it() {
    let (mut station, _red) = two_mailboxes();
    fs::remove_file(station.mailbox("outbox").join("out-1.eml")).unwrap();
    station.mirror().expect_verdict("damaged-or-missing");
    station.name_mailboxes(&["inbox"]);
    expect_agreed(&station, "safe");
    station.name_mailboxes(&["inbox", "outbox"]);
    for output in expect_agreed(&station, "damaged-or-missing") {
        output.expect_counts(&[("messages.vanished", 1)]);
    }
}

/// Paths that are ignored later did not leave: no drive is told that they did, and a restore gives them back.
#[test]
fn what_is_ignored_later_is_no_mail_any_more_and_is_neither_missing_nor_removed() {
    let (station, red) = Station::with_drive();
    for path in ["0001.eml", "spam/0002.eml", "spam/deep/0003.eml", "draft.part"] {
        station.deliver(path, mail(path));
    }
    station.mirror().expect_verdict("safe").expect_counts(&[("copied", 4)]);
    // The folder itself, and a pattern.
    station.write_config("ignore = [\"spam\", \"*.part\"]\n");
    // One of them went meanwhile; that is nobody's business any more.
    station.delete("spam/0002.eml");
    let output = station.audit().expect_verdict("safe");
    output.expect_words(&["3 messages at paths that the config ignores now"]);
    station.mirror().expect_verdict("safe").expect_counts(&[("copied", 0)]);
    for output in expect_agreed(&station, "safe") {
        output.expect_counts(&[("messages.total", 1), ("messages.vanished", 0)]);
    }
    let output = ["removed", "vanished", "moved"].map(|kind| red.lines_of(kind).len());
    assert_eq!(output, [0, 0, 0]);
    station.restore().expect_safe().expect_counts(&[("restored", 4)]);
    // Not ignored any more: what is there is known again, and nothing is copied twice.
    station.write_config("");
    station.mirror().expect_verdict("safe").expect_counts(&[("copied", 0)]);
    station.audit().expect_verdict("safe").expect_counts(&[("messages.total", 3)]);
}

/// A message that was missing and lies at a path that is ignored now gives no alarm for ever.
#[test]
fn what_was_missing_and_is_ignored_later_is_missing_no_more() {
    let (station, _red) = Station::with_drive();
    station.deliver("0001.eml", mail("water level"));
    station.deliver("cache/0002.eml", mail("of no interest"));
    station.mirror().expect_verdict("safe");
    station.delete("cache/0002.eml");
    station.mirror().expect_verdict("damaged-or-missing");
    station.write_config("ignore = [\"cache/**\"]\n");
    assert_eq!(station.mirror().expect_verdict("safe").mailbox("inbox")["ignored"], 1);
    expect_agreed(&station, "safe");
    assert!(!Path::new(&station.inbox().join("cache/0002.eml")).exists());
    station.restore().expect_safe().expect_counts(&[("restored", 2)]);
}

/// One message for two operators, delivered to both at once. One of them vanishes: nobody moved it to the other, which
/// was there before.
#[test]
fn a_message_that_vanishes_did_not_move_to_its_twin_in_another_mailbox() {
    for vanished in ["inbox", "outbox"] {
        let (station, red) = two_mailboxes();
        station.deliver_to("inbox", "twin.eml", mail("to both"));
        station.deliver_to("outbox", "twin.eml", mail("to both"));
        station.mirror().expect_verdict("safe");
        fs::remove_file(station.mailbox(vanished).join("twin.eml")).unwrap();
        // Its content is in the other one still: nothing is lost, and both places come back.
        (0..2).for_each(|_| drop(station.mirror().expect_verdict("safe")));
        assert_eq!(red.lines_of("removed").len(), 0, "nobody saw it go");
        station.restore().expect_counts(&[("restored", 4)]);
    }
}

/// One that is in the other mailbox and not in its own any more did.
#[test]
fn a_message_moved_between_passes_is_no_twin() {
    let (station, _red) = two_mailboxes();
    fs::rename(
        station.mailbox("inbox").join("in-1.eml"),
        station.mailbox("outbox").join("in-1.eml"),
    )
    .unwrap();
    station.mirror().expect_verdict("safe");
    station.restore().expect_counts(&[("restored", 2)]);
}
