//! A drive found where another one was: which evidence makes the other one's copies stop counting, and which does not.

use crate::card::{Card, drive_ref, mail, station};
use crate::support::memory::MemoryDrive;
use counterfoil::job::catalogue::{DriveRow, ReplacedHow};
use counterfoil::job::replica::{NewDrivePolicy, PresentDrives};
use counterfoil::job::sync_drive::SyncOutcome;
use counterfoil::job::{DriveRef, JobError};
use counterfoil::model::{Clock as _, DriveId, Finding};

const SERIAL: &str = "1A2B-3C4D";

/// A stick mounted at a place, as automount or a desktop does it.
fn mounted(drive: &MemoryDrive, label: &str) -> DriveRef {
    DriveRef { begin: NewDrivePolicy::OnDevice, ..drive_ref(drive, label) }
}

fn stick(serial: &str) -> MemoryDrive {
    let drive = MemoryDrive::default();
    drive.set_serial(serial);
    drive
}

/// A card with three messages.
fn card() -> Card {
    let card = Card::new();
    for n in 0..3 {
        card.deliver(&format!("inbox/{n}"), &mail(&format!("message {n}")));
    }
    card.scan(0);
    card
}

/// Brings a stick up to date, alone in its socket; messages without a copy are copied to it.
fn copied(card: &Card, drive: &MemoryDrive, label: &str) -> (DriveId, SyncOutcome) {
    copied_with_present(card, drive, label, &PresentDrives::default())
}

fn copied_with_present(
    card: &Card,
    drive: &MemoryDrive,
    label: &str,
    present_drives: &PresentDrives,
) -> (DriveId, SyncOutcome) {
    drive.replug(false);
    let round = card.copy_with_present(&mounted(drive, label), present_drives);
    assert!(round.outcome.is_ok(), "{:?}", round.outcome.as_ref().err());
    (round.drive.unwrap().0, round)
}

fn row(card: &Card, id: DriveId) -> DriveRow {
    card.catalogue.drive(id).unwrap().unwrap()
}

/// The number of messages with this many copies.
fn with_copies(card: &Card, copies: u32) -> u64 {
    card.catalogue.totals(&station(), copies).unwrap().mirrored
}

fn replaces(round: &SyncOutcome) -> Vec<DriveId> {
    let of = |finding: &Finding| match finding {
        Finding::Replaces { other } => Some(other.id),
        _ => None,
    };
    round.findings.iter().filter_map(of).collect()
}

/// Its files were deleted, so it is initialised again, at once since mail waits; what was known on it is gone.
#[test]
fn a_stick_that_was_wiped_is_begun_anew_and_what_was_on_it_counts_no_more() {
    let card = card();
    let red = stick(SERIAL);
    let (was, _) = copied(&card, &red, "RED");
    red.wipe();
    let (own, round) = copied(&card, &red, "RED");
    assert_ne!(own, was);
    assert_eq!(round.outcome.as_ref().unwrap().copied, 3);
    assert_eq!(replaces(&round), [was]);
    let row = row(&card, was);
    let replaced = row.facts.replaced.as_ref().unwrap();
    assert_eq!((replaced.by, replaced.how), (Some(own), ReplacedHow::Serial));
    assert!(!row.counts);
    assert_eq!((with_copies(&card, 1), with_copies(&card, 2)), (3, 0));
    // Reported once, not at every pass.
    assert_eq!(replaces(&copied(&card, &red, "RED").1), []);
    assert_eq!((with_copies(&card, 1), with_copies(&card, 2)), (3, 0));
}

/// The remains after a repair tool or a careless hand are enough to identify it; its copies are made again.
#[test]
fn a_stick_of_which_only_empty_folders_are_left_is_still_itself() {
    let card = card();
    let red = stick(SERIAL);
    let (was, _) = copied(&card, &red, "RED");
    red.files().iter().for_each(|path| red.remove(path));
    let (same, round) = copied(&card, &red, "RED");
    assert_eq!((same, round.outcome.unwrap().copied), (was, 3));
    assert_eq!((with_copies(&card, 1), with_copies(&card, 2)), (3, 0));
}

/// If new sticks are not accepted, the old contents are gone all the same.
#[test]
fn a_wiped_stick_that_may_not_be_begun_counts_no_more_either() {
    let card = card();
    let red = stick(SERIAL);
    let (was, _) = copied(&card, &red, "RED");
    assert_eq!(with_copies(&card, 1), 3);
    red.wipe();
    red.replug(false);
    let drive = DriveRef { begin: NewDrivePolicy::Never, ..drive_ref(&red, "RED") };
    let round = card.copy_with_present(&drive, &PresentDrives::default());
    assert!(matches!(round.outcome, Err(JobError::NotAccepted { .. })));
    assert_eq!((with_copies(&card, 1), row(&card, was).facts.replaced.unwrap().by), (0, None));
}

/// Fault: two sticks in turn at one mount point. Each is recognised, and both count.
#[test]
fn two_sticks_in_turn_at_one_mount_point_replace_nobody() {
    let card = card();
    let (red, blue) = (stick(SERIAL), stick("9F9F-0000"));
    let (first, _) = copied(&card, &red, "STICK");
    let (second, round) = copied(&card, &blue, "STICK");
    assert_eq!((replaces(&round), with_copies(&card, 2)), (vec![], 3));
    for turn in 0..3 {
        for (drive, id) in [(&red, first), (&blue, second)] {
            card.deliver(&format!("inbox/{turn}-{id}"), &mail(&format!("{turn} {id}")));
            card.scan(0);
            let (same, round) = copied(&card, drive, "STICK");
            assert_eq!((same, replaces(&round)), (id, vec![]));
        }
    }
    let counts = |id| row(&card, id).counts;
    assert!(counts(first) && counts(second));
    assert!(row(&card, first).replaced.is_none() && row(&card, second).replaced.is_none());
}

/// The same with sticks in turn that have no known serial number.
#[test]
fn sticks_without_a_serial_number_replace_nobody() {
    let card = card();
    let (red, blue) = (MemoryDrive::default(), MemoryDrive::default());
    let (first, _) = copied(&card, &red, "STICK");
    let (second, _) = copied(&card, &blue, "STICK");
    for drive in [&red, &blue, &red] {
        assert_eq!(replaces(&copied(&card, drive, "STICK").1), []);
    }
    assert!(row(&card, first).counts && row(&card, second).counts);
    assert_eq!(with_copies(&card, 2), 3);
}

/// A new stick where another one was last is either that one reformatted, or a second one: only its operator knows, and
/// is asked until it is settled: the old one is seen again, or the operator uses `away` or `forget`.
#[test]
fn a_new_stick_at_the_place_of_another_asks_and_lets_both_count() {
    let ask = |settle: &dyn Fn(&Card, DriveId, &MemoryDrive)| {
        let card = card();
        let (red, blue) = (stick(SERIAL), stick("9F9F-0000"));
        let (first, _) = copied(&card, &red, "STICK");
        let (second, round) = copied(&card, &blue, "STICK");
        let asked =
            |f: &Finding| matches!(f, Finding::PerhapsReformatted { other } if other.id == first);
        assert!(round.findings.iter().any(asked), "{:?}", round.findings);
        let known = row(&card, first);
        assert_eq!(known.replaced.clone().unwrap().by, Some(second));
        assert!(known.counts && !known.facts.replaced.unwrap().how.is_sure());
        assert_eq!(with_copies(&card, 2), 3);
        settle(&card, first, &red);
        assert!(
            row(&card, first).facts.replaced.is_none_or(|_| row(&card, first).forgotten.is_some())
        );
        with_copies(&card, 2)
    };
    let seen = |card: &Card, _: DriveId, red: &MemoryDrive| {
        let (_, round) = copied(card, red, "STICK");
        assert!(!round.findings.contains(&Finding::SeenAgain), "it was never doubted aloud");
    };
    let now = |card: &Card| card.clock.event_time().time;
    let away = |card: &Card, id, _: &MemoryDrive| {
        card.catalogue.declare_away(row(card, id).row, Some(now(card))).unwrap();
    };
    let forget = |card: &Card, id, _: &MemoryDrive| {
        let why = counterfoil::model::DriveLoss::Broken;
        card.catalogue.forget_drive(row(card, id).row, why, None, now(card)).unwrap();
    };
    assert_eq!(ask(&seen), 3);
    assert_eq!(ask(&away), 3);
    assert_eq!(ask(&forget), 0);
}

/// Nobody is asked about a stick that was used before, one whose location the operator has given, or one that is
/// present.
#[test]
fn nobody_is_asked_where_the_answer_is_known() {
    let asks = |round: &SyncOutcome| {
        round.findings.iter().any(|f| matches!(f, Finding::PerhapsReformatted { .. }))
    };
    let card = card();
    let (red, blue) = (stick(SERIAL), stick("9F9F-0000"));
    // A stick of another station.
    let other = Card::new();
    other.deliver("inbox/x", &mail("x"));
    other.scan(0);
    copied(&other, &blue, "STICK");
    copied(&card, &red, "STICK");
    assert!(!asks(&copied(&card, &blue, "STICK").1));
    // One that is kept elsewhere.
    let (third, _) = copied(&card, &stick("0000-0003"), "PLACE");
    let now = card.clock.event_time().time;
    card.catalogue.declare_away(row(&card, third).row, Some(now)).unwrap();
    assert!(!asks(&copied(&card, &stick("0000-0004"), "PLACE").1));
    // One that is present under another path.
    let present_drives = PresentDrives::default();
    let fifth = stick("0000-0005");
    copied(&card, &fifth, "SOCKET");
    fifth.replug(false);
    card.copy_with_present(&mounted(&fifth, "SOCKET-2"), &present_drives).outcome.unwrap();
    assert!(!asks(&copied_with_present(&card, &stick("0000-0006"), "SOCKET", &present_drives).1));
}

/// Fault 16: a copied stick has the serial number of its original, if it was copied byte by byte.
#[test]
fn a_copy_and_its_original_never_replace_each_other() {
    let card = card();
    let red = stick(SERIAL);
    let (first, _) = copied(&card, &red, "RED");
    let copy = red.copied();
    let present_drives = PresentDrives::default();
    copied_with_present(&card, &red, "RED", &present_drives);
    let (second, round) = copied_with_present(&card, &copy, "BLUE", &present_drives);
    assert!(round.findings.iter().any(|f| matches!(f, Finding::CopiedDrive { .. })));
    assert_eq!((replaces(&round), with_copies(&card, 2)), (vec![], 3));
    for drive in [&red, &copy, &copy, &red] {
        assert_eq!(replaces(&copied(&card, drive, "STICK").1), []);
        assert_eq!(with_copies(&card, 2), 3);
    }
    // One of the two is wiped: it may be either, until they are seen.
    copy.wipe();
    let (_, round) = copied(&card, &copy, "STICK");
    let mut gone = replaces(&round);
    gone.sort_by_key(ToString::to_string);
    let mut both = [first, second];
    both.sort_by_key(ToString::to_string);
    assert_eq!((gone.as_slice(), with_copies(&card, 1), with_copies(&card, 2)), (&both[..], 3, 0));
    assert!(copied(&card, &red, "STICK").1.findings.contains(&Finding::SeenAgain));
    assert_eq!((row(&card, first).counts, row(&card, second).counts), (true, false));
}

/// The same where this card never saw both at once: another card distinguished them.
#[test]
fn a_copy_that_another_card_told_from_its_original_replaces_nobody() {
    let card = card();
    let red = stick(SERIAL);
    let (first, _) = copied(&card, &red, "RED");
    let copy = red.copied();
    let (other, present_drives) = (Card::new(), PresentDrives::default());
    other.scan(0);
    copied_with_present(&other, &red, "RED", &present_drives);
    let (second, _) = copied_with_present(&other, &copy, "BLUE", &present_drives);
    assert_ne!(first, second);
    for drive in [&copy, &red, &copy] {
        let (_, round) = copied(&card, drive, "STICK");
        assert_eq!(replaces(&round), []);
        let ledger = |f: &Finding| matches!(f, Finding::HasLedgerOf { .. });
        assert!(!round.findings.iter().any(ledger), "{:?}", round.findings);
    }
    assert!(row(&card, first).counts && row(&card, second).counts);
}

/// Sticks that a factory filled byte by byte may share a serial number: seeing both at once proves that they are two.
/// Until then one of them counts, the one seen last.
#[test]
fn sticks_that_share_a_serial_number_are_two_once_both_were_here_at_once() {
    let card = card();
    let (red, blue) = (stick(SERIAL), stick(SERIAL));
    let (first, _) = copied(&card, &red, "STICK");
    let (second, round) = copied(&card, &blue, "STICK");
    assert_eq!((replaces(&round), with_copies(&card, 2)), (vec![first], 0));
    let (_, round) = copied(&card, &red, "STICK");
    assert!(round.findings.contains(&Finding::SeenAgain));
    assert_eq!(
        (replaces(&round), with_copies(&card, 1), with_copies(&card, 2)),
        (vec![second], 3, 0)
    );
    let present_drives = PresentDrives::default();
    copied_with_present(&card, &red, "STICK", &present_drives);
    copied_with_present(&card, &blue, "STICK-2", &present_drives);
    assert_eq!(with_copies(&card, 2), 3);
    for drive in [&red, &blue, &red, &blue] {
        assert_eq!(replaces(&copied(&card, drive, "STICK").1), []);
        assert_eq!(with_copies(&card, 2), 3);
    }
}

/// A byte of the serial number next to the id rots: the stick is not a copy of itself.
#[test]
fn a_stick_whose_own_serial_number_has_rotted_in_its_file_is_no_copy() {
    let card = card();
    let red = stick(SERIAL);
    let (was, _) = copied(&card, &red, "RED");
    red.tamper("counterfoil/drive.json", |file| {
        let text = String::from_utf8(file.clone()).unwrap();
        assert!(text.contains(SERIAL));
        *file = text.replace(SERIAL, "1A2B-3C4E").into_bytes();
    });
    let (same, round) = copied(&card, &red, "RED");
    assert_eq!((same, round.findings), (was, vec![]));
    assert_eq!((with_copies(&card, 1), with_copies(&card, 2)), (3, 0));
    assert_eq!(red.file("counterfoil/drive-2.json"), None);
}

/// A spoilt id on a device is written again, even where the ledger is gone and only the serial number is left.
#[test]
fn a_spoilt_id_is_written_again_by_the_serial_number() {
    for spoilt in [&b"junk"[..], b""] {
        let card = card();
        let red = stick(SERIAL);
        let (was, _) = copied(&card, &red, "RED");
        for path in ["counterfoil/drive.json", "counterfoil/pier-4/ledger.jsonl"] {
            red.tamper(path, |file| *file = spoilt.to_vec());
        }
        let (same, round) = copied(&card, &red, "ELSEWHERE");
        assert_eq!(same, was);
        assert!(round.findings.contains(&Finding::IdRestored { id: was }));
        assert_eq!((with_copies(&card, 1), with_copies(&card, 2)), (3, 0));
        // The serial number is in it again, for a card that finds a copy of it.
        let text = String::from_utf8(red.file("counterfoil/drive.json").unwrap()).unwrap();
        assert!(text.contains(SERIAL), "{text}");
    }
}

/// A copy that was given its own id, which is then spoilt, is not mistaken for its original, although its ledger is the
/// original's.
#[test]
fn a_copy_with_a_spoilt_id_is_not_its_original() {
    let card = card();
    let red = stick(SERIAL);
    let (first, _) = copied(&card, &red, "RED");
    let copy = red.copied();
    copy.set_serial("9F9F-0000");
    let (second, _) = copied(&card, &copy, "BLUE");
    assert_ne!(first, second);
    copy.tamper("counterfoil/drive-2.json", |file| *file = b"junk".to_vec());
    let (third, _) = copied(&card, &copy, "BLUE");
    assert_eq!(third, second);
    assert!(row(&card, first).counts);
    assert_eq!(with_copies(&card, 2), 3);
    // Before it was ever known under an id of its own, too.
    let other = red.copied();
    other.set_serial("8E8E-0000");
    other.put("counterfoil/drive-2.json", b"{\"form");
    let (fourth, _) = copied(&card, &other, "GREEN");
    assert!(fourth != first && fourth != second);
    assert!(row(&card, first).counts && row(&card, second).counts);
}

/// Both are present, one of them with a spoilt id: it is not mistaken for the other.
#[test]
fn a_spoilt_id_is_not_that_of_a_drive_that_is_here() {
    let card = card();
    let red = stick(SERIAL);
    let (first, _) = copied(&card, &red, "RED");
    let copy = red.copied();
    copy.tamper("counterfoil/drive.json", |file| *file = b"junk".to_vec());
    let present_drives = PresentDrives::default();
    copied_with_present(&card, &red, "RED", &present_drives);
    let (second, round) = copied_with_present(&card, &copy, "BLUE", &present_drives);
    assert_ne!(first, second, "{:?}", round.findings);
    assert!(row(&card, first).counts && row(&card, second).counts);
    assert_eq!(with_copies(&card, 2), 3);
}
