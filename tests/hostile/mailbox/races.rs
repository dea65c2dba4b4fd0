//! Files exchanged, extended, made unreadable and removed while the program reads them. Each test ends with the mailbox
//! at rest, when everything must be right.

use crate::command_output::CommandOutput;
use crate::scene::{SECRET, Scene};
use crate::station::mail;
use std::fs;
use std::io::Write as _;
use std::os::unix::fs::{PermissionsExt as _, symlink};
use std::path::Path;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::time::{Duration, Instant};

/// Passes of the program during the disturbance.
const PASSES: usize = 12;

/// Files that alternate between message and link.
const TURNING: u64 = 24;

/// Runs the program again and again while another thread does one thing over and over.
fn while_disturbed(scene: &Scene, disturb: impl Fn(u64) + Sync, each: impl Fn(CommandOutput)) {
    let (stop, done) = (AtomicBool::new(false), AtomicU64::new(0));
    std::thread::scope(|scope| {
        scope.spawn(|| {
            while !stop.load(Ordering::Relaxed) {
                disturb(done.fetch_add(1, Ordering::Relaxed));
            }
        });
        // Stops the other thread, however a pass ends.
        let _stops = Stops(&stop);
        for _ in 0..PASSES {
            wait_for_more(&done);
            scene.deliver(1);
            each(scene.expect_good_drive_served_but_for_what_changes(scene.station.mirror()));
        }
    });
}

/// Waits until the other thread is at work.
fn wait_for_more(done: &AtomicU64) {
    let (before, begun) = (done.load(Ordering::Relaxed), Instant::now());
    while done.load(Ordering::Relaxed) == before {
        assert!(begun.elapsed() < Duration::from_secs(30), "nobody disturbs");
        std::thread::yield_now();
    }
}

struct Stops<'a>(&'a AtomicBool);

impl Drop for Stops<'_> {
    fn drop(&mut self) {
        self.0.store(true, Ordering::Relaxed);
    }
}

impl Scene {
    /// Every message at rest is on the good drive, whatever else there is.
    fn expect_good_drive_served_but_for_what_changes(
        &self,
        output: CommandOutput,
    ) -> CommandOutput {
        let state = output.drive("blue")["state"].clone();
        assert!(state == "safe" || state == "settling", "{}{}", output.text(), output.warnings());
        let lines = self.good.lines_of("mirrored");
        for entry in fs::read_dir(self.station.inbox()).unwrap().map(Result::unwrap) {
            let name = entry.file_name().into_string().unwrap();
            let there = lines.iter().any(|line| line["path"] == name.as_str());
            assert!(there || !name.starts_with('m'), "{name}: {}", output.warnings());
        }
        self.expect_outside_untouched(&output);
        output
    }
}

/// Replaces a file in one step, as rename(2) does.
fn exchange(scene: &Scene, at: &Path, make: impl FnOnce(&Path)) {
    let passing = scene.station.path("card/passing");
    make(&passing);
    fs::rename(&passing, at).unwrap();
}

/// Fault 55: between scan and opening a message becomes a link to a secret, and a message again.
#[test]
fn a_link_put_in_place_of_a_message_gives_nothing_away() {
    let scene = Scene::mirrored(2);
    // Many, since one is hit between scan and opening in one pass of ten.
    let at = |turn: u64| scene.station.inbox().join(format!("turn-{}.eml", turn % TURNING));
    let disturb = |turn: u64| {
        exchange(&scene, &at(turn), |passing| match turn / TURNING % 2 {
            0 => fs::write(passing, version(turn, &format!("turn {turn}"))).unwrap(),
            _ => symlink(scene.secret_file(), passing).unwrap(),
        });
    };
    while_disturbed(&scene, disturb, drop);
    for turn in 0..TURNING {
        // Longer than any before: a shorter one could be a truncated version that no drive has.
        let at_rest = version(turn, "at rest after all of these turns");
        exchange(&scene, &at(turn), |passing| fs::write(passing, at_rest).unwrap());
    }
    scene.expect_good_drive_served(scene.station.mirror()).expect_safe();
    scene.station.audit().expect_safe();
    scene.expect_all_restored().expect_safe();
}

/// The message at an alternating path: by its Message-ID each version is recognised as the successor of the last.
fn version(turn: u64, text: &str) -> String {
    format!("Message-ID: <{}@example.org>\r\n{}", turn % TURNING, mail(text))
}

/// Fault 55: the same with a folder on the path. The link's target has files of the same names.
#[test]
fn a_link_put_in_place_of_a_folder_gives_nothing_away() {
    let scene = Scene::mirrored(2);
    let at = scene.station.inbox().join("folder");
    let aside = scene.station.path("card/folder");
    fs::create_dir(&aside).unwrap();
    for name in ["0001", "secret"] {
        fs::write(aside.join(name), mail(name)).unwrap();
    }
    let disturb = |turn: u64| match turn % 2 {
        0 => {
            fs::rename(&aside, &at).unwrap();
            fs::rename(&at, &aside).unwrap();
        }
        _ => {
            symlink(scene.secret_folder(), &at).unwrap();
            fs::remove_file(&at).unwrap();
        }
    };
    while_disturbed(&scene, disturb, drop);
    fs::rename(&aside, &at).unwrap();
    scene.expect_good_drive_served(scene.station.mirror()).expect_safe();
    scene.station.audit().expect_safe().expect_counts(&[("messages.unmirrored", 0)]);
    scene.expect_all_restored().expect_safe();
}

/// Fault 39: a file that grows for as long as it is read: reading stops at the length it had when it was scanned, and
/// no half of it is ever taken for a message.
#[test]
fn a_file_that_grows_for_ever_is_given_up_and_taken_when_it_rests() {
    let scene = Scene::mirrored(2);
    let at = scene.station.inbox().join("growing.eml");
    let start = vec![b'x'; 3 << 20];
    fs::write(&at, &start).unwrap();
    let file = fs::File::options().append(true).open(&at).unwrap();
    let disturb = |_| {
        (&file).write_all(b"and more\r\n").unwrap();
    };
    while_disturbed(&scene, disturb, drop);
    let whole = fs::read(&at).unwrap();
    for line in scene.good.lines_of("mirrored") {
        if line["path"] == "growing.eml" {
            let copy = fs::read(scene.good.bag().join(line["payload"].as_str().unwrap())).unwrap();
            assert!(whole.starts_with(&copy), "a version that was never there");
        }
    }
    scene.expect_good_drive_served(scene.station.mirror()).expect_safe();
    scene.station.audit().expect_safe();
    scene.expect_all_restored().expect_safe();
}

/// Fault 34 on the card: the permission to read is withdrawn and restored, of a message and of a folder.
#[test]
fn rights_taken_away_half_way_cost_no_copy_made_before() {
    let mut scene = Scene::mirrored(2);
    scene.station.deliver("closed/0001.eml", mail("in a folder"));
    scene.station.run_as_nobody();
    scene.station.mirror().expect_safe();
    let inbox = scene.station.inbox();
    let set = |mode: u32| {
        for (name, more) in [("m000.eml", 0), ("closed", 0o111)] {
            let mode = if mode == 0 { 0 } else { mode | more };
            fs::set_permissions(inbox.join(name), fs::Permissions::from_mode(mode)).unwrap();
        }
    };
    // The messages belong to root, readable for all.
    while_disturbed(&scene, |turn| set(if turn % 2 == 0 { 0 } else { 0o644 }), drop);
    // How the last of these passes ended is chance; with all permissions restored, everything is as it was.
    set(0o644);
    scene.station.mirror().expect_safe();
    set(0);
    let output = scene.station.mirror().expect_unsafe();
    output.expect_words(&["m000.eml cannot be read", "closed cannot be read"]);
    let output = scene.station.audit().expect_unsafe();
    output
        .expect_unmirrored(&[("closed", "unreadable"), ("m000.eml", "unreadable")])
        .expect_counts(&[("vanished", 0)]);
    let output = scene.station.restore().expect_safe();
    assert_eq!(output.json()["restored"], 3 + PASSES as u64);
    set(0o644);
    scene.station.mirror().expect_safe();
    scene.station.audit().expect_safe().expect_counts(&[("vanished", 0)]);
}

/// Fault 40: messages that come and go, are moved and moved back, while the program works.
#[test]
fn messages_that_come_and_go_are_copied_once_they_stay() {
    let scene = Scene::mirrored(2);
    let inbox = scene.station.inbox();
    let disturb = |turn: u64| {
        let (a, b) = (inbox.join("a.eml"), inbox.join("b.eml"));
        fs::write(&a, SECRET.replace("canary", &format!("turn {}", turn % 5))).unwrap();
        fs::rename(&a, &b).unwrap();
        if turn.is_multiple_of(3) {
            fs::remove_file(&b).unwrap();
        }
    };
    while_disturbed(&scene, disturb, drop);
    fs::write(inbox.join("a.eml"), mail("at rest")).unwrap();
    scene.expect_good_drive_served(scene.station.mirror());
    scene.station.audit().expect_counts(&[("messages.unmirrored", 0)]);
    scene.expect_all_restored();
}
