//! A drive that another one stands in the place of: what is gone counts no more, and two sticks in turn are two.

use crate::station::{Mounted, Station, expect_same, mail};
use crate::stick::Stick;
use crate::told::Told;
use serde_json::Value;
use std::fs;

fn of_id(told: &Told, id: &str) -> Value {
    let json = told.json();
    let found = json["drives"].as_array().unwrap().iter().find(|drive| drive["id"] == id);
    found.unwrap_or_else(|| panic!("no drive {id} in {json}")).clone()
}

fn copies(told: &Told) -> Value {
    told.json()["copies"]["messages_by_copies"].clone()
}

/// A folder of the system's own device, emptied and begun anew: nothing can have been mounted there.
#[test]
fn a_folder_that_was_begun_anew_leaves_nothing_of_the_drive_before() {
    let mut station = Station::on_the_systems_device();
    let red = station.drive("red");
    station.deliver_many(3);
    station.mirror().expect_safe();
    let was = red.id();
    fs::remove_dir_all(red.home()).unwrap();
    station.mirror().expect_failed().expect_words(&["was here and is not"]);
    let added = station.command(&["drives", "add", red.path().to_str().unwrap()]).expect_safe();
    added.expect_words(&["was reformatted or replaced", &was, "counterfoil drives forget"]);
    station.mirror().expect_safe().expect_counts(&[("copied", 3)]);
    let audit = station.audit().expect_safe();
    assert_eq!(copies(&audit), serde_json::json!([0, 3]));
    let before = of_id(&audit, &was);
    assert_eq!((&before["state"], &before["counts"]), (&"replaced".into(), &false.into()));
    assert_eq!(before["replaced"]["by"], red.id());
    assert_eq!(
        (&before["replaced"]["known_by"], &before["replaced"]["sure"]),
        (&"folder".into(), &true.into())
    );
    let shown = ["reformatted or replaced", &format!("drives forget {was}")[..]];
    station.command(&["drives"]).expect_safe().expect_words(&shown);
    let page = station.path("audit.html");
    station.command(&["audit", "--html", page.to_str().unwrap()]).expect_safe();
    assert!(fs::read_to_string(page).unwrap().contains("reformatted or replaced"));
    // The command that is named settles it.
    station.command(&["drives", "forget", &was, "--why", "broken"]).expect_safe();
    assert_eq!(of_id(&station.audit().expect_safe(), &was)["state"], "forgotten");
}

/// The folder was only moved away: as soon as it is seen, what is in it counts again.
#[test]
fn a_folder_that_was_only_moved_counts_again_once_it_is_seen() {
    let mut station = Station::on_the_systems_device();
    let red = station.drive("red");
    station.deliver_many(3);
    station.mirror().expect_safe();
    let was = red.id();
    let moved = station.path("media/moved");
    fs::rename(red.path(), &moved).unwrap();
    fs::create_dir(red.path()).unwrap();
    station.command(&["drives", "add", red.path().to_str().unwrap()]).expect_safe();
    station.mirror().expect_safe();
    assert_eq!(copies(&station.audit().expect_safe()), serde_json::json!([0, 3]));
    station.use_drive(&moved);
    let told = station.mirror().expect_safe();
    told.expect_words(&["moved: it was taken for reformatted or replaced", "count again"]);
    let audit = station.audit().expect_safe();
    assert_eq!(copies(&audit), serde_json::json!([0, 0, 3]));
    assert_eq!(of_id(&audit, &was)["replaced"], Value::Null);
}

/// Two sticks in turn at one mount point, as in the one socket of a board: two copies, whichever is in.
#[test]
fn two_sticks_in_turn_at_one_mount_point_are_two_copies() {
    let mut station = Station::new();
    station.write_config("[drives]\nwanted_copies = 2\n");
    let (shelf, mut place) = (station.path("media/shelf"), None);
    fs::create_dir(&shelf).unwrap();
    let sticks = ["red", "blue"].map(|name| Mounted::small(&shelf.join(name), "size=16m"));
    let at = station.path("media/STICK");
    station.deliver_many(3);
    let mut swap = |station: &mut Station, stick: &Mounted| {
        // The one before is unmounted first.
        drop(place.take());
        drop(fs::remove_dir(&at));
        place = Some(Mounted::bind(stick.path(), &at));
        let known = Stick::at(&at, "pier-4");
        station.use_only(&[&known]);
        known
    };
    let first = swap(&mut station, &sticks[0]);
    station.mirror().expect_unsafe();
    let one = first.id();
    let second = swap(&mut station, &sticks[1]);
    station.mirror().expect_failed().expect_words(&["was here and is not"]);
    station.command(&["drives", "add", second.path().to_str().unwrap()]).expect_safe();
    station.mirror().expect_safe();
    let two = second.id();
    assert_ne!(one, two);
    // The second was new where the first was last, and might have been the first, reformatted: it is asked, and counts.
    let audit = station.audit().expect_safe();
    assert_eq!(copies(&audit), serde_json::json!([0, 0, 3]));
    let asked = of_id(&audit, &one);
    assert_eq!((&asked["counts"], &asked["replaced"]["sure"]), (&true.into(), &false.into()));
    let words = [&format!("drives forget {one}")[..], &format!("drives away {one}")];
    station.command(&["drives"]).expect_safe().expect_words(&words);
    for round in 0..3 {
        for stick in &sticks {
            let name = format!("{round}-{}.eml", stick.path().file_name().unwrap().display());
            station.deliver(&name, mail(&name));
            swap(&mut station, stick);
            let told = station.mirror().expect_unsafe();
            assert!(!told.warnings().contains("replaced"), "{}", told.warnings());
        }
        swap(&mut station, &sticks[0]);
        station.mirror().expect_safe();
        let audit = station.audit().expect_safe();
        for id in [&one, &two] {
            assert_eq!(of_id(&audit, id)["replaced"], Value::Null);
        }
    }
    swap(&mut station, &sticks[1]);
    station.restore().expect_safe();
    expect_same(&station.inbox(), &station.restored());
}

/// The same where the drive is a folder on the stick, and where what is mounted in turn are folders of the system's own
/// device: neither is one folder in which a drive was begun anew.
#[test]
fn folders_in_turn_at_one_path_are_two_copies_too() {
    for on_sticks in [true, false] {
        let mut station = Station::on_the_systems_device();
        station.write_config("[drives]\nwanted_copies = 2\n");
        station.deliver_many(3);
        let shelf = station.path("media/shelf");
        fs::create_dir(&shelf).unwrap();
        let folders = ["red", "blue"].map(|name| shelf.join(name));
        let sticks: Vec<_> = folders
            .iter()
            .filter(|_| on_sticks)
            .map(|folder| Mounted::small(folder, "size=16m"))
            .collect();
        folders.iter().filter(|_| !on_sticks).for_each(|folder| fs::create_dir(folder).unwrap());
        let at = station.path("media/STICK");
        let drive = if on_sticks { at.join("backup") } else { at.clone() };
        station.use_drive(&drive);
        for (turn, folder) in folders.iter().chain(&folders).chain(&folders).enumerate() {
            let mounted = Mounted::bind(folder, &at);
            if turn < 2 {
                drop(fs::create_dir(&drive));
                station.command(&["drives", "add", drive.to_str().unwrap()]).expect_safe();
            }
            let told = station.mirror();
            assert!(!told.warnings().contains("was reformatted"), "{turn}: {}", told.warnings());
            if turn > 0 {
                let audit = station.audit().expect_safe();
                assert_eq!(copies(&audit), serde_json::json!([0, 0, 3]), "{on_sticks} {turn}");
            }
            drop(mounted);
            fs::remove_dir(&at).unwrap();
        }
        drop(sticks);
    }
}

/// The operator answers that the first one is kept elsewhere.
#[test]
fn away_answers_the_question_whether_a_stick_was_reformatted() {
    let mut station = Station::new();
    let at = station.path("media/STICK");
    station.deliver_many(3);
    let mounted = Mounted::small(&at, "size=16m");
    let first = station.use_drive(&at);
    station.mirror().expect_safe();
    let one = first.id();
    drop(mounted);
    fs::remove_dir(&at).unwrap();
    let _mounted = Mounted::small(&at, "size=16m");
    let added = station.command(&["drives", "add", at.to_str().unwrap()]).expect_safe();
    added.expect_words(&["a new drive was begun here", &one, "drives forget", "drives away"]);
    station.mirror().expect_safe();
    assert_eq!(of_id(&station.audit().expect_safe(), &one)["replaced"]["known_by"], "place");
    station.command(&["drives", "away", &one]).expect_safe();
    assert_eq!(of_id(&station.audit().expect_safe(), &one)["replaced"], Value::Null);
    assert_eq!(copies(&station.audit().expect_safe()), serde_json::json!([0, 0, 3]));
}
