//! Ledgers and copies that do not belong together, or were changed by other programs: exchanged, rolled back, edited,
//! of a later version.

use crate::forger::Forger;
use crate::scene::{SECRET, Scene};
use crate::station::{Station, expect_same, mail, sh};
use std::fs;
use std::path::Path;

fn copy_all(from: &Path, to: &Path) {
    sh("cp", &["-a".as_ref(), from, to]);
}

/// More than a drive's last commits, which are always read again.
const MANY: usize = 150;

/// Fault 51: the ledger of another drive of the same station, with the copies of this one. Every copy turns out to
/// differ from the ledger; all are made again, and the drive is right again.
#[test]
fn the_ledger_of_another_drive_is_found_to_fit_no_copy() {
    let scene = Scene::empty();
    let mut station = scene.station;
    // The drives got the same messages in another order, so the numbers differ.
    station.use_only(&[&scene.bad]);
    for number in 0..MANY {
        station.deliver(format!("m{number:03}.eml"), mail(&format!("traffic {number}")));
    }
    station.mirror().expect_safe();
    let late = (0..MANY).map(|number| format!("m{number:03}.eml"));
    station.use_only(&[&scene.good]);
    station.deliver("first.eml", mail("first of all"));
    station.mirror().expect_safe();
    assert_eq!(scene.good.lines_of("mirrored").len(), late.count() + 1);
    fs::copy(scene.good.ledger(), scene.bad.ledger()).unwrap();
    for forgotten in [false, true] {
        if forgotten {
            fs::remove_dir_all(station.state()).unwrap();
        }
        station.use_only(&[&scene.bad, &scene.good]);
        let output = station.mirror().expect_safe();
        if !forgotten {
            // The ledger is not the one that was there: its statements about the copies are wrong.
            output.expect_words(&["red: data/0001/00000001.EML is not what was written"]);
        }
        scene.bad.expect_bag_valid();
        scene.good.expect_bag_valid();
        station.use_only(&[&scene.bad]);
        station.audit().expect_safe().expect_counts(&[("messages.unmirrored", 0)]);
        station.restore().expect_safe();
        expect_same(&station.inbox(), &station.restored());
    }
}

/// Fault 51: the ledger of one station in the folder of another.
#[test]
fn the_ledger_of_another_station_is_found_to_fit_no_copy() {
    let scene = Scene::mirrored(3);
    let mut other = Station::named("quay-9");
    let theirs = other.use_drive(scene.bad.path());
    other.deliver("theirs.eml", mail("of the other station"));
    other.mirror().expect_safe();
    fs::copy(theirs.ledger(), scene.bad.ledger()).unwrap();
    scene.deliver(1);
    let output = scene.expect_good_drive_served(scene.station.mirror()).expect_safe();
    output.expect_words(&[
        "red: the ledger has",
        "an old state of this drive, or a repair tool's work",
    ]);
    scene.bad.expect_bag_valid();
    scene.station.audit().expect_safe();
    scene.expect_all_restored();
    // The other station's own folder is unchanged.
    other.audit().expect_safe();
    theirs.expect_bag_valid();
}

/// Fault 59: an older image of the drive is put back. That is noticed, and the lost messages are copied again.
#[test]
fn a_drive_rolled_back_is_noticed_and_brought_up_to_date() {
    let scene = Scene::mirrored(3);
    let old = scene.station.path("old");
    copy_all(scene.bad.path(), &old);
    scene.deliver(2);
    scene.expect_good_drive_served(scene.station.mirror()).expect_safe();
    fs::remove_dir_all(scene.bad.path()).unwrap();
    fs::rename(&old, scene.bad.path()).unwrap();
    scene.deliver(1);
    let words = ["red: the ledger has", "an old state of this drive"];
    scene.station.audit().expect_unsafe().expect_words(&words);
    let output = scene.expect_good_drive_served(scene.station.mirror()).expect_safe();
    let bad = output.expect_words(&words).drive("red");
    assert_eq!(bad["copied"], 3, "{bad}");
    scene.bad.expect_bag_valid();
    scene.station.audit().expect_safe();
    let mut station = scene.station;
    station.use_only(&[&scene.bad]);
    station.restore().expect_safe();
    expect_same(&station.inbox(), &station.restored());
}

/// Fault 54: lines of a later format, whatever form their fields have. The drive is read, and not one byte of
/// it is written.
#[test]
fn a_ledger_from_the_future_is_read_and_never_written() {
    let futures = [
        "{\"v\":3,\"seq\":9,\"kind\":\"mirrored\"",
        "{\"v\":3,\"seq\":\"nine\",\"boot\":[],\"time\":{},\"kind\":7",
        "{\"v\":99999999999,\"kind\":null",
    ];
    for future in futures {
        let scene = Scene::mirrored(3);
        Forger::after(&scene.bad.ledger()).raw(future).write();
        expect_only_read(scene);
    }
}

/// Fault 54: an id file of a later format, whatever else it holds.
#[test]
fn an_id_file_from_the_future_is_never_written() {
    for future in
        ["{\"format\":2,\"id\":{\"long\":[1,2]}}", "{\"format\":99999999999,\"id\":null,\"x\":1}"]
    {
        let scene = Scene::mirrored(3);
        fs::write(scene.bad.home().join("drive.json"), future).unwrap();
        expect_only_read(scene);
    }
}

fn expect_only_read(mut scene: Scene) {
    let before = scene.bad.everything();
    scene.deliver(1);
    let output = scene.expect_good_drive_served(scene.station.mirror()).expect_unsafe();
    let error = output.drive("red")["error"].as_str().unwrap().to_owned();
    let words = "written by a later version of counterfoil";
    assert!(error.contains(words) && error.contains("update the program"), "{error}");
    let audit = scene.station.audit().expect_safe();
    let json = audit.json();
    let red: Vec<_> =
        json["drives"].as_array().unwrap().iter().filter(|d| d["label"] == "red").collect();
    assert!(red.iter().any(|drive| drive["state"] == "read-only"), "{red:?}");
    scene.station.verify();
    scene.forget();
    scene.expect_good_drive_served(scene.station.mirror());
    scene.station.use_only(&[&scene.bad]);
    scene.station.restore().expect_safe().expect_counts(&[("restored", 3)]);
    assert_eq!(scene.bad.everything(), before, "nothing is written");
}

/// Fault 49: an editor of another system changed every line ending. That does not change what the lines say.
#[test]
fn a_ledger_and_manifest_with_other_line_ends_say_the_same() {
    let scene = Scene::mirrored(MANY);
    for log in [scene.bad.ledger(), scene.bad.manifest()] {
        let text = fs::read_to_string(&log).unwrap();
        fs::write(&log, text.replace('\n', "\r\n")).unwrap();
    }
    let mut station = scene.station;
    station.use_only(&[&scene.bad]);
    station.restore().expect_safe().expect_counts(&[("restored", MANY as u64), ("numbered", 0)]);
    expect_same(&station.inbox(), &station.restored());
    for forgotten in [false, true] {
        if forgotten {
            fs::remove_dir_all(station.state()).unwrap();
        }
        station.mirror().expect_safe().expect_counts(&[("copied", 0)]);
        station.audit().expect_safe();
        assert_eq!(scene.bad.payloads().len(), MANY);
    }
    station.deliver("more.eml", mail("more"));
    station.mirror().expect_safe().expect_counts(&[("copied", 1)]);
    station.restore().expect_safe();
    expect_same(&station.inbox(), &station.restored());
}

/// Fault 57: bytes that are not text, and text that is not a line, between good lines and in place of the id.
#[test]
fn junk_between_lines_costs_no_message() {
    let deep = [&b"{\"v\":1,\"seq\":"[..], &[b'['; 20_000]].concat();
    let nested = [&b"{\"format\":1,\"id\":"[..], &[b'['; 3_000]].concat();
    let junk: [&[u8]; 7] = [
        &nested,
        b"\xff\xfe\xc0\x80",
        b"\0\0\0\0\0\0",
        &deep,
        b"\r\r\r",
        "\u{202e}\u{1b}[2J".as_bytes(),
        b"null",
    ];
    for junk in junk {
        let scene = Scene::mirrored(3);
        for log in [scene.bad.ledger(), scene.bad.manifest()] {
            let text = fs::read(&log).unwrap();
            let lines = text.split_inclusive(|&b| b == b'\n');
            let spoiled: Vec<u8> = lines.flat_map(|line| [line, junk, b"\n"].concat()).collect();
            fs::write(&log, spoiled).unwrap();
        }
        fs::write(scene.bad.home().join("drive.json"), junk).unwrap();
        scene.expect_just_this_restored().expect_harmless();
        for _ in ["known", "new"] {
            scene.deliver(1);
            let output = scene.expect_good_drive_served(scene.station.mirror()).expect_harmless();
            drop(output);
            scene.station.audit().expect_safe().expect_harmless();
            scene.expect_all_restored().expect_harmless();
            scene.forget();
        }
    }
}

/// Fault 55: a hard link leads to a file outside. Its bytes are believed only if they are the copy; nothing is written
/// through it.
#[test]
fn hard_links_out_of_the_drive_give_nothing_and_take_nothing() {
    let scene = Scene::mirrored(3);
    let copy = scene.bad.payload_of("m001.eml");
    fs::remove_file(&copy).unwrap();
    fs::hard_link(scene.secret_file(), &copy).unwrap();
    scene.forget();
    scene.deliver(1);
    let output = scene.station.mirror().expect_safe();
    output.expect_words(&["is not what was written; the message is copied again"]);
    scene.station.restore().expect_safe();
    expect_same(&scene.station.inbox(), &scene.station.restored());
    for log in ["ledger.jsonl", "manifest-sha256.txt", "drive.json"] {
        let scene = Scene::mirrored(3);
        let log = match log {
            "drive.json" => scene.bad.home().join(log),
            _ => scene.bad.bag().join(log),
        };
        fs::remove_file(&log).unwrap();
        fs::hard_link(scene.secret_file(), &log).unwrap();
        scene.deliver(1);
        let output = scene.station.mirror().expect_unsafe();
        let error = output.drive("red")["error"].as_str().unwrap().to_owned();
        assert!(error.contains("something else stands where"), "{error}");
        assert_eq!(fs::read_to_string(scene.secret_file()).unwrap(), SECRET);
        scene.good.expect_bag_valid();
        scene.station.audit().expect_safe();
        scene.expect_all_restored_comparing_only_the_mailbox();
    }
}

/// Fault 49: copies truncated, extended, emptied.
#[test]
fn copies_of_another_length_are_bad_copies() {
    let scene = Scene::mirrored(4);
    let of = |number: usize| scene.bad.payload_of(&format!("m{number:03}.eml"));
    let text = fs::read(of(0)).unwrap();
    fs::write(of(0), &text[..text.len() - 1]).unwrap();
    fs::write(of(1), [&text[..], b"x"].concat()).unwrap();
    fs::write(of(2), "").unwrap();
    scene.forget();
    scene.deliver(1);
    let output = scene.expect_good_drive_served(scene.station.mirror()).expect_safe();
    assert_eq!(
        output.warnings().matches("is not what was written").count(),
        3,
        "{}",
        output.warnings()
    );
    let mut station = scene.station;
    station.use_only(&[&scene.bad]);
    station.restore().expect_safe();
    expect_same(&station.inbox(), &station.restored());
}
