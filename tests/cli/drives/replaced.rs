//! A drive that another one stands in the place of: what is gone counts no more, and two sticks in turn are two.

use crate::command_output::CommandOutput;
use crate::station::{Mounted, Station, expect_same, mail};
use crate::stick::Stick;
use serde_json::Value;
use std::fs;

fn of_id(output: &CommandOutput, id: &str) -> Value {
    let json = output.json();
    let found = json["drives"].as_array().unwrap().iter().find(|drive| drive["id"] == id);
    found.unwrap_or_else(|| panic!("no drive {id} in {json}")).clone()
}

fn copies(output: &CommandOutput) -> Value {
    output.json()["copies"]["messages_by_copies"].clone()
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
    let output = station.mirror().expect_safe();
    output.expect_words(&["moved: it was taken for reformatted or replaced", "count again"]);
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
    station.mirror().expect_unsafe().expect_words(&["was here, and an empty stick is here now"]);
    station.command(&["drives", "add", second.path().to_str().unwrap()]).expect_safe();
    station.mirror().expect_verdict("not-known");
    let two = second.id();
    assert_ne!(one, two);
    // The second was new where the first was last, and might have been the first, reformatted: it is asked, and counts,
    // and nothing is called safe by it.
    let audit = station.audit().expect_verdict("not-known");
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
            let output = station.mirror().expect_unsafe();
            assert!(!output.warnings().contains("replaced"), "{}", output.warnings());
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
            let output = station.mirror();
            assert!(
                !output.warnings().contains("was reformatted"),
                "{turn}: {}",
                output.warnings()
            );
            if turn > 0 {
                // The second was new where the first one was: that one is asked for until it is seen again.
                let word = if turn == 1 { "not-known" } else { "safe" };
                let audit = station.audit().expect_verdict(word);
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

/// What mirror, status and audit say, which is one verdict and one exit code; what the text says first.
fn expect_in_question(station: &Station, words: &[&str]) {
    for command in ["status", "mirror", "audit"] {
        let output = station.command(&[command, "--json"]).expect_verdict("not-known");
        output.expect_counts(&[("messages.by_drives_in_question", 3)]);
        let output = station.command(&[command]).expect_unsafe();
        let text = output.text().replace('\n', " ");
        let said = format!("{text}{}", output.warnings());
        assert!(text.contains("pier-4: NOT KNOWN: 3 of 3 messages"), "{command}: {text}");
        assert!(!text.contains("SAFE") && !text.contains("were checked"), "{command}: {text}");
        for word in words {
            assert!(said.contains(word), "{command}: {word:?}: {said}");
        }
    }
    station.command(&["drives"]).expect_safe().expect_words(&words[1..]);
}

/// A stick without a serial number that was wiped, or reformatted: nothing of it is there, and nobody can tell whether
/// it is the same stick.
#[test]
fn what_was_on_a_wiped_stick_is_not_called_safe_until_its_operator_says_what_became_of_it() {
    for reformatted in [false, true] {
        let mut station = Station::new();
        let at = station.path("media/AMBER");
        station.deliver_many(3);
        let mut mounted = Mounted::small(&at, "size=16m");
        let amber = station.use_drive(&at);
        station.mirror().expect_verdict("safe");
        let one = amber.id();
        if reformatted {
            drop(mounted);
            // Its mount point is empty meanwhile: the stick is not plugged in, and that is no question.
            station.audit().expect_verdict("safe");
            fs::remove_dir(&at).unwrap();
            mounted = Mounted::small(&at, "size=16m");
        } else {
            fs::remove_dir_all(amber.home()).unwrap();
        }
        let place = at.to_str().unwrap();
        let (forget, away) = (format!("drives forget {one}"), format!("drives away {one}"));
        let words = ["an empty stick is there now", &forget, &away];
        expect_in_question(&station, &words);
        let drives = of_id(&station.command(&["drives", "--json"]).expect_safe(), &one);
        assert_eq!(drives["replaced"]["known_by"], "place");
        assert_eq!(drives["replaced"]["by"], Value::Null);
        assert_eq!(fs::read_dir(&at).unwrap().count(), 0, "nothing was written");
        // It was wiped: the new drive's copies alone count.
        station.write_config("[drives]\nwanted_copies = 2\n");
        station.command(&["drives", "add", place]).expect_safe().expect_words(&[&forget, &away]);
        station.mirror().expect_verdict("not-known").expect_counts(&[("copied", 3)]);
        station.audit().expect_verdict("not-known");
        station.command(&["drives", "forget", &one, "--why", "reformatted"]).expect_safe();
        station.audit().expect_verdict("fewer-copies");
        station.write_config("");
        for command in ["mirror", "status", "audit"] {
            station.command(&[command, "--json"]).expect_verdict("safe");
        }
        drop(mounted);
    }
}

/// The other answer: it is kept in another place, and the one that is here is another stick.
#[test]
fn a_stick_that_is_kept_in_another_place_counts_though_an_empty_one_is_where_it_was() {
    let mut station = Station::new();
    let at = station.path("media/AMBER");
    station.deliver_many(3);
    let mounted = Mounted::small(&at, "size=16m");
    let amber = station.use_drive(&at);
    station.mirror().expect_verdict("safe");
    let one = amber.id();
    drop(mounted);
    fs::remove_dir(&at).unwrap();
    let _mounted = Mounted::small(&at, "size=16m");
    station.mirror().expect_verdict("not-known");
    station.command(&["drives", "away", &one]).expect_safe();
    for command in ["status", "audit"] {
        station.command(&[command, "--json"]).expect_verdict("safe");
    }
    assert_eq!(of_id(&station.audit(), &one)["replaced"], Value::Null);
}
