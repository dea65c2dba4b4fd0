//! What a drive carries beside the copies: how to read it by hand, a list of its messages, the station's config, the
//! program. All of it can be made anew at any time, so it alone is written over in place; a copy, a ledger or a
//! manifest never is.

mod index;
mod program;
mod shelf;

pub use index::{Listed, Mark, Month, Page, Pages};
pub use shelf::Carried;

use super::catalogue::Catalogue;
use super::drive::{Admitted, Claims, note_lost_pages, session_of};
use super::{DriveRef, JobError, Progress, round};
use crate::disk::{Access, ReadFrom, Volume, library, read_full};
use crate::model::limits::CARRIED_CONFIG_BYTES;
use crate::model::{Clock, Digest, RelName, StationName, bag};
use shelf::Shelf;
use std::sync::Arc;

/// What is to be carried.
#[derive(Clone, Default)]
pub struct Cargo {
    /// The config.
    pub config: Option<String>,
    /// The list of messages: what puts it into words.
    pub pages: Option<Arc<dyn Pages>>,
    /// The programs.
    pub programs: Vec<library::Program>,
}

/// What stands at the head of a file while it is written: somebody may open it after the stick was pulled.
const TORN_TEXT: &str = "# This file was being written when the drive was pulled or the power went. The messages \
                         are whole. It is made anew when the drive is at the station again.\n#";

/// Opens a drive and brings what it carries up to date. It must hold every message already: nothing here is ever
/// done at the cost of one.
pub fn carry_on(
    catalogue: &Catalogue,
    station: &StationName,
    drive: &DriveRef,
    claims: &Claims,
    clock: &dyn Clock,
    cargo: &Cargo,
    progress: &dyn Progress,
) -> Result<Carried, JobError> {
    let admitted = round::open(catalogue, station, drive, Access::Write, claims, clock)?;
    let mount = session_of(&clock.stamp(), &*admitted.volume);
    carry(catalogue, station, &admitted, cargo, progress)
        .inspect_err(|error| note_lost_pages(catalogue, error, &mount))
}

/// Brings what an admitted drive carries up to date: what is there already is not written again.
pub fn carry(
    catalogue: &Catalogue,
    station: &StationName,
    drive: &Admitted,
    cargo: &Cargo,
    progress: &dyn Progress,
) -> Result<Carried, JobError> {
    let mut shelf = Shelf::new(&*drive.volume, progress);
    let at = |name: &str| drive.dir.join(&RelName::fixed(name));
    shelf.put(&at(bag::README), bag::readme_text(station).as_bytes(), TORN_TEXT)?;
    if let Some(config) = &cargo.config {
        shelf.put(&at(bag::CONFIG), signed(config).as_bytes(), TORN_TEXT)?;
    }
    if let Some(pages) = &cargo.pages {
        index::write(catalogue, drive, station, &**pages, &mut shelf)?;
    }
    for program in &cargo.programs {
        program::put(&mut shelf, program)?;
    }
    let carried = shelf.done;
    if catalogue.carried(drive.book.drive)? != Some(carried.bytes) && !carried.stopped {
        catalogue.set_carried(drive.book.drive, carried.bytes)?;
    }
    Ok(carried)
}

/// A config with its own hash at its head, so that one that was torn is never taken for a whole one.
fn signed(config: &str) -> String {
    let body = config.trim_end();
    format!("{SIGNATURE}{}\n{body}\n", Digest::of(body.as_bytes()))
}

const SIGNATURE: &str = "# A station's settings, kept by counterfoil. SHA-256 of what follows: ";

/// The config that a drive carries for a station, if there is a whole one.
pub fn carried_config(
    volume: &dyn Volume,
    station: &StationName,
) -> Result<Option<String>, JobError> {
    let at = bag::station_dir(station).join(&RelName::fixed(bag::CONFIG));
    let Some(length) = volume.length(&at)?.filter(|length| *length <= CARRIED_CONFIG_BYTES) else {
        return Ok(None);
    };
    let mut octets = vec![0; length as usize];
    let mut source = volume.read(&at, 0, ReadFrom::Anywhere)?;
    let got = read_full(|into| source.read(into), &mut octets)?;
    let text = String::from_utf8_lossy(&octets[..got]);
    let read = text.strip_prefix(SIGNATURE).and_then(|rest| rest.split_once('\n'));
    let whole = read.map(|(digest, body)| (digest, body.trim_end())).filter(|(digest, body)| {
        digest.parse().is_ok_and(|digest: Digest| digest == Digest::of(body.as_bytes()))
    });
    Ok(whole.map(|(_, body)| format!("{body}\n")))
}
