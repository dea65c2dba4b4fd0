//! A rehearsal and the demo, ended on their way: the mail that they had in the temporary folder is gone with them.

use crate::station::{Station, mail};
use crate::support::signal::signal;
use std::ffi::{OsStr, OsString};
use std::fs;
use std::io::{BufRead as _, BufReader};
use std::os::unix::fs::{MetadataExt as _, PermissionsExt as _, symlink};
use std::os::unix::process::ExitStatusExt as _;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, ExitStatus, Stdio};
use std::time::{Duration, Instant};

const PATIENCE: Duration = Duration::from_secs(60);

/// Asks until there is an answer.
fn wait_for<T>(what: &str, mut ask: impl FnMut() -> Option<T>) -> T {
    let begun = Instant::now();
    loop {
        if let Some(answer) = ask() {
            return answer;
        }
        assert!(begun.elapsed() < PATIENCE, "waited in vain until {what}");
        std::thread::sleep(Duration::from_millis(1));
    }
}

fn ended(child: &mut Child) -> ExitStatus {
    wait_for("the command has ended", || child.try_wait().unwrap())
}

fn below(folder: &Path) -> Vec<PathBuf> {
    let entries = fs::read_dir(folder).unwrap();
    entries.map(|entry| entry.unwrap().path()).collect()
}

/// A station with so much mail that a rehearsal is not over before it is held.
fn much_mail() -> Station {
    let (station, _red) = Station::in_memory();
    for number in 0..3_000 {
        station.deliver(
            format!("f{}/m{number:04}.eml", number % 7),
            mail(&format!("traffic {number}")),
        );
    }
    station.mirror().expect_safe();
    fs::create_dir(station.path("passing")).unwrap();
    station
}

fn command(station: &Station, before: &[&str], words: &[OsString]) -> Command {
    let program = OsString::from(env!("CARGO_BIN_EXE_counterfoil"));
    let before: Vec<OsString> = before.iter().map(OsString::from).collect();
    let all: Vec<&OsString> = before.iter().chain([&program]).chain(words).collect();
    let mut command = Command::new(all[0]);
    command
        .args(&all[1..])
        .env_clear()
        .env("PATH", std::env::var_os("PATH").unwrap())
        .env("HOME", station.path("."))
        .env("TMPDIR", station.path("passing"))
        .env("COUNTERFOIL_PROGRAMS", station.programs())
        .current_dir(station.path("."))
        .stdin(Stdio::null())
        .stdout(Stdio::null())
        .stderr(Stdio::null());
    command
}

/// Begins a rehearsal and stops it while there is mail in its folder; it and the folder.
fn held_in_the_middle(station: &Station, before: &[&str]) -> (Child, PathBuf) {
    let words = station.arguments(&["restore", "--rehearse"]);
    let child = command(station, before, &words).spawn().unwrap();
    let temporary = station.path("passing");
    let holds_mail = |folder: &PathBuf| {
        let files = walkdir::WalkDir::new(folder).into_iter().flatten();
        files.into_iter().any(|entry| entry.file_type().is_file())
    };
    let its = format!("counterfoil-rehearsal-{}-", child.id());
    let is_its = |folder: &PathBuf| folder.file_name().unwrap().to_str().unwrap().starts_with(&its);
    let folder = wait_for("there is mail in the folder", || {
        below(&temporary).into_iter().filter(is_its).find(holds_mail)
    });
    signal(&child, "STOP");
    wait_for("it stands still", || {
        let stat = fs::read_to_string(format!("/proc/{}/stat", child.id())).unwrap();
        stat.rsplit_once(") ").unwrap().1.starts_with('T').then_some(())
    });
    assert!(holds_mail(&folder), "it was over too soon");
    assert_eq!(fs::metadata(&folder).unwrap().mode() & 0o7777, 0o700);
    (child, folder)
}

#[test]
fn a_rehearsal_ended_by_a_signal_leaves_nothing() {
    let station = much_mail();
    for (name, code) in [("INT", 130), ("TERM", 143), ("HUP", 129), ("QUIT", 131)] {
        let (mut child, _) = held_in_the_middle(&station, &[]);
        signal(&child, name);
        signal(&child, "CONT");
        assert_eq!(ended(&mut child).code(), Some(code), "{name}");
        assert_eq!(below(&station.path("passing")), [] as [PathBuf; 0], "{name}");
    }
    assert!(station.audit().json()["rehearsed"].is_null());
}

/// One that works behind nohup goes on when its terminal goes.
#[test]
fn a_signal_that_it_was_started_to_ignore_does_not_end_it() {
    let station = much_mail();
    let (mut child, _) =
        held_in_the_middle(&station, &["sh", "-c", "trap '' HUP; exec \"$@\"", "sh"]);
    signal(&child, "HUP");
    signal(&child, "CONT");
    assert_eq!(ended(&mut child).code(), Some(0));
    assert_eq!(below(&station.path("passing")), [] as [PathBuf; 0]);
}

#[test]
fn what_a_killed_one_left_is_removed_by_the_next_and_nothing_else_is() {
    let station = much_mail();
    let temporary = station.path("passing");
    let (mut killed, left) = held_in_the_middle(&station, &[]);
    signal(&killed, "KILL");
    assert_eq!(ended(&mut killed).signal(), Some(9));
    assert_eq!(below(&temporary), std::slice::from_ref(&left), "nobody could remove it");
    // One at work, another user's, a link, a file, and folders that only look alike.
    let (mut at_work, its) = held_in_the_middle(&station, &[]);
    assert!(!left.exists(), "the next one removed it");
    let named = |end: &str| temporary.join(format!("counterfoil-rehearsal-4711-{end}"));
    let (others, link, file) =
        (named("0123456789abcdef"), named("00000000000000aa"), named("00000000000000bb"));
    let outside = station.path("outside");
    for folder in [&others, &outside, &named("kept"), &temporary.join("counterfoil-demo-AbCdEf")] {
        fs::create_dir(folder).unwrap();
        fs::write(folder.join("0001.eml"), mail("keep me")).unwrap();
    }
    std::os::unix::fs::chown(&others, Some(65_534), Some(65_534)).unwrap();
    symlink(&outside, &link).unwrap();
    fs::write(&file, "a file").unwrap();
    let mut before = below(&temporary);
    before.sort();
    let words = station.arguments(&["restore", "--rehearse"]);
    assert!(command(&station, &[], &words).status().unwrap().success());
    let mut after = below(&temporary);
    after.sort();
    assert_eq!(before, after);
    assert!(outside.join("0001.eml").exists() && others.join("0001.eml").exists() && its.exists());
    signal(&at_work, "TERM");
    signal(&at_work, "CONT");
    assert_eq!(ended(&mut at_work).code(), Some(143));
    assert!(!its.exists());
    // A folder of a dead one may hold anything, and links in it lead nowhere.
    let dead = named("00000000000000cc");
    fs::create_dir_all(dead.join("deep/er")).unwrap();
    fs::set_permissions(&dead, fs::Permissions::from_mode(0o700)).unwrap();
    symlink(&outside, dead.join("deep/link")).unwrap();
    assert!(command(&station, &[], &words).status().unwrap().success());
    assert!(!dead.exists() && outside.join("0001.eml").exists());
}

#[test]
fn the_demo_ended_by_a_signal_or_a_reader_that_went_leaves_nothing() {
    let station = Station::new();
    let temporary = station.path("passing");
    fs::create_dir(&temporary).unwrap();
    for (name, code) in [("INT", 130), ("TERM", 143)] {
        let mut child = command(&station, &[], &["demo".into()]).spawn().unwrap();
        wait_for("there is mail in the folder", || {
            let files = walkdir::WalkDir::new(&temporary).into_iter().flatten();
            files
                .into_iter()
                .find(|entry| entry.path().starts_with(&temporary) && entry.file_type().is_file())
        });
        signal(&child, name);
        assert_eq!(ended(&mut child).code(), Some(code), "{name}");
        assert_eq!(below(&temporary), [] as [PathBuf; 0], "{name}");
    }
    let mut child =
        command(&station, &[], &["demo".into()]).stdout(Stdio::piped()).spawn().unwrap();
    let mut first = String::new();
    let mut reader = BufReader::new(child.stdout.take().unwrap());
    reader.read_line(&mut first).and_then(|_| reader.read_line(&mut first)).unwrap();
    assert!(first.contains("An exercise"), "{first}");
    drop(reader);
    assert_eq!(ended(&mut child).code(), Some(3));
    assert_eq!(below(&temporary), [] as [PathBuf; 0]);
    let kept = command(&station, &[], &["demo", "--keep"].map(OsStr::new).map(OsString::from))
        .status()
        .unwrap();
    assert!(kept.success());
    let kept = below(&temporary);
    assert_eq!(kept.len(), 1);
    assert_eq!(fs::metadata(&kept[0]).unwrap().mode() & 0o7777, 0o700);
}
