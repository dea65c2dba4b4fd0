//! A card that is full, that turned read-only or that fails: nothing is remembered on it, that is said, and mail is
//! copied and proven all the same.

use crate::command_output::CommandOutput;
use crate::station::{Mounted, Station, expect_same, mail};
use crate::stick::Stick;
use counterfoil::model::Digest;
use std::fs;
use std::os::unix::ffi::OsStrExt as _;
use std::path::{Path, PathBuf};

/// A station whose state folder is a file system of its own, of so many bytes.
fn with_small_state(options: &str) -> (Station, Stick, Mounted) {
    let (station, red) = Station::in_memory();
    fs::create_dir_all(station.path("card")).unwrap();
    let mounted = Mounted::small(&station.state(), options);
    (station, red, mounted)
}

/// Leaves no byte free; the file to be deleted to make room.
fn fill(folder: &Path) -> PathBuf {
    let filler = folder.join("filler");
    let mut file = fs::File::create(&filler).unwrap();
    for size in [64 << 10, 4 << 10, 1] {
        while std::io::Write::write_all(&mut file, &vec![b'x'; size]).is_ok() {}
    }
    filler
}

/// Where the state is kept in memory while the folder cannot be written; root has this one.
fn stand_in(station: &Station) -> Vec<PathBuf> {
    let state = station.state();
    let name = format!(
        "counterfoil-state-{}",
        &Digest::of(state.as_os_str().as_bytes()).to_string()[..16]
    );
    ["/run", "/dev/shm"].iter().map(|base| Path::new(base).join(&name)).collect()
}

/// What is said where nothing is remembered: in every command that gives a verdict, in words and in JSON. What is known
/// is safe, but what was found out before may have been forgotten: that is not known.
fn expect_unkept(station: &Station, why: &str, words: &[&str]) {
    for command in ["mirror", "status", "audit"] {
        let output = station.command(&[command, "--json"]).expect_verdict("not-known");
        let state = output.json()["state"].clone();
        assert_eq!((&state["kept"], &state["why"]), (&false.into(), &why.into()), "{state}");
        assert_eq!(state["folder"], station.state().to_str().unwrap());
        output.expect_words(words);
        let output = station.command(&[command]).expect_unsafe();
        let text = output.text().replace('\n', " ");
        for word in words.iter().chain(&["pier-4: NOT KNOWN: The card "]) {
            assert!(text.contains(word), "{command}: {word:?}: {text}");
        }
        assert!(!text.contains("SAFE"), "{command}: {text}");
    }
    for folder in stand_in(station) {
        assert!(!folder.exists(), "{folder:?} is left");
    }
}

fn expect_kept(output: CommandOutput) -> CommandOutput {
    assert_eq!(output.json()["state"]["kept"], true);
    assert!(output.json()["state"]["why"].is_null());
    output
}

const FULL: [&str; 3] = [
    "The card is full: nothing is remembered in ",
    "/state, and copying goes on.",
    "Make room on the card.",
];

/// Fault 41.
#[test]
fn a_full_card_keeps_no_message_from_being_copied() {
    let (station, red, mounted) = with_small_state("size=1m");
    let filler = fill(mounted.path());
    station.deliver_many(5);
    let output = station.mirror().expect_unsafe();
    output.expect_counts(&[("copied", 5), ("failed", 0), ("messages.mirrored", 5)]);
    red.expect_bag_valid();
    assert_eq!(fs::read_dir(mounted.path()).unwrap().count(), 1, "nothing was left on the card");
    expect_unkept(&station, "full", &FULL);
    station.deliver("late.eml", mail("late"));
    station.mirror().expect_unsafe().expect_counts(&[("copied", 1), ("already", 5)]);
    assert_eq!(red.payloads().len(), 6, "nothing is copied twice");
    station.restore().expect_safe().expect_counts(&[("restored", 6)]);
    expect_same(&station.inbox(), &station.restored());
    // Room is made: everything is as ever.
    fs::remove_file(filler).unwrap();
    expect_kept(station.mirror().expect_verdict("safe")).expect_counts(&[("copied", 0)]);
    expect_kept(station.audit().expect_verdict("safe"));
    station.mirror().expect_verdict("safe").expect_no_warning();
}

/// Fault 41: what was known before is known still, and what is found meanwhile is forgotten again.
#[test]
fn a_card_that_becomes_full_still_knows_what_it_knew() {
    let (station, red, mounted) = with_small_state("size=2m");
    station.deliver_many(5);
    station.mirror().expect_verdict("safe");
    station.delete("m001.eml");
    station.mirror().expect_verdict("damaged-or-missing");
    let filler = fill(mounted.path());
    station.deliver("late.eml", mail("late"));
    for command in ["mirror", "status", "audit"] {
        let output = station.command(&[command, "--json"]).expect_unsafe();
        assert_eq!(output.json()["verdict"], "damaged-or-missing", "{command}");
        assert_eq!(output.json()["state"]["why"], "full");
        output.expect_counts(&[("messages.vanished", 1), ("messages.mirrored", 5)]);
    }
    assert_eq!(red.payloads().len(), 6);
    fs::remove_file(filler).unwrap();
    let output = expect_kept(station.mirror().expect_verdict("damaged-or-missing"));
    output.expect_counts(&[("copied", 0), ("messages.vanished", 1), ("messages.mirrored", 5)]);
    let inbox = station.inbox();
    let output = station.restore_with(&["--mailbox", inbox.to_str().unwrap()]).expect_safe();
    output.expect_counts(&[("restored", 1), ("identical", 5)]);
    station.mirror().expect_verdict("safe");
}

/// Fault 41: two cards' worth of words, in turn: what a run said that was forgotten is not said again otherwise.
#[test]
fn words_said_while_nothing_was_remembered_stand() {
    let (station, red, mounted) = with_small_state("size=2m");
    // One message all along: its later versions take the place of the earlier ones.
    let log = |text: &str| format!("Message-ID: <log@example.org>\r\n\r\n{text}\n");
    station.deliver("log.txt", log("the first version"));
    station.mirror().expect_verdict("safe");
    for round in 0..3 {
        let filler = fill(mounted.path());
        station
            .replace("log.txt", log(&format!("version {round}, written while the card was full")));
        station.mirror().expect_unsafe().expect_counts(&[("copied", 1)]);
        fs::remove_file(filler).unwrap();
        station.restore().expect_safe().expect_counts(&[("restored", 1)]);
        expect_same(&station.inbox(), &station.restored());
        station.mirror().expect_verdict("safe").expect_counts(&[("copied", 0)]);
        station.replace("log.txt", log(&format!("version {round}, written while there was room")));
        station.mirror().expect_verdict("safe").expect_counts(&[("copied", 1)]);
        station.restore().expect_safe().expect_counts(&[("restored", 1)]);
        expect_same(&station.inbox(), &station.restored());
    }
    red.expect_bag_valid();
}

/// Fault 41: the room goes in the middle of the pass, wherever that is.
#[test]
fn a_card_that_becomes_full_in_the_middle_of_a_pass_keeps_no_message_from_being_copied() {
    let mut unkept = 0;
    for kilobytes in [300, 340, 400, 480, 600, 800, 1_100, 1_600, 3_000] {
        let (station, red, _mounted) = with_small_state(&format!("size={kilobytes}k"));
        station.deliver_many(600);
        let output = station.mirror();
        let kept = output.json()["state"]["kept"].as_bool().unwrap();
        let output = output.expect_verdict(if kept { "safe" } else { "not-known" });
        unkept += usize::from(!kept);
        output.expect_counts(&[("messages.mirrored", 600), ("failed", 0)]);
        assert_eq!(red.expect_acknowledged_intact(), 600, "{kilobytes} kB");
        for folder in stand_in(&station) {
            assert!(!folder.exists(), "{folder:?} is left");
        }
    }
    assert!((3..9).contains(&unkept), "the sizes meet the middle: {unkept}");
}

/// Fault 41: there is room, and no file can be made (no inode is left).
#[test]
fn a_card_that_takes_no_more_files_keeps_no_message_from_being_copied() {
    for files in 1..7 {
        let (station, red, _mounted) = with_small_state(&format!("size=4m,nr_inodes={files}"));
        station.deliver_many(3);
        let output = station.mirror();
        let kept = output.json()["state"]["kept"].as_bool().unwrap();
        let output = output.expect_verdict(if kept { "safe" } else { "not-known" });
        output.expect_counts(&[("copied", 3)]);
        assert_eq!(red.payloads().len(), 3);
    }
}

const READ_ONLY: [&str; 3] = [
    "The card may only be read: nothing is remembered in ",
    "and copying goes on.",
    "Perhaps it is failing: have a new card ready.",
];

/// Fault 41.
#[test]
fn a_card_turned_read_only_keeps_no_message_from_being_copied() {
    let (mut station, red) = Station::with_drive();
    station.deliver_many(3);
    station.mirror().expect_verdict("safe");
    station.delete("m001.eml");
    station.mirror().expect_verdict("damaged-or-missing");
    station.restore_with(&[]).expect_safe();
    let before = fs::read(station.state().join("catalogue.sqlite")).unwrap();
    let kept = station.state();
    station.use_state("read-only");
    let read_only = Mounted::read_only(&kept, &station.state());
    station.deliver("late.eml", mail("late"));
    let output = station.mirror().expect_unsafe();
    output.expect_counts(&[("copied", 1), ("already", 3), ("messages.mirrored", 4)]);
    expect_unkept(&station, "read-only", &READ_ONLY);
    assert!(fs::read(kept.join("catalogue.sqlite")).unwrap() == before);
    station.verify().expect_safe();
    station.command(&["restore", "--rehearse"]).expect_safe();
    drop(read_only);
    station.use_state("state");
    expect_kept(station.mirror().expect_verdict("safe")).expect_counts(&[("copied", 0)]);
    assert_eq!(red.payloads().len(), 4);
}

/// Fault 41: so is one on which there never was a state.
#[test]
fn a_read_only_card_without_any_state_keeps_no_message_from_being_copied() {
    let (mut station, red) = Station::with_drive();
    fs::create_dir_all(station.path("empty")).unwrap();
    fs::create_dir_all(station.path("card")).unwrap();
    let _read_only = Mounted::read_only(&station.path("empty"), &station.path("card/ro"));
    station.use_state("ro/deep/state");
    station.deliver_many(3);
    station.mirror().expect_unsafe().expect_counts(&[("copied", 3)]);
    expect_unkept(&station, "read-only", &READ_ONLY);
    red.expect_bag_valid();
}

/// The right to write is missing: that is no failing card, and whoever has it must not be passed by.
#[test]
fn a_state_folder_of_another_user_is_no_failing_card() {
    use std::os::unix::fs::PermissionsExt as _;
    let (mut station, red) = Station::with_drive();
    station.deliver_many(3);
    station.mirror().expect_verdict("safe");
    station.run_as_nobody();
    std::os::unix::fs::chown(station.state(), Some(0), Some(0)).unwrap();
    fs::set_permissions(station.state(), fs::Permissions::from_mode(0o700)).unwrap();
    station.deliver("late.eml", mail("late"));
    let state = station.state();
    station.mirror().expect_failed().expect_words(&["Permission denied", state.to_str().unwrap()]);
    assert_eq!(red.payloads().len(), 3);
}

/// Fault 41: what a person decides is not taken on a card that cannot keep it; that is said, with what to do.
#[test]
fn a_decision_on_a_full_card_is_refused_in_words_that_help() {
    let (station, red, mounted) = with_small_state("size=2m");
    station.deliver_many(3);
    station.mirror().expect_verdict("safe");
    station.delete("m001.eml");
    station.mirror().expect_verdict("damaged-or-missing");
    let filler = fill(mounted.path());
    let label = red.path().file_name().unwrap().to_str().unwrap();
    let commands: [&[&str]; 3] = [
        &["acknowledge", "--missing"],
        &["acknowledge", "inbox/m001.eml"],
        &["drives", "forget", label, "--why", "lost"],
    ];
    for command in commands {
        let output = station.command(command).expect_failed();
        assert!(!output.warnings().contains("move it away"), "{}", output.warnings());
        output.expect_words(&[
            "The card is full",
            "Make room on it, and type the same command again",
        ]);
    }
    station.audit().expect_verdict("damaged-or-missing");
    fs::remove_file(filler).unwrap();
    for command in commands {
        station.command(command).expect_safe();
        if command[0] == "acknowledge" && command[1] == "--missing" {
            // It is missing again.
            station.deliver("m001.eml", mail("traffic 1"));
            station.mirror().expect_verdict("safe");
            station.delete("m001.eml");
            station.mirror().expect_verdict("damaged-or-missing");
        }
    }
}
