//! Whose state folder it is: one station's, and each mailbox name one folder's. Another station, or another folder
//! under a name in use, would make every message of the first look lost.

use crate::station::{Station, expect_same, mail, sh};
use crate::stick::Stick;
use std::ffi::OsStr;
use std::fs;
use std::path::PathBuf;

/// Everything in the state folder that is kept: the catalogue's other files come and go.
fn catalogue(station: &Station) -> Vec<u8> {
    fs::read(station.state().join("catalogue.sqlite")).unwrap()
}

/// All commands that give a verdict, and the daemon, refuse and change nothing.
fn expect_refused(station: &Station, red: &Stick, words: &[&str]) {
    let before = (red.everything(), catalogue(station));
    for command in ["mirror", "status", "audit", "watch"] {
        let output = station.command(&[command]).expect_refused();
        output.expect_words(words).expect_words(&["Nothing was done"]);
    }
    assert!((red.everything(), catalogue(station)) == before, "something was changed");
}

fn three_messages() -> (Station, Stick) {
    let (station, red) = Station::with_drive();
    station.deliver_many(3);
    station.mirror().expect_verdict("safe").expect_counts(&[("copied", 3)]);
    (station, red)
}

#[test]
fn another_station_is_refused_and_told_to_take_a_state_folder_of_its_own() {
    let (mut station, red) = three_messages();
    fs::rename(station.inbox(), station.path("card/aside")).unwrap();
    station.add_mailbox("second");
    station.name_mailboxes(&["second"]);
    station.deliver_to("second", "other.eml", mail("of another station"));
    station.rename("quay-2");
    let words = ["is station pier-4's", "station quay-2", "--state DIR"];
    expect_refused(&station, &red, &words);
    // With a folder of its own it is served, on the same stick too.
    station.use_state("state-quay-2");
    station.mirror().expect_verdict("safe").expect_counts(&[("copied", 1), ("messages.total", 1)]);
    // And the first one has lost nothing.
    fs::rename(station.path("card/aside"), station.inbox()).unwrap();
    station.name_mailboxes(&["inbox"]);
    station.rename("pier-4");
    station.use_state("state");
    let output = station.mirror().expect_verdict("safe");
    output.expect_counts(&[("copied", 0), ("messages.total", 3), ("messages.vanished", 0)]);
}

/// A stick of another station can still be looked at, checked and restored from beside this one's state.
#[test]
fn another_stations_stick_can_be_used_beside_this_stations_state() {
    let (mut station, _red) = three_messages();
    station.use_state("state-quay-2");
    station.rename("quay-2");
    station.mirror().expect_verdict("safe");
    station.use_state("state");
    station.verify().expect_safe();
    station.restore().expect_safe().expect_counts(&[("restored", 3)]);
}

/// A host that is called otherwise for a while, as early in a boot, must not stop the copying.
#[test]
fn a_station_called_as_its_host_keeps_its_name_when_the_host_gets_another() {
    let (mut station, red) = three_messages();
    station.do_not_name_the_station();
    let words = ["unshare", "--uts", "sh", "-c", "hostname quay-2 && exec \"$@\"", "sh"];
    station.run_prefixed(&words.map(OsStr::new));
    station.deliver("late.eml", mail("late"));
    let output = station.mirror().expect_verdict("safe").expect_counts(&[("copied", 1)]);
    output.expect_words(&["the host is called quay-2 now; the station stays pier-4"]);
    assert_eq!(station.command(&["status", "--json"]).json()["station"], "pier-4");
    assert!(!red.home().join("quay-2").exists());
}

/// Two users, each with a mailbox called alike, and one state folder between them.
#[test]
fn another_folder_under_a_mailboxes_name_is_refused_while_the_first_is_there() {
    let (mut station, red) = three_messages();
    let second = station.path("home/inbox");
    fs::create_dir_all(&second).unwrap();
    // Even under the same names of files.
    for number in 0..3 {
        // As long as those, too.
        fs::write(second.join(format!("m{number:03}.eml")), mail(&format!("TRAFFIC {number}")))
            .unwrap();
    }
    station.name_mailboxes_as(&[("inbox", "../home/inbox")]);
    let first = station.inbox();
    let words = ["mailbox inbox is", first.to_str().unwrap(), "--mailbox NAME=", "--state DIR"];
    expect_refused(&station, &red, &words);
    // Under another name it is served beside the first.
    station.name_mailboxes_as(&[("inbox", "inbox"), ("second", "../home/inbox")]);
    station.mirror().expect_verdict("safe").expect_counts(&[("copied", 3), ("messages.total", 6)]);
    station.restore().expect_safe().expect_counts(&[("restored", 6)]);
    expect_same(&first, &station.restored().join("inbox"));
    expect_same(&second, &station.restored().join("second"));
}

/// Puts the mailbox's folder elsewhere and names that.
fn moved(station: &mut Station, how: &str) -> PathBuf {
    let (from, to) = (station.inbox(), station.path("card2/inbox"));
    fs::create_dir_all(to.parent().unwrap()).unwrap();
    let flags: &[&str] = if how == "cp" { &["-a"] } else { &[] };
    let flags = flags.iter().map(OsStr::new);
    let words: Vec<&OsStr> = flags.chain([from.as_os_str(), to.as_os_str()]).collect();
    sh(how, &words);
    station.name_mailboxes_as(&[("inbox", "../card2/inbox")]);
    to
}

fn expect_gone_on_with(station: &Station, red: &Stick) {
    let output = station.mirror().expect_verdict("safe");
    output
        .expect_counts(&[("copied", 0), ("messages.total", 3), ("messages.vanished", 0)])
        .expect_words(&["mailbox inbox was in", "and is in"]);
    for kind in ["vanished", "removed"] {
        assert!(red.lines_of(kind).is_empty(), "{kind}");
    }
    // Said once.
    station.mirror().expect_verdict("safe").expect_no_warning();
}

#[test]
fn a_mailbox_that_moved_is_gone_on_with_and_said() {
    let (mut station, red) = three_messages();
    moved(&mut station, "mv");
    expect_gone_on_with(&station, &red);
}

#[test]
fn a_mailbox_that_was_copied_and_left_behind_is_gone_on_with_and_said() {
    let (mut station, red) = three_messages();
    moved(&mut station, "cp");
    expect_gone_on_with(&station, &red);
}

/// A card mounted elsewhere leaves its mount point, which is empty.
#[test]
fn a_mailbox_whose_mount_point_is_left_empty_is_gone_on_with_and_said() {
    let (mut station, red) = three_messages();
    moved(&mut station, "mv");
    fs::create_dir(station.inbox()).unwrap();
    expect_gone_on_with(&station, &red);
}

/// The name stands for an empty folder, and the mailbox is still where it was: a slip in the config is no loss.
#[test]
fn a_wrong_path_to_an_empty_folder_calls_nothing_missing() {
    let (mut station, red) = three_messages();
    fs::create_dir_all(station.path("empty/inbox")).unwrap();
    station.name_mailboxes_as(&[("inbox", "../empty/inbox")]);
    expect_refused(&station, &red, &["mailbox inbox is", "still lies there"]);
}
