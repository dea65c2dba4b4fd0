//! What lies in a mailbox and is no message, or cannot be read, or is not wanted.

use crate::station::{Station, mail, sh};
use std::fs;
use std::os::unix::fs::{PermissionsExt as _, symlink};

/// Fault 55: links, pipes and sockets are told, never followed, opened or waited for.
#[test]
fn what_is_not_a_file_is_told_and_left() {
    let (station, red) = Station::with_drive();
    station.deliver("0001.eml", mail("water level"));
    let inbox = station.inbox();
    let outside = station.path("outside.eml");
    fs::write(&outside, "not of this mailbox").unwrap();
    symlink(&outside, inbox.join("link.eml")).unwrap();
    symlink("/nowhere", inbox.join("dangling.eml")).unwrap();
    sh("mkfifo", &[inbox.join("pipe.eml")]);
    let _listening = std::os::unix::net::UnixListener::bind(inbox.join("socket.eml")).unwrap();
    let expected = [
        ("dangling.eml", "not-a-file"),
        ("link.eml", "not-a-file"),
        ("pipe.eml", "not-a-file"),
        ("socket.eml", "not-a-file"),
    ];
    station.mirror().expect_unsafe().expect_counts(&[("copied", 1)]);
    station.audit().expect_unsafe().expect_unmirrored(&expected);
    assert_eq!(red.payloads().len(), 1);
    station
        .command(&["audit"])
        .expect_unsafe()
        .expect_words(&["not-a-file: links, pipes and devices are not messages"]);
    for (name, _) in expected {
        fs::remove_file(inbox.join(name)).unwrap();
    }
    station.mirror().expect_safe();
    station.audit().expect_safe().expect_counts(&[("vanished", 0)]);
}

/// Fault 55: a folder that contains itself.
#[test]
fn a_loop_of_links_is_not_followed() {
    let (station, red) = Station::with_drive();
    station.deliver("in/0001.eml", mail("water level"));
    symlink("..", station.inbox().join("in/up")).unwrap();
    symlink("self", station.inbox().join("self")).unwrap();
    let expected = [("in/up", "not-a-file"), ("self", "not-a-file")];
    station.mirror().expect_unsafe().expect_counts(&[("copied", 1)]);
    station.audit().expect_unsafe().expect_unmirrored(&expected);
    assert_eq!(red.payloads().len(), 1);
}

/// Fault 55: where a message was, a link to something else is put.
#[test]
fn a_message_replaced_by_a_link_keeps_its_copy_and_gives_nothing_away() {
    let (station, red) = Station::with_drive();
    station.deliver("0001.eml", mail("water level"));
    station.mirror().expect_safe();
    fs::write(station.path("secret"), "not of this mailbox").unwrap();
    station.delete("0001.eml");
    symlink(station.path("secret"), station.inbox().join("0001.eml")).unwrap();
    station.mirror().expect_unsafe().expect_counts(&[("copied", 0)]);
    station.audit().expect_unsafe().expect_unmirrored(&[("0001.eml", "not-a-file")]);
    assert_eq!(red.payloads().len(), 1);
    station.restore().expect_safe().expect_counts(&[("restored", 1)]);
    let back = fs::read_to_string(station.restored().join("0001.eml")).unwrap();
    assert_eq!(back, mail("water level"));
    // Where the link is, the message is put beside it; the link's goal is left alone.
    station.restore_with(&[]).expect_safe().expect_counts(&[("restored", 1), ("kept_both", 1)]);
    assert_eq!(fs::read_to_string(station.path("secret")).unwrap(), "not of this mailbox");
}

/// Fault 38: one message that cannot be read holds up no other.
#[test]
fn an_unreadable_message_is_told_and_the_others_are_copied() {
    let (mut station, red) = Station::with_drive();
    station.deliver_many(3);
    station.run_as_nobody();
    let closed = station.inbox().join("m001.eml");
    std::os::unix::fs::chown(&closed, Some(0), Some(0)).unwrap();
    fs::set_permissions(&closed, fs::Permissions::from_mode(0o600)).unwrap();
    station
        .mirror()
        .expect_unsafe()
        .expect_counts(&[("copied", 2)])
        .expect_words(&["m001.eml cannot be read", "give the user who runs counterfoil the right"]);
    station.audit().expect_unsafe().expect_unmirrored(&[("m001.eml", "unreadable")]);
    fs::set_permissions(&closed, fs::Permissions::from_mode(0o644)).unwrap();
    station.mirror().expect_safe().expect_counts(&[("copied", 1)]);
    red.expect_bag_valid();
}

/// Fault 38, of a folder: what is in it is not seen, so nobody may say that all is safe.
#[test]
fn an_unreadable_folder_is_not_safe_and_what_was_in_it_has_not_vanished() {
    let (mut station, _red) = Station::with_drive();
    station.deliver("0001.eml", mail("water level"));
    station.deliver("closed/0002.eml", mail("bridge closed"));
    station.run_as_nobody();
    station.mirror().expect_safe();
    let closed = station.inbox().join("closed");
    std::os::unix::fs::chown(&closed, Some(0), Some(0)).unwrap();
    fs::set_permissions(&closed, fs::Permissions::from_mode(0o700)).unwrap();
    station.deliver("closed/0003.eml", mail("unseen"));
    station
        .audit()
        .expect_unsafe()
        .expect_words(&["closed cannot be read"])
        .expect_unmirrored(&[("closed", "unreadable")])
        .expect_counts(&[("vanished", 0)]);
    station.mirror().expect_unsafe().expect_counts(&[("copied", 0)]);
    fs::set_permissions(&closed, fs::Permissions::from_mode(0o755)).unwrap();
    station.mirror().expect_safe().expect_counts(&[("copied", 1)]);
    station.audit().expect_safe().expect_counts(&[("messages.total", 3), ("vanished", 0)]);
}

#[test]
fn what_the_config_ignores_is_not_taken() {
    let (station, red) = Station::with_drive();
    station.write_config("ignore = [\"*.part\", \"spam/**\", \"**/.*\", \"index\"]\n");
    for path in ["0001.eml", "in/index", "in/deep.part"] {
        station.deliver(path, mail(path));
    }
    for path in ["0002.part", "spam/0003.eml", "spam/deep/0004.eml", ".lock", "in/.lock", "index"] {
        station.deliver(path, "not wanted");
    }
    station.mirror().expect_safe().expect_counts(&[("copied", 3)]);
    let mut taken: Vec<_> =
        red.lines_of("mirrored").iter().map(|l| l["path"].as_str().unwrap().to_owned()).collect();
    taken.sort();
    assert_eq!(taken, ["0001.eml", "in/deep.part", "in/index"]);
    station.audit().expect_safe().expect_counts(&[("messages.total", 3)]);
}

#[test]
fn what_an_earlier_restore_left_half_done_is_no_mail() {
    let (station, _red) = Station::with_drive();
    station.deliver("0001.eml", mail("water level"));
    station.deliver(".counterfoil-restore/00000001", "half of a mess");
    station.mirror().expect_safe().expect_counts(&[("copied", 1)]);
}
