//! What must hold of the admission of a drive, whatever its ledger and manifest tell: it is made whole once, and
//! a later card finds nothing more to mend. Never mirrors anything.

use super::lines;
use super::medium::{Medium, Still};
use super::taker::Taker;
use counterfoil::disk::{Access, MemoryDrive};
use counterfoil::job::JobError;
use counterfoil::job::catalogue::Catalogue;
use counterfoil::job::drive::{Admission, Admitted, Begin, admit};
use counterfoil::model::bag::manifest_line;
use counterfoil::model::ledger::{Reader, Verdict};
use counterfoil::model::{Digest, PayloadName};
use std::collections::BTreeMap;

const BAG: &str = "counterfoil/pier-4/";

/// Holds the admission against one input.
pub fn hold(input: &[u8]) {
    let drive = forged(&mut Taker(input));
    let before = files(&drive);
    match admitted(&drive, Access::Write, "first") {
        Err(JobError::NewerFormat { .. }) => return,
        Err(error) => panic!("{error}"),
        Ok(_) => {}
    }
    let whole = files(&drive);
    for (path, octets) in &before {
        let now = whole.get(path).unwrap_or_else(|| panic!("{path} was deleted"));
        assert!(now.len() >= octets.len(), "{path} was cut");
        assert!(!path.contains("/data/") || now == octets, "a copy was changed: {path}");
    }
    let ledger = &before[&format!("{BAG}ledger.jsonl")];
    assert!(whole[&format!("{BAG}ledger.jsonl")].starts_with(ledger), "a ledger is appended to");
    settled(&whole[&format!("{BAG}ledger.jsonl")]);
    for access in [Access::Read, Access::Write] {
        let again = admitted(&drive, access, "second").unwrap_or_else(|error| panic!("{error}"));
        let whole_ledger = again.ledger_whole || whole[&format!("{BAG}ledger.jsonl")].is_empty();
        assert!(whole_ledger, "what was mended reads as whole");
        assert!(files(&drive) == whole, "a second admission, {access:?}, changes nothing");
    }
}

fn admitted(drive: &MemoryDrive, access: Access, boot: &'static str) -> Result<Admitted, JobError> {
    let asked = Admission {
        station: &"pier-4".parse().expect("a name"),
        access,
        begin: Begin::Never,
        label: "amber",
        at: b"/media/amber",
        taken_for: None,
        clock: &Still(boot),
    };
    // A catalogue of its own each time, as on a new card.
    admit(&Catalogue::in_memory()?, Box::new(Medium::open(drive, usize::MAX)), &asked)
}

/// The last line is sound, or stands behind a break that is settled: what is appended now is believed.
fn settled(ledger: &[u8]) {
    let mut reader = Reader::default();
    let mut last = None;
    for raw in ledger.split_inclusive(|&b| b == b'\n') {
        let line = raw.strip_suffix(b"\n").unwrap_or(raw);
        last = Some(reader.line(line, raw.len() as u64));
    }
    assert!(matches!(last, None | Some(Verdict::Line(..))), "it ends in a line: {last:?}");
    assert_eq!(reader.broken(), None, "no break is left");
}

/// A drive with an id, a ledger and a manifest of what is chosen, and some of the copies they tell of.
fn forged(taker: &mut Taker<'_>) -> MemoryDrive {
    let drive = MemoryDrive::default();
    drive.put("counterfoil/drive.json", br#"{"format":1,"id":"00000000000000aa"}"#);
    let mut manifest = Vec::new();
    for number in 1..=taker.octet() as u32 % 6 {
        let payload: PayloadName =
            format!("data/0001/{number:08}.EML").parse().expect("a payload's name");
        // Of the contents that lines tell of, or another one.
        let content = [taker.octet() % 9];
        if !taker.octet().is_multiple_of(4) {
            drive.put(&format!("{BAG}{payload}"), &content);
        }
        if !taker.octet().is_multiple_of(4) {
            manifest.extend(manifest_line(&Digest::of(&content), payload).into_bytes());
        }
    }
    if taker.octet().is_multiple_of(4) {
        lines::damage(&mut manifest, taker);
    }
    let damaged = taker.octet().is_multiple_of(2);
    let mut ledger = lines::ledger(taker, true).concat().into_bytes();
    if damaged {
        lines::damage(&mut ledger, taker);
    }
    drive.put(&format!("{BAG}manifest-sha256.txt"), &manifest);
    drive.put(&format!("{BAG}ledger.jsonl"), &ledger);
    drive
}

fn files(drive: &MemoryDrive) -> BTreeMap<String, Vec<u8>> {
    let octets = |path: String| (path.clone(), drive.file(&path).expect("a file that is listed"));
    drive.files().into_iter().map(octets).collect()
}
