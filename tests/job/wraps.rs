//! A stick that claims more room than it has: beyond its end the addresses wrap, so that a later copy overwrites an
//! earlier one. Everything else about it is right, and what was just written reads back right.

use crate::card::{Card, mail, station};
use crate::medium::{HOME, count, restored};
use crate::support::memory::MemoryDrive;
use counterfoil::disk::{Access, DiskError, ReadFrom, Source, Volume, VolumeFacts, VolumeSource};
use counterfoil::job::JobError;
use counterfoil::model::{PayloadName, RelName};
use std::sync::Arc;

/// Copies for which it really has room.
const HOLDS: u32 = 10;

struct WrapsVolumeSource(MemoryDrive);

impl VolumeSource for WrapsVolumeSource {
    fn open_unlatched(&self, access: Access) -> Result<Box<dyn Volume>, DiskError> {
        let volume = self.0.volume_source().open_unlatched(access)?;
        Ok(Box::new(WrapsVolume { drive: self.0.clone(), volume }))
    }

    fn still_present(&self, facts: &VolumeFacts) -> bool {
        self.0.volume_source().still_present(facts)
    }

    fn shown(&self) -> String {
        self.0.volume_source().shown()
    }
}

struct WrapsVolume {
    drive: MemoryDrive,
    volume: Box<dyn Volume>,
}

impl WrapsVolume {
    /// The bytes at the addresses of a copy that were written beyond the end, if any.
    fn later(&self, at: &RelName) -> Option<Vec<u8>> {
        let name = at.as_bytes().strip_prefix(HOME.as_bytes())?;
        let name: PayloadName = std::str::from_utf8(name).ok()?.parse().ok()?;
        let end = format!("/{:08}.EML", name.number + HOLDS);
        let later = self.drive.files().into_iter().find(|path| path.ends_with(&end))?;
        self.drive.file(&later)
    }
}

impl Volume for WrapsVolume {
    as_beneath!(volume: facts, present, room, make_dir, list, length, create, write_synced, reserve, sync_all, remove);

    fn read(
        &self,
        at: &RelName,
        offset: u64,
        from: ReadFrom,
    ) -> Result<Box<dyn Source>, DiskError> {
        // Its folder reports the length the copy had; the bytes are the later one's.
        let length = self.drive.file(&at.to_string()).map(|bytes| bytes.len());
        match (length, self.later(at)) {
            (Some(length), Some(mut later)) => {
                later.resize(length, 0);
                let passing = MemoryDrive::default();
                passing.put("copy", &later);
                let at = RelName::new("copy").unwrap();
                passing.volume_source().open(Access::Read)?.read(&at, offset, from)
            }
            _ => self.volume.read(at, offset, from),
        }
    }
}

/// Fault 18.
#[test]
fn a_stick_that_has_less_room_than_it_claims_is_found_out_when_it_comes_back() {
    let (card, drive) = (Card::new(), MemoryDrive::default());
    let volume_source: Arc<dyn VolumeSource> = Arc::new(WrapsVolumeSource(drive.clone()));
    let came_back = || {
        drive.replug(false);
        card.clock.reboot();
    };
    let deliver = |from: u32| {
        for n in from..from + HOLDS {
            // With different lengths, so that no copy equals another to the last byte.
            let more = "x".repeat(n as usize);
            card.deliver(&format!("inbox/{n}"), &mail(&format!("message {n} {more}")));
        }
        card.scan(0);
    };
    deliver(0);
    assert_eq!(
        card.copy_to(Arc::clone(&volume_source), "stick").outcome.unwrap().copied,
        u64::from(HOLDS)
    );
    came_back();
    card.copy_to(Arc::clone(&volume_source), "stick").outcome.unwrap();

    // Now it is full, and does not report it. Each new copy is right when it is read back.
    deliver(HOLDS);
    assert_eq!(
        card.copy_to(Arc::clone(&volume_source), "stick").outcome.unwrap().copied,
        u64::from(HOLDS)
    );
    came_back();
    let found = card.copy_to(Arc::clone(&volume_source), "stick");
    assert!(matches!(found.outcome, Err(JobError::Untrusted { .. })), "{:?}", found.outcome);
    assert_eq!(card.catalogue.totals(&station(), 1).unwrap().mirrored, 0);
    // The findings are in its ledger, written before the drive was distrusted.
    assert_eq!(count(&drive, "damaged"), HOLDS as usize);

    // A stick of the right size accepts everything.
    let other = MemoryDrive::default();
    assert_eq!(card.copy(&other, "other").outcome.unwrap().copied, u64::from(2 * HOLDS));
    assert_eq!(card.catalogue.totals(&station(), 1).unwrap().mirrored, u64::from(2 * HOLDS));
    assert_eq!(restored(&[&other], false).files.len(), 2 * HOLDS as usize);
}
