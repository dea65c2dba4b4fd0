//! Sticks with one id and different pasts, in turn: what is known is that of the one that is in.

use crate::station::{Station, mail, sh};
use crate::stick::Stick;
use std::ffi::OsStr;
use std::fs;
use std::path::{Path, PathBuf};

/// The media that are in turn at one mount point.
struct Turns {
    station: Station,
    stick: Stick,
    pocket: PathBuf,
}

impl Turns {
    fn new() -> Self {
        let (station, stick) = Station::with_drive();
        let pocket = station.path("pocket");
        fs::create_dir(&pocket).unwrap();
        Self { station, stick, pocket }
    }

    fn medium(&self, name: &str) -> PathBuf {
        self.pocket.join(name)
    }

    /// What is in is taken out, and is called so from now on. The copy makes it another medium for the system.
    fn take_out(&self, name: &str) {
        copy(self.stick.path(), &self.medium(name));
        fs::remove_dir_all(self.stick.path()).unwrap();
    }

    fn put_in(&self, name: &str) {
        copy(&self.medium(name), self.stick.path());
        fs::remove_dir_all(self.medium(name)).unwrap();
    }

    /// What the audit calls mirrored is on the stick that is in, whole.
    fn expect_true(&self) -> u64 {
        let audit = self.station.audit();
        let json = audit.json();
        let mirrored = json["messages"]["mirrored"].as_u64().unwrap();
        let unmirrored: Vec<_> = json["unmirrored"].as_array().unwrap().iter().collect();
        for entry in walkdir::WalkDir::new(self.station.inbox()).min_depth(1) {
            let entry = entry.unwrap();
            let name = entry.file_name().to_str().unwrap().to_owned();
            if unmirrored.iter().any(|m| m["path"] == name.as_str()) {
                continue;
            }
            let text = fs::read(entry.path()).unwrap();
            let held = self
                .stick
                .payloads()
                .iter()
                .any(|payload| fs::read(self.stick.bag().join(payload)).unwrap() == text);
            assert!(held, "{name} is called mirrored and is not on the stick that is in\n{json}");
        }
        mirrored
    }
}

fn copy(from: &Path, to: &Path) {
    sh("cp", &[OsStr::new("-a"), from.as_os_str(), to.as_os_str()]);
}

/// A stick and its clone that went their own ways since: the longer one is no continuation of the shorter one.
#[test]
fn diverged_clones_in_turn_are_each_read_anew() {
    let turns = Turns::new();
    let Turns { station, stick, .. } = &turns;
    station.deliver_many(4);
    station.mirror().expect_safe();
    copy(stick.path(), &turns.medium("clone"));
    // The original gets one more, the clone gets five others.
    station.deliver("a.eml", mail("a"));
    station.mirror().expect_safe();
    turns.take_out("original");
    turns.put_in("clone");
    assert_eq!(turns.expect_true(), 4);
    station.audit().expect_unsafe().expect_words(&["red: the ledger has"]);
    for name in ["b", "c", "d", "e"] {
        station.deliver(format!("{name}.eml"), mail(name));
    }
    station.mirror().expect_safe().expect_counts(&[("copied", 5)]);
    assert_eq!(turns.expect_true(), 9);
    stick.expect_bag_valid();

    // Back to the original: shorter than what was known, then to the clone: longer, and no continuation.
    turns.take_out("clone");
    turns.put_in("original");
    assert_eq!(turns.expect_true(), 5);
    station.mirror().expect_safe().expect_words(&["red: the ledger has"]);
    let after = fs::metadata(stick.ledger()).unwrap().len();
    turns.take_out("original");
    turns.put_in("clone");
    for name in ["f", "g", "h", "i", "j", "k"] {
        station.deliver(format!("{name}.eml"), mail(name));
    }
    station.mirror().expect_safe();
    assert!(fs::metadata(stick.ledger()).unwrap().len() > after, "the clone's is the longer one");
    turns.take_out("clone");
    turns.put_in("original");
    turns.expect_true();
    station.mirror().expect_safe();
    turns.take_out("original");
    turns.put_in("clone");
    // Where it is the longer one, it does not go on from where the other ended.
    turns.expect_true();
    station.mirror().expect_safe();
    assert_eq!(turns.expect_true(), 15);
    stick.expect_bag_valid();
}

/// As when one got less than the other since.
#[test]
fn a_clone_whose_ledger_is_longer_and_another_is_said_and_read_anew() {
    let turns = Turns::new();
    let Turns { station, stick, .. } = &turns;
    station.deliver_many(2);
    station.mirror().expect_safe();
    copy(stick.path(), &turns.medium("clone"));
    turns.take_out("original");
    turns.put_in("clone");
    for name in ["b", "c", "d", "e"] {
        station.deliver(format!("{name}.eml"), mail(name));
    }
    station.mirror().expect_safe();
    turns.take_out("clone");
    turns.put_in("original");
    // Some of them go before this stick has them, so that its ledger stays the shorter one.
    for name in ["b.eml", "c.eml", "e.eml"] {
        station.delete_seen(name);
    }
    station.mirror().expect_safe();
    assert_eq!(turns.expect_true(), 3);
    let shorter = fs::metadata(stick.ledger()).unwrap().len();
    turns.take_out("original");
    turns.put_in("clone");
    let longer = fs::metadata(stick.ledger()).unwrap().len();
    assert!(longer > shorter, "else this tells nothing: {longer} {shorter}");
    let output = station.audit();
    output.expect_words(&["red: the ledger has", "does not go on from", "went its own way"]);
    assert_eq!(turns.expect_true(), 3);
    station.mirror().expect_safe();
    assert_eq!(turns.expect_true(), 3);
    stick.expect_bag_valid();
}

/// An old image is put back on the stick: what it lost is not called mirrored, and is copied again.
#[test]
fn an_old_image_put_back_counts_for_what_is_in_it() {
    let turns = Turns::new();
    let Turns { station, stick, .. } = &turns;
    station.deliver_many(3);
    station.mirror().expect_safe();
    copy(stick.path(), &turns.medium("image"));
    station.deliver("late.eml", mail("late"));
    station.mirror().expect_safe();
    turns.take_out("spoilt");
    turns.put_in("image");
    assert_eq!(turns.expect_true(), 3);
    let output = station.audit().expect_unsafe().expect_unmirrored(&[("late.eml", "not-yet")]);
    output.expect_words(&["an old state of this drive"]);
    station.mirror().expect_safe().expect_counts(&[("copied", 1)]);
    assert_eq!(turns.expect_true(), 4);
}

/// As long as it was known to be, and another end: it is not taken for what is known.
#[test]
fn a_ledger_of_the_same_length_with_another_end_is_read_anew() {
    let turns = Turns::new();
    let Turns { station, stick, .. } = &turns;
    station.deliver_many(3);
    station.mirror().expect_safe();
    let mut text = fs::read(stick.ledger()).unwrap();
    // Within the hash that ends the last line.
    let at = text.len() - 10;
    text[at] = if text[at] == b'0' { b'1' } else { b'0' };
    let length = text.len();
    fs::write(stick.ledger(), text).unwrap();
    let words = [&format!("the ledger has {length} bytes and does not go on")[..], "read anew"];
    station.audit().expect_words(&words);
    station.mirror().expect_safe().expect_words(&words);
    assert_eq!(turns.expect_true(), 3);
    stick.expect_bag_valid();
}
