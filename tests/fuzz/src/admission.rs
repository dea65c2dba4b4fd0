//! What must hold of the admission of a drive, whatever its ledger and manifest tell: it is made whole once, and
//! a later card finds nothing more to mend. Never mirrors anything.

use super::lines;
use super::medium::{Medium, Still};
use super::taker::Taker;
use crate::support::memory::MemoryDrive;
use counterfoil::disk::{Access, Volume as _};
use counterfoil::job::JobError;
use counterfoil::job::catalogue::Catalogue;
use counterfoil::job::replica::{
    NewDrivePolicy, OpenOptions, Replica, open_replica, read_manifest,
};
use counterfoil::model::bag::manifest_line;
use counterfoil::model::ledger::{ChainReader, Event, LineVerdict};
use counterfoil::model::{Digest, PayloadName, RelName};
use std::collections::{BTreeMap, BTreeSet};

const BAG: &str = "counterfoil/pier-4/";

/// Holds the admission against one input.
pub fn hold(input: &[u8]) {
    let drive = forged(input);
    let before = files(&drive);
    match admitted(&new_card(), &drive, Access::Write, "first") {
        Err(JobError::NewerFormat { .. } | JobError::NumbersUsedUp { .. }) => return,
        Err(error) => panic!("{error}"),
        Ok(_) => {}
    }
    let whole = files(&drive);
    for (path, bytes) in &before {
        let now = whole.get(path).unwrap_or_else(|| panic!("{path} was deleted"));
        assert!(now.len() >= bytes.len(), "{path} was cut");
        assert!(!path.contains("/data/") || now == bytes, "a copy was changed: {path}");
    }
    let ledger = &before[&format!("{BAG}ledger.jsonl")];
    assert!(whole[&format!("{BAG}ledger.jsonl")].starts_with(ledger), "a ledger is appended to");
    let told = settled(&drive, &whole[&format!("{BAG}ledger.jsonl")]);
    let listed = lists(&drive, &told);
    let other = new_card();
    let again = |access| {
        let again = match admitted(&other, &drive, access, "second") {
            // The lines of the first may have been the last that there were numbers for.
            Err(JobError::NumbersUsedUp { .. }) => return None,
            again => again.unwrap_or_else(|error| panic!("{error}")),
        };
        let is_empty = whole[&format!("{BAG}ledger.jsonl")].is_empty();
        assert!(again.ledger_whole || is_empty, "what was mended reads as whole");
        Some(files(&drive))
    };
    assert!(again(Access::Read).as_ref() == Some(&whole), "a look changes nothing");
    // A card that did not write the lines itself makes them durable, by one of its own behind them.
    let Some(mut opened) = again(Access::Write) else { return };
    let Some(once_more) = again(Access::Write) else { return };
    assert!(once_more == opened, "a second admission changes nothing");
    let ledger = opened.get_mut(&format!("{BAG}ledger.jsonl")).expect("the ledger");
    let more = ledger.split_off(whole[&format!("{BAG}ledger.jsonl")].len());
    let more = String::from_utf8(more).expect("lines are text");
    assert!(more.lines().count() <= 1 && more.lines().all(|line| line.contains("\"opened\"")));
    // It may write the last line of the manifest once more, in our own form of it.
    assert_eq!(
        lists(&drive, &told),
        listed,
        "the manifest still lists the same at the same places"
    );
    let manifest = format!("{BAG}manifest-sha256.txt");
    opened.insert(manifest.clone(), whole[&manifest].clone());
    assert!(opened == whole, "a later card finds nothing more to mend");
}

fn new_card() -> Catalogue {
    Catalogue::in_memory().expect("a catalogue in memory")
}

fn admitted(
    catalogue: &Catalogue,
    drive: &MemoryDrive,
    access: Access,
    boot: &'static str,
) -> Result<Replica, JobError> {
    let asked = OpenOptions {
        station: &"pier-4".parse().expect("a name"),
        access,
        begin: NewDrivePolicy::Never,
        label: "amber",
        path: b"/media/amber",
        taken_for: None,
        here: &Vec::new,
        clock: &Still(boot),
    };
    open_replica(catalogue, Box::new(Medium::open(drive, usize::MAX)), &asked)
}

/// The last line is sound, or stands behind a break that is settled: what is appended now is believed. The numbers
/// of the copies that are there by what lines tell.
fn settled(drive: &MemoryDrive, ledger: &[u8]) -> BTreeSet<u32> {
    let mut reader = ChainReader::default();
    let mut last = None;
    let mut told = BTreeMap::new();
    for raw in ledger.split_inclusive(|&b| b == b'\n') {
        let line = raw.strip_suffix(b"\n").unwrap_or(raw);
        let verdict = reader.line(line, raw.len() as u64);
        if let LineVerdict::Line(line, _) = &verdict {
            match &line.event {
                Event::Mirrored { payload, .. } | Event::Adopted { payload, .. } => {
                    told.insert(payload.number, true);
                }
                // Nobody looks for debris that has gone.
                Event::Debris { payload, .. } => {
                    told.insert(payload.number, drive.file(&format!("{BAG}{payload}")).is_some());
                }
                Event::Damaged { payload, .. } | Event::Sound { payload } => {
                    told.entry(payload.number).and_modify(|there| *there = true);
                }
                Event::Absent { payload } => {
                    told.entry(payload.number).and_modify(|there| *there = false);
                }
                _ => {}
            }
        }
        last = Some(verdict);
    }
    assert!(matches!(last, None | Some(LineVerdict::Line(..))), "it ends in a line: {last:?}");
    assert_eq!(reader.broken(), None, "no break is left");
    told.into_iter().filter(|(_, there)| *there).map(|(number, _)| number).collect()
}

/// The manifest is whole to its end, and lists every copy that is there by the ledger.
fn lists(drive: &MemoryDrive, told: &BTreeSet<u32>) -> Vec<(Digest, PayloadName, u64)> {
    let mut lines = Vec::new();
    let dir = RelName::new(BAG.trim_end_matches('/')).expect("a path");
    let listed = read_manifest(&Medium::open(drive, usize::MAX), &dir, |digest, payload, at| {
        lines.push((digest, payload, at.start));
        Ok(())
    });
    let listed = listed.unwrap_or_else(|error| panic!("{error}"));
    assert_eq!(listed.sound_bytes(), listed.length(), "no torn end is left");
    let numbers: BTreeSet<_> = lines.iter().map(|(_, payload, _)| payload.number).collect();
    assert!(numbers.is_superset(told), "listed {numbers:?}, told of {told:?}");
    lines
}

/// A drive with an id, a ledger and a manifest of what is chosen, and some of the copies they tell of.
pub(crate) fn forged(input: &[u8]) -> MemoryDrive {
    let taker = &mut Taker(input);
    let drive = MemoryDrive::default();
    drive.put("counterfoil/drive.json", br#"{"format":1,"id":"00000000000000aa"}"#);
    // A file put there from outside makes no folder in memory, and without one no copy is found.
    let data = RelName::new(format!("{BAG}data/0001")).expect("a path");
    Medium::open(&drive, 1).make_dir(&data).expect("memory does not fail");
    let mut manifest = Vec::new();
    for number in 1..=taker.byte() as u32 % 6 {
        let payload: PayloadName =
            format!("data/0001/{number:08}.EML").parse().expect("a payload's name");
        // Of the contents that lines tell of, or another one.
        let content = [taker.byte() % 9];
        if !taker.byte().is_multiple_of(4) {
            drive.put(&format!("{BAG}{payload}"), &content);
        }
        if !taker.byte().is_multiple_of(4) {
            manifest.extend(manifest_line(&Digest::of(&content), payload).into_bytes());
        }
    }
    if taker.byte().is_multiple_of(4) {
        lines::damage(&mut manifest, taker);
    }
    let damaged = taker.byte().is_multiple_of(2);
    let mut ledger = lines::ledger(taker, true).concat().into_bytes();
    if damaged {
        lines::damage(&mut ledger, taker);
    }
    drive.put(&format!("{BAG}manifest-sha256.txt"), &manifest);
    drive.put(&format!("{BAG}ledger.jsonl"), &ledger);
    drive
}

fn files(drive: &MemoryDrive) -> BTreeMap<String, Vec<u8>> {
    let bytes = |path: String| (path.clone(), drive.file(&path).expect("a file that is listed"));
    drive.files().into_iter().map(bytes).collect()
}
