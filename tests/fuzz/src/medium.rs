//! A drive in memory that hands out what is read in pieces of a chosen size, as a medium may.
//! Never changes what is read.

use crate::support::memory::MemoryDrive;
use counterfoil::disk::{Access, DiskError, ReadFrom, Source, Volume, VolumeSource as _};
use counterfoil::model::{Clock, EventTime, RelName, Timestamp};
use std::time::Duration;

/// The drive, open.
pub struct Medium {
    beneath: Box<dyn Volume>,
    piece: usize,
}

impl Medium {
    /// Opens it. A piece has one byte at least.
    pub fn open(drive: &MemoryDrive, piece: usize) -> Self {
        let beneath = drive.volume_source().open(Access::Write).expect("a drive in memory opens");
        Self { beneath, piece: piece.max(1) }
    }
}

impl Volume for Medium {
    as_beneath!(beneath: facts, present, room, make_dir, list, length, create, write_synced, reserve, sync_all, remove);

    fn read(
        &self,
        at: &RelName,
        offset: u64,
        from: ReadFrom,
    ) -> Result<Box<dyn Source>, DiskError> {
        let whole = self.beneath.read(at, offset, from)?;
        Ok(Box::new(Pieces { whole, piece: self.piece }))
    }
}

struct Pieces {
    whole: Box<dyn Source>,
    piece: usize,
}

impl Source for Pieces {
    fn read(&mut self, into: &mut [u8]) -> Result<usize, DiskError> {
        let most = self.piece.min(into.len());
        self.whole.read(&mut into[..most])
    }
}

/// A file of these bytes, open for reading in such pieces.
pub fn source(bytes: &[u8], piece: usize) -> Box<dyn Source> {
    let drive = MemoryDrive::default();
    drive.put("file", bytes);
    let at = RelName::new("file").expect("a name");
    Medium::open(&drive, piece).read(&at, 0, ReadFrom::Medium).expect("the file is there")
}

/// Sizes of pieces in which a file is to be read: one of a third, and one that its first byte chooses, small enough
/// to end within lines and not so small that a long file takes for ever.
pub fn pieces(bytes: &[u8]) -> [usize; 2] {
    let chosen = bytes.first().map_or(0, |first| usize::from(*first));
    [1 + bytes.len() / 3, 1 + chosen + bytes.len() / 32]
}

/// A clock that stands still.
pub struct Still(pub &'static str);

impl Clock for Still {
    fn event_time(&self) -> EventTime {
        let time = Timestamp { seconds: 1_800_000_000, nanos: 0 };
        EventTime { time, trusted: false, boot: self.0.into() }
    }
    fn since_boot(&self) -> Duration {
        Duration::from_secs(60)
    }
}
