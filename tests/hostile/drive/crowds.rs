//! Correctly chained ledgers that name very many writers, marks or mailboxes in few bytes: a restore that includes them
//! takes time in proportion to their lines. Four times as many lines may take four times as long; work that grows with
//! the square is detected, since it would take sixteen times as long.

use crate::forger::Forger;
use crate::scene::Scene;
use crate::support::flood::Flood;
use crate::taken::{self, MEMORY};
use counterfoil::model::Digest;
use counterfoil::model::limits::MARKS_APART;
use std::fmt::Write as _;
use std::path::{Path, PathBuf};
use std::process::Command;

const TIME: &str = "2003-07-01T08:52:37Z";

/// The bits of a writer: random ones, as those of a card.
fn writer(number: usize) -> String {
    Digest::of(format!("writer {number}").as_bytes()).to_string()[..16].to_owned()
}

fn position(number: usize, n: usize) -> String {
    format!("{}:{n}", writer(number))
}

fn digest(number: usize) -> Digest {
    Digest::of(&number.to_le_bytes())
}

/// Lines that an attacker writes.
trait Forged: Sized {
    fn begins(self, number: usize, links: &[(usize, usize)]) -> Self;
    fn asserts(self, number: usize, mailbox: &str, as_of: &str) -> Self;
    fn marks(self, mailboxes: &str, as_of: &str) -> Self;
    fn removes(self, number: usize, mailbox: &str, as_of: &str) -> Self;
    fn places(self, number: usize, path: &str, as_of: &str) -> Self;
}

impl Forged for Forger {
    fn begins(self, number: usize, links: &[(usize, usize)]) -> Self {
        let mut of = String::new();
        for (at, (number, n)) in links.iter().enumerate() {
            let comma = if at == 0 { "" } else { "," };
            write!(of, "{comma}\"{}\"", position(*number, *n)).unwrap();
        }
        self.line(&format!(
            "\"kind\":\"writer\",\"writer\":\"{}\",\"links\":[{of}]",
            writer(number)
        ))
    }

    fn asserts(self, number: usize, mailbox: &str, as_of: &str) -> Self {
        self.line(&format!(
            "\"kind\":\"mirrored\",\"payload\":\"data/0001/{:08}.EML\",\"sha256\":\"{}\",\"bytes\":4096,\
             \"mailbox\":\"{mailbox}\",\"path\":\"h{number}\",\"modified\":\"{TIME}\",\"mode\":\"0644\",\
             \"first_seen\":\"{TIME}\",\"as_of\":\"{as_of}\"",
            number + 1,
            digest(number),
        ))
    }

    fn marks(self, mailboxes: &str, as_of: &str) -> Self {
        self.line(&format!("\"kind\":\"mark\",\"mailboxes\":[{mailboxes}],\"as_of\":\"{as_of}\""))
    }

    fn removes(self, number: usize, mailbox: &str, as_of: &str) -> Self {
        self.line(&format!(
            "\"kind\":\"removed\",\"sha256\":\"{}\",\"bytes\":4096,\"mailbox\":\"{mailbox}\",\
             \"path\":\"h{number}\",\"as_of\":\"{as_of}\",\"why\":\"deleted\",\"gaps\":0",
            digest(number),
        ))
    }

    fn places(self, number: usize, path: &str, as_of: &str) -> Self {
        self.line(&format!(
            "\"kind\":\"placed\",\"sha256\":\"{}\",\"bytes\":4096,\"mailbox\":\"mail\",\"path\":\"{path}\",\
             \"modified\":\"{TIME}\",\"mode\":\"0644\",\"first_seen\":\"{TIME}\",\"as_of\":\"{as_of}\"",
            digest(number),
        ))
    }
}

/// A stick of its own with an empty ledger.
fn stick(at: &Path) -> (PathBuf, Forger) {
    let ledger = Flood::of(0).make(at, "pier-4");
    let forger = Forger::at_beginning(&ledger);
    (ledger, forger)
}

/// Ways to name very many of something.
#[derive(Debug, Clone, Copy)]
enum Crowd {
    /// Each run of a card draws a writer, and at the end each deletes a message, as with an honest card.
    Runs,
    /// Each has as many writers before it as a line may name, from some time ago.
    Links,
    /// No line defines what any of them had before it; each marks everything that is there, and removes a message.
    Strangers,
    /// Each has the next before it, and the last one the first.
    Circle,
    /// The last comes first, and all remove what the last one asserted.
    Backwards,
    /// One message, asserted again and again by others, and removed as often.
    OnePlace,
    /// As many messages as lines, each line about one of four at one path.
    FourInTurn,
    /// A message in each of sixteen mailboxes, and otherwise only marks.
    Marks,
    /// Each message is in a mailbox of its own.
    Mailboxes,
}

impl Crowd {
    fn write(self, count: usize, mut forger: Forger) {
        let mailboxes: Vec<_> = (0..16).map(|number| format!("\"m{number}\"")).collect();
        let last = position(count - 1, count);
        for number in 0..count {
            let (at, before) = (position(number, number + 1), number.saturating_sub(1));
            let links: Vec<_> = match self {
                Self::Runs if number > 0 => vec![(before, number)],
                Self::Links => (0..number.min(64)).map(|at| (number - 1 - at, number)).collect(),
                Self::Circle => vec![((number + 1) % count, number + 1)],
                _ => Vec::new(),
            };
            forger = match self {
                Self::Runs | Self::Links | Self::Circle => forger
                    .begins(number, &links)
                    .asserts(number, "mail", &at)
                    .marks("\"mail\"", &at),
                Self::Strangers => forger.asserts(number, "mail", &at).marks("\"mail\"", &at),
                Self::Backwards | Self::FourInTurn => forger.asserts(number, "mail", &at),
                Self::OnePlace => forger.asserts(0, "mail", &at),
                Self::Marks if number < 16 => forger.asserts(number, &format!("m{number}"), &at),
                Self::Marks => forger.marks(&mailboxes.join(","), &at),
                Self::Mailboxes => forger.asserts(number, &format!("m{number}"), &at),
            };
        }
        for number in 0..count {
            let (at, after) = (position(count + number, count + number + 1), count + number);
            let other = position((number * 31 + count / 2) % count, count + 9);
            forger = match self {
                Self::Runs => {
                    forger.begins(after, &[(after - 1, after)]).removes(number, "mail", &at)
                }
                Self::Links | Self::Circle => forger.removes(number, "mail", &other),
                Self::Strangers => forger.removes(number, "mail", &at),
                Self::OnePlace => forger.removes(0, "mail", &at),
                Self::FourInTurn => forger.places(number % 4, "in turn", &at),
                Self::Backwards => {
                    let this = count - 1 - number;
                    let links = [(this.saturating_sub(1), this)];
                    forger.begins(this, &links[..this.min(1)]).removes(number, "mail", &last)
                }
                Self::Marks if number < 16 => forger.removes(number, &format!("m{number}"), &at),
                Self::Marks | Self::Mailboxes => forger,
            };
        }
        forger.write();
    }
}

/// Processor time of a restore from the good stick together with a crowd, in hundredths of a second.
fn ticks_with(crowd: Crowd, count: usize) -> u64 {
    let scene = Scene::mirrored(30);
    let bad = scene.station.path("media/crowd");
    crowd.write(count, stick(&bad).1);
    // The usual limits of a process on Debian (getrlimit(2)): 1,024 open files, and more if it asks. Fewer here.
    let mut command = Command::new("prlimit");
    command.args(["--nofile=256:", env!("CARGO_BIN_EXE_counterfoil")]);
    command.args(["restore", "--station", "pier-4", "--drive"]).arg(scene.good.path());
    command.arg("--drive").arg(&bad).arg("--into").arg(scene.station.restored());
    let taken = taken::run(command.env_clear().env("HOME", scene.station.path("")));
    assert!(matches!(taken.code, Some(0 | 1)), "{crowd:?}: {}", taken.said);
    for (name, what) in crate::station::tree(&scene.station.inbox()) {
        let path = scene.station.restored().join(std::str::from_utf8(&name).unwrap());
        let inbox =
            scene.station.restored().join("inbox").join(std::str::from_utf8(&name).unwrap());
        let back = std::fs::read(path).or_else(|_| std::fs::read(inbox)).unwrap();
        assert!(back == what.0, "{crowd:?}");
    }
    println!("{crowd:?} {count}: {} ticks, {} KiB", taken.ticks, taken.memory >> 10);
    assert!(taken.memory < MEMORY, "{crowd:?}: {} bytes", taken.memory);
    taken.ticks
}

/// Measured twice, keeping the better result of each: other programs run on this machine too.
fn expect_no_square(crowd: Crowd, count: usize) {
    let best = |count| ticks_with(crowd, count).min(ticks_with(crowd, count));
    let (few, many) = (best(count), best(4 * count));
    // The fixed cost of a restore only makes the ratio smaller.
    assert!(many < 8 * few.max(4), "{crowd:?}: {few} and {many} ticks");
}

#[test]
fn a_restore_beside_thousands_of_writers_takes_as_long_as_their_lines() {
    expect_no_square(Crowd::Runs, 1_500);
    expect_no_square(Crowd::Links, 400);
    expect_no_square(Crowd::Circle, 1_000);
    expect_no_square(Crowd::Backwards, 1_000);
}

#[test]
fn a_restore_beside_thousands_of_strangers_and_marks_takes_as_long_as_their_lines() {
    expect_no_square(Crowd::Strangers, 1_000);
    expect_no_square(Crowd::OnePlace, 800);
    expect_no_square(Crowd::FourInTurn, 800);
    expect_no_square(Crowd::Marks, 1_000);
}

#[test]
fn a_restore_beside_thousands_of_mailboxes_takes_as_long_as_their_lines() {
    expect_no_square(Crowd::Mailboxes, 300);
}

/// A message that this many strangers have marked, and each of them removed: by the rule all assertions are withdrawn.
/// If there are more than are examined, none is.
#[test]
fn what_more_strangers_marked_than_are_looked_up_is_given_back() {
    for (strangers, is_given) in [(3, false), (MARKS_APART - 1, false), (MARKS_APART + 6, true)] {
        let scene = Scene::mirrored(1);
        let (name, what) = crate::station::tree(&scene.station.inbox()).pop_first().unwrap();
        let of = format!(
            "\"sha256\":\"{}\",\"bytes\":{},\"mailbox\":\"inbox\",\"path\":\"other.eml\"",
            Digest::of(&what.0),
            what.0.len(),
        );
        let bad = scene.station.path("media/crowd");
        let mut forger = stick(&bad).1.line(&format!(
            "\"kind\":\"placed\",{of},\"modified\":\"{TIME}\",\"mode\":\"0644\",\"first_seen\":\"{TIME}\",\
             \"as_of\":\"{}\"",
            position(0, 1),
        ));
        for number in 0..strangers {
            forger = forger.marks("\"inbox\"", &position(number, 2));
        }
        for number in 0..strangers {
            let by = position(number, 3);
            forger = forger.line(&format!(
                "\"kind\":\"removed\",{of},\"as_of\":\"{by}\",\"why\":\"deleted\",\"gaps\":0"
            ));
        }
        forger.write();
        let into = scene.station.restored();
        let (good, bad) = (scene.good.path().to_str().unwrap(), bad.to_str().unwrap());
        let words = ["restore", "--station", "pier-4", "--drive", good, "--drive", bad, "--into"];
        scene.station.run(&[&words[..], &[into.to_str().unwrap()]].concat()).expect_safe();
        let names: Vec<_> = crate::station::tree(&into).into_keys().collect();
        assert!(names.contains(&name), "{names:?}");
        assert_eq!(names.contains(&b"other.eml".to_vec()), is_given, "{strangers}: {names:?}");
    }
}
