//! Copies that rot or disappear: found by reading everything again, recorded on the drive, made again. Never repairs by
//! hand what the next pass should repair.

use crate::card::{Card, mail, mirrored_messages};
use crate::medium::{
    HOME, copies_of, count, expect_same, ledger_kinds, only_copy, restored, snapshot, whole,
};
use crate::support::memory::MemoryDrive;
use counterfoil::disk::Access;
use counterfoil::job::Unwatched;
use counterfoil::job::replica::verify::{VerifyReport, verify};

fn verified(card: &Card, drive: &MemoryDrive) -> VerifyReport {
    let mut admitted = card.admit(drive, Access::Write).unwrap();
    verify(&card.catalogue, &mut admitted, &card.clock, &Unwatched, true).unwrap()
}

/// Faults 22, 27, 49.
#[test]
fn a_damaged_copy_is_found_recorded_and_made_anew() {
    let (card, drive) = mirrored_messages(&["one", "two", "three"]);
    let bad = only_copy(&drive, &mail("two"));
    drive.tamper(&bad, |bytes| bytes[20] ^= 1);

    let report = verified(&card, &drive);
    assert_eq!((report.checked, report.good, report.superseded), (3, 2, 0));
    let [found] = report.damaged.as_slice() else { panic!("{:?}", report.damaged) };
    assert_eq!(format!("{HOME}{}", found.payload), bad);
    assert_eq!(found.path.as_ref().unwrap().as_bytes(), b"inbox/two");
    assert_eq!(report.missing, []);
    assert_eq!(ledger_kinds(&drive)[5..], ["damaged", "verified"]);
    let lost = restored(&[&drive], false).report;
    assert_eq!((lost.restored, lost.damaged.len(), lost.is_whole()), (2, 1, false));

    let report = card.mirrored(&drive);
    assert_eq!((report.copied, report.noted), (1, 0));
    let good = only_copy(&drive, &mail("two"));
    assert_ne!(good, bad, "a number is never used again");
    assert!(drive.files().contains(&bad), "nothing on a drive is deleted");
    let report = verified(&card, &drive);
    assert_eq!((report.checked, report.good, report.superseded), (4, 3, 1));
    assert_eq!((report.damaged, report.missing), (vec![], vec![]));
    assert_eq!(count(&drive, "damaged"), 1, "what is known is not recorded again");
    expect_same(&whole(&[&drive], false), &card.messages(), "made anew");
}

/// Fault 32.
#[test]
fn a_missing_copy_is_found_recorded_and_made_anew() {
    let (card, drive) = mirrored_messages(&["one", "two", "three"]);
    let gone = only_copy(&drive, &mail("two"));
    drive.remove(&gone);

    let report = verified(&card, &drive);
    assert_eq!((report.checked, report.good, report.damaged), (3, 2, vec![]));
    assert_eq!(report.missing.len(), 1);
    assert_eq!(format!("{HOME}{}", report.missing[0].payload), gone);
    assert_eq!(ledger_kinds(&drive)[5..], ["absent", "verified"]);
    let lost = restored(&[&drive], false).report;
    assert_eq!((lost.restored, lost.missing.len()), (2, 1));

    assert_eq!(card.mirrored(&drive).copied, 1);
    assert_ne!(only_copy(&drive, &mail("two")), gone);
    assert!(!drive.files().contains(&gone), "nor is its old name given to it again");
    let report = verified(&card, &drive);
    assert_eq!((report.checked, report.good, report.superseded), (4, 3, 1));
    assert_eq!(report.missing, []);
    expect_same(&whole(&[&drive], false), &card.messages(), "made anew");
}

#[test]
fn a_copy_that_reads_right_again_is_sound_again() {
    let (card, drive) = mirrored_messages(&["one", "two", "three"]);
    let copy = only_copy(&drive, &mail("two"));
    drive.tamper(&copy, |bytes| bytes[20] ^= 1);
    assert_eq!(verified(&card, &drive).damaged.len(), 1);
    drive.tamper(&copy, |bytes| bytes[20] ^= 1);

    let report = verified(&card, &drive);
    assert_eq!((report.good, report.superseded, report.damaged), (3, 0, vec![]));
    assert_eq!(ledger_kinds(&drive)[5..], ["damaged", "verified", "sound", "verified"]);
    let before = snapshot(&drive);
    assert_eq!(card.mirrored(&drive).copied, 0, "it needs no second copy");
    expect_same(&snapshot(&drive), &before, "after it was sound again");
    expect_same(&whole(&[&drive], false), &card.messages(), "after it was sound again");
}

/// The source is gone: nothing can make the copy again, and that is reported every time.
#[test]
fn a_damaged_copy_of_a_message_no_longer_in_the_mailbox_stays_damaged() {
    let (card, drive) = mirrored_messages(&["one", "two", "three"]);
    card.delete("inbox/two");
    card.mirrored(&drive);
    drive.tamper(&only_copy(&drive, &mail("two")), |bytes| bytes.truncate(30));
    for _ in 0..2 {
        let report = verified(&card, &drive);
        assert_eq!((report.good, report.damaged.len(), report.superseded), (2, 1, 0));
        assert_eq!(card.mirrored(&drive).copied, 0);
    }
    assert_eq!((count(&drive, "damaged"), count(&drive, "verified")), (1, 2));
}

/// Fault 9: the last commits of a session are read again when the drive comes back.
#[test]
fn a_drive_that_lost_its_last_writes_is_found_out_when_it_comes_back() {
    let (card, drive) = mirrored_messages(&["one", "two", "three"]);
    drive.tamper(&only_copy(&drive, &mail("three")), Vec::clear);
    drive.replug(false);
    card.clock.reboot();
    let round = card.mirror(&drive);
    assert_eq!(round.findings.len(), 1, "{:?}", round.findings);
    assert_eq!(round.outcome.unwrap().copied, 1);
    assert_eq!(copies_of(&drive, &mail("three")).len(), 1);
    expect_same(&whole(&[&drive], false), &card.messages(), "copied anew at once");
}
