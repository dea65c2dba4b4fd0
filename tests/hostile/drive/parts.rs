//! Another kind of file in place of each part of a drive: the program must neither follow nor open it nor wait for it.
//! The contents of files are tested elsewhere.

use crate::scene::Scene;
use crate::station::sh;
use std::ffi::OsStr;
use std::fs;
use std::os::unix::fs::symlink;
use std::os::unix::net::UnixListener;
use std::path::{Path, PathBuf};

/// Every part of a drive that the program opens.
const PARTS: [&str; 9] = [
    "counterfoil",
    "counterfoil/drive.json",
    "counterfoil/pier-4",
    "counterfoil/pier-4/ledger.jsonl",
    "counterfoil/pier-4/manifest-sha256.txt",
    "counterfoil/pier-4/bagit.txt",
    "counterfoil/pier-4/data",
    SEGMENT,
    COPY,
];
const SEGMENT: &str = "counterfoil/pier-4/data/0001";
const COPY: &str = "counterfoil/pier-4/data/0001/00000001.EML";

/// For each part of a drive: replaces it, mirrors, and checks that nothing but the bad drive is affected. `put` gets
/// the path to create.
fn in_place_of_each_part(put: impl Fn(&Scene, &Path)) {
    for part in PARTS {
        let scene = Scene::mirrored(2);
        let at = scene.bad.path().join(part);
        let aside = scene.station.path("aside");
        fs::rename(&at, &aside).unwrap();
        put(&scene, &at);
        expect_only_the_bad_drive_suffers(&scene, part);
    }
}

fn expect_only_the_bad_drive_suffers(scene: &Scene, part: &str) {
    scene.forget();
    scene.deliver(1);
    let output = scene.expect_good_drive_served(scene.station.mirror());
    let bad = output.drive("red");
    if part == COPY || part == SEGMENT {
        output
            .expect_words(&["data/0001/00000001.EML cannot be read; the message is copied again"]);
        assert_eq!(bad["error"], serde_json::Value::Null, "{part}: copies are bad, not the drive");
        scene.station.audit().expect_safe();
        scene.station.verify().expect_safe();
        scene.expect_just_this_restored().expect_safe();
        return;
    }
    let error = bad["error"].as_str().unwrap_or_else(|| panic!("{part}: no error: {bad}"));
    let expected = "something else stands where our own folder or file should be";
    assert!(error.contains(expected), "{part}: {error}");
    assert_eq!(bad["state"], "failed", "{part}: {error}");
    let output = output.expect_unsafe();
    let named = part.rsplit('/').next().unwrap();
    assert!(error.contains(named) || error.contains("data"), "{part}: where it is: {error}");
    drop(output);
    let audit = scene.station.audit();
    audit.expect_counts(&[("messages.total", 3), ("messages.unmirrored", 0)]).expect_safe();
    let verified = scene.station.verify();
    scene.expect_outside_untouched(&verified);
    scene.expect_just_this_restored();
}

/// Faults 55 and 56: links to a secret, to the mailbox, to nowhere, to themselves.
#[test]
fn links_are_not_followed() {
    in_place_of_each_part(|scene, at| {
        let goal = match is_folder(at) {
            true => scene.secret_folder(),
            false => scene.secret_file(),
        };
        symlink(goal, at).unwrap();
    });
}

/// Faults 55 and 56: an ingenious attacker makes the link lead to a folder that looks right.
#[test]
fn links_to_the_mailbox_or_to_nowhere_are_not_followed() {
    let turn = std::cell::Cell::new(0);
    in_place_of_each_part(|scene, at| {
        turn.set(turn.get() + 1);
        let message = scene.station.inbox().join("m000.eml");
        let goal = match (is_folder(at), turn.get() % 3) {
            (true, 0) => scene.station.inbox(),
            (false, 0) => message,
            (_, 1) => PathBuf::from("/nowhere"),
            _ => at.to_owned(),
        };
        symlink(goal, at).unwrap();
    });
}

/// Fault 55: a pipe without a writer.
#[test]
fn pipes_are_not_waited_for() {
    in_place_of_each_part(|_, at| sh("mkfifo", &[at]));
}

/// Fault 55: sockets.
#[test]
fn sockets_are_no_files() {
    in_place_of_each_part(|_, at| {
        // The socket stays after its listener is gone.
        let short = tempfile::tempdir_in("/dev/shm").unwrap();
        let socket = short.path().join("s");
        drop(UnixListener::bind(&socket).unwrap());
        fs::rename(&socket, at).unwrap();
    });
}

/// Fault 55: a device that returns zeros without end, and one that does not exist: no device is even opened, since
/// opening alone triggers some of them.
#[test]
fn devices_are_not_opened() {
    in_place_of_each_part(|_, at| {
        sh("mknod", &[at.as_os_str(), "c".as_ref(), "1".as_ref(), "5".as_ref()])
    });
    in_place_of_each_part(|_, at| {
        sh("mknod", &[at.as_os_str(), "b".as_ref(), "7".as_ref(), "250".as_ref()])
    });
}

/// Fault 56: a folder where a file should be, a file where a folder should be.
#[test]
fn folders_are_no_files_and_files_are_no_folders() {
    in_place_of_each_part(|_, at| match is_folder(at) {
        true => fs::write(at, "not a folder").unwrap(),
        false => fs::create_dir(at).unwrap(),
    });
}

/// Fault 56: another folder of the card mounted within the drive, visible to the program alone.
#[test]
fn nothing_mounted_within_a_drive_is_entered() {
    for part in PARTS {
        let mut scene = Scene::mirrored(2);
        let at = scene.bad.path().join(part);
        let from = match is_folder(&at) {
            true => scene.secret_folder(),
            false => scene.secret_file(),
        };
        let script = "mount --bind \"$0\" \"$1\" || exit 99; shift; exec \"$@\"";
        let words =
            ["unshare", "-m", "--propagation", "private", "sh", "-c", script].map(OsStr::new);
        scene.station.run_prefixed(&[&words[..], &[from.as_os_str(), at.as_os_str()]].concat());
        expect_only_the_bad_drive_suffers(&scene, part);
    }
}

fn is_folder(at: &Path) -> bool {
    ["counterfoil", "pier-4", "data", "0001"].iter().any(|name| at.ends_with(name))
}
