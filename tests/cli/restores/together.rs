//! Two restores into one folder: one at a time, and the one that comes second takes nothing from the first.

use crate::station::{Station, expect_same, mail};
use crate::support::signal::signal;
use std::fs;
use std::os::unix::process::ExitStatusExt as _;
use std::path::Path;
use std::process::Child;
use std::time::{Duration, Instant};

const STAGING: &str = ".counterfoil-restore";
/// Tries to stop a restore half way; on a quiet machine the first one does.
const TRIES: usize = 50;

fn mirrored() -> Station {
    let (station, _red) = Station::with_drive();
    for number in 0..300 {
        station.deliver(format!("in/{number:03}.eml"), mail(&format!("traffic {number}")));
        station
            .deliver(format!("{number:03}.eml"), mail(&number.to_string()) + &"x".repeat(20_000));
    }
    station.mirror().expect_safe();
    station
}

fn staged(target: &Path) -> usize {
    walkdir::WalkDir::new(target.join(STAGING)).into_iter().filter(Result::is_ok).count()
}

/// Whether a process stands still, by the letter of its state (proc(5)).
fn stands_still(child: &Child) -> bool {
    let stat = fs::read_to_string(format!("/proc/{}/stat", child.id())).unwrap();
    stat.rsplit(')').next().unwrap().trim_start().starts_with('T')
}

/// A restore that was stopped while files of it are staged. It goes on when it is told to.
fn stopped_half_way(station: &Station, target: &Path) -> Child {
    for _ in 0..TRIES {
        let mut child =
            station.begin(&station.restore_arguments(&["--into", target.to_str().unwrap()]));
        let begun = Instant::now();
        while staged(target) < 20 && child.try_wait().unwrap().is_none() {
            assert!(begun.elapsed() < Duration::from_secs(60), "the restore stages nothing");
        }
        if child.try_wait().unwrap().is_none() {
            signal(&child, "STOP");
            while !stands_still(&child) && child.try_wait().unwrap().is_none() {
                std::thread::yield_now();
            }
            if staged(target) > 0 {
                return child;
            }
            signal(&child, "CONT");
        }
        child.wait().unwrap();
        fs::remove_dir_all(target).unwrap();
    }
    panic!("no restore could be stopped half way in {TRIES} tries");
}

#[test]
fn a_second_restore_waits_its_turn_and_loses_nothing_of_the_first() {
    let station = mirrored();
    let target = station.restored();
    let into = ["--into", target.to_str().unwrap()];
    let mut first = stopped_half_way(&station, &target);
    let before = staged(&target);
    station
        .restore_with(&into)
        .expect_failed()
        .expect_words(&["another restore is writing there", "wait until it ends"]);
    let mailbox = format!("inbox={}", target.display());
    let repair = ["--mailbox", &mailbox, "--repair", "inbox/000.eml"];
    station.restore_with(&repair).expect_failed().expect_words(&["another restore is writing"]);
    assert_eq!(staged(&target), before, "what the first has staged is there");
    // A look writes nothing and waits for nobody.
    let dry = [&into[..], &["--dry-run"]].concat();
    station.restore_with(&dry).expect_safe();
    signal(&first, "CONT");
    assert!(first.wait().unwrap().success());
    assert!(!target.join(STAGING).exists());
    expect_same(&station.inbox(), &target);
    station.restore_with(&into).expect_safe().expect_counts(&[("identical", 600)]);
    let left: Vec<_> = fs::read_dir(&target).unwrap().map(|e| e.unwrap().file_name()).collect();
    assert_eq!(left.len(), 301, "no lock is left: {left:?}");
}

#[test]
fn a_restore_that_was_killed_holds_up_no_other() {
    let station = mirrored();
    let target = station.restored();
    let mut first = stopped_half_way(&station, &target);
    first.kill().unwrap();
    assert_eq!(first.wait().unwrap().signal(), Some(9));
    assert!(staged(&target) > 0);
    station.restore_with(&["--into", target.to_str().unwrap()]).expect_safe();
    assert!(!target.join(STAGING).exists());
    expect_same(&station.inbox(), &target);
}

/// One was killed after it gave a folder of a Maildir its name, before the Maildir was whole.
#[test]
fn a_maildir_of_which_a_killed_restore_made_a_part_becomes_whole() {
    let (station, _red) = Station::with_drive();
    station.deliver("new/1.pier-4", mail("water level"));
    station.mirror().expect_safe();
    let target = station.restored();
    let into = ["--into", target.to_str().unwrap()];
    station.restore_with(&into).expect_safe();
    for name in ["cur", "tmp"] {
        fs::remove_dir(target.join(name)).unwrap();
    }
    // Only a restore that did not come to its end is gone on with: what a person removed stays so.
    station.restore_with(&into).expect_safe().expect_counts(&[("identical", 1)]);
    assert!(!target.join("tmp").exists());
    fs::create_dir(target.join(STAGING)).unwrap();
    station.restore_with(&into).expect_safe().expect_counts(&[("identical", 1)]);
    assert!(target.join("cur").is_dir() && target.join("tmp").is_dir());
    assert!(!target.join(STAGING).exists());
}

/// Root and the operator, in either order: who comes second is told, whoever it is.
#[test]
fn the_lock_holds_between_root_and_the_operator() {
    let mut station = mirrored();
    let target = station.restored();
    fs::create_dir(&target).unwrap();
    let mut first = stopped_half_way(&station, &target);
    // The operator owns everything, as on a card; what root has staged too.
    station.run_as_nobody();
    let into = ["--into", target.to_str().unwrap()];
    station.restore_with(&into).expect_failed().expect_words(&["another restore is writing"]);
    first.kill().unwrap();
    first.wait().unwrap();
    station.restore_with(&into).expect_safe();
    expect_same(&station.inbox(), &target);
}

/// Several mailboxes: the second restore ends before it has written to any of them.
#[test]
fn of_several_mailboxes_all_are_locked_before_one_is_written() {
    let mut station = mirrored();
    station.add_mailbox("zulu");
    station.deliver_to("zulu", "z.eml", mail("last"));
    station.mirror().expect_safe();
    let target = station.restored();
    fs::create_dir_all(target.join("zulu")).unwrap();
    let lock = fs::File::open(target.join("zulu")).unwrap();
    lock.try_lock().unwrap();
    let into = ["--into", target.to_str().unwrap()];
    station.restore_with(&into).expect_failed().expect_words(&["another restore is writing"]);
    assert_eq!(fs::read_dir(target.join("inbox")).unwrap().count(), 0);
    lock.unlock().unwrap();
    station.restore_with(&into).expect_safe();
    expect_same(&station.mailbox("zulu"), &target.join("zulu"));
}
