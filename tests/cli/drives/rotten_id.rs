//! A stick whose `drive.json` is gone or spoilt is one stick: it is known again, or what it was counts no more.

use crate::command_output::CommandOutput;
use crate::station::{Station, expect_same, mail};
use crate::stick::Stick;
use std::fs;

/// Two drives, three messages on both.
fn two() -> (Station, Stick, Stick) {
    let (mut station, red) = Station::with_drive();
    let blue = station.drive("blue");
    station.deliver_many(3);
    station.mirror().expect_safe();
    (station, red, blue)
}

/// How many messages are on no drive, on one, on two and so on.
fn copies(output: &CommandOutput) -> Vec<u64> {
    let json = output.json();
    let copies = json["copies"]["messages_by_copies"].as_array().unwrap();
    copies.iter().map(|n| n.as_u64().unwrap()).collect()
}

fn ids(output: &CommandOutput) -> Vec<String> {
    let json = output.json();
    let drives = json["drives"].as_array().unwrap();
    drives.iter().map(|drive| drive["id"].as_str().unwrap().to_owned()).collect()
}

type Spoil = fn(&Stick);

/// What may befall the file.
const SPOILT: [(&str, Spoil); 5] = [
    ("one bit", |stick| {
        let text = fs::read_to_string(stick.home().join("drive.json")).unwrap();
        fs::write(stick.home().join("drive.json"), text.replacen("\"id\"", "\"id\u{0}", 1))
            .unwrap();
    }),
    ("junk", |stick| fs::write(stick.home().join("drive.json"), b"\xff\xfe\0junk").unwrap()),
    ("nothing in it", |stick| fs::write(stick.home().join("drive.json"), "").unwrap()),
    ("zeros", |stick| {
        let length = fs::metadata(stick.home().join("drive.json")).unwrap().len() as usize;
        fs::write(stick.home().join("drive.json"), vec![0; length]).unwrap();
    }),
    ("not there", |stick| fs::remove_file(stick.home().join("drive.json")).unwrap()),
];

#[test]
fn a_stick_with_a_spoilt_id_is_still_one_stick() {
    for (what, spoil) in SPOILT {
        let (station, red, blue) = two();
        let (was, before) = (red.id(), copies(&station.audit().expect_safe()));
        assert_eq!(before, [0, 0, 3], "{what}");
        spoil(&red);
        let audit = station.audit().expect_safe();
        assert_eq!((copies(&audit), ids(&audit).len()), (before.clone(), 2), "{what}, looked at");
        audit.expect_words(&["red: its drive.json cannot be read", &was]);
        let output = station.mirror().expect_safe().expect_counts(&[("copied", 0)]);
        output.expect_words(&["red: its drive.json could not be read", &was]);
        assert_eq!(red.id(), was, "{what}");
        let audit = station.audit().expect_safe();
        assert_eq!((copies(&audit), ids(&audit).len()), (before, 2), "{what}, mirrored to");
        blue.expect_bag_valid();
        red.expect_bag_valid();
        assert!(station.mirror().expect_safe().warnings().lines().all(|l| l.starts_with("note: ")));
    }
}

/// One bit of the id itself, so that it is another id and none the worse for it.
#[test]
fn a_stick_whose_id_has_rotted_into_another_one_is_one_stick() {
    let (mut station, red, blue) = two();
    let was = red.id();
    let text = fs::read_to_string(red.home().join("drive.json")).unwrap();
    let digit = |c: char| if c == '1' { '3' } else { '1' };
    let own: String = was.chars().take(1).map(digit).chain(was.chars().skip(1)).collect();
    fs::write(red.home().join("drive.json"), text.replace(&was, &own)).unwrap();
    // Not in the folder it was in: that would name it.
    let mut red = red;
    red.carry_to(&station.path("media/usb0"));
    station.use_only(&[&red, &blue]);
    let audit = station.audit().expect_safe();
    assert_eq!(copies(&audit), [0, 0, 3], "{}", audit.json());
    audit.expect_words(&["usb0: its ledger is that of red", &was, "counterfoil drives forget"]);
    station.mirror().expect_safe().expect_counts(&[("copied", 0)]);
    assert_eq!(red.id(), own);
    let audit = station.audit().expect_safe();
    assert_eq!(copies(&audit), [0, 0, 3], "{}", audit.json());
    station.command(&["drives", "forget", &was, "--why", "broken"]).expect_safe();
    assert_eq!(copies(&station.audit().expect_safe()), [0, 0, 3]);
}

/// Mounted elsewhere, with the other one here too: by its ledger.
#[test]
fn it_is_known_by_its_ledger_wherever_it_is_mounted() {
    let (mut station, mut red, blue) = two();
    let was = red.id();
    fs::write(red.home().join("drive.json"), "junk").unwrap();
    red.carry_to(&station.path("media/usb0"));
    station.use_only(&[&blue, &red]);
    station.deliver("late.eml", mail("late"));
    station.mirror().expect_safe().expect_counts(&[("copied", 2)]);
    assert_eq!(red.id(), was);
    let audit = station.audit().expect_safe();
    assert_eq!((copies(&audit), ids(&audit).len()), (vec![0, 0, 4], 2));
}

/// Both at once: each by its own.
#[test]
fn two_with_spoilt_ids_are_still_two_and_themselves() {
    let (mut station, red, blue) = two();
    let were = (red.id(), blue.id());
    for stick in [&red, &blue] {
        fs::write(stick.home().join("drive.json"), "junk").unwrap();
    }
    let aside = station.path("media/aside");
    for (from, to) in [(red.path(), &*aside), (blue.path(), red.path()), (&*aside, blue.path())] {
        fs::rename(from, to).unwrap();
    }
    station.use_only(&[&red]);
    station.mirror().expect_safe();
    station.use_only(&[&red, &blue]);
    station.mirror().expect_safe();
    assert_eq!((blue.id(), red.id()), were);
    assert_eq!(copies(&station.audit().expect_safe()), [0, 0, 3]);
}

/// Id and ledger both: nothing on it names it. What it may have been counts no more, and the one that is here does.
#[test]
fn where_nothing_tells_which_it_was_none_it_may_have_been_counts() {
    let (mut station, mut red, blue) = two();
    let (was, other) = (red.id(), blue.id());
    for path in [red.home().join("drive.json"), red.ledger()] {
        fs::write(path, b"\0\0\0\0").unwrap();
    }
    // Not in the folder it was in: that would name it.
    red.carry_to(&station.path("media/usb0"));
    station.use_only(&[&blue, &red]);
    let before = copies(&station.audit());
    assert!(before.len() <= 3, "it raised the copies when it was looked at: {before:?}");
    station.mirror().expect_safe();
    let own = red.id();
    assert!(own != was && own != other);
    let audit = station.audit().expect_safe();
    assert_eq!(copies(&audit), [0, 0, 3], "{}", audit.json());
    let drive = |id: &str| {
        let json = audit.json();
        json["drives"].as_array().unwrap().iter().find(|d| d["id"] == id).unwrap().clone()
    };
    assert_eq!(
        (&drive(&was)["counts"], &drive(&was)["state"]),
        (&false.into(), &"replaced".into())
    );
    assert_eq!(drive(&was)["replaced"]["known_by"], "unreadable");
    assert_eq!((&drive(&own)["counts"], &drive(&other)["counts"]), (&true.into(), &true.into()));
    station.command(&["drives"]).expect_safe().expect_words(&["counterfoil drives forget", &was]);

    station.command(&["drives", "forget", &was, "--why", "broken"]).expect_safe();
    assert_eq!(copies(&station.audit().expect_safe()), [0, 0, 3]);
    station.restore().expect_safe();
    expect_same(&station.inbox(), &station.restored());
}

/// The one it was taken for is plugged in: then it was another one, and it counts again.
#[test]
fn one_that_was_only_suspected_counts_again_as_soon_as_it_is_seen() {
    let (mut station, mut red, blue) = two();
    let away = blue.pull();
    for path in [red.home().join("drive.json"), red.ledger()] {
        fs::write(path, b"\0\0\0\0").unwrap();
    }
    red.carry_to(&station.path("media/usb0"));
    station.use_only(&[&red]);
    let output = station.mirror().expect_safe();
    output.expect_words(&["nothing shows which drive it was", "blue ("]);
    assert_eq!(copies(&station.audit().expect_safe()), [0, 3]);
    away.plug();
    station.use_only(&[&red, &blue]);
    station.mirror().expect_safe().expect_words(&["blue: it was taken for", "count again"]);
    assert_eq!(copies(&station.audit().expect_safe()), [0, 0, 3]);
}

/// `drives add` on such a stick gives it its own id, too.
#[test]
fn adding_a_stick_with_a_spoilt_id_gives_it_its_own() {
    for (what, spoil) in SPOILT {
        let (station, red, _blue) = two();
        let was = red.id();
        spoil(&red);
        let path = red.path().to_str().unwrap().to_owned();
        station.command(&["drives", "add", &path]).expect_safe().expect_words(&[&was]);
        assert_eq!(red.id(), was, "{what}");
        station.mirror().expect_safe().expect_counts(&[("copied", 0)]);
        assert_eq!(copies(&station.audit().expect_safe()), [0, 0, 3], "{what}");
    }
}

/// With the catalogue lost nobody knows what it was: it is begun anew, and what is on it is kept.
#[test]
fn without_a_catalogue_it_gets_another_id_and_loses_nothing() {
    let (station, red, _blue) = two();
    let was = red.id();
    fs::write(red.home().join("drive.json"), "junk").unwrap();
    fs::remove_dir_all(station.state()).unwrap();
    station.mirror().expect_safe().expect_counts(&[("copied", 0)]);
    assert_ne!(red.id(), was);
    let audit = station.audit().expect_safe();
    assert_eq!((copies(&audit), ids(&audit).len()), (vec![0, 0, 3], 2));
}
