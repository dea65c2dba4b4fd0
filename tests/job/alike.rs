//! Sticks that pass for others: with the id of a known one, with another id than the one under which they were refused,
//! or on a file system that reports no serial number.

use crate::card::{Card, drive_ref, mail};
use crate::known::{
    add, come, everything, expect_refused, expect_used, is_new, prepared, stick, with_mail,
};
use crate::support::memory::MemoryDrive;
use counterfoil::disk::Access;
use counterfoil::job::catalogue::Catalogue;
use counterfoil::job::replica::{NewDrivePolicy, PresentDrives};
use counterfoil::job::{DriveRef, JobError, sync_drive};
use counterfoil::model::{Clock as _, DriveLoss};

/// Everything on a stick, copied to a file system that reports no serial number.
fn copied_without_serial(drive: &MemoryDrive) -> MemoryDrive {
    let copy = MemoryDrive::default();
    for (name, bytes) in everything(drive) {
        copy.put(&name, &bytes.unwrap());
    }
    copy
}

/// Opens a stick as an audit does.
fn inspect(card: &Card, drive: &MemoryDrive, begin: NewDrivePolicy) -> Result<(), JobError> {
    let drive = DriveRef { begin, ..drive_ref(drive, "LOOKED-AT") };
    let (present_drives, name) = (PresentDrives::default(), crate::card::station());
    sync_drive::open(&card.catalogue, &name, &drive, Access::Read, &present_drives, &card.clock)
        .map(drop)
}

/// Two file systems without a serial number do not count as the same one.
#[test]
fn a_stick_without_a_serial_number_is_not_accepted_by_its_id_alone() {
    let card = with_mail();
    let plain = MemoryDrive::default();
    let id = come(&card, &plain, "PLAIN", NewDrivePolicy::OnDevice).drive.unwrap().0;
    assert_eq!(card.catalogue.known_as(id).unwrap().unwrap().serial, None);
    expect_refused(&card, &prepared(&id.to_string(), ""), "PLAIN");
    expect_refused(&card, &plain, "PLAIN");
    let refused =
        come(&card, &plain, "PLAIN", NewDrivePolicy::Known).outcome.map(drop).unwrap_err();
    assert!(matches!(refused, JobError::NoSerial { .. }), "{refused}");
    // A stick named by its folder is used; once its serial number can be read, that identifies it.
    assert!(come(&card, &plain, "PLAIN", NewDrivePolicy::InFolder).outcome.is_ok());
    plain.set_serial("s-plain");
    expect_refused(&card, &plain, "PLAIN");
    assert!(come(&card, &plain, "PLAIN", NewDrivePolicy::InFolder).outcome.is_ok());
    expect_used(&card, &plain, "PLAIN");
    expect_refused(&card, &prepared(&id.to_string(), "s-other"), "PLAIN");
}

/// The operator accepted a folder: a stick with the same id is not accepted because of that.
#[test]
fn a_folder_that_was_added_lets_no_stick_in_that_has_its_id() {
    let card = with_mail();
    let folder = MemoryDrive::default();
    let id = add(&card, &folder, "copies");
    assert!(come(&card, &folder, "copies", NewDrivePolicy::InFolder).outcome.is_ok());
    for serial in ["", "s-other"] {
        let stick = prepared(&id.to_string(), serial);
        expect_refused(&card, &stick, "EMBER");
        drop(come(&card, &stick, "EMBER", NewDrivePolicy::OnDevice));
        expect_refused(&card, &stick, "EMBER");
    }
    assert!(come(&card, &folder, "copies", NewDrivePolicy::InFolder).outcome.is_ok());
}

/// While the true stick is away, this holds whatever the other one's file claims about the file system that it was made
/// on. What is then recorded about the other one, such as a refusal, is not recorded about the true one.
#[test]
fn a_stick_with_the_id_of_one_that_is_away_does_not_become_that_one() {
    for made_on in ["", "s-false", "s-red"] {
        let card = with_mail();
        let red = stick("s-red");
        let (id, row) = come(&card, &red, "RED", NewDrivePolicy::OnDevice).drive.unwrap();
        let false_red = prepared(&id.to_string(), made_on);
        false_red.set_serial("s-false");
        let inspected = inspect(&card, &false_red, NewDrivePolicy::OnDevice);
        assert!(matches!(inspected, Err(JobError::CopiedDrive { .. })), "{made_on}");
        let round = come(&card, &false_red, "EMBER", NewDrivePolicy::OnDevice);
        assert!(is_new(&round), "{made_on}: {:?}", round.findings);
        let (own, own_row) = round.drive.unwrap();
        assert_ne!((own, own_row), (id, row), "{made_on}");
        let now = card.clock.event_time().time;
        card.catalogue.forget_drive(own_row, DriveLoss::Refused, None, now).unwrap();
        card.deliver("inbox/2", &mail("2"));
        card.scan(0);
        let round = come(&card, &red, "RED", NewDrivePolicy::OnDevice);
        assert_eq!(round.drive.unwrap(), (id, row), "{made_on}");
        assert_eq!(round.outcome.unwrap().copied, 1, "{made_on}");
    }
}

/// The device manager has not read the number yet, as early in a boot: the stick is checked again later, and neither
/// used nor given a new id until then. A stick without a number gains nothing from the id of one that has a number.
#[test]
fn a_stick_whose_serial_number_cannot_be_read_waits_for_it() {
    for begin in [NewDrivePolicy::OnDevice, NewDrivePolicy::Known] {
        let card = with_mail();
        let red = stick("s-red");
        let id = come(&card, &red, "RED", NewDrivePolicy::OnDevice).drive.unwrap().0;
        let unread = copied_without_serial(&red);
        let before = everything(&unread);
        let round = come(&card, &unread, "RED", begin);
        assert!(matches!(round.outcome, Err(JobError::SerialUnread { .. })), "{begin:?}");
        assert_eq!(round.state(), "failed", "it is tried again");
        assert!(inspect(&card, &unread, begin).is_err(), "{begin:?}");
        assert!(everything(&unread) == before, "{begin:?}");
        unread.set_serial("s-red");
        let round = come(&card, &unread, "RED", begin);
        assert!(round.outcome.is_ok(), "{begin:?}");
        assert_eq!(round.drive.unwrap().0, id, "{begin:?}");
        // Naming its folder says which stick it is.
        let named = copied_without_serial(&unread);
        assert_eq!(come(&card, &named, "RED", NewDrivePolicy::InFolder).drive.unwrap().0, id);
    }
}

/// Whatever id it claims when it comes back, even none: its file system is what is refused.
#[test]
fn a_refused_stick_that_comes_back_as_another_one_is_refused() {
    for begin in [NewDrivePolicy::OnDevice, NewDrivePolicy::InFolder] {
        let state = crate::card::folder();
        let mut card = with_mail();
        card.catalogue = Catalogue::open(state.path()).unwrap().0;
        card.scan(0);
        let (ember, red) = (stick("s-ember"), stick("s-red"));
        let (_, row) = come(&card, &ember, "EMBER", begin).drive.unwrap();
        assert!(come(&card, &red, "RED", begin).outcome.is_ok());
        // An honest bit-for-bit copy of it that has an id of its own is another stick.
        let twin = ember.copied();
        let own = br#"{"format":1,"id":"00000000000000ee","made":""}"#;
        twin.put("counterfoil/drive-2.json", own);
        add(&card, &twin, "TWIN");
        let now = card.clock.event_time().time;
        card.catalogue.forget_drive(row, DriveLoss::Refused, None, now).unwrap();
        card.deliver("inbox/2", &mail("2"));
        card.scan(0);
        for lost in [false, true] {
            if lost {
                card.lose_catalogue();
                for name in ["catalogue.sqlite", "catalogue.sqlite-wal", "catalogue.sqlite-shm"] {
                    drop(std::fs::remove_file(state.path().join(name)));
                }
                card.catalogue = Catalogue::open(state.path()).unwrap().0;
                card.scan(0);
            }
            for back in [
                prepared("00000000000000cc", "s-ember"),
                stick("s-ember"),
                prepared("00000000000000dd", "s-ember"),
            ] {
                let before = everything(&back);
                for _ in 0..2 {
                    let round = come(&card, &back, "OTHER", begin);
                    assert!(matches!(round.outcome, Err(JobError::Forgotten { .. })), "{begin:?}");
                    assert!(everything(&back) == before, "{begin:?}: it was written to");
                    assert!(
                        inspect(&card, &back, begin).is_err(),
                        "{begin:?}: its copies would count"
                    );
                }
            }
        }
        assert!(come(&card, &twin, "TWIN", begin).outcome.is_ok());
        assert!(come(&card, &red, "RED", begin).outcome.is_ok());
        // The operator accepts it after all.
        let back = prepared("00000000000000cc", "s-ember");
        add(&card, &back, "OTHER");
        assert!(come(&card, &back, "OTHER", begin).outcome.is_ok());
    }
}

/// Adding a stick that claims another's id gives it an id of its own; the true stick is unaffected.
#[test]
fn to_add_a_stick_with_the_id_of_another_takes_nothing_from_that_one() {
    let card = with_mail();
    let red = stick("s-red");
    let id = add(&card, &red, "RED");
    expect_used(&card, &red, "RED");
    let copy = red.copied();
    copy.set_serial("s-copy");
    let own = add(&card, &copy, "COPY");
    assert_ne!(own, id);
    expect_used(&card, &copy, "COPY");
    expect_used(&card, &red, "RED");
    // A stick whose file system has no serial number does not take the true one's place either.
    let plain = copied_without_serial(&red);
    assert_ne!(add(&card, &plain, "PLAIN"), id);
    expect_used(&card, &red, "RED");
}
