//! Drives that were copied from others: each is served under an id of its own, and no ledger is confused with
//! another's.

use crate::card::{Card, drive_ref, mail};
use crate::medium::{expect_whole_bag, whole};
use crate::support::memory::MemoryDrive;
use counterfoil::job::JobError;
use counterfoil::job::replica::PresentDrives;
use counterfoil::model::{DriveId, Finding};

/// An original and its copy, five messages on each.
fn twins(serial: Option<&str>) -> (Card, MemoryDrive, MemoryDrive) {
    let card = Card::new();
    let original = MemoryDrive::default();
    if let Some(serial) = serial {
        original.set_serial(serial);
    }
    for n in 0..5 {
        card.deliver(&format!("inbox/{n}"), &mail(&format!("message {n}")));
    }
    card.mirrored(&original);
    let copy = original.copied();
    (card, original, copy)
}

fn set_apart(findings: &[Finding]) -> Option<(DriveId, DriveId)> {
    findings.iter().find_map(|finding| match finding {
        Finding::CopiedDrive { of, own } => Some((*of, *own)),
        _ => None,
    })
}

/// Fault 16: detected because both are present at once; the serial number was copied too.
#[test]
fn of_two_with_one_id_the_second_found_gets_its_own_and_both_are_served() {
    for serial in [None, Some("1A2B-3C4D")] {
        let (card, original, copy) = twins(serial);
        let (first, second) = (drive_ref(&original, "amber"), drive_ref(&copy, "birch"));
        let present_drives = PresentDrives::default();
        card.deliver("inbox/new", &mail("new"));
        card.scan(0);
        let one = card.copy_with_present(&first, &present_drives);
        let two = card.copy_with_present(&second, &present_drives);
        assert_eq!(set_apart(&one.findings), None);
        let (of, own) = set_apart(&two.findings).unwrap();
        assert_eq!(one.drive.unwrap().0, of);
        assert_eq!(two.drive.unwrap().0, own);
        assert_ne!(of, own);
        assert_eq!((one.outcome.unwrap().copied, two.outcome.unwrap().copied), (1, 1));
        for drive in [&original, &copy] {
            expect_whole_bag(drive, "after both were served");
            assert_eq!(whole(&[drive], false).len(), 6);
        }
        // From now on each keeps its own identity, whether the other is present or not.
        let alone = card.copy_with_present(&second, &PresentDrives::default());
        assert_eq!((alone.drive.unwrap().0, set_apart(&alone.findings)), (own, None));
    }
}

/// Detected by the serial number of its file system, although the original is not present.
#[test]
fn a_copy_on_another_file_system_is_recognised_without_its_original() {
    let (card, original, copy) = twins(Some("1A2B-3C4D"));
    copy.set_serial("9F9F-0000");
    let alone = card.copy_with_present(&drive_ref(&copy, "birch"), &PresentDrives::default());
    assert!(set_apart(&alone.findings).is_some());
    let original =
        card.copy_with_present(&drive_ref(&original, "amber"), &PresentDrives::default());
    assert_eq!(set_apart(&original.findings), None);
    assert_ne!(original.drive.unwrap().0, alone.drive.unwrap().0);
}

/// A power failure while the copy gets its id leaves the file torn: it still gets an id, and keeps it.
#[test]
fn a_copy_whose_new_id_was_torn_by_a_cut_gets_another() {
    let (card, _, copy) = twins(Some("1A2B-3C4D"));
    copy.set_serial("9F9F-0000");
    let birch = drive_ref(&copy, "birch");
    card.copy_with_present(&birch, &PresentDrives::default());
    copy.tamper("counterfoil/drive-2.json", |file| file.truncate(7));
    let first = card.copy_with_present(&birch, &PresentDrives::default());
    let second = card.copy_with_present(&birch, &PresentDrives::default());
    assert_eq!(first.drive.unwrap().0, second.drive.unwrap().0);
    expect_whole_bag(&copy, "after the torn id");
}

#[test]
fn one_drive_by_two_paths_is_not_a_copy_and_not_written_twice() {
    let (card, drive, _) = twins(None);
    let present_drives = PresentDrives::default();
    card.copy_with_present(&drive_ref(&drive, "amber"), &present_drives);
    let before = drive.files();
    let again = card.copy_with_present(&drive_ref(&drive, "amber-again"), &present_drives);
    assert!(matches!(again.outcome, Err(JobError::SecondTime { .. })));
    assert_eq!(drive.files(), before);
}

/// Fault 12: a drive pulled and plugged in again is not a copy of itself.
#[test]
fn a_drive_that_comes_back_as_another_device_is_itself() {
    let (card, drive, _) = twins(None);
    let present_drives = PresentDrives::default();
    let before = card.copy_with_present(&drive_ref(&drive, "amber"), &present_drives);
    drive.replug(false);
    let after = card.copy_with_present(&drive_ref(&drive, "amber-2"), &present_drives);
    assert_eq!(before.drive, after.drive);
    assert_eq!(set_apart(&after.findings), None);
}

/// Its owner marked it to be left alone, or it was never one of ours.
#[test]
fn a_marked_drive_and_a_strange_one_are_not_written_to() {
    use counterfoil::job::replica::NewDrivePolicy;
    let card = Card::new();
    card.deliver("inbox/1", &mail("1"));
    card.scan(0);
    let marked = MemoryDrive::default();
    marked.put("counterfoil.skip", b"");
    let round = card.copy_with_present(&drive_ref(&marked, "marked"), &PresentDrives::default());
    assert!(matches!(round.outcome, Err(JobError::SkipFile { .. })));
    assert_eq!((round.state(), marked.files().len()), ("left-alone", 1));

    let strange = MemoryDrive::default();
    let mut drive = drive_ref(&strange, "strange");
    drive.begin = NewDrivePolicy::Known;
    let round = card.copy_with_present(&drive, &PresentDrives::default());
    assert!(matches!(round.outcome, Err(JobError::NotAccepted { .. })));
    assert_eq!(strange.files().len(), 0);
    // Another drive may have been mounted earlier where a device is mounted now.
    card.mirror_as(&MemoryDrive::default(), "strange");
    drive.begin = NewDrivePolicy::OnDevice;
    assert_eq!(
        card.copy_with_present(&drive, &PresentDrives::default()).outcome.unwrap().copied,
        1
    );
}

/// Found by the fuzzer: an array is not an id file, even with the right values in the right order.
#[test]
fn an_id_file_of_another_form_is_no_id() {
    for text in [&br#"[1,"00000000000000aa"]"#[..], b"[1]", b"\"00000000000000aa\"", b"null", b"{}"]
    {
        let drive = MemoryDrive::default();
        drive.put("counterfoil/drive.json", text);
        let card = Card::new();
        let round = card.copy_with_present(&drive_ref(&drive, "amber"), &PresentDrives::default());
        let (id, _) = round.drive.unwrap();
        assert_ne!(id.to_string(), "00000000000000aa");
        let now = drive.file("counterfoil/drive.json").unwrap();
        let said: serde_json::Value = serde_json::from_slice(&now).unwrap();
        assert_eq!(said["id"], id.to_string(), "it is made anew");
    }
}
