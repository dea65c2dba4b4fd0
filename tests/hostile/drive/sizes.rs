//! Files and lines without end. The file system stores next to nothing of them; the program must find that out without
//! reading them through, and without keeping them in memory.

use crate::forger::Forger;
use crate::scene::Scene;
use std::ffi::OsStr;
use std::fs;
use std::io::Write as _;
use std::path::{Path, PathBuf};

const TEN_GB: u64 = 10 << 30;
/// The program gets this much writable memory and processor time (setrlimit(2)): a ledger of ten gigabytes takes longer
/// to read, and each command would have to read it.
const LIMITS: [&str; 3] = ["prlimit", "--data=100663296", "--cpu=10"];

fn with_little(scene: &mut Scene) {
    scene.station.run_prefixed(&LIMITS.map(OsStr::new));
}

fn lengthen(file: &Path, to: u64) {
    fs::File::options().write(true).open(file).unwrap().set_len(to).unwrap();
}

fn length(file: &Path) -> u64 {
    fs::metadata(file).unwrap().len()
}

/// The bad drive is left as it is and reported as bad, by a card that knows it and by one that does not; the other is
/// served; everything is restored from both, in little time and memory.
fn expect_left_alone(mut scene: Scene, file: &Path, words: &str) {
    with_little(&mut scene);
    let before = length(file);
    for card in ["that knows it", "that is new"] {
        scene.deliver(1);
        let output = scene.expect_good_drive_served(scene.station.mirror());
        let bad = output.drive("red");
        let error = bad["error"].as_str().unwrap_or_else(|| panic!("a card {card}: {bad}"));
        assert!(error.contains(words), "a card {card}: {error}");
        output.expect_unsafe();
        assert_eq!(length(file), before, "it has not grown");
        let audit = scene.station.audit().expect_safe();
        assert_ne!(audit.drive("red")["state"], "safe");
        scene.station.command(&["status"]).expect_safe();
        scene.forget();
    }
    scene.expect_all_restored();
    scene.station.verify().expect_harmless();
}

/// Fault 57: ten gigabytes of zeros after the last line.
#[test]
fn a_ledger_that_goes_on_for_ever_is_not_read_through() {
    let scene = Scene::mirrored(3);
    let ledger = scene.bad.ledger();
    lengthen(&ledger, TEN_GB);
    expect_left_alone(scene, &ledger, "ledger.jsonl goes on for very long without a line");
}

/// Fault 57: the same, with a single valid line at the far end.
#[test]
fn a_line_behind_ten_gigabytes_of_nothing_is_not_looked_for() {
    let scene = Scene::mirrored(3);
    let ledger = scene.bad.ledger();
    let last = fs::read_to_string(&ledger).unwrap().lines().last().unwrap().to_owned();
    lengthen(&ledger, TEN_GB);
    let mut file = fs::File::options().append(true).open(&ledger).unwrap();
    file.write_all(format!("\n{last}\n").as_bytes()).unwrap();
    expect_left_alone(scene, &ledger, "ledger.jsonl goes on for very long without a line");
}

/// Fault 57: nothing but a line of a billion characters.
#[test]
fn a_line_of_a_billion_characters_is_not_held() {
    let scene = Scene::mirrored(3);
    let ledger = scene.bad.ledger();
    fs::write(&ledger, "{\"v\":1,\"seq\":1,\"boot\":\"").unwrap();
    lengthen(&ledger, 1 << 30);
    expect_left_alone(scene, &ledger, "ledger.jsonl goes on for very long without a line");
}

/// Fault 57.
#[test]
fn a_manifest_that_goes_on_for_ever_is_not_read_through_nor_covered() {
    let scene = Scene::mirrored(3);
    let manifest = scene.bad.manifest();
    lengthen(&manifest, TEN_GB);
    expect_left_alone(scene, &manifest, "manifest-sha256.txt goes on for very long without a line");
}

/// Fault 57.
#[test]
fn an_id_file_that_goes_on_for_ever_is_not_read() {
    let scene = Scene::mirrored(3);
    let file = scene.bad.home().join("drive.json");
    lengthen(&file, TEN_GB);
    expect_left_alone(scene, &file, "drive.json is not ours");
}

/// Fault 57: a copy longer than any drive: it is a bad copy, found at once. One that no line names is not read at all.
#[test]
fn copies_longer_than_the_drive_are_not_read_through() {
    let mut scene = Scene::mirrored(3);
    with_little(&mut scene);
    let folder = scene.bad.bag().join("data/0001");
    let grown: PathBuf = folder.join("00000002.EML");
    lengthen(&grown, 1 << 45);
    let strange = folder.join("00000099.EML");
    fs::write(&strange, "").unwrap();
    lengthen(&strange, 1 << 45);
    scene.forget();
    scene.deliver(1);
    let output = scene.expect_good_drive_served(scene.station.mirror()).expect_safe();
    output.expect_words(&["data/0001/00000002.EML cannot be read; the message is copied again"]);
    scene.station.verify().expect_safe();
    // Without its ledger every copy of the drive is examined.
    fs::write(scene.bad.ledger(), "").unwrap();
    fs::write(scene.bad.manifest(), "").unwrap();
    let output = scene.expect_all_restored();
    output.expect_words(&["00000099.EML is not there any more"]);
}

/// The same with copies that its file system could hold: nothing of them is on the medium, so none of their zeros are
/// read.
#[test]
fn hollow_copies_that_a_drive_could_have_are_not_read_through() {
    let mut scene = Scene::mirrored(3);
    with_little(&mut scene);
    let folder = scene.bad.bag().join("data/0001");
    lengthen(&folder.join("00000002.EML"), 1 << 32);
    // Two hundred gigabytes, if they were read.
    for number in 100..150 {
        let strange = folder.join(format!("{number:08}.EML"));
        fs::write(&strange, "x").unwrap();
        lengthen(&strange, 1 << 32);
    }
    scene.forget();
    scene.deliver(1);
    let output = scene.expect_good_drive_served(scene.station.mirror()).expect_safe();
    output.expect_words(&["data/0001/00000002.EML cannot be read; the message is copied again"]);
    scene.station.verify().expect_safe();
    fs::write(scene.bad.ledger(), "").unwrap();
    fs::write(scene.bad.manifest(), "").unwrap();
    scene.expect_all_restored().expect_words(&["00000149.EML is not there any more"]);
}

/// A line, a hole, a line, a hole: each hole is short enough to be left by a power failure, and together they have no
/// end.
#[test]
fn a_ledger_full_of_holes_is_not_read_through() {
    use std::os::unix::fs::FileExt as _;
    let scene = Scene::mirrored(3);
    let ledger = scene.bad.ledger();
    let mut forger = Forger::after(&ledger);
    let mut at = length(&ledger);
    for _ in 0..200 {
        let before = forger.text().len();
        forger = forger.line("\"kind\":\"opened\",\"program\":\"counterfoil 9\"");
        let line = forger.text()[before..].to_owned();
        at += 60 << 20;
        let file = fs::File::options().write(true).open(&ledger).unwrap();
        file.write_all_at(format!("\n{line}").as_bytes(), at).unwrap();
        at += line.len() as u64 + 1;
    }
    // Detected by its length, where the card has no room for as much; otherwise because more was read than a power
    // failure may leave.
    expect_left_alone(scene, &ledger, "media/red");
}
