//! A sync that fails: everything written before it is void, nothing more is written to the drive while it is open, and
//! the next admission recovers. A second sync is never believed.

use crate::card::{Card, folder, mail};
use crate::medium::{HOME, expect_same, expect_whole_bag, snapshot, whole};
use crate::support::memory::MemoryDrive;
use counterfoil::disk::{Access, DirVolumeSource, DiskError, Volume, VolumeFacts, VolumeSource};
use counterfoil::job::replica::wipe;
use counterfoil::job::{JobError, Unwatched};
use counterfoil::model::RelName;
use rustix::io::Errno;
use std::sync::Arc;
use std::sync::atomic::{AtomicU32, Ordering};

/// The power fails, and everything not synced is lost.
fn come_back(card: &Card, drive: &MemoryDrive) {
    drive.replug(true);
    card.clock.reboot();
}

fn expect_all_safe(card: &Card, drive: &MemoryDrive, story: &str) {
    expect_whole_bag(drive, story);
    expect_same(&whole(&[drive], false), &card.messages(), story);
}

#[test]
fn whoever_forgets_a_failed_sync_writes_nothing_more() {
    let (card, drive) = (Card::new(), MemoryDrive::default());
    card.deliver("inbox/a", &mail("a"));
    card.mirrored(&drive);
    card.deliver("inbox/b", &mail("b"));
    card.scan(0);
    let mut replica = card.admit(&drive, Access::Write).unwrap();
    let mailboxes = [card.mailbox()];
    let pass = card.pass(&mailboxes);
    drive.fail_sync_after(0);
    let error = pass.run(&mut replica).unwrap_err();
    assert!(matches!(error, JobError::NotSynced(_)), "{error}");
    let before = snapshot(&drive);
    for _ in 0..3 {
        let error = pass.run(&mut replica).unwrap_err().to_string();
        assert!(error.contains("written to again only once it is opened anew"), "{error}");
    }
    assert_eq!(snapshot(&drive), before);
    assert_eq!(card.recorded_content("stick", "inbox/b"), None);
    let ledger = RelName::new(format!("{HOME}ledger.jsonl")).unwrap();
    assert!(replica.volume.length(&ledger).unwrap().is_some(), "it is still read");
    drop(replica);

    come_back(&card, &drive);
    assert_eq!(card.mirrored(&drive).copied, 1);
    expect_all_safe(&card, &drive, "admitted anew");
}

/// Every sync while a drive is initialised, and while its first and later messages are copied.
#[test]
fn any_sync_may_fail_and_the_next_admission_mends() {
    let mut failed = 0;
    for count in 0.. {
        let (card, drive) = (Card::new(), MemoryDrive::default());
        let story = format!("the sync after {count} failed");
        drive.fail_sync_after(count);
        let mut all_synced = true;
        for path in ["inbox/a", "inbox/b"] {
            card.deliver(path, &mail(path));
            if let Err(error) = card.mirror(&drive).outcome {
                assert!(matches!(error, JobError::NotSynced(_)), "{story}: {error}");
                all_synced = false;
                come_back(&card, &drive);
            }
        }
        card.mirrored(&drive);
        expect_all_safe(&card, &drive, &story);
        if all_synced {
            break;
        }
        failed += 1;
    }
    assert!(failed > 6, "{failed}");
}

/// A folder in which the second sync finds no room for what was written before it.
struct FullAtSync {
    volume_source: DirVolumeSource,
    syncs: Arc<AtomicU32>,
}

impl VolumeSource for FullAtSync {
    fn open_unlatched(&self, access: Access) -> Result<Box<dyn Volume>, DiskError> {
        let (volume, syncs) = (self.volume_source.open_unlatched(access)?, Arc::clone(&self.syncs));
        Ok(Box::new(FullVolume { volume, syncs }))
    }

    fn still_present(&self, facts: &VolumeFacts) -> bool {
        self.volume_source.still_present(facts)
    }

    fn shown(&self) -> String {
        self.volume_source.shown()
    }
}

struct FullVolume {
    volume: Box<dyn Volume>,
    syncs: Arc<AtomicU32>,
}

impl Volume for FullVolume {
    as_beneath!(volume: facts, present, room, make_dir, list, length, create, write_synced, reserve, read, remove);

    fn clear(
        &self,
        at: &RelName,
        keep: &dyn Fn(&[u8]) -> bool,
        go_on: &mut dyn FnMut() -> bool,
    ) -> Result<bool, DiskError> {
        self.volume.clear(at, keep, go_on)
    }

    fn remove_empty(&self, at: &RelName) -> Result<(), DiskError> {
        self.volume.remove_empty(at)
    }

    fn sync_all(&self) -> Result<(), DiskError> {
        match self.syncs.fetch_add(1, Ordering::Relaxed) {
            1 => Err(DiskError::new("sync drive", "full", Errno::NOSPC)),
            _ => Ok(()),
        }
    }
}

#[test]
fn a_wipe_whose_zeros_find_no_room_at_a_sync_leaves_none() {
    let stick = folder();
    let home = stick.path().join("counterfoil");
    std::fs::create_dir_all(home.join("pier-4/data")).unwrap();
    std::fs::write(home.join("drive.json"), "{}").unwrap();
    std::fs::write(home.join("pier-4/data/1"), mail("a")).unwrap();
    let volume_source = FullAtSync {
        volume_source: DirVolumeSource::new(stick.path()),
        syncs: Arc::new(AtomicU32::new(0)),
    };
    let volume = volume_source.open(Access::Write).unwrap();
    let wiped = wipe(&volume_source, volume, true, &Unwatched).unwrap();
    assert!(!wiped.stopped && wiped.zeros > 0, "{wiped:?}");
    assert!(!home.exists());
    assert_eq!(
        volume_source.syncs.load(Ordering::Relaxed),
        4,
        "cleared, filled, cleared, all gone"
    );
}
