//! Files in a mailbox that are not messages, names on which other programs would stumble, and mailboxes in places where
//! no mailbox should be.

use crate::scene::{SECRET, Scene};
use crate::station::{Station, mail, sh, tree};
use std::ffi::OsStr;
use std::fs;
use std::os::unix::ffi::OsStrExt as _;
use std::os::unix::fs::symlink;
use std::os::unix::net::UnixListener;
use std::path::Path;

/// Fault 55: everything that is not a regular file, each reported by name; both drives get the messages next to it.
#[test]
fn what_is_no_file_is_said_and_neither_followed_nor_opened() {
    let scene = Scene::empty();
    scene.deliver(2);
    let inbox = scene.station.inbox();
    let at = |name: &str| inbox.join(name);
    symlink(scene.secret_file(), at("link-file.eml")).unwrap();
    symlink(scene.secret_folder(), at("link-folder")).unwrap();
    symlink("/dev/zero", at("link-zero.eml")).unwrap();
    symlink("loop-b", at("loop-a")).unwrap();
    symlink("loop-a", at("loop-b")).unwrap();
    symlink(".", at("here")).unwrap();
    symlink("../../..", at("up")).unwrap();
    symlink(scene.bad.path(), at("drive")).unwrap();
    sh("mkfifo", &[at("pipe.eml")]);
    let device = |name: &str, kind: &str, major: &str, minor: &str| {
        let path = at(name);
        sh("mknod", &[path.as_os_str(), kind.as_ref(), major.as_ref(), minor.as_ref()]);
    };
    device("zero.eml", "c", "1", "5");
    device("block.eml", "b", "7", "250");
    let socket = tempfile::tempdir_in("/dev/shm").unwrap();
    drop(UnixListener::bind(socket.path().join("s")).unwrap());
    fs::rename(socket.path().join("s"), at("socket.eml")).unwrap();
    let names = [
        "block.eml",
        "drive",
        "here",
        "link-file.eml",
        "link-folder",
        "link-zero.eml",
        "loop-a",
        "loop-b",
        "pipe.eml",
        "socket.eml",
        "up",
        "zero.eml",
    ];
    let expected: Vec<_> = names.iter().map(|name| (*name, "not-a-file")).collect();
    let output = scene.expect_good_drive_served(scene.station.mirror()).expect_unsafe();
    output
        .expect_counts(&[("copied", 4)])
        .expect_words(&["What it is, and why: counterfoil audit"]);
    scene.station.audit().expect_unsafe().expect_unmirrored(&expected);
    let output = scene.station.command(&["audit"]).expect_unsafe();
    output.expect_words(&["pipe.eml", "links, pipes and devices are not messages: move it out"]);
    scene.expect_one_restored("m000.eml");
}

/// Fault 55: two names of one file within the mailbox are two messages and one copy; a link to a file outside is a
/// message like any other, since nobody can tell which name was first.
#[test]
fn hard_links_are_messages_and_cost_one_copy() {
    let scene = Scene::empty();
    scene.station.deliver("a/one.eml", mail("water level"));
    let one = scene.station.inbox().join("a/one.eml");
    fs::hard_link(&one, scene.station.inbox().join("two.eml")).unwrap();
    let output = scene.expect_good_drive_served(scene.station.mirror()).expect_safe();
    output.expect_counts(&[("copied", 2)]);
    assert_eq!(scene.bad.payloads().len(), 1);
    scene.station.audit().expect_safe().expect_counts(&[("messages.total", 2)]);
    scene.expect_just_this_restored().expect_safe();
}

/// Faults 30, 31 and 60: names of any bytes and of full length, that look like options, paths and patterns.
#[test]
fn names_of_any_bytes_come_back() {
    let full: Vec<u8> = vec![0xff; 255];
    let wide = "\u{1f4e1}".repeat(63);
    let names: [&[u8]; 22] = [
        &full,
        wide.as_bytes(),
        b"new\nline\n.eml",
        b"-rf",
        b"--config",
        b"--",
        b"-",
        b"*",
        b"?[a-z]{x}",
        b"$(reboot)",
        b"`id`",
        b";ls",
        b"|x",
        b"~",
        b"~root",
        b"C:\\windows\\x.eml",
        b"\\\\server\\share",
        b"\xc3\x28.eml",
        b"%2e%2e%2f.eml",
        b"..eml",
        b"...",
        b" ",
    ];
    let scene = Scene::empty();
    for (number, name) in names.iter().enumerate() {
        scene.station.deliver(OsStr::from_bytes(name), mail(&format!("flat {number}")));
        let nested = [&b"sub/"[..], name, b"/", name].concat();
        scene.station.deliver(OsStr::from_bytes(&nested), mail(&format!("nested {number}")));
    }
    let count = 2 * names.len() as u64;
    let output = scene.expect_good_drive_served(scene.station.mirror()).expect_safe();
    output.expect_counts(&[("copied", 2 * count)]);
    scene.station.audit().expect_safe().expect_counts(&[("messages.total", count)]);
    scene.expect_just_this_restored().expect_safe().expect_counts(&[("restored", count)]);
}

/// A mailbox within a drive would be copied into itself; a drive within a mailbox likewise.
#[test]
fn mailbox_and_drive_may_not_lie_in_each_other() {
    let mut scene = Scene::mirrored(1);
    for (below, above) in [("inbox/stick", "card"), ("inbox", "card/inbox")] {
        let drive = scene.station.path("card").join(below);
        fs::create_dir_all(&drive).unwrap();
        let mut args = scene.station.arguments(&["mirror"]);
        args.extend(["--drive".into(), drive.clone().into()]);
        let output = scene.station.run(&args).expect_refused();
        output.expect_words(&["lies in the", "keep them apart"]);
        assert_eq!(
            fs::read_dir(&drive)
                .unwrap()
                .filter(|e| { e.as_ref().unwrap().file_name() == "counterfoil" })
                .count(),
            0,
            "{above}"
        );
    }
    fs::remove_dir(scene.station.inbox().join("stick")).unwrap();
    let within = scene.bad.path().join("mail");
    fs::create_dir(&within).unwrap();
    // Also through a link, which the paths alone do not show.
    let link = scene.station.path("innocent");
    symlink(&within, &link).unwrap();
    let drive_link = scene.station.path("media/innocent");
    symlink(scene.station.inbox(), &drive_link).unwrap();
    let expect_refused = |scene: &Scene, option: &str, path: &Path, words: &str| {
        let mut args = scene.station.arguments(&["mirror"]);
        args.extend([option.into(), path.into()]);
        scene.station.run(&args).expect_refused().expect_words(&[words]);
    };
    expect_refused(&scene, "--mailbox", &within, "keep them apart");
    // Root does not even check where a link to a mailbox leads.
    expect_refused(
        &scene,
        "--mailbox",
        &link,
        "is a link, and root follows none there. Nothing was done",
    );
    expect_refused(&scene, "--drive", &drive_link, "keep them apart");
    scene.deliver(1);
    scene.expect_good_drive_served(scene.station.mirror()).expect_safe();
    scene.station.run_as_nobody();
    expect_refused(&scene, "--mailbox", &within, "keep them apart");
    expect_refused(&scene, "--mailbox", &link, "keep them apart");
    expect_refused(&scene, "--drive", &drive_link, "keep them apart");
    scene.deliver(1);
    scene.expect_good_drive_served(scene.station.mirror()).expect_safe();
    scene.station.use_only(&[&scene.good]);
    scene.station.restore().expect_safe();
}

/// The mailbox's folder is a link now. The operator's own link is followed when the operator runs the program, as to a
/// mailbox on another disk; but its target is a mailbox of its own, and the previous one loses nothing. Root follows
/// none there.
#[test]
fn a_mailbox_replaced_by_a_link_loses_nothing_of_the_one_before() {
    let mut scene = Scene::mirrored(3);
    let inbox = scene.station.inbox();
    let aside = scene.station.path("card/aside");
    fs::rename(&inbox, &aside).unwrap();
    let other = scene.station.path("card/other");
    fs::create_dir(&other).unwrap();
    fs::write(other.join("m000.eml"), mail("of another mailbox")).unwrap();
    symlink(&other, &inbox).unwrap();
    let before = tree(scene.bad.path());
    let output = scene.station.mirror().expect_refused();
    output.expect_words(&["is a link, and root follows none there. Nothing was done"]);
    assert_eq!(tree(scene.bad.path()), before);
    scene.station.run_as_nobody();
    scene.station.mirror().expect_safe().expect_counts(&[("copied", 2)]);
    assert_eq!(scene.bad.lines_of("mirrored").last().unwrap()["mailbox"], "other");
    let output = scene.station.audit().expect_safe();
    assert_eq!(output.json()["not_in_config"][0]["mailbox"], "inbox");
    output.expect_counts(&[("messages.total", 1), ("messages.vanished", 0)]);
    let output = scene.station.restore().expect_safe();
    output.expect_counts(&[("restored", 4)]);
    assert_eq!(fs::read_dir(scene.station.restored().join("inbox")).unwrap().count(), 3);
    fs::remove_file(&inbox).unwrap();
    fs::rename(&aside, &inbox).unwrap();
    // A link to nowhere, or to itself, is an absent mailbox: nothing vanishes.
    fs::rename(&inbox, &aside).unwrap();
    for goal in ["/nowhere", "inbox"] {
        symlink(goal, &inbox).unwrap();
        scene.station.mirror().expect_failed().expect_words(&["mailbox inbox"]);
        fs::remove_file(&inbox).unwrap();
    }
    fs::rename(&aside, &inbox).unwrap();
    scene
        .station
        .audit()
        .expect_safe()
        .expect_counts(&[("messages.total", 3), ("messages.vanished", 0)]);
}

/// Fault 35: a message longer than the drive can hold, which other drives may hold. The limit here is the program's own
/// (setrlimit(2), RLIMIT_FSIZE), since a FAT file system needs a kernel that supports it.
#[test]
fn a_message_longer_than_a_drive_takes_is_said_and_holds_up_no_other() {
    let mut scene = Scene::empty();
    scene.deliver(2);
    scene.station.deliver("long.eml", vec![b'x'; 9 << 20]);
    let words = ["env", "--ignore-signal=XFSZ", "prlimit", "--fsize=8388608"].map(OsStr::new);
    scene.station.run_prefixed(&words);
    for _ in 0..3 {
        let output = scene.station.mirror();
        for drive in ["red", "blue"] {
            let drive = output.drive(drive);
            assert_eq!(
                (&drive["error"], &drive["failed"]),
                (&serde_json::Value::Null, &1.into()),
                "{drive}"
            );
        }
        output
            .expect_unsafe()
            .expect_words(&["long.eml is not on blue: too-large: use a drive with exFAT or ext4"]);
    }
    for stick in [&scene.bad, &scene.good] {
        assert_eq!(stick.lines_of("mirrored").len(), 2);
        assert!(
            stick.payloads().len() <= 2 + 3,
            "what is refused again and again does not pile up"
        );
    }
}

impl Scene {
    /// The mailbox contains files that no restore brings back: one message stands for all.
    fn expect_one_restored(&self, name: &str) {
        let output = self.station.restore().expect_safe();
        let (here, back) = (self.station.inbox().join(name), self.station.restored().join(name));
        assert_eq!(fs::read(here).unwrap(), fs::read(back).unwrap());
        self.expect_outside_untouched(&output);
    }
}

/// Fault 55: in the target folder of a restore, links are where folders and files are to be made.
#[test]
fn links_in_the_folder_restored_into_are_not_followed() {
    let mut station = Station::new();
    let red = station.drive("red");
    station.deliver("cur/0001.eml", mail("water level"));
    station.deliver("flat.eml", mail("bridge closed"));
    station.mirror().expect_safe();
    let outside = station.path("outside");
    fs::create_dir(&outside).unwrap();
    fs::write(outside.join("0001.eml"), SECRET).unwrap();
    let into = station.restored();
    fs::create_dir(&into).unwrap();
    symlink(&outside, into.join("cur")).unwrap();
    symlink(outside.join("0001.eml"), into.join("flat.eml")).unwrap();
    symlink(&outside, into.join(".counterfoil-restore")).unwrap();
    let output = station.restore_with(&["--into", into.to_str().unwrap()]).expect_failed();
    output.expect_words(&["something else stands where"]);
    fs::remove_file(into.join(".counterfoil-restore")).unwrap();
    let output = station.restore_with(&["--into", into.to_str().unwrap()]).expect_safe();
    output.expect_counts(&[("restored", 2), ("kept_both", 2)]);
    assert_eq!(fs::read_to_string(outside.join("0001.eml")).unwrap(), SECRET);
    assert_eq!(fs::read_dir(&outside).unwrap().count(), 1);
    red.expect_bag_valid();
}
