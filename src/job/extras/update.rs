//! Brings everything that a drive carries up to date, piece by piece. Never touches a drive that does not hold every
//! message already: that is for the caller to see to.

use super::config::signed;
use super::overwrite::{ExtrasOutcome, ExtrasWriter};
use super::{Extras, index, program};
use crate::disk::{Access, ErrorKind};
use crate::job::catalogue::Catalogue;
use crate::job::replica::{PresentDrives, Replica, note_lost_pages, session_of};
use crate::job::{DriveRef, JobError, Progress, sync_drive};
use crate::model::{Clock, RelName, StationName, bag};

/// What stands at the head of a file while it is written: somebody may open it after the stick was pulled.
const TORN_TEXT: &str = "# This file was being written when the drive was pulled or the power went. The messages \
                         are whole. It is made anew when the drive is at the station again.\n#";

/// Opens a drive and brings what it carries up to date. It must hold every message already: nothing here is ever
/// done at the cost of one.
pub fn write_extras_of_drive(
    catalogue: &Catalogue,
    station: &StationName,
    drive: &DriveRef,
    present_drives: &PresentDrives,
    clock: &dyn Clock,
    extras: &Extras,
    progress: &dyn Progress,
) -> Result<ExtrasOutcome, JobError> {
    let admitted =
        sync_drive::open(catalogue, station, drive, Access::Write, present_drives, clock)?;
    let mount = session_of(&clock.event_time(), &*admitted.volume);
    match write_extras(catalogue, station, &admitted, extras, progress) {
        // There seemed to be room, and was not: what was begun says so of itself, and is written again when there is.
        Err(JobError::Disk(error)) if error.trouble == ErrorKind::Full => {
            Ok(ExtrasOutcome { left_out: 1, ..ExtrasOutcome::default() })
        }
        done => done.inspect_err(|error| note_lost_pages(catalogue, error, &mount)),
    }
}

/// Brings what an admitted drive carries up to date: what is there already is not written again.
pub fn write_extras(
    catalogue: &Catalogue,
    station: &StationName,
    drive: &Replica,
    extras: &Extras,
    progress: &dyn Progress,
) -> Result<ExtrasOutcome, JobError> {
    let mut writer = ExtrasWriter::new(&*drive.volume, progress);
    let at = |name: &str| drive.dir.join(&RelName::fixed(name));
    let carried: Vec<_> =
        extras.programs.iter().map(program::carried_program).collect::<Result<_, _>>()?;
    writer.write(&at(bag::README), bag::readme_text(station, &carried).as_bytes(), TORN_TEXT)?;
    if let Some(config) = &extras.config {
        writer.write(&at(bag::CONFIG), signed(config).as_bytes(), TORN_TEXT)?;
    }
    if let Some(pages) = &extras.pages {
        index::write(catalogue, drive, station, &**pages, &mut writer)?;
    }
    writer.write_waiting()?;
    // While it is mounted, nobody else writes to it unnoticed; while it was away, anybody may have.
    let (row, mount) = (drive.state.drive, drive.state.session.as_deref());
    let is_compared = mount.is_some() && catalogue.programs_compared(row)?.as_deref() == mount;
    for (program, identity) in
        extras.programs.iter().zip(carried.iter().map(|carried| &carried.identity))
    {
        program::write_program(&mut writer, program, identity, !is_compared)?;
    }
    let carried = writer.done;
    if let Some(mount) = mount.filter(|_| !is_compared && !carried.stopped) {
        catalogue.set_programs_compared(row, mount)?;
    }
    if catalogue.extras_bytes(drive.state.drive)? != Some(carried.bytes) && !carried.stopped {
        catalogue.set_extras_bytes(drive.state.drive, carried.bytes)?;
    }
    Ok(carried)
}
