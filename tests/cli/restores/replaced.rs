//! A name that was a folder's and is a message's, or the other way round; and paths too long for what they come to.
//! Both are kept, and nothing holds up the rest.

use crate::station::{Station, mail, tree};
use std::collections::BTreeSet;
use std::fs;
use std::os::fd::AsRawFd as _;
use std::path::{Path, PathBuf};

fn texts(folder: &Path) -> BTreeSet<Vec<u8>> {
    tree(folder).into_values().map(|(bytes, ..)| bytes).collect()
}

fn sent(subjects: &[&str]) -> BTreeSet<Vec<u8>> {
    subjects.iter().map(|subject| mail(subject).into_bytes()).collect()
}

const ALL: [&str; 5] = ["one", "two", "three", "four", "five"];

/// What was there vanished while nobody looked, as after a repair of the card's file system.
fn folder_to_message(station: &Station) {
    for (path, subject) in [("a/b/one", "one"), ("a/b/two", "two"), ("a/three", "three")] {
        station.deliver(path, mail(subject));
    }
    station.deliver("z.eml", mail("four"));
    station.mirror().expect_safe();
    fs::remove_dir_all(station.inbox().join("a")).unwrap();
    station.deliver("a", mail("five"));
}

fn message_to_folder(station: &Station) {
    station.deliver("a", mail("five"));
    station.deliver("z.eml", mail("four"));
    station.mirror().expect_safe();
    station.delete("a");
    for (path, subject) in [("a/b/one", "one"), ("a/b/two", "two"), ("a/three", "three")] {
        station.deliver(path, mail(subject));
    }
}

#[test]
fn both_a_folder_and_the_message_of_its_name_are_kept() {
    for change in [folder_to_message, message_to_folder] {
        let (station, red) = Station::with_drive();
        change(&station);
        station.mirror().expect_verdict("damaged-or-missing");
        red.expect_bag_valid();
        let again = station.mirror().expect_verdict("damaged-or-missing");
        again.expect_counts(&[("copied", 0), ("failed", 0)]);
        assert_eq!(red.payloads().len(), 5);
        let into = station.restored();
        let dry =
            station.restore_with(&["--dry-run", "--into", into.to_str().unwrap()]).expect_safe();
        let output = station.restore().expect_safe();
        assert_eq!(output.json(), dry.json());
        output.expect_counts(&[("restored", 5), ("not_written", 0)]);
        assert_eq!(texts(&into), sent(&ALL));
        // Again, and where the mailbox lives on.
        for target in [into, station.inbox()] {
            let words = ["--into", target.to_str().unwrap()];
            station.restore_with(&words).expect_safe().expect_counts(&[("not_written", 0)]);
            station.restore_with(&words).expect_safe().expect_counts(&[("identical", 5)]);
            assert_eq!(texts(&target), sent(&ALL));
        }
        station.mirror().expect_safe();
        station.audit().expect_safe();
    }
}

/// What lay in one folder stays in one.
#[test]
fn a_folder_that_has_to_go_beside_a_message_stays_one_folder() {
    let (station, _red) = Station::with_drive();
    folder_to_message(&station);
    station.mirror().expect_verdict("damaged-or-missing");
    station.restore().expect_safe();
    let names: Vec<_> = tree(&station.restored())
        .into_keys()
        .map(|name| String::from_utf8(name).unwrap())
        .filter(|name| name.contains('/'))
        .collect();
    let folders: BTreeSet<_> = names.iter().map(|name| name.split('/').next().unwrap()).collect();
    assert_eq!((names.len(), folders.len()), (3, 1), "{names:?}");
}

/// Three messages with the names of folders on one way, and a file where the folder beside would go.
#[test]
fn files_on_the_way_beside_each_other_are_gone_around() {
    let (station, _red) = Station::with_drive();
    station.deliver("a/b.eml", mail("one"));
    station.mirror().expect_safe();
    let target = station.restored();
    fs::create_dir(&target).unwrap();
    fs::write(target.join("a"), "in the way").unwrap();
    let words = ["--into", target.to_str().unwrap()];
    station.restore_with(&words).expect_safe();
    let folder = fs::read_dir(&target).unwrap().map(|entry| entry.unwrap().path());
    let folder = folder.into_iter().find(|path| path.is_dir()).unwrap();
    fs::remove_dir_all(&folder).unwrap();
    fs::write(&folder, "in the way as well").unwrap();
    station.restore_with(&words).expect_safe().expect_counts(&[("restored", 1), ("kept_both", 1)]);
    station.restore_with(&words).expect_safe().expect_counts(&[("identical", 1)]);
    assert_eq!(fs::read_to_string(&folder).unwrap(), "in the way as well");
}

/// A path by an open folder, for one that is too long to be named whole.
fn below(folder: &fs::File, rest: &str) -> PathBuf {
    PathBuf::from(format!("/proc/self/fd/{}/{rest}", folder.as_raw_fd()))
}

/// Makes a folder whose path is as long as the system lets a message be opened by; the folder, open.
fn deep(root: &Path, bytes: usize) -> (String, fs::File) {
    let (mut path, mut open) = (String::new(), fs::File::open(root).unwrap());
    while path.len() < bytes {
        let name = "d".repeat((bytes - path.len() - 1).min(200));
        fs::create_dir(below(&open, &name)).unwrap();
        let next = fs::File::open(below(&open, &name)).unwrap();
        open = next;
        path = format!("{path}{name}/");
    }
    (path, open)
}

#[test]
fn a_path_too_long_for_the_target_stops_only_itself() {
    let (station, red) = Station::with_drive();
    let (path, folder) = deep(&station.inbox(), 4_080);
    assert_eq!(path.len(), 4_080);
    fs::write(below(&folder, "long.eml"), mail("long")).unwrap();
    station.deliver("0001.eml", mail("one"));
    station.deliver("z.eml", mail("two"));
    station.mirror().expect_safe();
    assert_eq!(red.payloads().len(), 3);
    // Where a file has the name of the first folder, the way beside it is longer still.
    let target = station.restored();
    fs::create_dir(&target).unwrap();
    let first = path.split('/').next().unwrap();
    fs::write(target.join(first), "in the way").unwrap();
    let output = station.restore_with(&["--into", target.to_str().unwrap()]).expect_unsafe();
    let whole = format!("{path}long.eml");
    assert_eq!(output.json()["not_written"][0]["path"], whole);
    let why = output.json()["not_written"][0]["error"].as_str().unwrap().to_owned();
    assert!(why.contains("too long") && why.contains("longer names"), "{why}");
    output.expect_counts(&[("restored", 2), ("not_written", 1), ("no_room", 0)]);
    assert!(!target.join(".counterfoil-restore").exists());
    let said = station.command(&["restore", "--into", target.to_str().unwrap()]).expect_unsafe();
    said.expect_words(&["1 message could not be written", "long.eml: "]);
    // With nothing in the way it comes back.
    fs::remove_file(target.join(first)).unwrap();
    let output = station.restore_with(&["--into", target.to_str().unwrap()]).expect_safe();
    output.expect_counts(&[("restored", 1), ("identical", 2)]);
}

/// The same where the system says it only when the name is given.
#[test]
fn a_name_that_the_target_refuses_stops_only_itself() {
    for (when, folder) in [("1", "in"), ("3+1", "in"), ("1", "")] {
        let (mut station, _red) = Station::with_drive();
        for (number, subject) in ALL.iter().enumerate() {
            station.deliver(format!("in/{number}.eml"), mail(subject));
        }
        station.mirror().expect_safe();
        let target = station.restored();
        fs::create_dir_all(target.join(folder)).unwrap();
        let inject = format!("inject=renameat2:error=ENAMETOOLONG:when={when}");
        let words =
            ["strace", "-f", "-qq", "-o", "/dev/null", "-e", "trace=renameat2", "-e", &inject];
        station.run_prefixed(&words.map(std::ffi::OsStr::new));
        let output = station.restore_with(&["--into", target.to_str().unwrap()]);
        let json = output.json();
        let refused = json["not_written"].as_array().unwrap().len();
        assert_eq!(json["restored"].as_u64().unwrap() + refused as u64, 5, "{when}: {json}");
        // A folder that cannot get its name at once gives it to its messages one by one.
        assert_eq!(refused > 0, folder == "in", "{when}: {json}");
        assert_eq!(texts(&target).len(), 5 - refused, "{when}");
        station.run_prefixed(&[]);
        station.restore_with(&["--into", target.to_str().unwrap()]).expect_safe();
        assert_eq!(texts(&target), sent(&ALL));
    }
}
