//! Very many files, very deep folders: memory is bounded, and everything left out is reported.

use crate::scene::Scene;
use crate::station::mail;
use std::ffi::OsStr;
use std::fs;

/// Number of files: a million, in the figures of the developers' notes, were counted by hand.
const CROWD: usize = 12_000;
/// The program gets this much writable memory and processor time (setrlimit(2)): work that grows with the square of the
/// files would take longer.
const LIMITS: [&str; 3] = ["prlimit", "--data=67108864", "--cpu=40"];

fn with_little(scene: &mut Scene) {
    scene.station.run_prefixed(&LIMITS.map(OsStr::new));
}

/// Fault 53: a crowd of empty files, in one folder and all of one content.
#[test]
fn a_crowd_of_empty_files_is_mirrored_in_little_memory() {
    let mut scene = Scene::empty();
    with_little(&mut scene);
    let crowd = scene.station.inbox().join("crowd");
    fs::create_dir(&crowd).unwrap();
    for number in 0..CROWD {
        fs::File::create(crowd.join(format!("{number:07}.eml"))).unwrap();
    }
    scene.deliver(1);
    let all = CROWD as u64 + 1;
    // Nothing is mirrored: everything is counted, and the list is bounded.
    let output = scene.station.audit().expect_unsafe();
    output.expect_counts(&[("messages.unmirrored", all), ("unmirrored", 10_000)]);
    let output = scene.station.command(&["audit"]).expect_unsafe();
    output
        .expect_words(&[&format!("and {} more messages; --json lists the first 10000", all - 40)]);
    let output = scene.expect_good_drive_served(scene.station.mirror()).expect_safe();
    drop(output);
    assert_eq!(scene.good.payloads().len(), 2, "one content is one copy");
    scene.station.audit().expect_safe().expect_counts(&[("messages.mirrored", all)]);
    // All of them move at once: that work must not grow with the square of them either.
    fs::rename(&crowd, scene.station.inbox().join("moved")).unwrap();
    scene.deliver(1);
    scene.expect_good_drive_served(scene.station.mirror()).expect_safe();
    scene.station.use_only(&[&scene.good]);
    scene.station.restore().expect_safe().expect_counts(&[("restored", all + 1)]);
}

/// Folders deeper than are followed: reported by name, and never silently left out.
#[test]
fn folders_too_deep_are_said() {
    let scene = Scene::empty();
    scene.deliver(1);
    let mut deep = scene.station.inbox();
    for level in 0..300 {
        deep.push("d");
        fs::create_dir(&deep).unwrap();
        if [0, 126, 127, 299].contains(&level) {
            fs::write(deep.join("deep.eml"), mail(&format!("level {level}"))).unwrap();
        }
    }
    let output = scene.expect_good_drive_served(scene.station.mirror()).expect_unsafe();
    let folder = vec!["d"; 128].join("/");
    let said = format!("{folder} cannot be read (it lies too deep)");
    output.expect_words(&[&said]).expect_counts(&[("copied", 2 * 3)]);
    let output = scene.station.audit().expect_unsafe();
    output.expect_words(&[&said]).expect_unmirrored(&[(&folder, "unreadable")]);
    scene.station.command(&["status"]).expect_unsafe().expect_words(&["1 unreadable"]);
    // The deepest folder that is followed comes back.
    let output = scene.station.restore().expect_safe();
    output.expect_counts(&[("restored", 3)]);
}

/// Very many folders, each with a file that is not a message.
#[test]
fn a_crowd_of_what_is_no_message_is_counted() {
    let mut scene = Scene::empty();
    with_little(&mut scene);
    scene.deliver(1);
    for number in 0..2_000 {
        let folder = scene.station.inbox().join(format!("f{number:04}"));
        fs::create_dir(&folder).unwrap();
        std::os::unix::fs::symlink("/dev/zero", folder.join("link.eml")).unwrap();
    }
    let output = scene.expect_good_drive_served(scene.station.mirror()).expect_unsafe();
    output.expect_counts(&[("copied", 2)]);
    let output = scene.station.audit().expect_unsafe();
    output.expect_counts(&[("messages.total", 2_001), ("messages.unmirrored", 2_000)]);
}
