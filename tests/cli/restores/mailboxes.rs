//! What is already where the mail goes: an older card's mailbox, mail that comes meanwhile, no room, another owner.

use crate::station::{Mounted, Station, expect_same, mail, sh, tree};
use std::ffi::OsStr;
use std::fs;
use std::os::unix::fs::{MetadataExt as _, PermissionsExt as _};
use std::path::{Path, PathBuf};

fn copy(from: &Path, to: &Path) {
    sh("cp", &[OsStr::new("-a"), from.as_os_str(), to.as_os_str()]);
}

/// The card is swapped for another one, which was kept as `name`; the one in use is kept as `aside`.
fn swap_cards(station: &Station, name: &str, aside: &str) {
    fs::rename(station.path("card"), station.path(aside)).unwrap();
    fs::rename(station.path(name), station.path("card")).unwrap();
}

/// Fault 43: the spare card has last month's mailbox and catalogue. What came since is merged in; what is older on
/// the card is written over nothing newer, and nothing newer over it.
#[test]
fn a_spare_card_of_last_month_is_merged() {
    let (station, red) = Station::with_drive();
    station.deliver("0001.eml", mail("water level"));
    station.deliver("draft.eml", "the first version of a text\n");
    station.deliver("old.eml", mail("done with"));
    station.mirror().expect_safe();
    copy(&station.path("card"), &station.path("spare"));
    station.replace("draft.eml", "the second version of that text, and longer\n");
    station.move_to("old.eml", "done/old.eml");
    station.deliver("0002.eml", mail("bridge closed"));
    // Nobody saw who wrote the draft anew.
    station.mirror().expect_verdict("damaged-or-missing");
    let newest = tree(&station.inbox());
    swap_cards(&station, "spare", "dead");
    red.replug();
    station.restore_with(&[]).expect_safe();
    let merged = tree(&station.inbox());
    for (path, what) in &newest {
        let there = merged.values().filter(|(bytes, _, _)| *bytes == what.0).count();
        assert!(there > 0, "{} is not back", String::from_utf8_lossy(path));
    }
    let text = |name: &str| fs::read_to_string(station.inbox().join(name)).unwrap();
    assert_eq!(text("draft.eml"), "the first version of a text\n", "nothing is overwritten");
    let beside = merged.iter().filter(|(path, _)| path.starts_with(b"draft.eml.counterfoil-"));
    let beside: Vec<_> = beside.map(|(_, (bytes, _, _))| bytes.as_slice()).collect();
    assert_eq!(beside, [b"the second version of that text, and longer\n"]);
    // Both cards' words are kept when the old one goes on, and the later restore has both.
    station.mirror().expect_safe();
    station.restore().expect_safe();
    expect_same(&station.inbox(), &station.restored());
    red.expect_bag_valid();
}

/// Fault 43: two cards of one station in turn on the same stick, each with a catalogue of its own.
#[test]
fn two_cards_in_turn_leave_the_mail_of_both_on_the_stick() {
    let (station, red) = Station::with_drive();
    station.deliver("first.eml", mail("before there were two"));
    station.mirror().expect_safe();
    copy(&station.path("card"), &station.path("other"));
    let (mut here, mut there) = ("other", "this");
    for round in 0..4 {
        station.deliver(format!("round-{round}.eml"), mail(&format!("round {round}")));
        red.replug();
        let output = station.mirror().expect_counts(&[("lacking", u64::from(round > 0))]);
        assert_eq!(output.json()["messages"]["unmirrored"], 0);
        swap_cards(&station, here, there);
        (here, there) = (there, here);
    }
    station.restore().expect_safe();
    let back = tree(&station.restored());
    for name in ["first.eml", "round-0.eml", "round-1.eml", "round-2.eml", "round-3.eml"] {
        assert!(back.contains_key(name.as_bytes()), "{name} in {:?}", back.keys());
    }
    red.expect_bag_valid();
}

/// The mail program delivers while the mailbox is put back: under names of its own, and under names that the restore
/// is about to give.
#[test]
fn mail_that_is_delivered_during_a_restore_is_kept() {
    let (station, _red) = Station::with_drive();
    station.deliver_many(600);
    station.mirror().expect_safe();
    let target = station.restored();
    fs::create_dir(&target).unwrap();
    let mut child =
        station.begin(&station.restore_arguments(&["--into", target.to_str().unwrap()]));
    let mut delivered = Vec::new();
    let mut number = 599;
    // From the end, towards a restore that comes from the beginning.
    while child.try_wait().unwrap().is_none() {
        let name = match number {
            0.. => format!("m{number:03}.eml"),
            _ => format!("new{number}.eml"),
        };
        number -= 1;
        let text = mail(&format!("delivered {number}"));
        let file = fs::File::options().write(true).create_new(true).open(target.join(&name));
        if let Ok(mut file) = file {
            std::io::Write::write_all(&mut file, text.as_bytes()).unwrap();
            delivered.push((name, text));
        }
    }
    assert!(child.wait().unwrap().success());
    assert!(!delivered.is_empty());
    for (name, text) in &delivered {
        assert_eq!(&fs::read_to_string(target.join(name)).unwrap(), text, "{name}");
    }
    let back: Vec<_> = tree(&target).into_values().map(|(bytes, _, _)| bytes).collect();
    for number in 0..600 {
        let wanted = mail(&format!("traffic {number}")).into_bytes();
        assert!(back.contains(&wanted), "message {number} is not there");
    }
}

/// Fault 17: the card is full half way. What is there is whole; once there is room the same command goes on.
#[test]
fn a_target_that_is_full_half_way_is_gone_on_with() {
    let (station, _red) = Station::with_drive();
    for number in 0..200 {
        let text = mail(&format!("traffic {number}")) + &"x".repeat(8_000);
        station.deliver(format!("m{number:03}.eml"), text);
    }
    station.mirror().expect_safe();
    let mounted = Mounted::small(&station.path("small"), "size=1m");
    let into = mounted.path().to_str().unwrap().to_owned();
    let output = station.restore_with(&["--into", &into]).expect_unsafe();
    let json = output.json();
    let first = json["restored"].as_u64().unwrap();
    assert!((1..200).contains(&first), "{first} of 200 fit");
    assert_eq!(json["not_written"].as_array().unwrap().len() as u64, 200 - first);
    let whole = tree(&station.inbox());
    for (path, what) in tree(mounted.path()) {
        assert!(whole[&path] == what, "{} is not whole", String::from_utf8_lossy(&path));
    }
    let words = ["-o", "remount,size=16m", &into].map(OsStr::new);
    sh("mount", &words);
    let output = station.restore_with(&["--into", &into]).expect_safe();
    output.expect_counts(&[("restored", 200 - first), ("identical", first)]);
    expect_same(&station.inbox(), mounted.path());
}

/// Two long messages for each of which there is room, but not for both: the second keeps no short one away.
#[test]
fn what_does_not_fit_beside_another_keeps_no_later_one_away() {
    let (station, _red) = Station::with_drive();
    for name in ["a.eml", "b.eml"] {
        station.deliver(name, mail(name) + &"x".repeat(600 << 10));
    }
    for number in 0..20 {
        station.deliver(format!("m{number:03}.eml"), mail(&format!("traffic {number}")));
    }
    station.mirror().expect_safe();
    let mounted = Mounted::small(&station.path("small"), "size=1m");
    let into = mounted.path().to_str().unwrap().to_owned();
    let output = station.restore_with(&["--into", &into]).expect_unsafe();
    output.expect_counts(&[("restored", 21)]);
    let (whole, there) = (tree(&station.inbox()), tree(mounted.path()));
    assert_eq!(there.len(), 21);
    assert!(there.iter().all(|(path, what)| whole[path] == *what));
}

/// A folder of another user, restored into by root: owner and group are that user's, rights the message's own.
#[test]
fn root_restores_into_another_users_folder() {
    let (station, _red) = Station::with_drive();
    station.deliver("in/cur/1:2,S", mail("water level"));
    station.deliver("0002.eml", mail("bridge closed"));
    for (path, mode) in [("in/cur/1:2,S", 0o600), ("0002.eml", 0o644)] {
        let rights = fs::Permissions::from_mode(mode);
        fs::set_permissions(station.inbox().join(path), rights).unwrap();
    }
    station.mirror().expect_safe();
    let target = station.restored();
    fs::create_dir(&target).unwrap();
    fs::set_permissions(&target, fs::Permissions::from_mode(0o750)).unwrap();
    std::os::unix::fs::chown(&target, Some(1234), Some(1235)).expect("these tests run as root");
    station.restore_with(&["--into", target.to_str().unwrap()]).expect_safe();
    for (path, mode) in [
        // Whatever the folder above lets others see.
        ("in", 0o700),
        ("in/cur", 0o700),
        ("in/new", 0o700),
        ("in/cur/1:2,S", 0o600),
        ("0002.eml", 0o644),
    ] {
        let facts = fs::metadata(target.join(path)).unwrap();
        let is = (facts.uid(), facts.gid(), facts.mode() & 0o777);
        assert_eq!(is, (1234, 1235, mode), "{path}");
    }
}

/// Removed, moved, vanished and suspect at once, from two drives that know different halves of it.
#[test]
fn everything_that_may_become_of_a_message_at_once() {
    let (mut station, red) = Station::with_drive();
    let blue = station.drive("blue");
    for name in ["removed.eml", "moved.eml", "vanished.eml", "suspect.eml", "kept.eml"] {
        station.deliver(name, mail(&format!("{name} {}", "and a long text ".repeat(40))));
    }
    station.mirror().expect_safe();
    let (vanished, suspect) = (read(&station, "vanished.eml"), read(&station, "suspect.eml"));
    station.use_only(&[&red]);
    station.delete_seen("removed.eml");
    station.move_to("moved.eml", "done/moved.eml");
    station.mirror();
    station.use_only(&[&blue]);
    station.delete("vanished.eml");
    station.replace("suspect.eml", "");
    station.mirror();
    for order in [[&red, &blue], [&blue, &red]] {
        station.use_only(&order);
        let output = station.restore().expect_safe();
        output.expect_counts(&[("restored", 4), ("instead_of_suspect", 1)]);
        expect_names(&station, &["done/moved.eml", "kept.eml", "suspect.eml", "vanished.eml"]);
        let back = |name: &str| fs::read(station.restored().join(name)).unwrap();
        assert_eq!(
            (back("vanished.eml"), back("suspect.eml")),
            (vanished.clone(), suspect.clone())
        );
        let target: PathBuf = station.path("all");
        if target.exists() {
            fs::remove_dir_all(&target).unwrap();
        }
        let words = ["--into", target.to_str().unwrap(), "--with-removed"];
        station.restore_with(&words).expect_safe();
        assert!(target.join("removed.eml").exists());
    }
}

fn read(station: &Station, name: &str) -> Vec<u8> {
    fs::read(station.inbox().join(name)).unwrap()
}

fn expect_names(station: &Station, names: &[&str]) {
    let back = tree(&station.restored());
    let there: Vec<_> =
        back.keys().map(|name| String::from_utf8_lossy(name).into_owned()).collect();
    assert_eq!(there, names);
}
