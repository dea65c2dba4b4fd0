//! Ledgers and manifests in which lines rot, or which somebody deletes: the damage is found by reading them from the
//! first byte, and repaired. Never waits, and never checks how a catalogue stores what it knows.

use crate::card::{Card, StopAfter, mail, station};
use crate::medium::{copies_of, expect_same, expect_whole_bag, ledger_kinds, snapshot, whole};
use crate::support::cases::cases;
use crate::support::memory::MemoryDrive;
use counterfoil::disk::Access;
use counterfoil::job::catalogue::{Log, LogDamage};
use counterfoil::job::replica::scrub::{ScrubStep, Scrubber, Unfinished};
use counterfoil::job::replica::verify::{verify, verify_logs};
use counterfoil::job::{Progress, Unwatched};
use counterfoil::model::Finding;

const LEDGER: &str = "counterfoil/pier-4/ledger.jsonl";
pub(crate) const MANIFEST: &str = "counterfoil/pier-4/manifest-sha256.txt";

/// Changes one byte of the line that contains this text, within the text.
fn rot(drive: &MemoryDrive, log: &str, text: &str) {
    drive.tamper(log, |bytes| {
        let at = bytes.windows(text.len()).position(|part| part == text.as_bytes());
        bytes[at.unwrap_or_else(|| panic!("{text} is not in {log}"))] ^= 1;
    });
}

fn ledger(drive: &MemoryDrive) -> String {
    String::from_utf8_lossy(&drive.file(LEDGER).unwrap()).into_owned()
}

/// The first part of `verify`: it reads both logs, and opens the drive again where lines have to be rewritten.
pub(crate) fn logs_verified(card: &Card, drive: &MemoryDrive) -> Vec<LogDamage> {
    let admitted = card.admit(drive, Access::Write).unwrap();
    let found = verify_logs(&card.catalogue, &admitted, &Unwatched).unwrap();
    drop(admitted);
    if !found.is_empty() {
        card.admit(drive, Access::Write).unwrap();
    }
    found
}

pub(crate) fn is_safe(card: &Card) -> bool {
    let damaged = card.catalogue.damaged_logs(&station()).unwrap();
    let totals = card.catalogue.totals(&station(), 1).unwrap();
    damaged.is_empty() && totals.mirrored == totals.messages
}

/// Three messages; one of them is in the archive too, which a line without a copy records.
pub(crate) fn archived() -> (Card, MemoryDrive) {
    let (card, drive) = (Card::new(), MemoryDrive::default());
    for name in ["one", "two", "three"] {
        card.deliver(&format!("inbox/{name}"), &mail(name));
    }
    card.mirrored(&drive);
    card.deliver("archive/two", &mail("two"));
    card.mirrored(&drive);
    card.deliver("inbox/four", &mail("four"));
    card.mirrored(&drive);
    assert_eq!(ledger_kinds(&drive).last().unwrap(), "mirrored");
    (card, drive)
}

#[test]
fn a_rotten_line_of_a_place_is_found_once_and_written_again() {
    let (card, drive) = archived();
    assert_eq!(logs_verified(&card, &drive), []);
    rot(&drive, LEDGER, "archive/two");
    let before = whole(&[&drive], false);
    assert!(!before.contains_key("archive/two"), "nobody knows of the place by this drive");

    let found = logs_verified(&card, &drive);
    let [LogDamage { log: Log::Ledger, lines: 1, unreadable: false, offset: at }] =
        found.as_slice()
    else {
        panic!("{found:?}")
    };
    let text = drive.file(LEDGER).unwrap();
    let line = text.windows(6).position(|part| part == b"placed").unwrap();
    assert!((*at as usize) < line && line < *at as usize + 400, "{at} {line}");
    assert!(is_safe(&card), "it is written again");
    assert!(ledger(&drive).matches("\"path\":\"archive/two\"").count() == 1);
    expect_same(&whole(&[&drive], false), &card.messages(), "written again");
    // Reported once.
    let after = snapshot(&drive);
    assert_eq!(logs_verified(&card, &drive), []);
    assert_eq!(card.mirrored(&drive).noted, 0, "the pass has nothing more to tell");
    expect_same(&snapshot(&drive), &after, "nothing is written twice");
    expect_whole_bag(&drive, "after a rotten line");
}

/// A line that settled a break covers every line before it: a second line that rots there breaks nothing more.
#[test]
fn lines_that_rot_one_after_the_other_are_each_found() {
    let (card, drive) = archived();
    for text in ["inbox/one", "inbox/two", "archive/two", "\"opened\"", "inbox/four", "inbox/three"]
    {
        rot(&drive, LEDGER, text);
        let found = logs_verified(&card, &drive);
        assert_eq!(found.len(), 1, "{text}: {found:?}");
        assert!(is_safe(&card), "{text}");
        expect_same(&whole(&[&drive], false), &card.messages(), text);
        assert_eq!(logs_verified(&card, &drive), [], "{text}");
    }
    let copies = drive.files().into_iter().filter(|path| path.contains("/data/")).count();
    assert_eq!(copies, 4, "no copy was made again for a line");
    expect_whole_bag(&drive, "after six rotten lines");
}

/// The very last line: its end is compared whenever the drive is opened.
#[test]
fn a_rotten_last_line_is_found_when_the_drive_is_opened() {
    for field in ["\"hash\":\"", "inbox/four", "\"}\n"] {
        let (card, drive) = archived();
        drive.tamper(LEDGER, |bytes| {
            let at = String::from_utf8_lossy(bytes).rfind(field).unwrap() + field.len() - 1;
            bytes[at] ^= 1;
        });
        let admitted = card.admit(&drive, Access::Write).unwrap();
        let mut lost: Vec<_> = admitted.findings.iter().filter_map(lines_lost).collect();
        drop(admitted);
        lost.extend(logs_verified(&card, &drive).iter().map(|damage| damage.lines));
        assert_eq!(lost, [1], "{field}");
        assert!(is_safe(&card), "{field}");
        expect_same(&whole(&[&drive], false), &card.messages(), field);
        assert_eq!(logs_verified(&card, &drive), [], "{field}");
    }
}

fn lines_lost(finding: &Finding) -> Option<u64> {
    match finding {
        Finding::LedgerLinesLost { lines, .. } => Some(*lines),
        _ => None,
    }
}

/// Any byte of the ledger, any number of times: what a restore gives from the drive alone is the same afterwards.
#[test]
fn whichever_byte_of_a_ledger_rots_nothing_is_lost() {
    let length = archived().1.file(LEDGER).unwrap().len();
    for at in (0..length).step_by(cases(7, 63)) {
        let (card, drive) = archived();
        // Another ledger may be shorter by some digits: what follows is the last line, which has a test of its own.
        if at >= drive.file(LEDGER).unwrap().len() {
            continue;
        }
        card.delete("inbox/one");
        card.mirrored(&drive);
        let before = whole(&[&drive], false);
        drive.tamper(LEDGER, |bytes| bytes[at] ^= 0x10);
        let found = logs_verified(&card, &drive);
        assert!(!found.is_empty(), "at {at}");
        assert!(is_safe(&card), "at {at}");
        expect_same(&whole(&[&drive], false), &before, &format!("at {at}"));
        expect_whole_bag(&drive, &format!("at {at}"));
        assert_eq!(logs_verified(&card, &drive), [], "at {at}");
        card.mirrored(&drive);
        expect_same(&whole(&[&drive], false), &before, &format!("at {at}, after a pass"));
    }
}

/// The mailbox no longer has these messages: an earlier card had them, and this one knows their locations from the
/// ledger.
#[test]
fn a_line_of_an_earlier_cards_message_is_written_again_from_what_was_known() {
    let (first, drive) = archived();
    let before = first.messages();
    drop(first);
    drive.replug(false);
    let card = Card::new();
    card.clock.reboot();
    card.mirrored(&drive);
    rot(&drive, LEDGER, "inbox/three");
    rot(&drive, LEDGER, "archive/two");
    assert_eq!(logs_verified(&card, &drive).len(), 1);
    expect_same(&whole(&[&drive], false), &before, "from what was known");
}

/// A power failure at any moment while a line is written again: it is written again after that.
#[test]
fn a_cut_while_lines_are_written_again_loses_none() {
    for operations in 0.. {
        let (card, drive) = archived();
        card.delete("inbox/one");
        card.mirrored(&drive);
        let before = whole(&[&drive], false);
        for text in ["archive/two", "inbox/three"] {
            rot(&drive, LEDGER, text);
        }
        let admitted = card.admit(&drive, Access::Write).unwrap();
        assert_eq!(verify_logs(&card.catalogue, &admitted, &Unwatched).unwrap().len(), 1);
        drop(admitted);
        drive.pull_after(operations);
        let through = card.admit(&drive, Access::Write).is_ok();
        if !through {
            assert!(!is_safe(&card), "after {operations}: called safe before it is");
        }
        drive.replug(true);
        card.clock.reboot();
        card.mirrored(&drive);
        assert!(is_safe(&card), "after {operations}");
        expect_same(&whole(&[&drive], false), &before, &format!("after {operations}"));
        expect_whole_bag(&drive, &format!("after {operations}"));
        assert_eq!(logs_verified(&card, &drive), [], "after {operations}");
        if through {
            assert!(operations > 20, "the sweep came to an end at once: {operations}");
            break;
        }
    }
}

#[test]
fn on_a_read_only_drive_it_is_said_and_nothing_is_called_safe_until_it_is_written_again() {
    let (card, drive) = archived();
    rot(&drive, LEDGER, "archive/two");
    drive.set_read_only(true);
    let before = snapshot(&drive);
    for _ in 0..2 {
        let admitted = card.admit(&drive, Access::Read).unwrap();
        let found = verify_logs(&card.catalogue, &admitted, &Unwatched).unwrap();
        assert_eq!(found.len(), 1, "said every time");
        assert!(!is_safe(&card));
    }
    expect_same(&snapshot(&drive), &before, "nothing is written");
    drive.set_read_only(false);
    card.mirrored(&drive);
    assert!(is_safe(&card));
    expect_same(&whole(&[&drive], false), &card.messages(), "written again by the next pass");
}

/// A line does not override what is known of a copy from reading it: a copy known to be bad stays bad, though the line
/// that said so has rotted.
#[test]
fn a_copy_known_to_be_bad_is_not_called_good_since_the_line_of_it_rotted() {
    let (card, drive) = archived();
    let [copy] = copies_of(&drive, &mail("one")).try_into().unwrap();
    drive.tamper(&copy, |bytes| bytes[20] ^= 1);
    let mut admitted = card.admit(&drive, Access::Write).unwrap();
    verify(&card.catalogue, &mut admitted, &card.clock, &Unwatched, true).unwrap();
    drop(admitted);
    rot(&drive, LEDGER, "\"damaged\",");
    assert_eq!(logs_verified(&card, &drive).len(), 1);
    let mirrored = card.catalogue.totals(&station(), 1).unwrap().mirrored;
    assert_eq!(mirrored, 4, "one of five is not");
    assert_eq!(count_whole(&drive, "damaged"), 1);
    assert_eq!(card.mirrored(&drive).copied, 1);
    expect_same(&whole(&[&drive], false), &card.messages(), "copied again");
}

/// Readable lines of a kind.
fn count_whole(drive: &MemoryDrive, kind: &str) -> usize {
    ledger(drive).matches(&format!("\"kind\":\"{kind}\"")).count()
}

/// One rotten line near the beginning does not mean that every copy after it is read before new mail is mirrored: this
/// card knows those copies from its own reading.
#[test]
fn one_rotten_line_has_no_copies_read_that_this_card_knows() {
    let (card, drive) = (Card::new(), MemoryDrive::default());
    for n in 0..400 {
        card.deliver(&format!("inbox/{n:03}"), &mail(&format!("message {n}")));
    }
    card.mirrored(&drive);
    rot(&drive, LEDGER, "\"mailbox\",");
    let admitted = card.admit(&drive, Access::Write).unwrap();
    assert_eq!(verify_logs(&card.catalogue, &admitted, &Unwatched).unwrap().len(), 1);
    drop(admitted);
    let before = drive.operations();
    card.mirrored(&drive);
    let operations = drive.operations() - before;
    assert!(operations < 400, "{operations} operations, and each copy read takes two");
    assert!(is_safe(&card));
    expect_same(&whole(&[&drive], false), &card.messages(), "written again");
}

/// The medium reports an error in the middle of the ledger: that is reported, and new mail still goes to the drive.
#[test]
fn a_ledger_with_an_unreadable_part_is_said_and_mail_goes_on() {
    let (card, drive) = archived();
    let admitted = card.admit(&drive, Access::Write).unwrap();
    drive.set_unreadable_from(LEDGER, 700);
    let found = verify_logs(&card.catalogue, &admitted, &Unwatched).unwrap();
    drop(admitted);
    let [LogDamage { log: Log::Ledger, unreadable: true, .. }] = found.as_slice() else {
        panic!("{found:?}")
    };
    assert!(!is_safe(&card));
    drive.set_unreadable_from(LEDGER, usize::MAX);
    card.deliver("inbox/five", &mail("five"));
    assert_eq!(card.mirrored(&drive).copied, 1);
    assert!(!is_safe(&card), "nobody has read it since");
    assert_eq!(logs_verified(&card, &drive), []);
    assert!(is_safe(&card));
}

pub(crate) fn scrub_step(
    card: &Card,
    drive: &MemoryDrive,
    rest: &mut Option<Unfinished>,
    progress: &dyn Progress,
) -> ScrubStep {
    let mut admitted = card.admit(drive, Access::Write).unwrap();
    let mailboxes = [card.mailbox()];
    let (catalogue, clock) = (&card.catalogue, &card.clock);
    let scrubber = Scrubber { catalogue, mailboxes: &mailboxes, clock, progress, record: true };
    scrubber.step(&mut admitted, rest).unwrap()
}

/// Steps that end after one line, with mail that arrives in between, and a line that rots meanwhile.
#[test]
fn a_cycle_reads_the_whole_ledger_in_steps_of_one_line() {
    for rotten in [None, Some("inbox/three"), Some("archive/two")] {
        let (card, drive) = archived();
        if let Some(text) = rotten {
            rot(&drive, LEDGER, text);
        }
        let (mut rest, mut findings, mut steps) = (None, Vec::new(), 0);
        loop {
            let taken = scrub_step(&card, &drive, &mut rest, &StopAfter::polls(1));
            findings.extend(taken.findings);
            steps += 1;
            assert!(steps < 200, "no end");
            if steps == 3 {
                card.deliver("inbox/meanwhile", &mail("meanwhile"));
                card.mirrored(&drive);
            }
            if taken.lost {
                card.mirrored(&drive);
            }
            if taken.ended {
                break;
            }
        }
        assert!(steps > 10, "{steps}");
        let lost =
            findings.iter().filter(|f| matches!(f, Finding::LedgerLinesLost { lines: 1, .. }));
        assert_eq!(lost.count(), usize::from(rotten.is_some()), "{findings:?}");
        assert_eq!(findings.len(), usize::from(rotten.is_some()), "{findings:?}");
        assert!(is_safe(&card));
        expect_same(&whole(&[&drive], false), &card.messages(), "after a round");
    }
}

/// Once in a cycle: its next step reads copies only.
#[test]
fn both_logs_are_read_once_in_a_cycle() {
    let (card, drive) = archived();
    let logs = || (drive.file(LEDGER).unwrap().len() + drive.file(MANIFEST).unwrap().len()) as u64;
    let before = logs();
    // One poll a line; the last comes before the first copy.
    let lines = ledger_kinds(&drive).len() as u64 + 4;
    let mut rest = None;
    let taken = scrub_step(&card, &drive, &mut rest, &StopAfter::polls(lines));
    assert_eq!((taken.bytes, taken.ended), (before, false), "both logs and no more");
    let taken = scrub_step(&card, &drive, &mut rest, &Unwatched);
    assert!(taken.ended);
    // Each copy on the drive, and each message on the card.
    let copies: usize = ["one", "two", "three", "four"].iter().map(|name| mail(name).len()).sum();
    let messages: usize = card.messages().values().map(Vec::len).sum();
    assert_eq!(taken.bytes, (copies + messages) as u64);
}

/// Faults 49, 52: somebody deletes a log of a drive that is in use. The very next pass writes it again.
#[test]
fn a_log_deleted_while_mounted_is_written_again_by_the_next_pass() {
    for (log, new_mail) in [(LEDGER, false), (LEDGER, true), (MANIFEST, false), (MANIFEST, true)] {
        let (card, drive) = archived();
        card.delete("inbox/one");
        card.mirrored(&drive);
        let before = whole(&[&drive], false);
        drive.remove(log);
        let mut expected = before.clone();
        if new_mail {
            card.deliver("inbox/new", &mail("new"));
            expected.insert("inbox/new".to_owned(), mail("new"));
        }
        let report = card.mirrored(&drive);
        assert_eq!(report.copied, u64::from(new_mail), "{log}: copies are there");
        assert!(is_safe(&card), "{log}");
        expect_whole_bag(&drive, log);
        expect_same(&whole(&[&drive], false), &expected, log);
        assert_eq!(logs_verified(&card, &drive), [], "{log}");
    }
}

/// An audit meanwhile: nothing on this drive is called safe while its ledger is gone.
#[test]
fn a_look_at_a_drive_whose_ledger_was_deleted_calls_nothing_safe() {
    let (mut card, drive) = archived();
    drive.remove(LEDGER);
    // As `audit` does: on a copy of the catalogue.
    card.catalogue = card.catalogue.copied().unwrap();
    card.admit(&drive, Access::Read).unwrap();
    let totals = card.catalogue.totals(&station(), 1).unwrap();
    assert_eq!((totals.messages, totals.mirrored), (5, 0));
}
