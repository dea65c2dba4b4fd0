//! A stick is wiped before it leaves its operator's hands: never by a slip, never with the last copy of a message, and
//! never one file outside our own folder.

use crate::command_output::CommandOutput;
use crate::station::{Mounted, Station, mail, sh, soon};
use crate::stick::Stick;
use counterfoil::disk::{Access, DirVolumeSource, VolumeSource as _};
use counterfoil::job::Progress;
use counterfoil::job::replica::{drive_id, wipe};
use std::ffi::OsStr;
use std::fs;
use std::os::unix::fs::symlink;
use std::path::Path;
use std::sync::atomic::{AtomicU64, Ordering};

const HOME: &str = "counterfoil";

/// Two sticks of their own, `red` and `blue`, that both have all of three messages.
fn two_sticks() -> (Station, [Stick; 2], [Mounted; 2]) {
    let mut station = Station::new();
    let [red, blue] =
        ["red", "blue"].map(|label| Mounted::small(&station.path("media").join(label), "size=24m"));
    let sticks = [station.use_drive(red.path()), station.use_drive(blue.path())];
    station.deliver_many(3);
    station.mirror().expect_safe();
    (station, sticks, [red, blue])
}

fn wiped(station: &Station, more: &[&str]) -> CommandOutput {
    station.command(&[&["drives", "wipe", "red"], more].concat())
}

fn expect_nothing_done(output: CommandOutput, stick: &Stick, words: &[&str]) {
    let before = stick.everything();
    output.expect_refused().expect_words(words).expect_words(&["Nothing was done"]);
    assert_eq!(stick.everything(), before);
    assert!(stick.path().join(HOME).join("drive.json").exists());
}

fn drive_of(station: &Station, id: &str) -> serde_json::Value {
    let all = station.command(&["drives", "--json"]).json();
    let drives = all["drives"].as_array().unwrap().clone();
    drives.into_iter().find(|drive| drive["id"] == id).unwrap()
}

fn id_of(stick: &Stick) -> String {
    let volume = DirVolumeSource::new(stick.path()).open(Access::Read).unwrap();
    drive_id(&*volume).unwrap().unwrap().to_string()
}

#[test]
fn nothing_is_wiped_without_the_sticks_name_typed_twice() {
    let (station, [red, _], _mounted) = two_sticks();
    let output = wiped(&station, &[]);
    expect_nothing_done(output, &red, &["3 messages", "drives wipe red --confirm red"]);
    expect_nothing_done(wiped(&station, &["--confirm", "blue"]), &red, &["is red"]);
    expect_nothing_done(wiped(&station, &["--confirm", ""]), &red, &["is red"]);
    expect_nothing_done(wiped(&station, &["--lose-last-copies"]), &red, &["--confirm red"]);
    station.command(&["audit"]).expect_safe();
}

#[test]
fn a_wiped_stick_has_nothing_of_ours_and_all_of_others() {
    let (station, [red, blue], _mounted) = two_sticks();
    let id = id_of(&red);
    let others = red.path().join("holiday.jpg");
    fs::write(&others, "a picture").unwrap();
    let before = blue.everything();
    let output = wiped(&station, &["--confirm", "red", "--json"]).expect_safe();
    let json = output.json();
    assert!(json["written_over_bytes"].as_u64().unwrap() > 20 << 20, "{json}");
    assert!(json["deleted_files"].as_u64().unwrap() >= 8, "{json}");
    let left: Vec<_> = fs::read_dir(red.path()).unwrap().map(|e| e.unwrap().file_name()).collect();
    assert_eq!(left, ["holiday.jpg"]);
    assert_eq!(fs::read(&others).unwrap(), b"a picture");
    assert_eq!(blue.everything(), before);
    let known = drive_of(&station, &id);
    assert_eq!(known["forgotten"]["why"], "wiped", "{known}");
    assert!(known["history"].to_string().contains("wiped"), "{known}");
    station.command(&["audit"]).expect_safe();
    station.restore().expect_safe();
}

#[test]
fn what_a_wipe_says_warns_of_what_flash_keeps() {
    let (station, _sticks, _mounted) = two_sticks();
    let output = wiped(&station, &["--confirm", "red"]).expect_safe();
    output.expect_words(&["red is wiped", "Flash keeps traces", "it is a new stick"]);
}

#[test]
fn a_wiped_stick_plugged_in_again_is_a_new_one() {
    let (station, [red, _], _mounted) = two_sticks();
    let id = id_of(&red);
    wiped(&station, &["--confirm", "red"]).expect_safe();
    station.mirror().expect_safe().expect_counts(&[("copied", 3)]);
    assert_ne!(id_of(&red), id);
    station.verify().expect_safe();
    assert_eq!(drive_of(&station, &id)["forgotten"]["why"], "wiped");
}

#[test]
fn the_last_copy_of_a_message_is_wiped_by_no_slip() {
    let (mut station, [red, blue], _mounted) = two_sticks();
    station.use_only(&[&red]);
    station.deliver("late.eml", mail("late"));
    station.mirror();
    let output = wiped(&station, &["--confirm", "red"]);
    expect_nothing_done(output, &red, &["1 message on the card, safe on red alone"]);
    // The other stick gets it too.
    station.use_only(&[&red, &blue]);
    station.mirror().expect_safe();
    // Gone from the card, and nobody saw it: it is wanted back.
    station.delete("m001.eml");
    fs::remove_dir_all(blue.path().join(HOME)).unwrap();
    let words = ["3 messages on the card", "1 message not on the card"];
    // Whether that one was wiped is asked first, and until then nothing is safe by it.
    expect_nothing_done(wiped(&station, &["--confirm", "red"]), &red, &words);
    station.command(&["drives", "forget", "blue", "--why", "reformatted"]).expect_safe();
    expect_nothing_done(wiped(&station, &["--confirm", "red"]), &red, &words);
    wiped(&station, &["--confirm", "red", "--lose-last-copies"]).expect_safe();
    assert!(!red.path().join(HOME).exists());
    station.command(&["audit"]).expect_unsafe();
}

#[test]
fn another_stations_mail_is_wiped_by_no_slip() {
    let (mut station, [red, _blue], _mounted) = two_sticks();
    station.use_state("state-quay-2");
    station.rename("quay-2");
    station.mirror().expect_safe();
    station.use_state("state");
    station.rename("pier-4");
    let output = wiped(&station, &["--confirm", "red"]);
    expect_nothing_done(output, &red, &["station", "quay-2"]);
}

#[test]
fn a_wipe_follows_no_link_and_leaves_the_stick_by_no_mount() {
    let (station, [red, _], _mounted) = two_sticks();
    let outside = station.path("outside");
    fs::create_dir_all(outside.join("folder")).unwrap();
    fs::write(outside.join("folder/precious"), "kept").unwrap();
    let home = red.path().join(HOME);
    symlink(&outside, home.join("to-folder")).unwrap();
    symlink(outside.join("folder/precious"), home.join("zeros-1")).unwrap();
    symlink("../holiday", home.join("pier-4/data/up")).unwrap();
    fs::create_dir(red.path().join("holiday")).unwrap();
    fs::write(red.path().join("holiday/1.jpg"), "a picture").unwrap();
    // In place of our own folder, deeper than ours ever is, and kinds of files that are none.
    let mut deep = home.join("deep");
    (0..40).for_each(|_| deep.push("d"));
    fs::create_dir_all(&deep).unwrap();
    sh("mkfifo", &[home.join("pipe").as_os_str()]);
    let bound = Mounted::bind(&outside, &home.join("deep/bound"));
    let output = wiped(&station, &["--confirm", "red"]).expect_failed();
    output.expect_words(&["not wiped whole", "count for nothing", "To go on"]);
    assert_eq!(fs::read(outside.join("folder/precious")).unwrap(), b"kept");
    drop(bound);
    wiped(&station, &["--confirm", "red"]).expect_safe();
    assert!(!home.exists());
    assert_eq!(fs::read(outside.join("folder/precious")).unwrap(), b"kept");
    assert_eq!(fs::read(red.path().join("holiday/1.jpg")).unwrap(), b"a picture");
}

/// Our folder itself may be a link on a prepared stick: to the operator's home, say.
#[test]
fn a_stick_whose_folder_leads_elsewhere_is_not_wiped() {
    let (station, [red, blue], _mounted) = two_sticks();
    let home = red.path().join(HOME);
    let elsewhere = station.path("elsewhere");
    sh("cp", &[OsStr::new("-r"), home.as_os_str(), elsewhere.as_os_str()]);
    fs::remove_dir_all(&home).unwrap();
    symlink(station.path("elsewhere"), &home).unwrap();
    let output = wiped(&station, &["--confirm", "red"]);
    assert_ne!(output.code(), Some(0));
    assert!(station.path("elsewhere/drive.json").exists());
    // Another stick in its place is not wiped for it.
    fs::remove_file(&home).unwrap();
    sh("cp", &[OsStr::new("-r"), blue.path().join(HOME).as_os_str(), home.as_os_str()]);
    let output = wiped(&station, &["--confirm", "red"]);
    assert_ne!(output.code(), Some(0));
    assert!(home.join("drive.json").exists());
}

/// The room beside a folder on the card is the card's: to fill it would stop the mail.
#[test]
fn a_folder_beside_other_things_is_not_filled_with_zeros() {
    let (mut station, red) = Station::with_drive();
    station.drive("blue");
    station.deliver_many(1);
    station.mirror().expect_safe();
    let output = wiped(&station, &["--confirm", "red", "--json"]).expect_safe();
    assert_eq!(output.json()["written_over_bytes"], serde_json::Value::Null);
    assert!(!red.path().join(HOME).exists());
}

/// Ends after so many bytes of zeros.
struct StopsAfter(AtomicU64, u64);

impl Progress for StopsAfter {
    fn advance(&self, _messages: u64, bytes: u64) {
        self.0.fetch_add(bytes, Ordering::Relaxed);
    }

    fn stop(&self) -> bool {
        self.0.load(Ordering::Relaxed) >= self.1
    }
}

fn free(path: &Path) -> u64 {
    let volume = DirVolumeSource::new(path).open(Access::Read).unwrap();
    volume.room().unwrap()
}

#[test]
fn a_stopped_wipe_leaves_no_zeros_and_is_gone_on_with() {
    let (station, [red, _], _mounted) = two_sticks();
    let id = id_of(&red);
    station.command(&["drives", "forget", "red", "--why", "lost"]).expect_safe();
    {
        let volume_source = DirVolumeSource::new(red.path());
        let volume = volume_source.open(Access::Write).unwrap();
        let stops = StopsAfter(AtomicU64::new(0), 4 << 20);
        let done = wipe(&volume_source, volume, true, &stops).unwrap();
        assert!(done.stopped && done.zeros == 4 << 20, "{done:?}");
    }
    assert_eq!(id_of(&red), id, "it can still be told");
    assert!(soon(|| free(red.path()) > 23 << 20));
    wiped(&station, &["--confirm", "red", "--lose-last-copies"]).expect_safe();
    assert!(!red.path().join(HOME).exists());
}

/// No room at all for the first zero, and for the last.
#[test]
fn a_full_stick_is_wiped_too() {
    let (station, [red, _], _mounted) = two_sticks();
    let full = red.path().join("filled");
    drop(fs::write(&full, vec![1; 64 << 20]));
    wiped(&station, &["--confirm", "red"]).expect_safe();
    assert!(!red.path().join(HOME).exists() && full.exists());
}

#[test]
fn a_stick_that_is_not_here_is_not_wiped() {
    let (mut station, [_, blue], _mounted) = two_sticks();
    station.use_only(&[&blue]);
    let output = wiped(&station, &["--confirm", "red"]).expect_refused();
    output.expect_words(&["not plugged in", "Nothing was done"]);
    let output = station.command(&["drives", "wipe", "green", "--confirm", "green"]);
    output.expect_refused().expect_words(&["no drive green"]);
    // A name that was pasted from somewhere steers no terminal.
    let output = station.command(&["drives", "wipe", "\u{1b}[2Jred", "--confirm", "red"]);
    output.expect_refused().expect_harmless();
}
