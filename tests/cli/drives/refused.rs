//! `drives refuse`: a stick that is not the operator's gets nothing any more, and counts for nothing. `drives add
//! --next`: leave for one new stick. Which sticks are known is kept beside the catalogue.

use crate::station::{Station, expect_same, mail};
use std::fs;

#[test]
fn a_stick_that_is_refused_gets_not_one_byte_more_and_is_no_copy() {
    let (mut station, red) = Station::with_drive();
    station.deliver_many(2);
    station.mirror().expect_safe();
    let told = station.command(&["drives", "refuse", "red"]).expect_safe();
    told.expect_words(&["red (", "is refused since", "nothing is written to it", "drives add"]);
    let before = red.everything();
    station.deliver("later.eml", mail("later"));
    let words = ["which is refused since", "takes no mail", "counterfoil drives add"];
    let told = station.mirror().expect_failed().expect_words(&words);
    assert_eq!(told.drive("red")["state"], "forgotten");
    assert!(red.everything() == before, "it was written to");
    let audit = station.audit().expect_unsafe();
    assert_eq!(audit.drive("red")["state"], "refused");
    assert_eq!(audit.drive("red")["forgotten"]["why"], "refused");
    let words = ["refused: takes no mail", "refused since", "count for nothing"];
    station.command(&["status"]).expect_unsafe().expect_words(&words);
    let page = station.path("audit.html");
    station.command(&["audit", "--html", page.to_str().unwrap()]).expect_unsafe();
    assert!(fs::read_to_string(page).unwrap().contains("refused since"));
    // Lost with the state it is not: no new catalogue takes the stick for a new one.
    for name in ["catalogue.sqlite", "catalogue.sqlite-wal", "catalogue.sqlite-shm"] {
        drop(fs::remove_file(station.state().join(name)));
    }
    station.mirror().expect_failed();
    assert!(red.everything() == before, "it was written to");
    // What is on it can still be had, and another stick makes all of it safe.
    station.restore();
    let blue = station.drive("blue");
    station.mirror().expect_safe();
    blue.expect_bag_valid();
    assert!(red.everything() == before, "it was written to");
    let add = ["drives", "add", red.path().to_str().unwrap()];
    station.command(&add).expect_safe().expect_words(&["taken back", "refused until now"]);
    station.mirror().expect_safe();
    fs::remove_dir_all(station.restored()).unwrap();
    station.restore().expect_safe();
    expect_same(&station.inbox(), &station.restored());
}

#[test]
fn refused_is_no_reason_to_forget_a_drive() {
    let (station, _red) = Station::with_drive();
    station.deliver_many(1);
    station.mirror().expect_safe();
    station.command(&["drives", "forget", "red", "--why", "refused"]).expect_refused();
    station.command(&["drives", "refuse", "nosuch"]).expect_refused();
}

/// A line a drive in `known-drives`; `drives forget` takes it out, `drives add` puts it in.
#[test]
fn known_drives_are_kept_beside_the_catalogue() {
    let (station, red) = Station::with_drive();
    let kept = || fs::read_to_string(station.state().join("known-drives")).unwrap_or_default();
    station.mirror();
    assert_eq!(kept(), "", "nothing was copied to it yet");
    station.deliver("0001.eml", mail("water level"));
    station.mirror().expect_safe();
    assert!(kept().contains(&red.id()) && kept().lines().count() == 1, "{}", kept());
    let drives = station.command(&["drives", "--json"]);
    assert_eq!(drives.drive("red")["known"]["how"], "copied");
    assert_eq!(drives.drive("red")["announced"], serde_json::Value::Null);
    station.command(&["drives", "forget", "red", "--why", "lost"]).expect_safe();
    assert_eq!(kept(), "");
    station.command(&["drives", "add", red.path().to_str().unwrap()]).expect_safe();
    assert!(kept().contains("\"how\":\"added\""), "{}", kept());
}

#[test]
fn leave_for_the_next_stick_is_shown_until_its_time() {
    let station = Station::new();
    let seconds = |station: &Station| {
        station.command(&["status", "--json"]).json()["next_stick_seconds"].as_u64()
    };
    // Where any stick is used there is nothing to give leave for.
    station.command(&["drives", "add", "--next", "10m"]).expect_refused();
    station.write_config("[drives]\naccept = \"known\"\n");
    assert_eq!(seconds(&station), None);
    for wrong in ["0s", "25h", "soon", "-1m"] {
        station.command(&["drives", "add", &format!("--next={wrong}")]).expect_refused();
    }
    station.command(&["drives", "add", "--next", "10m", "somewhere"]).expect_refused();
    station.command(&["drives", "add"]).expect_refused();
    let told = station.command(&["drives", "add", "--next", "10m"]).expect_safe();
    told.expect_words(&["next new stick is let in", "10m"]);
    let left = seconds(&station).unwrap();
    assert!((500..=600).contains(&left), "{left}");
    station.command(&["status"]).expect_words(&["The next new stick is let in"]);
    station.command(&["drives"]).expect_words(&["The next new stick is let in"]);
    station.command(&["drives", "add", "--next", "1s"]).expect_safe();
    assert!(seconds(&station).unwrap_or(0) <= 1);
}

/// An update of the program sets the catalogue aside: what an earlier version copied to is known without being asked.
#[test]
fn what_an_earlier_version_copied_to_is_known_after_an_update() {
    let (station, red) = Station::with_drive();
    station.deliver_many(1);
    station.mirror().expect_safe();
    let kept = station.state().join("known-drives");
    fs::remove_file(&kept).unwrap();
    let catalogue = rusqlite::Connection::open(station.state().join("catalogue.sqlite")).unwrap();
    catalogue.execute_batch("DROP TABLE known_drive; DROP TABLE new_drive").unwrap();
    catalogue.pragma_update(None, "user_version", 7).unwrap();
    drop(catalogue);
    station.mirror().expect_safe();
    assert!(fs::read_to_string(&kept).unwrap().contains(&red.id()));
    assert_eq!(station.command(&["drives", "--json"]).drive("red")["known"]["how"], "copied");
}

/// A desktop mounts a stick under the name that the stick says. In every command that is to be typed it is a word.
#[test]
fn a_sticks_name_in_a_command_to_be_typed_runs_nothing() {
    let mut station = Station::new();
    let name = "x;touch made;$(touch made)`touch made`'y";
    let odd = station.drive(name);
    station.deliver_many(2);
    station.mirror().expect_safe();
    let refused = station.command(&["drives", "refuse", name]).expect_safe();
    let told = [
        refused.text(),
        station.command(&["mirror"]).expect_failed().warnings(),
        station.command(&["audit"]).expect_unsafe().warnings(),
        station.command(&["drives", "away", name]).expect_refused().warnings(),
    ];
    let options = station.arguments(&["x"])[1..].to_vec();
    let options: Vec<_> = options.iter().map(|word| word.to_str().unwrap()).collect();
    for said in told {
        let (_, typed) =
            said.split_once("counterfoil drives add ").unwrap_or_else(|| panic!("{said}"));
        let typed = typed.lines().next().unwrap();
        let program = env!("CARGO_BIN_EXE_counterfoil");
        let script =
            format!("cd '{}' && '{program}' drives add {typed} \"$@\"", station.path("").display());
        // The drive that is named in the options would have to be quoted too.
        let at = options.iter().position(|word| *word == "--drive").unwrap();
        let rest = [&options[..at], &options[at + 2..]].concat();
        let words = [&["-c", &script, "sh"], &rest[..]].concat();
        let told = std::process::Command::new("sh").args(words).output().unwrap();
        assert!(told.status.success(), "{typed}: {}", String::from_utf8_lossy(&told.stderr));
        assert!(!station.path("made").exists(), "{typed}");
        station.mirror().expect_safe();
        station.command(&["drives", "refuse", name]).expect_safe();
    }
    assert!(odd.ledger().exists());
}
