//! Admission: the only way to a station's bag on a drive. Knows the drive again, reads what is new in
//! its ledger, and on the first time in a mount session makes it whole.

use super::append_log;
use super::bag_init;
use super::compare::compare;
use super::evidence::{self, Evidence};
use super::identity::{self, IdFile};
use super::ledger::{self, Extent, Loaded};
use super::lengths;
use super::lost_id;
use super::manifest;
use super::open_options::OpenOptions;
use super::recover::{self, Recovery};
use crate::disk::host::Lock;
use crate::disk::{Access, DiskError, Volume};
use crate::job::JobError;
use crate::job::catalogue::{Catalogue, DriveRowId, FoundDrive, Log, ReplicaState};
use crate::model::ledger::Event;
use crate::model::limits::LINES_MAX;
use crate::model::{DriveId, EventTime, Finding, RelName, Timestamp, bag};

/// A drive admitted: open, known, its ledger in the catalogue.
pub struct Replica {
    /// The open drive.
    pub volume: Box<dyn Volume>,
    /// Its id.
    pub id: DriveId,
    /// What is known of the ledger.
    pub state: ReplicaState,
    /// The station's folder on it.
    pub dir: RelName,
    /// The ledger is there and sound to its end.
    pub ledger_whole: bool,
    /// It may be read, never written: a later version of the program wrote here, or its ledger has no end.
    pub newer: bool,
    /// What was found on the way.
    pub findings: Vec<Finding>,
    /// Why the ledger's end could not be read; only of a drive that is restored from.
    pub unreadable: Option<DiskError>,
    /// Held while this drive may be written.
    _lock: Option<Lock>,
}

impl Replica {
    /// Appends lines to the manifest and syncs it, with every copy written to the device before.
    pub(crate) fn list(&mut self, lines: &str) -> Result<(), JobError> {
        manifest::append(&*self.volume, &self.dir, &mut self.state, lines)
    }

    /// Reserves room in both logs for what will be listed, in bytes, and recorded.
    pub(crate) fn reserve(
        &self,
        listed: usize,
        stamp: &EventTime,
        events: &[Event],
    ) -> Result<(), JobError> {
        let mut chain = self.state.chain_to_write();
        let recorded: usize =
            events.iter().map(|event| chain.write(stamp, event.clone()).len()).sum();
        let (manifest, ledger) = (self.state.manifest_bytes, self.state.ledger_bytes);
        append_log::reserve(
            &*self.volume,
            &self.dir,
            manifest + listed as u64,
            ledger + recorded as u64,
        )
    }

    /// Events as the ledger needs them: before them, of their writers and of those before these, what it lacks.
    pub(crate) fn with_writers(
        &self,
        catalogue: &Catalogue,
        events: Vec<Event>,
    ) -> Result<Vec<Event>, JobError> {
        let mut all = catalogue.writers_untold(&self.state, &events)?;
        all.extend(events);
        Ok(all)
    }

    /// Appends events to the ledger, syncs it and takes them into the catalogue: a commit.
    pub(crate) fn record(
        &mut self,
        catalogue: &Catalogue,
        stamp: &EventTime,
        events: Vec<Event>,
    ) -> Result<(), JobError> {
        let volume = &*self.volume;
        ledger::append(catalogue, volume, &self.dir, &mut self.state, stamp, events, false)
            .inspect_err(|error| note_lost_pages(catalogue, error, &session_of(stamp, volume)))
    }
}

/// Admits a drive. With `Access::Read` nothing is written to it.
pub fn open_replica(
    catalogue: &Catalogue,
    volume: Box<dyn Volume>,
    asked: &OpenOptions<'_>,
) -> Result<Replica, JobError> {
    let now = asked.clock.stamp();
    let mut findings = Vec::new();
    let Identified { id, drive, only_readable, lock } =
        identified(catalogue, &*volume, asked, now.time, &mut findings)?;
    let at = || volume.facts().shown.clone();
    let mut replica = catalogue.replica(drive, asked.station)?;
    if asked.access == Access::Write {
        replica.left_out = ledger::drawn_number()?;
    }
    catalogue.settle_counts(drive)?;
    let session = session_of(&now, &*volume);
    let dir = bag::station_dir(asked.station);

    let continues = replica.session.as_deref() == Some(session.as_str());
    if asked.access == Access::Write {
        may_be_used(catalogue, id, drive, at)?;
        if !continues {
            bag_init::ensure(&*volume, asked.station, asked.clock)?;
        }
    }
    // A catalogue that is thrown away is that of a restore, which is to bring back what it can.
    let partly = asked.access == Access::Read && asked.taken_for.is_some();
    // What the medium does not give at all, writing lines again does not mend.
    let damage = catalogue.log_damage(replica.row)?;
    let is_damaged = |log| damage.iter().any(|found| found.log == log && !found.unreadable);
    let extent = match asked.access {
        Access::Read if partly => Extent::Partly,
        Access::Write if is_damaged(Log::Ledger) => Extent::All,
        _ => Extent::New,
    };
    let since = replica.segment;
    let loaded = ledger::load(catalogue, &*volume, &dir, &mut replica, extent, &mut findings)?;
    if !partly {
        compare(catalogue, &*volume, &dir, &replica, (id, loaded.other))?;
    }
    if asked.access == Access::Write {
        may_be_gone_on_with(&loaded, &replica, at)?;
        if !continues && !loaded.anew {
            catalogue.note_came_back(drive)?;
        }
        let wrong_lines = is_damaged(Log::Manifest);
        let to_mend = wrong_lines || catalogue.retired(&replica)?.is_some();
        let as_known = continues && loaded.unchanged && !to_mend;
        if !as_known || !manifest::is_unchanged(&*volume, &dir, &replica)? {
            if continues {
                // Somebody may have deleted one of the logs meanwhile.
                bag_init::ensure(&*volume, asked.station, asked.clock)?;
            }
            let (volume, dir, clock) = (&*volume, &dir, asked.clock);
            let lost_pages = catalogue.has_lost_pages(&session)?;
            let recovery =
                Recovery { catalogue, volume, dir, clock, since, wrong_lines, lost_pages };
            make_whole(&recovery, id, &mut replica, &loaded, session, &mut findings)?;
        }
    }
    let ledger_whole = loaded.is_whole();
    if asked.access == Access::Read {
        // It was out since it was last written to: what became of its copies meanwhile is seen, as when mail is copied.
        if (loaded.anew || !continues) && !partly {
            let (row, clock) = (replica.row, asked.clock);
            lengths::mark_wrong_lengths(catalogue, &*volume, &dir, row, clock, &mut findings)?;
        }
        findings.extend(break_found(&loaded));
    }
    let newer = only_readable || loaded.newer.is_some() || loaded.endless;
    let (state, unreadable) = (replica, loaded.unreadable);
    Ok(Replica { volume, id, state, dir, ledger_whole, newer, findings, unreadable, _lock: lock })
}

/// What is said of a ledger that was only read and is not sound to its end.
fn break_found(loaded: &Loaded) -> Option<Finding> {
    let broken = loaded.broken.as_ref()?;
    Some(match loaded.endless {
        true => Finding::LedgerEndless { at: broken.at },
        false => recover::finding(broken),
    })
}

/// Whether a ledger is one that this program may append to.
fn may_be_gone_on_with(
    loaded: &Loaded,
    replica: &ReplicaState,
    at: impl Fn() -> String,
) -> Result<(), JobError> {
    match loaded.newer {
        Some(format) => Err(JobError::NewerFormat { at: at(), format }),
        None if loaded.endless => Err(JobError::Endless { at: at(), file: bag::LEDGER }),
        None if replica.chain.seq > LINES_MAX => Err(JobError::NumbersUsedUp { at: at() }),
        None => Ok(()),
    }
}

/// Recovers a drive, and holds the replica to this mount session once that is through.
fn make_whole(
    recovery: &Recovery<'_>,
    id: DriveId,
    replica: &mut ReplicaState,
    loaded: &Loaded,
    session: String,
    findings: &mut Vec<Finding>,
) -> Result<(), JobError> {
    let (catalogue, drive) = (recovery.catalogue, replica.drive);
    let at = || recovery.volume.facts().shown.clone();
    if recovery.lost_pages && loaded.length == 0 {
        return Err(JobError::BadBeginning { at: at() });
    }
    catalogue.record_arrival(drive, loaded.fell.then_some(loaded.length))?;
    may_be_used(catalogue, id, drive, at)?;
    // Until it is through, the next admission does it again, in whatever session that is.
    replica.session = None;
    catalogue.save_replica(replica)?;
    recovery.run(replica, loaded, findings)?;
    replica.session = Some(session);
    replica.opened = false;
    catalogue.save_replica(replica)?;
    may_be_used(catalogue, id, drive, at)
}

/// A drive that is known, by its id and its row.
struct Identified {
    id: DriveId,
    drive: DriveRowId,
    /// Its layout is one of a later version.
    only_readable: bool,
    lock: Option<Lock>,
}

/// Knows a drive again, locks it where it will be written, and takes in what it says of others.
fn identified(
    catalogue: &Catalogue,
    volume: &dyn Volume,
    asked: &OpenOptions<'_>,
    now: Timestamp,
    findings: &mut Vec<Finding>,
) -> Result<Identified, JobError> {
    let mut found = evidence::found(catalogue, volume, asked.label, asked.at)?;
    let (id, only_readable) = identify(catalogue, volume, asked, &found, findings)?;
    let lock = match asked.access {
        Access::Write => catalogue.lock_drive(id)?,
        Access::Read => None,
    };
    found.origin = identity::origin_of(volume, id)?;
    let drive = match asked.taken_for {
        Some(taken_for) => catalogue.drive_seen(taken_for, &found, now)?,
        None => Evidence { catalogue, volume, here: asked.here, now }.see(id, &found, findings)?,
    };
    if asked.access == Access::Read
        && let Some(gone) = catalogue.drive(id)?.and_then(|row| row.facts.forgotten)
    {
        let at = volume.facts().shown.clone();
        let (since, why, place) = (gone.since, gone.why, gone.place);
        findings.push(Finding::ForgottenDrive { at, since, why, place });
    }
    Ok(Identified { id, drive, only_readable, lock })
}

/// Whether a drive may still be written to.
fn may_be_used(
    catalogue: &Catalogue,
    id: DriveId,
    drive: DriveRowId,
    at: impl Fn() -> String,
) -> Result<(), JobError> {
    lost_id::not_forgotten(catalogue, id, &at)?;
    match catalogue.distrust(drive)? {
        Some(why) => Err(JobError::Untrusted { at: at(), why }),
        None => Ok(()),
    }
}

/// Remembers a failed sync, for as long as the mount lasts.
pub(crate) fn note_lost_pages(catalogue: &Catalogue, error: &JobError, mount: &str) {
    if matches!(error, JobError::NotSynced(_))
        && let Err(error) = catalogue.note_lost_pages(mount)
    {
        tracing::warn!(%error, "that a sync failed could not be kept");
    }
}

/// Tells one mount in one boot from any other.
pub(crate) fn session_of(now: &EventTime, volume: &dyn Volume) -> String {
    format!("{} {}", now.boot, volume.facts().mount)
}

/// Its id, and whether it may only be read, as when its layout is one of a later version.
fn identify(
    catalogue: &Catalogue,
    volume: &dyn Volume,
    asked: &OpenOptions<'_>,
    found: &FoundDrive<'_>,
    findings: &mut Vec<Finding>,
) -> Result<(DriveId, bool), JobError> {
    let at = || volume.facts().shown.clone();
    let known = match identity::read(volume)? {
        IdFile::Id(told) => return Ok((told.id, false)),
        IdFile::Newer(format, id) => {
            return match asked.access {
                Access::Write => Err(JobError::NewerFormat { at: at(), format }),
                Access::Read => Ok((id.unwrap_or(DriveId::NONE), true)),
            };
        }
        known => known,
    };
    lost_id::find(catalogue, volume, asked, found, &known, findings)
}
