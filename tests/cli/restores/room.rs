//! A card without room for everything: said in one sentence with the right count, and gone on with once there is room.

use crate::station::{Mounted, Station, expect_same, mail, sh, tree};
use std::ffi::OsStr;
use std::fs;
use std::path::Path;

fn mirrored(messages: usize, bytes: usize) -> Station {
    let (station, _red) = Station::with_drive();
    for number in 0..messages {
        let text = mail(&format!("traffic {number}")) + &"x".repeat(bytes);
        station.deliver(format!("in/m{number:03}.eml"), text);
    }
    station.mirror().expect_safe();
    station
}

/// A restore in words; what it said.
fn in_words(station: &Station, into: &Path, more: &[&str]) -> crate::command_output::CommandOutput {
    let words = ["restore", "--into", into.to_str().unwrap()];
    let words: Vec<_> = words.into_iter().chain(more.iter().copied()).collect();
    station.command(&words)
}

/// Every call that a story makes fail: what cannot be had any other way. A name of the system call, the error, and
/// which of the calls.
fn failing(station: &mut Station, call: &str, error: &str, when: &str) {
    let inject = format!("inject={call}:error={error}:when={when}");
    let trace = format!("trace={call}");
    let words = ["strace", "-f", "-qq", "-o", "/dev/null", "-e", &trace, "-e", &inject];
    station.run_prefixed(&words.map(OsStr::new));
}

fn whole_messages_only(station: &Station, target: &Path) -> u64 {
    let whole = tree(&station.inbox());
    let there = tree(target);
    for (path, what) in &there {
        assert!(whole.get(path) == Some(what), "{} is not whole", String::from_utf8_lossy(path));
    }
    there.len() as u64
}

/// The counts of the report are what is there and what is not.
fn expect_right_counts(
    output: &crate::command_output::CommandOutput,
    station: &Station,
    target: &Path,
) -> u64 {
    let json = output.json();
    let all = tree(&station.inbox());
    let there = whole_messages_only(station, target);
    let number = |name: &str| json[name].as_u64().unwrap();
    assert_eq!(number("restored") + number("identical"), there, "{json}");
    assert_eq!(number("no_room"), all.len() as u64 - there, "{json}");
    let missing = |path: &&Vec<u8>| !target.join(String::from_utf8_lossy(path).as_ref()).exists();
    let bytes: usize = all.keys().filter(missing).map(|path| all[path].0.len()).sum();
    assert_eq!(number("no_room_bytes"), bytes as u64, "{json}");
    if number("identical") == 0 {
        let all: usize = all.values().map(|what| what.0.len()).sum();
        assert_eq!(number("bytes"), (all - bytes) as u64, "{json}");
    }
    there
}

#[test]
fn a_full_card_is_called_full_with_what_did_not_fit() {
    let station = mirrored(200, 8_000);
    let mounted = Mounted::small(&station.path("small"), "size=1m");
    let into = ["--into", mounted.path().to_str().unwrap()];
    let output = station.restore_with(&into).expect_unsafe();
    let first = expect_right_counts(&output, &station, mounted.path());
    assert!((1..200).contains(&first), "{first} of 200 fit");
    let one = tree(&station.inbox()).into_values().next().unwrap().0.len() as u64;
    let output = in_words(&station, mounted.path(), &[]).expect_unsafe();
    let sentence = format!("the card is full: {} messages (", 200 - first);
    output.expect_words(&[&sentence, "did not fit; make room and run the same command again"]);
    assert!(one > 8_000);
    // Also where only what went wrong is to be said.
    let output = in_words(&station, mounted.path(), &["--quiet"]).expect_unsafe();
    assert_eq!(output.text(), "");
    assert_eq!(output.warnings().lines().count(), 1, "one sentence for all: {}", output.warnings());
    output.expect_words(&[&sentence]);
    sh("mount", &["-o", "remount,size=16m", into[1]].map(OsStr::new));
    station.restore_with(&into).expect_safe().expect_counts(&[("no_room", 0)]);
    expect_same(&station.inbox(), mounted.path());
}

/// Not one byte more fits: neither the folder for what is staged, nor the mailbox's own.
#[test]
fn a_card_without_any_room_is_full_too() {
    let station = mirrored(3, 0);
    let mounted = Mounted::small(&station.path("small"), "size=64k,nr_inodes=1");
    for into in [mounted.path().to_owned(), mounted.path().join("mail")] {
        let output = station.restore_with(&["--into", into.to_str().unwrap()]).expect_unsafe();
        output.expect_counts(&[("restored", 0), ("no_room", 3), ("not_written", 3)]);
        in_words(&station, &into, &[])
            .expect_unsafe()
            .expect_words(&["the card is full: 3 messages ("]);
    }
    assert_eq!(fs::read_dir(mounted.path()).unwrap().count(), 0);
}

/// Files run out before room does, at every number of them: in a staged folder, in a folder of the mailbox, in what a
/// Maildir wants beside.
#[test]
fn whatever_finds_no_room_the_count_is_right() {
    let (station, _red) = Station::with_drive();
    for number in 0..4 {
        station.deliver(format!("a/b/m{number}.eml"), mail(&format!("deep {number}")));
        station.deliver(format!("new/m{number}"), mail(&format!("new {number}")));
        station.deliver(format!("m{number}.eml"), mail(&format!("flat {number}")));
    }
    station.mirror().expect_safe();
    for inodes in 2..24 {
        let options = format!("size=1m,nr_inodes={inodes}");
        let mounted = Mounted::small(&station.path(format!("small-{inodes}")), &options);
        let into = ["--into", mounted.path().to_str().unwrap()];
        let output = station.restore_with(&into);
        let there = expect_right_counts(&output, &station, mounted.path());
        let whole = output.json()["not_made"].as_array().unwrap().is_empty();
        match there == 12 && whole {
            true => drop(output.expect_safe()),
            false => drop(output.expect_unsafe()),
        }
        sh("mount", &["-o", "remount,nr_inodes=64", into[1]].map(OsStr::new));
        station.restore_with(&into).expect_safe().expect_counts(&[("no_room", 0)]);
        expect_same(&station.inbox(), mounted.path());
    }
}

/// More room than there is was promised, and the sync is where it shows; a quota says it in another word.
#[test]
fn no_room_at_a_sync_costs_that_batch_and_is_said() {
    for (call, error, when) in [
        ("syncfs", "ENOSPC", "1"),
        ("syncfs", "EDQUOT", "1"),
        ("syncfs", "ENOSPC", "2"),
        ("pwrite64", "EDQUOT", "7+3"),
    ] {
        let mut station = mirrored(20, 300);
        let target = station.restored();
        fs::create_dir(&target).unwrap();
        failing(&mut station, call, error, when);
        let output = station.restore_with(&["--into", target.to_str().unwrap()]);
        let output = output.expect_unsafe();
        let json = output.json();
        let number = |name: &str| json[name].as_u64().unwrap();
        assert_eq!(number("restored") + number("no_room"), 20, "{call} {error} {when}: {json}");
        assert!(number("no_room") > 0, "{call} {error} {when}: {json}");
        // Of what was named before the last sync nobody knows; all else has no name.
        if (call, when) != ("syncfs", "2") {
            expect_right_counts(&output, &station, &target);
        }
        whole_messages_only(&station, &target);
        assert!(!target.join(".counterfoil-restore").exists(), "the room is given back");
        station.run_prefixed(&[]);
        station.restore_with(&["--into", target.to_str().unwrap()]).expect_safe();
        expect_same(&station.inbox(), &target);
    }
}

/// Any other error of a sync is none of room: nothing gets a name, and it could not be done.
#[test]
fn an_error_of_the_medium_at_a_sync_is_not_called_full() {
    let mut station = mirrored(20, 300);
    let target = station.restored();
    failing(&mut station, "syncfs", "EIO", "1");
    let into = ["--into", target.to_str().unwrap()];
    let output = station.restore_with(&into).expect_failed().expect_words(&["sync restore target"]);
    assert!(!output.warnings().contains("full"), "{}", output.warnings());
    let named = tree(&target).into_keys().filter(|path| !path.starts_with(b".counterfoil-restore"));
    assert_eq!(named.count(), 0);
}
