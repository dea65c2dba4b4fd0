//! Very many ledgers and sticks, each damaged in another way from a seed: whatever happens to the damaged one, a good
//! stick plugged in at the same time gets its mail and is restored whole, nothing is written elsewhere, and memory does
//! not grow. `COUNTERFOIL_SEEDS=10000 cargo test --test hostile campaign` tries that many of each;
//! `COUNTERFOIL_FIRST=N` begins with another seed.

use crate::card::{Card, done, drive_ref, folder, mail, station, tree};
use crate::support::cases::cases;
use crate::support::chance::Chance;
use crate::support::memory::MemoryDrive;
use counterfoil::daemon::clock::SystemClock;
use counterfoil::job::restore::{MailboxTarget, RestoreOptions, open_sources, restore};
use counterfoil::job::{JobError, Unwatched};
use counterfoil::model::Digest;
use std::collections::BTreeSet;

pub(crate) const BAG: &str = "counterfoil/pier-4/";
/// Number of seeds by default: about ten seconds.
const SEEDS: u64 = 150;
/// The same in a plain run; it must be more than 50, or memory is not checked.
const PLAIN_SEEDS: u64 = 60;
/// Replacements for a value.
const NASTY: [&str; 16] = [
    "0",
    "1",
    "9007199254740992",
    "18446744073709551615",
    "-1",
    "null",
    "[]",
    "\"\"",
    "\"..\"",
    "\"../../outside\"",
    "\"/etc/passwd\"",
    "\"inbox\"",
    "\"%00\"",
    "\"00000000000000aa:1\"",
    "\"data/0001/00000001.EML\"",
    "\"removed\"",
];

/// A card and two sticks whose ledgers have every kind of line.
pub(crate) struct Before {
    pub(crate) card: Card,
    pub(crate) bad: MemoryDrive,
    pub(crate) good: MemoryDrive,
}

impl Before {
    pub(crate) fn new() -> Self {
        let card = Card::new();
        let (bad, good) = (MemoryDrive::default(), MemoryDrive::default());
        let both = || {
            done(card.mirror_as(&bad, "bad"));
            done(card.mirror_as(&good, "good"));
        };
        for name in ["one", "two", "three", "four", "five", "six"] {
            card.deliver(&format!("inbox/{name}"), &mail(name));
        }
        both();
        card.rename("inbox/one", "sent/one");
        card.delete("inbox/two");
        card.deliver("inbox/three", &mail("three again"));
        card.vanish("inbox/four");
        both();
        card.deliver("inbox/seven", &mail("seven"));
        both();
        Self { card, bad, good }
    }

    /// The messages that must come back, by their bytes.
    pub(crate) fn mail(&self) -> BTreeSet<Vec<u8>> {
        self.card.messages().into_values().collect()
    }
}

/// Damages the lines of a ledger. Every other time all following lines are correctly chained: only their statements are
/// wrong.
pub(crate) fn spoil_ledger(ledger: &mut Vec<u8>, chance: &mut Chance) {
    let mut lines: Vec<Vec<u8>> =
        ledger.split_inclusive(|&b| b == b'\n').map(<[u8]>::to_vec).collect();
    let chained = chance.index(2) == 0;
    for _ in 0..=chance.index(4) {
        let at = chance.index(lines.len());
        if lines.is_empty() {
            break;
        }
        match chance.index(8) {
            0 => drop(lines.remove(at)),
            1 => lines.insert(at, lines[at].clone()),
            2 => {
                let other = chance.index(lines.len());
                lines.swap(at, other);
            }
            3 => {
                let byte = chance.index(lines[at].len());
                lines[at][byte] ^= 1 << chance.index(8);
            }
            4 => {
                let length = chance.index(lines[at].len());
                lines[at].truncate(length);
            }
            _ => lines[at] = with_nasty_value(&lines[at], chance),
        }
    }
    if chained {
        chain_anew(&mut lines);
    }
    *ledger = lines.concat();
}

/// A line with another value in one of its fields.
fn with_nasty_value(line: &[u8], chance: &mut Chance) -> Vec<u8> {
    let text = String::from_utf8_lossy(line).into_owned();
    let fields: Vec<usize> = text.match_indices("\":").map(|(at, _)| at + 2).collect();
    let Some(from) = fields.get(chance.index(fields.len())).copied() else { return line.to_vec() };
    let to = text[from..].find(",\"").map_or(text.len(), |length| from + length);
    format!("{}{}{}", &text[..from], NASTY[chance.index(NASTY.len())], &text[to..]).into_bytes()
}

fn chain_anew(lines: &mut [Vec<u8>]) {
    let mut head = "0".repeat(64);
    for line in lines {
        let text = String::from_utf8_lossy(line).into_owned();
        let Some((body, _)) = text.split_once(",\"hash\":\"") else { continue };
        head = Digest::of(format!("{head}{body}").as_bytes()).to_string();
        *line = format!("{body},\"hash\":\"{head}\"}}\n").into_bytes();
    }
}

/// Damages any of a stick's files: its bytes, its length, its name, or its existence.
pub(crate) fn spoil_stick(stick: &MemoryDrive, chance: &mut Chance) {
    for _ in 0..=chance.index(3) {
        let files = stick.files();
        let Some(path) = files.get(chance.index(files.len())).cloned() else { return };
        match chance.index(7) {
            0 => stick.remove(&path),
            1 => stick.tamper(&path, Vec::clear),
            2 => stick.tamper(&path, |bytes| bytes.truncate(bytes.len() / 2)),
            3 => stick.tamper(&path, |bytes| bytes.extend([0; 5_000])),
            4 => {
                let byte = chance.index(1 << 20);
                stick.tamper(&path, |bytes| {
                    let length = bytes.len();
                    if let Some(byte) = bytes.get_mut(byte % length.max(1)) {
                        *byte ^= 0x10;
                    }
                });
            }
            5 => {
                let other = files[chance.index(files.len())].clone();
                let bytes = stick.file(&other).unwrap_or_default();
                stick.put(&path, &bytes);
            }
            _ => stick.tamper(&format!("{BAG}ledger.jsonl"), |ledger| spoil_ledger(ledger, chance)),
        }
    }
}

/// Everything that comes back from both, withheld or not; what either could not give is reported.
fn restored(sticks: [&MemoryDrive; 2]) -> Result<BTreeSet<Vec<u8>>, JobError> {
    let around = folder();
    let into = around.path().join("into");
    std::fs::create_dir(&into).unwrap();
    let drives: Vec<_> =
        sticks.iter().zip(["bad", "good"]).map(|(stick, label)| drive_ref(stick, label)).collect();
    let gathered = open_sources(&drives, &station(), &SystemClock::new())?;
    let output = gathered.catalogue.recorded_mailboxes_of(&station())?;
    let mailbox_targets = output.into_iter().map(|(row, name)| {
        let path = into.join(name.as_str());
        MailboxTarget { row, name, path }
    });
    let plan = RestoreOptions {
        mailbox_targets: mailbox_targets.collect(),
        with_removed: true,
        versions: None,
        with_doubtful: true,
        dry_run: false,
        progress: &Unwatched,
    };
    restore(&gathered, &plan)?;
    let around_it: Vec<_> = std::fs::read_dir(around.path()).unwrap().collect();
    assert_eq!(around_it.len(), 1, "nothing is made next to the target: {around_it:?}");
    Ok(tree(&into).into_values().collect())
}

/// The seeds asked for, or this many.
pub(crate) fn seeds(or: u64) -> std::ops::Range<u64> {
    let number = |name, or| std::env::var(name).map_or(or, |text| text.parse().unwrap());
    let first = number("COUNTERFOIL_FIRST", 1);
    first..first + number("COUNTERFOIL_SEEDS", or)
}

/// The most memory that this process has used, in bytes.
fn most_memory() -> u64 {
    let output = std::fs::read_to_string("/proc/self/status").unwrap();
    let line = output.lines().find(|line| line.starts_with("VmHWM:")).unwrap();
    line.split_whitespace().nth(1).unwrap().parse::<u64>().unwrap() * 1024
}

/// Runs each seed, and names it if anything fails; the first ones use whatever memory will be used.
fn each_seed(mut try_it: impl FnMut(u64, &mut Chance)) {
    let mut before = None;
    for (number, seed) in seeds(cases(SEEDS, PLAIN_SEEDS)).enumerate() {
        if number == 50 {
            before = Some(most_memory());
        }
        let what = std::panic::AssertUnwindSafe(|| try_it(seed, &mut Chance::new(seed)));
        assert!(std::panic::catch_unwind(what).is_ok(), "COUNTERFOIL_FIRST={seed}");
    }
    // The kernel counts by processor and not to the page: it may report less than before (proc(5)).
    let grown = before.map_or(0, |before| most_memory().saturating_sub(before));
    assert!(grown < 64 << 20, "memory grew by {grown}");
}

pub(crate) fn expect_all(mail: &BTreeSet<Vec<u8>>, back: &BTreeSet<Vec<u8>>) {
    let lost: Vec<_> = mail.difference(back).map(|m| String::from_utf8_lossy(m)).collect();
    assert!(lost.is_empty(), "not restored: {lost:?}");
}

#[test]
fn campaign_of_spoilt_ledgers_beside_a_good_stick() {
    let before = Before::new();
    each_seed(|_, chance| {
        let bad = before.bad.copied();
        bad.tamper(&format!("{BAG}ledger.jsonl"), |ledger| spoil_ledger(ledger, chance));
        expect_all(&before.mail(), &restored([&bad, &before.good]).unwrap());
    });
}

#[test]
fn campaign_of_spoilt_sticks_through_a_pass_and_a_restore() {
    let Before { mut card, bad, good } = Before::new();
    each_seed(|seed, chance| {
        let (bad, good) = (bad.copied(), good.copied());
        // Every stick begins in its original state; a card that has seen a later state would not trust them.
        card.lose_catalogue();
        if chance.index(2) == 0 {
            done(card.mirror_as(&bad, "bad"));
            done(card.mirror_as(&good, "good"));
        }
        spoil_stick(&bad, chance);
        card.deliver("inbox/late", &mail(&format!("late {seed}")));
        // Its outcome does not matter.
        drop(card.mirror_as(&bad, "bad").outcome);
        done(card.mirror_as(&good, "good"));
        let mail: BTreeSet<_> = card.messages().into_values().collect();
        expect_all(&mail, &restored([&MemoryDrive::default(), &good]).unwrap());
        expect_all(&mail, &restored([&bad, &good]).unwrap());
    });
}
