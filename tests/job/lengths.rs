//! Lengths of copies, checked when a drive comes: an absent or shortened copy stops counting at once, and a file system
//! that is slow to report lengths delays nothing. Never waits: the clock advances with each request.

use crate::card::{Card, mail, station};
use crate::medium::{copies_of, count, expect_same, whole};
use crate::support::clock::HandClock;
use crate::support::memory::MemoryDrive;
use counterfoil::disk::{Access, DiskError, Lengths, Volume, VolumeFacts, VolumeSource};
use counterfoil::job::DriveRef;
use counterfoil::job::replica::{NewDrivePolicy, PresentDrives};
use counterfoil::job::sync_drive;
use counterfoil::model::{Clock, Finding, RelName};
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::Duration;

/// Lengths are compared when a drive comes: an absent or shortened copy counts for nothing from then on, whatever its
/// number.
#[test]
fn a_copy_that_is_gone_or_cut_is_found_when_the_drive_comes_and_copied_in_the_same_pass() {
    let (card, drive) = (Card::new(), MemoryDrive::default());
    for n in 0..200 {
        card.deliver(&format!("inbox/{n:03}"), &mail(&format!("message {n}")));
    }
    card.mirrored(&drive);
    let copy = |n: u32| copies_of(&drive, &mail(&format!("message {n}"))).pop().unwrap();
    // The first ones: the last commits are read again anyway.
    let (gone, shortened, longer) = (copy(199), copy(198), copy(197));
    let early = |path: &str| path.ends_with("0001.EML") || path.ends_with("0002.EML");
    assert!(early(&gone) && early(&shortened), "the newest go first: {gone} {shortened}");
    drive.remove(&gone);
    drive.tamper(&shortened, |bytes| bytes.truncate(30));
    drive.tamper(&longer, |bytes| bytes.extend_from_slice(b"more"));
    drive.replug(false);
    card.clock.reboot();
    let round = card.mirror(&drive);
    let missing = round.findings.iter().filter(|f| matches!(f, Finding::Missing { .. })).count();
    let damaged = round.findings.iter().filter(|f| matches!(f, Finding::Damaged { .. })).count();
    assert_eq!((missing, damaged), (1, 2), "{:?}", round.findings);
    assert_eq!(round.outcome.unwrap().copied, 3);
    assert_eq!((count(&drive, "absent"), count(&drive, "damaged")), (1, 2));
    expect_same(&whole(&[&drive], false), &card.messages(), "copied again");
    // Within the mount nothing is listed again: that is what scrubbing is for.
    drive.remove(&copy(150));
    assert_eq!(card.mirror(&drive).findings, []);
}

/// A card that never saw the drive, and only reads it: absent copies count for nothing either.
#[test]
fn a_card_that_knows_nothing_and_only_looks_counts_no_absent_copy() {
    let (card, drive) = crate::logs::archived();
    drive.remove(&copies_of(&drive, &mail("two")).pop().unwrap());
    let mut card = card;
    card.lose_catalogue();
    card.scan(0);
    let admitted = card.admit(&drive, Access::Read).unwrap();
    assert_eq!(admitted.findings.len(), 1, "{:?}", admitted.findings);
    let totals = card.catalogue.totals(&station(), 1).unwrap();
    // This card has recorded nothing yet, and nobody knows that the mailbox is unchanged.
    assert_eq!((totals.messages, totals.mirrored), (5, 0));
    card.mirrored(&drive);
    assert_eq!(card.catalogue.totals(&station(), 1).unwrap().mirrored, 5);
}

/// A drive whose file system takes this long to list the lengths of a folder, on a clock whose milliseconds it shares.
#[derive(Clone)]
struct Slow {
    drive: MemoryDrive,
    millis: Arc<AtomicU64>,
}

const A_FOLDER: u64 = 600;

impl VolumeSource for Slow {
    fn open_unlatched(&self, access: Access) -> Result<Box<dyn Volume>, DiskError> {
        let beneath = self.drive.volume_source().open_unlatched(access)?;
        Ok(Box::new(SlowVolume { beneath, millis: Arc::clone(&self.millis) }))
    }

    fn still_present(&self, facts: &VolumeFacts) -> bool {
        self.drive.volume_source().still_present(facts)
    }

    fn shown(&self) -> String {
        "slow".into()
    }
}

struct SlowVolume {
    beneath: Box<dyn Volume>,
    millis: Arc<AtomicU64>,
}

impl Volume for SlowVolume {
    as_beneath!(
        beneath: facts, present, room, make_dir, list, length, create, write_synced, reserve, sync_all, read, remove
    );

    fn lengths(&self, at: &RelName, most: usize) -> Result<Lengths, DiskError> {
        self.millis.fetch_add(A_FOLDER, Ordering::Relaxed);
        self.beneath.lengths(at, most)
    }
}

/// On FAT each length costs a search through the folder. An absent copy is still noticed at once; a shortened one is
/// found when its folder's turn comes.
#[test]
fn a_file_system_that_is_slow_to_tell_lengths_holds_up_no_mail() {
    let (card, drive) = (Card::new(), MemoryDrive::default());
    for n in 0..6 {
        // Each mount session begins a new folder.
        card.deliver(&format!("inbox/{n}"), &mail(&format!("message {n}")));
        card.mirrored(&drive);
        drive.replug(false);
        card.clock.reboot();
    }
    for n in 100..170 {
        // The last commits are read again anyway.
        card.deliver(&format!("inbox/{n}"), &mail(&format!("message {n}")));
    }
    card.mirrored(&drive);
    let copy = |n: u32| copies_of(&drive, &mail(&format!("message {n}"))).pop().unwrap();
    let (shortened, gone) = (copy(4), copy(5));
    assert!(shortened.contains("/0005/") && gone.contains("/0006/"), "{shortened} {gone}");
    drive.tamper(&shortened, |bytes| bytes.truncate(30));
    drive.remove(&gone);
    let clock = HandClock::new();
    let slow = Slow { drive: drive.clone(), millis: Arc::clone(&clock.millis) };
    let mut found = Vec::new();
    for coming in 0..4 {
        drive.replug(false);
        clock.reboot();
        let before = clock.since_boot();
        let (volume_source, label) = (Arc::new(slow.clone()), "stick".to_owned());
        let drive =
            DriveRef { volume_source, label, path: "stick".into(), begin: NewDrivePolicy::Never };
        let (catalogue, present_drives) = (&card.catalogue, PresentDrives::default());
        let admitted =
            sync_drive::open(catalogue, &station(), &drive, Access::Write, &present_drives, &clock)
                .unwrap();
        let took = clock.since_boot() - before;
        assert!(took <= Duration::from_millis(1_000 + A_FOLDER), "{took:?} at coming {coming}");
        found.push(admitted.findings);
    }
    let [first, second, third, fourth] = found.as_slice() else { panic!() };
    assert!(matches!(first.as_slice(), [Finding::Missing { .. }]), "{first:?}");
    assert!(second.is_empty(), "{second:?}");
    assert!(matches!(third.as_slice(), [Finding::Damaged { .. }]), "{third:?}");
    assert!(fourth.is_empty(), "{fourth:?}");
    card.clock.reboot();
    card.mirrored(&drive);
    expect_same(&whole(&[&drive], false), &card.messages(), "copied again");
}
