//! Drives whose ledgers were written by somebody who knows the format: every hash is right, and the lines are false.
//! Detecting such a forgery would need a secret, so no test expects that; but it may harm nothing except its own drive.

use crate::card::{Card, mail};
use crate::medium::{HOME, expect_same, expect_whole_bag, restored, whole};
use crate::seeds::oracles::admission::forged as chosen;
use crate::support::memory::MemoryDrive;
use counterfoil::job::JobError;
use counterfoil::model::ledger::{Chain, ChainReader, Event, LineVerdict};
use counterfoil::model::limits::{COUNT_MAX, LINES_MAX};
use counterfoil::model::{Digest, EventTime, Identity, Timestamp};

/// A drive whose ledger has one line with this number, as of this change of some writer; sound to its end.
fn forged(number: u64, n: u64) -> MemoryDrive {
    let drive = MemoryDrive::default();
    drive.put("counterfoil/drive.json", br#"{"format":1,"id":"00000000000000aa"}"#);
    let body = format!(
        "{{\"v\":1,\"seq\":{number},\"boot\":\"b\",\"time\":\"2026-01-01T00:00:00Z\",\"clock\":\"trusted\",\
         \"kind\":\"mark\",\"as_of\":\"00000000000000bb:{n}\",\"mailboxes\":[\"in\"]"
    );
    let before = Chain::default().head;
    let hash = Digest::of(format!("{before}{body}").as_bytes());
    drive.put(&format!("{HOME}ledger.jsonl"), format!("{body},\"hash\":\"{hash}\"}}\n").as_bytes());
    drive
}

/// The number of unsound lines: every line is sound except the forger's.
fn junk(drive: &MemoryDrive) -> usize {
    let ledger = drive.file(&format!("{HOME}ledger.jsonl")).unwrap();
    let mut reader = ChainReader::default();
    let lines = ledger.split_inclusive(|&b| b == b'\n');
    let read = lines.map(|raw| reader.line(raw.trim_ascii_end(), raw.len() as u64));
    let junk = read.filter(|verdict| !matches!(verdict, LineVerdict::Line(..))).count();
    assert_eq!(reader.broken(), None, "no break is left");
    junk
}

/// If a forgery drove this card's own numbers up, it would write lines that nobody reads back to every other drive.
#[test]
fn a_forged_position_does_not_spoil_what_is_written_to_other_drives() {
    for n in [u64::MAX, i64::MAX as u64, COUNT_MAX + 1, COUNT_MAX] {
        let (card, honest) = (Card::new(), MemoryDrive::default());
        card.deliver("inbox/a", &mail("a"));
        card.mirror_as(&forged(1, n), "forged");
        assert!(card.mirror_as(&honest, "honest").outcome.is_ok());
        card.deliver("inbox/b", &mail("b"));
        assert!(card.mirror_as(&honest, "honest").outcome.is_ok());
        assert_eq!(junk(&honest), 0, "number {n}");
        expect_same(&whole(&[&honest], false), &card.messages(), &format!("number {n}"));
    }
}

/// A number outside our range is skipped; the last one within it ends the ledger, which is reported, and nothing more
/// is written that nobody would read back.
#[test]
fn a_forged_last_number_is_passed_over_or_said() {
    for number in [u64::MAX, COUNT_MAX + 1, COUNT_MAX, LINES_MAX + 1] {
        let (card, drive) = (Card::new(), forged(number, 1));
        card.deliver("inbox/a", &mail("a"));
        let ledger = drive.file(&format!("{HOME}ledger.jsonl"));
        let outcome = card.mirror(&drive).outcome;
        if number > COUNT_MAX {
            assert!(outcome.is_ok(), "number {number}");
            assert_eq!(junk(&drive), 1, "number {number}");
            expect_whole_bag(&drive, "with a forged number");
            expect_same(&whole(&[&drive], false), &card.messages(), &format!("number {number}"));
        } else {
            assert!(matches!(outcome, Err(JobError::NumbersUsedUp { .. })), "number {number}");
            assert_eq!(drive.file(&format!("{HOME}ledger.jsonl")), ledger, "number {number}");
        }
    }
}

/// Fault 63: a line gives the digest of a message another length. The two contents with one digest are kept apart, and
/// the message can still be mirrored to every drive.
#[test]
fn a_forged_length_does_not_keep_the_message_from_being_mirrored() {
    let (card, honest) = (Card::new(), MemoryDrive::default());
    let drive = forged(1, 1);
    let at = format!("{HOME}ledger.jsonl");
    let first = drive.file(&at).unwrap();
    let mut reader = ChainReader::default();
    reader.line(first.trim_ascii_end(), first.len() as u64);
    let stamp = EventTime { time: Timestamp::default(), trusted: false, boot: "b".into() };
    let identity = Identity { bytes: 7, ..Identity::of(&mail("a")) };
    let payload = "data/0001/00000001.EML".parse().unwrap();
    let line = reader.chain().write(&stamp, Event::Adopted { payload, identity });
    drive.put(&at, &[first, line.into_bytes()].concat());
    drive.put(&format!("{HOME}{payload}"), &mail("a"));

    card.mirror_as(&drive, "forged");
    card.deliver("inbox/a", &mail("a"));
    for (drive, label) in [(&honest, "honest"), (&drive, "forged")] {
        assert!(card.mirror_as(drive, label).outcome.is_ok(), "{label}");
        expect_same(&whole(&[drive], false), &card.messages(), label);
    }
    assert_eq!(junk(&honest), 0);
}

/// Reproducible random bytes (Marsaglia's xorshift), mostly small so that choices coincide.
fn chance(seed: u64, bytes: usize) -> Vec<u8> {
    let mut state = seed * 2 + 1;
    let mut next = || {
        state ^= state << 13;
        state ^= state >> 7;
        state ^= state << 17;
        (state >> 24) as u8
    };
    (0..bytes).map(|_| if next() % 3 == 0 { next() } else { next() % 8 }).collect()
}

/// Whatever a drive claims, it is mirrored to; together with another drive every message comes back, and from the drive
/// alone too where it has no later statement of its own about a path.
#[test]
fn no_random_drive_costs_a_message_on_another_one() {
    for seed in 0..150 {
        let (card, honest) = (Card::new(), MemoryDrive::default());
        let drive = chosen(&chance(seed, 400));
        // Including some of the contents that the forged lines name.
        for n in 0..4 {
            card.deliver(&format!("inbox/{n}"), &[n]);
        }
        card.deliver("inbox/mail", &mail("mail"));
        for (drive, label) in [(&drive, "forged"), (&honest, "honest"), (&drive, "forged")] {
            match card.mirror_as(drive, label).outcome {
                Ok(report) => assert_eq!(report.failed, [], "{seed}, {label}"),
                Err(JobError::NumbersUsedUp { .. }) if label == "forged" => {}
                Err(error) => panic!("{seed}, {label}: {error}"),
            }
            drive.replug(true);
            card.clock.reboot();
        }
        assert_eq!(junk(&honest), 0, "{seed}");
        expect_whole_bag(&honest, &format!("{seed}"));
        expect_same(&whole(&[&honest], false), &card.messages(), &format!("{seed}"));
        let both = restored(&[&drive, &honest], true).files;
        let all = card.messages();
        let lost: Vec<_> =
            all.values().filter(|bytes| !both.values().any(|got| got == *bytes)).collect();
        assert!(lost.is_empty(), "{seed}: {lost:?} is not among what both give");
    }
}
