//! `accept = "known"`: which sticks are written to, whatever they claim; and how new ones are announced where any stick
//! is accepted.

use crate::card::{Card, drive_ref, mail};
use crate::support::memory::MemoryDrive;
use counterfoil::job::catalogue::{Catalogue, KnownHow};
use counterfoil::job::replica::{self, NewDrivePolicy, PresentDrives};
use counterfoil::job::sync_drive::SyncOutcome;
use counterfoil::job::{DriveRef, JobError};
use counterfoil::model::{Clock as _, DriveId, DriveLoss, Finding};
use std::time::Duration;

pub(crate) fn with_mail() -> Card {
    let card = Card::new();
    card.deliver("inbox/1", &mail("1"));
    card.scan(0);
    card
}

/// A stick with a file system of its own.
pub(crate) fn stick(serial: &str) -> MemoryDrive {
    let drive = MemoryDrive::default();
    drive.set_serial(serial);
    drive
}

pub(crate) fn come(
    card: &Card,
    drive: &MemoryDrive,
    label: &str,
    begin: NewDrivePolicy,
) -> SyncOutcome {
    let drive = DriveRef { begin, ..drive_ref(drive, label) };
    card.copy_with_present(&drive, &PresentDrives::default())
}

pub(crate) fn add(card: &Card, drive: &MemoryDrive, label: &str) -> DriveId {
    let reference = drive_ref(drive, label);
    let volume = reference.volume_source.open(counterfoil::disk::Access::Write).unwrap();
    let at = label.as_bytes();
    let added = replica::add(&card.catalogue, &*volume, label, at, &card.clock).unwrap();
    card.catalogue.restore_trust(added.row, card.clock.event_time().time).unwrap();
    added.id
}

/// A stick prepared by somebody: an id, and the serial number of its file system, if it has one.
pub(crate) fn prepared(id: &str, serial: &str) -> MemoryDrive {
    let drive = if serial.is_empty() { MemoryDrive::default() } else { stick(serial) };
    let text = format!(r#"{{"format":1,"id":"{id}","made":"","volume":"{serial}"}}"#);
    drive.put("counterfoil/drive.json", text.as_bytes());
    drive
}

pub(crate) fn everything(drive: &MemoryDrive) -> Vec<(String, Option<Vec<u8>>)> {
    drive.files().into_iter().map(|name| (name.clone(), drive.file(&name))).collect()
}

pub(crate) fn expect_refused(card: &Card, drive: &MemoryDrive, label: &str) {
    let before = everything(drive);
    let round = come(card, drive, label, NewDrivePolicy::Known);
    use JobError::{NoSerial, NotAccepted, NotTheKnown};
    let refused =
        matches!(round.outcome, Err(NotAccepted { .. } | NotTheKnown { .. } | NoSerial { .. }));
    assert!(refused, "{label}: {:?}", round.outcome.map(|report| report.copied));
    assert_eq!(round.state(), "left-alone", "{label}");
    assert!(everything(drive) == before, "{label}: it was written to");
}

pub(crate) fn expect_used(card: &Card, drive: &MemoryDrive, label: &str) -> SyncOutcome {
    let round = come(card, drive, label, NewDrivePolicy::Known);
    assert!(round.outcome.is_ok(), "{label}: {:?}", round.outcome.map(|report| report.copied));
    round
}

pub(crate) fn is_new(round: &SyncOutcome) -> bool {
    round.findings.iter().any(|found| matches!(found, Finding::NewDrive { let_in: false, .. }))
}

#[test]
fn a_stick_that_says_it_is_ours_gets_nothing() {
    let card = with_mail();
    expect_refused(&card, &prepared("00000000000000aa", "s-1"), "EMBER");
    // An unreadable id is no reason to initialise the stick again.
    for text in [&b"junk"[..], b"", b"[1]", b"{}"] {
        let drive = stick("s-2");
        drive.put("counterfoil/drive.json", text);
        expect_refused(&card, &drive, "EMBER");
    }
    // Having been seen once does not make it ours.
    expect_refused(&card, &prepared("00000000000000aa", "s-1"), "EMBER");
    assert_eq!(card.catalogue.known_as("00000000000000aa".parse().unwrap()).unwrap(), None);
}

#[test]
fn the_id_of_a_known_stick_on_another_file_system_is_not_accepted() {
    let card = with_mail();
    let red = stick("s-red");
    let id = add(&card, &red, "RED");
    expect_used(&card, &red, "RED");
    for serial in ["s-other", ""] {
        let false_red = prepared(&id.to_string(), serial);
        let before = everything(&false_red);
        let round = come(&card, &false_red, "RED", NewDrivePolicy::Known);
        let refused = match serial {
            "" => matches!(round.outcome, Err(JobError::SerialUnread { .. })),
            _ => matches!(round.outcome, Err(JobError::NotTheKnown { .. })),
        };
        assert!(refused, "{serial}");
        assert!(everything(&false_red) == before);
    }
    // Everything on the true stick, with its ledger, on another stick.
    let copy = red.copied();
    copy.set_serial("s-copy");
    expect_refused(&card, &copy, "RED");
    // The same while its id is spoilt: its ledger would otherwise identify it.
    copy.put("counterfoil/drive.json", b"spoilt");
    expect_refused(&card, &copy, "RED");
    // The true stick is served as before.
    card.deliver("inbox/2", &mail("2"));
    card.scan(0);
    assert_eq!(expect_used(&card, &red, "RED").outcome.unwrap().copied, 1);
}

/// For an honest stick whose id has rotted nobody is asked.
#[test]
fn a_known_stick_with_a_spoilt_id_is_known_by_its_file_system() {
    let card = with_mail();
    let red = stick("s-red");
    let id = add(&card, &red, "RED");
    expect_used(&card, &red, "RED");
    red.replug(false);
    red.put("counterfoil/drive.json", b"spoilt");
    let round = expect_used(&card, &red, "RED");
    assert_eq!(round.drive.unwrap().0, id);
    assert!(round.findings.contains(&Finding::IdRestored { id }));
}

/// A bit-for-bit copy, present together with the original: one of them is known, and the other gets nothing, not even
/// an id.
#[test]
fn of_a_known_stick_and_its_twin_that_are_here_at_once_one_is_written_to() {
    let card = with_mail();
    let red = stick("s-red");
    add(&card, &red, "RED");
    expect_used(&card, &red, "RED");
    let twin = red.copied();
    let present_drives = PresentDrives::default();
    let known = |drive: &MemoryDrive, label| DriveRef {
        begin: NewDrivePolicy::Known,
        ..drive_ref(drive, label)
    };
    assert!(card.copy_with_present(&known(&red, "RED"), &present_drives).outcome.is_ok());
    let before = everything(&twin);
    let round = card.copy_with_present(&known(&twin, "RED-2"), &present_drives);
    assert!(matches!(round.outcome, Err(JobError::NotTheKnown { .. })));
    assert!(everything(&twin) == before);
}

#[test]
fn what_got_a_copy_while_any_was_used_is_known_and_what_got_none_is_not() {
    let card = Card::new();
    let idle = stick("s-idle");
    assert!(come(&card, &idle, "IDLE", NewDrivePolicy::OnDevice).outcome.is_ok());
    card.deliver("inbox/1", &mail("1"));
    card.scan(0);
    let red = stick("s-red");
    assert_eq!(come(&card, &red, "RED", NewDrivePolicy::OnDevice).outcome.unwrap().copied, 1);
    expect_refused(&card, &idle, "IDLE");
    let round = expect_used(&card, &red, "RED");
    let known = card.catalogue.known_as(round.drive.unwrap().0).unwrap().unwrap();
    assert_eq!((known.how, known.serial.as_deref()), (KnownHow::Copied, Some("s-red")));
    // Another stick that came with its id meanwhile did not take its place: it got copies under an id of its own.
    let id = round.drive.unwrap().0;
    let false_red = prepared(&id.to_string(), "s-other");
    let other = come(&card, &false_red, "RED", NewDrivePolicy::OnDevice);
    assert!(other.outcome.is_ok());
    assert_ne!(other.drive.unwrap().0, id);
    assert_eq!(expect_used(&card, &false_red, "RED").drive.unwrap().0, other.drive.unwrap().0);
    assert_eq!(expect_used(&card, &red, "RED").drive.unwrap().0, id);
}

/// The state is lost, or an update sets the catalogue aside: the file next to it records which drives are known.
#[test]
fn which_drives_are_known_survives_the_loss_of_the_catalogue_and_nothing_more() {
    let state = crate::card::folder();
    let mut card = with_mail();
    card.catalogue = Catalogue::open(state.path()).unwrap().0;
    card.scan(0);
    let (red, blue) = (stick("s-red"), stick("s-blue"));
    let id = add(&card, &red, "RED");
    expect_used(&card, &red, "RED");
    expect_refused(&card, &blue, "BLUE");
    let lose = |card: &mut Card| {
        card.lose_catalogue();
        for name in ["catalogue.sqlite", "catalogue.sqlite-wal", "catalogue.sqlite-shm"] {
            drop(std::fs::remove_file(state.path().join(name)));
        }
        card.catalogue = Catalogue::open(state.path()).unwrap().0;
        card.scan(0);
    };
    lose(&mut card);
    expect_used(&card, &red, "RED");
    expect_refused(&card, &blue, "BLUE");
    expect_refused(&card, &prepared(&id.to_string(), "s-other"), "RED");
    // Without that file too, none is known until it is added again.
    std::fs::remove_file(state.path().join("known-drives")).unwrap();
    lose(&mut card);
    expect_refused(&card, &red, "RED");
    assert_eq!(add(&card, &red, "RED"), id);
    expect_used(&card, &red, "RED");
    // Lines in another format name no drive.
    std::fs::write(state.path().join("known-drives"), b"junk\n{}\n{\"id\":\"x\"}\n").unwrap();
    lose(&mut card);
    expect_refused(&card, &red, "RED");
}

#[test]
fn the_next_new_stick_is_let_in_and_no_other() {
    let card = with_mail();
    let (red, blue) = (stick("s-red"), stick("s-blue"));
    let leave = Duration::from_secs(600);
    card.catalogue.let_next_in(leave, Vec::new(), &card.clock).unwrap();
    assert_eq!(card.catalogue.next_let_in(&card.clock).unwrap(), Some(leave));
    let round = expect_used(&card, &red, "RED");
    assert!(
        round.findings.iter().any(|found| matches!(found, Finding::NewDrive { let_in: true, .. }))
    );
    assert_eq!(card.catalogue.next_let_in(&card.clock).unwrap(), None);
    expect_refused(&card, &blue, "BLUE");
    expect_used(&card, &red, "RED");
    let known = card.catalogue.known_as(round.drive.unwrap().0).unwrap().unwrap();
    assert_eq!(known.how, KnownHow::LetIn);
}

#[test]
fn leave_for_the_next_stick_ends_with_its_time_and_with_the_boot() {
    let card = with_mail();
    let leave = Duration::from_secs(600);
    card.catalogue.let_next_in(leave, Vec::new(), &card.clock).unwrap();
    card.clock.advance(599_999);
    // A wall clock that jumps has no effect.
    card.clock.set_wall(0);
    assert!(card.catalogue.next_let_in(&card.clock).unwrap().is_some());
    card.clock.advance(1);
    assert_eq!(card.catalogue.next_let_in(&card.clock).unwrap(), None);
    expect_refused(&card, &stick("s-red"), "RED");
    card.catalogue.let_next_in(leave, Vec::new(), &card.clock).unwrap();
    card.clock.reboot();
    assert_eq!(card.catalogue.next_let_in(&card.clock).unwrap(), None);
    expect_refused(&card, &stick("s-red"), "RED");
}

/// A stick that was plugged in before permission was given is not the next one; and a stick that claims to be a known
/// one is not new.
#[test]
fn leave_is_not_for_what_is_here_already_nor_for_what_claims_a_known_id() {
    let card = with_mail();
    let red = stick("s-red");
    let id = add(&card, &red, "RED");
    expect_used(&card, &red, "RED");
    let (here, comes) = (stick("s-here"), stick("s-comes"));
    let reference = drive_ref(&here, "HERE");
    let volume = reference.volume_source.open(counterfoil::disk::Access::Read).unwrap();
    let before = vec![volume.facts().mount.clone()];
    drop(volume);
    card.catalogue.let_next_in(Duration::from_secs(60), before, &card.clock).unwrap();
    expect_refused(&card, &here, "HERE");
    expect_refused(&card, &prepared(&id.to_string(), "s-other"), "RED");
    // A stick that its owner excludes does not use it up, nor does one written by a later version.
    let newer = stick("s-newer");
    newer.put("counterfoil/drive.json", br#"{"format":9,"id":"00000000000000bb"}"#);
    expect_refused(&card, &newer, "NEWER");
    let marked = stick("s-marked");
    marked.put("counterfoil.skip", b"");
    let round = come(&card, &marked, "MARKED", NewDrivePolicy::Known);
    assert!(matches!(round.outcome, Err(JobError::SkipFile { .. })));
    expect_used(&card, &red, "RED");
    expect_used(&card, &comes, "COMES");
    expect_refused(&card, &stick("s-late"), "LATE");
}

/// If any stick is accepted, one seen for the first time is announced once, and listed for a day of running time.
#[test]
fn a_new_stick_is_announced_once_and_for_a_day() {
    let card = with_mail();
    let ember = stick("s-ember");
    let round = come(&card, &ember, "EMBER", NewDrivePolicy::OnDevice);
    assert!(is_new(&round), "{:?}", round.findings);
    let id = round.drive.unwrap().0;
    let shown = || card.catalogue.is_announced(id, &card.clock).unwrap();
    for _ in 0..2 {
        assert!(!is_new(&come(&card, &ember, "EMBER", NewDrivePolicy::OnDevice)));
        assert!(shown());
    }
    // Pulled at once, and the power fails: it is still announced.
    card.clock.advance(86_000_000);
    card.clock.reboot();
    card.catalogue.end_announcements(&card.clock).unwrap();
    assert!(shown());
    card.clock.advance(86_400_000);
    assert!(!shown());
    card.catalogue.end_announcements(&card.clock).unwrap();
    card.clock.reboot();
    assert!(!shown() && !is_new(&come(&card, &ember, "EMBER", NewDrivePolicy::OnDevice)));
}

#[test]
fn a_stick_with_the_id_of_a_known_one_is_announced_as_the_new_one_it_is() {
    let card = with_mail();
    let red = stick("s-red");
    let id = add(&card, &red, "RED");
    assert!(!is_new(&come(&card, &red, "RED", NewDrivePolicy::OnDevice)), "it was added");
    let false_red = prepared(&id.to_string(), "s-other");
    assert!(is_new(&come(&card, &false_red, "RED", NewDrivePolicy::OnDevice)));
    assert!(!is_new(&come(&card, &false_red, "RED", NewDrivePolicy::OnDevice)));
    assert!(!is_new(&come(&card, &red, "RED", NewDrivePolicy::OnDevice)));
    // The operator settles which stick it is by adding the true one; no other one is refused because of that.
    assert_eq!(add(&card, &red, "RED"), id);
    assert!(!card.catalogue.is_announced(id, &card.clock).unwrap());
}

/// Named folders are the operator's own decision.
#[test]
fn a_folder_that_is_named_is_not_announced() {
    let card = with_mail();
    assert!(!is_new(&come(&card, &stick("s-red"), "RED", NewDrivePolicy::InFolder)));
}

#[test]
fn a_stick_that_is_refused_gets_nothing_until_it_is_added() {
    for begin in [NewDrivePolicy::OnDevice, NewDrivePolicy::Known] {
        let card = with_mail();
        let ember = stick("s-ember");
        let (id, row) = come(&card, &ember, "EMBER", NewDrivePolicy::OnDevice).drive.unwrap();
        let now = card.clock.event_time().time;
        card.catalogue.forget_drive(row, DriveLoss::Refused, None, now).unwrap();
        assert!(!card.catalogue.counts(row).unwrap());
        card.deliver("inbox/2", &mail("2"));
        card.scan(0);
        let before = everything(&ember);
        for spoilt in [false, true] {
            if spoilt {
                // Its id is spoilt: it is recognised by its file system, and still refused.
                ember.put("counterfoil/drive.json", b"spoilt");
            }
            let before = if spoilt { everything(&ember) } else { before.clone() };
            let round = come(&card, &ember, "EMBER", begin);
            assert!(round.outcome.is_err(), "{begin:?}");
            assert!(everything(&ember) == before, "{begin:?}: it was written to");
        }
        assert_eq!(add(&card, &ember, "EMBER"), id);
        assert_eq!(come(&card, &ember, "EMBER", begin).outcome.unwrap().copied, 1);
    }
}
