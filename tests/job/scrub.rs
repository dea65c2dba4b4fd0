//! Scrubbing: copies are read again in steps and cycles, and made again from any source that is still good; drives that
//! do not keep what they are given are detected. Never waits: the clock is moved by hand.

use crate::card::{Card, StopAfter, drive_ref, mail, mirrored_messages};
use crate::medium::{
    HOME, count, expect_same, expect_whole_bag, ledger_kinds, only_copy, restored, whole,
};
use crate::support::memory::MemoryDrive;
use counterfoil::disk::Access;
use counterfoil::job::catalogue::{DriveRow, FileRow};
use counterfoil::job::replica::PresentDrives;
use counterfoil::job::replica::scrub::{ScrubRules, ScrubStep, Scrubber, Unfinished};
use counterfoil::job::sync_drive::SyncOutcome;
use counterfoil::job::{DriveRef, JobError, Progress, Unwatched};
use counterfoil::model::{Clock as _, Finding, Suspicion};
use std::time::Duration;

const DAY: u64 = 86_400;
const RULES: ScrubRules = ScrubRules { every: Duration::from_secs(8 * DAY), max_rate: 1 << 20 };

fn scrub_step(card: &Card, drive: &MemoryDrive, rest: &mut Option<Unfinished>) -> ScrubStep {
    scrub_step_until(card, drive, rest, &Unwatched)
}

fn scrub_step_until(
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

fn due(card: &Card, drive: &MemoryDrive) -> Duration {
    let admitted = card.admit(drive, Access::Write).unwrap();
    RULES.due(&card.catalogue, admitted.state.row, &card.clock).unwrap().unwrap()
}

fn row(card: &Card) -> DriveRow {
    let [drive] = card.catalogue.drives().unwrap().try_into().expect("one drive");
    drive
}

/// Bytes of the ledger and the manifest.
fn logs_of(drive: &MemoryDrive) -> u64 {
    let length = |log: &str| drive.file(&format!("{HOME}{log}")).unwrap().len() as u64;
    length("ledger.jsonl") + length("manifest-sha256.txt")
}

#[test]
fn a_round_is_one_line_and_the_next_is_due_when_its_time_has_come() {
    let (card, drive) = mirrored_messages(&["one", "two", "three"]);
    let wait = due(&card, &drive);
    assert_eq!(wait, Duration::from_secs(7 * DAY), "seven eighths of the span");
    card.clock.set_wall(1_800_000_000 + 7 * DAY as i64);
    assert_eq!(due(&card, &drive), Duration::ZERO);
    let logs = logs_of(&drive);
    let taken = scrub_step(&card, &drive, &mut None);
    assert!(taken.ended && !taken.lost, "{taken:?}");
    // Each copy once on the drive and once on the card; and both logs.
    let bytes: usize = card.messages().values().map(Vec::len).sum();
    assert_eq!(taken.bytes, logs + 2 * bytes as u64);
    assert_eq!(ledger_kinds(&drive)[5..], ["verified"]);
    assert_eq!(due(&card, &drive), Duration::from_secs(7 * DAY));
    assert!(row(&card).last_verified.is_some());
}

/// Any step may end after any buffer; when a cycle reports its end, it has read all copies, each once.
#[test]
fn steps_that_end_early_make_one_cycle_wherever_they_end() {
    for patience in 1..7 {
        let (card, drive) = (Card::new(), MemoryDrive::default());
        let long: Vec<u8> = (0..700_000_u32).map(|n| (n % 251) as u8).collect();
        card.deliver("inbox/long", &long);
        card.deliver("inbox/short", &mail("short"));
        card.mirrored(&drive);
        let logs = logs_of(&drive);
        let (mut rest, mut steps, mut bytes) = (None, 0, 0);
        loop {
            let taken = scrub_step_until(&card, &drive, &mut rest, &StopAfter::polls(patience));
            bytes += taken.bytes;
            steps += 1;
            if taken.ended {
                break;
            }
            assert!(steps < 200, "no end with a patience of {patience}");
        }
        let all: usize = card.messages().values().map(Vec::len).sum();
        assert!(steps > 1 || patience > 4, "{steps} bites with a patience of {patience}");
        assert_eq!(bytes, logs + 2 * all as u64, "with a patience of {patience}");
        assert_eq!(count(&drive, "verified"), 1);
        assert_eq!(count(&drive, "damaged"), 0);
    }
}

#[test]
fn what_rots_is_recorded_at_once_and_made_anew() {
    let (card, drive) = mirrored_messages(&["one", "two", "three"]);
    let bad = only_copy(&drive, &mail("two"));
    drive.tamper(&bad, |bytes| bytes[20] ^= 1);
    drive.remove(&only_copy(&drive, &mail("one")));
    let taken = scrub_step(&card, &drive, &mut None);
    assert!(taken.lost && taken.ended);
    assert_eq!(taken.findings.len(), 2, "{:?}", taken.findings);
    let kinds = ledger_kinds(&drive);
    assert_eq!(kinds[5..].iter().filter(|k| *k == "damaged" || *k == "absent").count(), 2);
    assert_eq!(kinds.last().unwrap(), "verified");
    assert_eq!(card.mirrored(&drive).copied, 2);
    expect_same(&whole(&[&drive], false), &card.messages(), "made anew");
    // A known problem is not recorded again, and the copy not made again.
    let again = scrub_step(&card, &drive, &mut None);
    assert!(!again.lost && again.findings.is_empty(), "{again:?}");
    assert_eq!((count(&drive, "damaged"), count(&drive, "absent")), (1, 1));
    assert_eq!(card.mirrored(&drive).copied, 0);
}

/// A machine without a clock of its own, or whose clock is set while it runs: a cycle more, or one less.
#[test]
fn a_clock_that_jumps_makes_no_loop() {
    let (card, drive) = mirrored_messages(&["one", "two"]);
    assert!(!due(&card, &drive).is_zero());
    for wall in [0, 4_000_000_000, 0, 1_800_000_000, 100] {
        card.clock.set_wall(wall);
        let mut rounds = 0;
        while due(&card, &drive).is_zero() {
            assert!(scrub_step(&card, &drive, &mut None).ended);
            rounds += 1;
            assert!(rounds < 2, "at {wall}");
        }
    }
    // The clock starts at the same time at every boot; running time in between is counted.
    for boots in 0.. {
        assert!(boots < 20, "never due");
        card.clock.reboot();
        card.clock.set_wall(100);
        due(&card, &drive);
        card.clock.advance(DAY * 1000);
        if due(&card, &drive).is_zero() {
            assert!(boots > 4, "after {boots} days");
            break;
        }
    }
    assert!(scrub_step(&card, &drive, &mut None).ended);
    assert!(!due(&card, &drive).is_zero());
}

/// The mailbox no longer has the message; another drive has.
#[test]
fn a_lost_copy_is_made_again_from_another_drive_that_is_here() {
    let (card, amber) = mirrored_messages(&["one", "two", "three"]);
    let birch = MemoryDrive::default();
    let present_drives = PresentDrives::default();
    let (first, second) = (drive_ref(&amber, "amber"), drive_ref(&birch, "birch"));
    let copy = |drive: &DriveRef| -> SyncOutcome {
        card.scan(0);
        card.copy_with_present(drive, &present_drives)
    };
    copy(&first).outcome.unwrap();
    copy(&second).outcome.unwrap();
    card.vanish("inbox/one");
    card.delete("inbox/two");
    for drive in [&first, &second] {
        copy(drive).outcome.unwrap();
    }
    let before = whole(&[&amber], true);
    for name in ["one", "two"] {
        drive_spoilt(&amber, name);
    }
    let mut admitted = card.admit(&amber, Access::Write).unwrap();
    let (catalogue, clock) = (&card.catalogue, &card.clock);
    counterfoil::job::replica::verify::verify(catalogue, &mut admitted, clock, &Unwatched, true)
        .unwrap();
    catalogue.save_replica(&admitted.state).unwrap();
    drop(admitted);
    assert!(!restored(&[&amber], true).report.is_whole());

    let report = copy(&first).outcome.unwrap();
    assert_eq!(report.copied, 2, "{report:?}");
    assert_eq!(count(&amber, "adopted"), 2, "copies, and nothing said of where they belong");
    expect_same(&whole(&[&amber], true), &before, "with those removed");
    let expected: Vec<_> = whole(&[&amber], false).into_keys().collect();
    assert_eq!(expected, ["inbox/one", "inbox/three"], "what was removed stays removed");
    assert_eq!(copy(&first).outcome.unwrap().copied, 0);
}

fn drive_spoilt(drive: &MemoryDrive, name: &str) {
    drive.tamper(&only_copy(drive, &mail(name)), |bytes| bytes[20] ^= 1);
}

/// A copy that the other drive has lost too is not used, and the loss is detected.
#[test]
fn a_bad_copy_is_not_used_for_another_drive() {
    let (card, amber) = mirrored_messages(&["one"]);
    let birch = MemoryDrive::default();
    let present_drives = PresentDrives::default();
    let (first, second) = (drive_ref(&amber, "amber"), drive_ref(&birch, "birch"));
    for drive in [&first, &second] {
        card.copy_with_present(drive, &present_drives).outcome.unwrap();
    }
    card.vanish("inbox/one");
    card.scan(0);
    drive_spoilt(&amber, "one");
    drive_spoilt(&birch, "one");
    assert!(scrub_step(&card, &amber, &mut None).lost);
    for _ in 0..2 {
        let report = card.copy_with_present(&first, &present_drives).outcome.unwrap();
        assert_eq!(report.copied, 0);
        expect_whole_or_bad(&amber);
    }
    assert!(scrub_step(&card, &birch, &mut None).lost);
    assert_eq!(count(&birch, "damaged"), 1);
}

fn expect_whole_or_bad(drive: &MemoryDrive) {
    assert_eq!(ledger_kinds(drive).iter().filter(|k| *k == "mirrored").count(), 1);
}

/// Fault of the card: the bytes change and nothing else does.
#[test]
fn a_message_that_the_card_changed_is_suspect_and_never_replaces_the_good_copy() {
    let (card, drive) = mirrored_messages(&["one", "two"]);
    let good = card.messages();
    card.rot("inbox/two");
    assert_eq!(card.scan(0).changes, 0, "nobody wrote to it");
    let taken = scrub_step(&card, &drive, &mut None);
    let [(_, Finding::MessageAltered { path })] = taken.altered.as_slice() else {
        panic!("{taken:?}")
    };
    assert_eq!(path.as_bytes(), b"inbox/two");
    let mut suspects = Vec::new();
    let list = |row: FileRow| {
        suspects.push((row.suspect, card.catalogue.headers(row.content.unwrap())?.subject));
        Ok(())
    };
    card.catalogue.suspect(list).unwrap();
    assert_eq!(suspects, [(Some(Suspicion::Altered), "two".to_owned())]);
    card.mirrored(&drive);
    let back = restored(&[&drive], false);
    expect_same(&back.files, &good, "the good version is restored");
    assert_eq!(back.report.instead_of_suspect, 1);
    let text = String::from_utf8(drive.file(&format!("{HOME}ledger.jsonl")).unwrap()).unwrap();
    assert_eq!(text.matches("\"suspect\":\"altered\"").count(), 1);
    assert_eq!(count(&drive, "missing"), 1, "the good version is wanted back");
    // Found once, whichever drive is read next.
    assert!(scrub_step(&card, &drive, &mut None).altered.is_empty());
}

#[test]
fn one_read_error_marks_a_drive_until_all_of_it_was_read_without() {
    let (card, drive) = mirrored_messages(&["one", "two"]);
    let copy = only_copy(&drive, &mail("two"));
    drive.set_unreadable_from(&copy, 5);
    assert!(scrub_step(&card, &drive, &mut None).lost);
    assert!(row(&card).worn.is_some());
    card.mirrored(&drive);
    // The bad sector is still there.
    scrub_step(&card, &drive, &mut None);
    assert!(row(&card).worn.is_some());
    drive.set_unreadable_from(&copy, usize::MAX);
    scrub_step(&card, &drive, &mut None);
    assert_eq!(row(&card).worn, None);
}

/// A pulled stick reports errors too, and is not a bad one.
#[test]
fn a_pull_is_no_read_error() {
    let (card, drive) = mirrored_messages(&["one", "two"]);
    let pulled_after = |operations| {
        drive.pull_after(operations);
        let mut admitted = card.admit(&drive, Access::Write)?;
        let mailboxes = [card.mailbox()];
        let (catalogue, clock, progress) = (&card.catalogue, &card.clock, &Unwatched);
        let scrubber = Scrubber { catalogue, mailboxes: &mailboxes, clock, progress, record: true };
        scrubber.step(&mut admitted, &mut None).map(|taken| taken.ended)
    };
    for operations in 0.. {
        assert!(operations < 100, "never through");
        let ended: Result<bool, JobError> = pulled_after(operations);
        drive.replug(true);
        card.clock.reboot();
        if ended.is_ok_and(|ended| ended) {
            break;
        }
    }
    assert_eq!(row(&card).worn, None);
    assert_eq!((count(&drive, "damaged"), count(&drive, "missing")), (0, 0));
    card.mirrored(&drive);
    expect_whole_bag(&drive, "after pulls in a re-reading");
}

fn came_back(card: &Card, drive: &MemoryDrive) {
    drive.replug(false);
    card.clock.reboot();
    card.mirrored(drive);
}

/// Fault 18: where addresses wrap, old copies have the bytes of later ones.
#[test]
fn a_drive_that_returns_the_bytes_of_other_files_is_not_trusted() {
    let (card, drive) = mirrored_messages(&["one", "two", "six"]);
    came_back(&card, &drive);
    let (one, two) = (only_copy(&drive, &mail("one")), only_copy(&drive, &mail("two")));
    let other = drive.file(&only_copy(&drive, &mail("six"))).unwrap();
    drive.tamper(&one, |bytes| bytes.clone_from(&other));
    let length = mail("two").len();
    drive.tamper(&two, |bytes| *bytes = vec![0; length]);

    assert!(scrub_step(&card, &drive, &mut None).lost);
    let station = crate::card::station();
    assert!(row(&card).distrust.is_some());
    assert_eq!(
        card.catalogue.totals(&station, 1).unwrap().mirrored,
        0,
        "nothing counts there alone"
    );
    let before = drive.files();
    card.deliver("inbox/four", &mail("four"));
    let refused = card.mirror(&drive);
    assert!(matches!(refused.outcome, Err(JobError::Untrusted { .. })));
    assert_eq!(drive.files(), before, "not written to");
    // A restore still reads the copies that are right.
    assert_eq!(restored(&[&drive], false).files.len(), 1);

    // Its operator trusts it again: everything is copied anew, and counts.
    card.catalogue.restore_trust(row(&card).row, card.clock.event_time().time).unwrap();
    assert_eq!(card.catalogue.totals(&station, 1).unwrap().mirrored, 0);
    assert_eq!(card.mirrored(&drive).copied, 4);
    assert_eq!(card.catalogue.totals(&station, 1).unwrap().mirrored, 4);
    expect_same(&whole(&[&drive], false), &card.messages(), "begun afresh");
}

/// One bad copy, or several lost in a power failure, are no reason to distrust a drive.
#[test]
fn copies_lost_in_a_power_failure_do_not_discredit_a_drive() {
    let (card, drive) = mirrored_messages(&["one", "two", "three"]);
    for name in ["one", "two", "three"] {
        let length = mail(name).len();
        drive.tamper(&only_copy(&drive, &mail(name)), |bytes| *bytes = vec![0; length]);
    }
    drive.replug(false);
    card.clock.reboot();
    assert_eq!(card.mirror(&drive).outcome.unwrap().copied, 3);
    assert_eq!(row(&card).distrust, None);
}

/// Worn out: the drive accepts writes, and comes back as it was.
#[test]
fn a_drive_that_keeps_nothing_is_not_trusted_the_third_time() {
    let (card, drive) = mirrored_messages(&["one"]);
    let old: Vec<_> =
        drive.files().into_iter().map(|path| (path.clone(), drive.file(&path).unwrap())).collect();
    for fall in 1..=3 {
        card.deliver(&format!("inbox/more-{fall}"), &mail(&format!("more {fall}")));
        card.mirrored(&drive);
        for path in drive.files() {
            drive.remove(&path);
        }
        old.iter().for_each(|(path, bytes)| drive.put(path, bytes));
        drive.replug(false);
        card.clock.reboot();
        let round = card.mirror(&drive);
        match fall {
            3 => assert!(matches!(round.outcome, Err(JobError::Untrusted { .. }))),
            _ => assert!(round.outcome.is_ok(), "{:?}", round.outcome.err()),
        }
    }
}

#[test]
fn how_long_the_room_lasts_is_told_only_where_it_can_be_known() {
    let (card, drive) = (Card::new(), MemoryDrive::default());
    drive.set_room(100 << 20);
    let begun = 1_800_000_000;
    for day in 0..10_i64 {
        card.clock.set_wall(begun + day * DAY as i64);
        card.clock.trust(day > 1);
        card.deliver(&format!("inbox/{day}"), &vec![b'x'; 1 << 20]);
        card.deliver(&format!("inbox/{day}b"), format!("{day}").as_bytes());
        card.mirrored(&drive);
        let left = card.catalogue.days_left(row(&card).row, &card.clock.event_time()).unwrap();
        match day {
            0..=3 => assert_eq!(left, None, "day {day}"),
            _ => assert!(left.is_some(), "day {day}"),
        }
    }
    card.clock.trust(false);
    assert_eq!(card.catalogue.days_left(row(&card).row, &card.clock.event_time()).unwrap(), None);
}
