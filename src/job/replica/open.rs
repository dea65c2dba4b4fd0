//! Opens a station's bag on a drive (admission); there is no other way to one. Identifies the drive, reads what is new
//! in its ledger, and recovers it the first time in a mount session.

use super::append_log;
use super::bag_init;
use super::compare::compare;
use super::copy::{self, CopyCheck};
use super::evidence::{self, Evidence};
use super::id_recovery;
use super::identity::{self, IdFile};
use super::ledger::{self, Loaded, ReadExtent};
use super::lengths;
use super::manifest;
use super::open_options::OpenOptions;
use super::recover::{self, Recovery};
use super::station_bag::StationBag;
use crate::disk::host::Lock;
use crate::disk::{Access, DiskError, Volume};
use crate::job::JobError;
use crate::job::catalogue::{Catalogue, DriveRowId, FoundDrive, Log, ReplicaState};
use crate::model::ledger::Event;
use crate::model::limits::LINES_MAX;
use crate::model::{DriveId, EventTime, Finding, PayloadName, RelName, Timestamp, bag};

/// One station on one drive, open: identified, its ledger in the catalogue.
pub struct Replica {
    /// The drive.
    pub volume: Box<dyn Volume>,
    /// The drive's id.
    pub id: DriveId,
    /// What is known of the ledger and the copies.
    pub state: ReplicaState,
    /// The station's folder on it.
    pub dir: RelName,
    /// The ledger exists and is sound to its end.
    pub ledger_whole: bool,
    /// It may be read, never written: a later version of the program wrote here, or junk in a log continues for too
    /// long.
    pub frozen: bool,
    /// What was found while it was opened.
    pub findings: Vec<Finding>,
    /// Why the ledger's end could not be read; only of a drive that is restored from.
    pub unreadable: Option<DiskError>,
    /// Held while this drive may be written.
    _lock: Option<Lock>,
}

impl Replica {
    /// Reads and hashes a copy; `longest` bounds a file that grew without end.
    pub(crate) fn hash(&self, payload: PayloadName, longest: u64) -> Result<CopyCheck, JobError> {
        copy::hash(&*self.volume, &self.dir, payload, longest)
    }

    /// The bag, with the catalogue that remembers it.
    pub(crate) fn bag<'a>(&'a self, catalogue: &'a Catalogue) -> StationBag<'a> {
        StationBag { catalogue, volume: &*self.volume, dir: &self.dir }
    }

    /// Appends lines to the manifest and syncs it, with every copy written to the device before.
    pub(crate) fn list(&mut self, lines: &str) -> Result<(), JobError> {
        manifest::append(&*self.volume, &self.dir, &mut self.state, lines)
    }

    /// Reserves room in both logs, for `listed` bytes of manifest lines and for these events.
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

    /// The events, after the lines about their writers and those writers' ancestors that the ledger lacks.
    pub(crate) fn with_writers(
        &self,
        catalogue: &Catalogue,
        events: Vec<Event>,
    ) -> Result<Vec<Event>, JobError> {
        let mut all = catalogue.writer_lines_missing(&self.state, &events)?;
        all.extend(events);
        Ok(all)
    }

    /// Appends events to the ledger, syncs it and applies them to the catalogue: a commit.
    pub(crate) fn record(
        &mut self,
        catalogue: &Catalogue,
        stamp: &EventTime,
        events: Vec<Event>,
    ) -> Result<(), JobError> {
        let bag = StationBag { catalogue, volume: &*self.volume, dir: &self.dir };
        ledger::append(bag, &mut self.state, stamp, events, false)
            .inspect_err(|error| note_lost_pages(catalogue, error, &session_of(stamp, bag.volume)))
    }
}

/// Opens a drive for a station. Writes nothing to it with `Access::Read`.
pub fn open_replica(
    catalogue: &Catalogue,
    volume: Box<dyn Volume>,
    options: &OpenOptions<'_>,
) -> Result<Replica, JobError> {
    let now = options.clock.event_time();
    let mut findings = Vec::new();
    let Identified { id, drive, only_readable, lock } =
        identify_and_lock(catalogue, &*volume, options, now.time, &mut findings)?;
    let at = || volume.facts().shown.clone();
    let mut replica = catalogue.replica(drive, options.station)?;
    if options.access == Access::Write {
        replica.left_out = ledger::drawn_number()?;
    }
    catalogue.recompute_counts(drive)?;
    let session = session_of(&now, &*volume);
    let dir = bag::station_dir(options.station);

    let continues = replica.session.as_deref() == Some(session.as_str());
    if options.access == Access::Write {
        check_usable(catalogue, id, drive, at)?;
        if !continues {
            bag_init::ensure(&*volume, options.station, options.clock)?;
        }
    }
    // Only a restore, which has to bring back what it can, uses a catalogue that is thrown away.
    let partly = options.access == Access::Read && options.taken_for.is_some();
    // Writing lines again does not help if the medium does not return them at all.
    let damage = catalogue.log_damage(replica.row)?;
    let is_damaged = |log| damage.iter().any(|found| found.log == log && !found.unreadable);
    let extent = match options.access {
        Access::Read if partly => ReadExtent::Partly,
        Access::Write if is_damaged(Log::Ledger) => ReadExtent::All,
        _ => ReadExtent::New,
    };
    let since = replica.segment;
    let bag = StationBag { catalogue, volume: &*volume, dir: &dir };
    let loaded = ledger::load(bag, &mut replica, extent, &mut findings)?;
    if !partly {
        compare(bag, &replica, (id, loaded.diverged))?;
    }
    if options.access == Access::Write {
        check_appendable(&loaded, &replica, at)?;
        if !continues && !loaded.reloaded {
            catalogue.note_came_back(drive)?;
        }
        let wrong_lines = is_damaged(Log::Manifest);
        let to_mend = wrong_lines || catalogue.retired(&replica)?.is_some();
        let as_known = continues && loaded.unchanged && !to_mend;
        if !as_known || !manifest::is_unchanged(&*volume, &dir, &replica)? {
            if continues {
                // Somebody may have deleted one of the logs meanwhile.
                bag_init::ensure(&*volume, options.station, options.clock)?;
            }
            let lost_pages = catalogue.has_lost_pages(&session)?;
            let clock = options.clock;
            let recovery = Recovery { bag, clock, since, wrong_lines, lost_pages };
            recover(&recovery, id, &mut replica, &loaded, session, &mut findings)?;
        }
    }
    let ledger_whole = loaded.is_whole();
    if options.access == Access::Read {
        // The drive was out since it was last written to: lost copies are noticed, as they are when mail is copied.
        if (loaded.reloaded || !continues) && !partly {
            let (row, clock) = (replica.row, options.clock);
            lengths::mark_wrong_lengths(bag, row, clock, &mut findings)?;
        }
        findings.extend(break_found(&loaded));
    }
    let frozen = only_readable || loaded.newer_format.is_some() || loaded.oversized_garbage;
    let (state, unreadable) = (replica, loaded.unreadable);
    Ok(Replica { volume, id, state, dir, ledger_whole, frozen, findings, unreadable, _lock: lock })
}

/// The finding about a ledger that was only read and is not sound to its end.
fn break_found(loaded: &Loaded) -> Option<Finding> {
    let broken = loaded.broken.as_ref()?;
    Some(match loaded.oversized_garbage {
        true => Finding::LedgerOversizedGarbage { offset: broken.offset },
        false => recover::finding(broken),
    })
}

/// Fails if this program may not append to a ledger.
fn check_appendable(
    loaded: &Loaded,
    replica: &ReplicaState,
    path: impl Fn() -> String,
) -> Result<(), JobError> {
    match loaded.newer_format {
        Some(format) => Err(JobError::NewerFormat { path: path(), format }),
        None if loaded.oversized_garbage => {
            Err(JobError::OversizedGarbage { path: path(), file: bag::LEDGER })
        }
        None if replica.chain.seq > LINES_MAX => Err(JobError::NumbersUsedUp { path: path() }),
        None => Ok(()),
    }
}

/// Recovers a drive, and assigns the replica to this mount session after that.
fn recover(
    recovery: &Recovery<'_>,
    id: DriveId,
    replica: &mut ReplicaState,
    loaded: &Loaded,
    session: String,
    findings: &mut Vec<Finding>,
) -> Result<(), JobError> {
    let (catalogue, drive) = (recovery.bag.catalogue, replica.drive);
    let path = || recovery.bag.shown();
    if recovery.lost_pages && loaded.length == 0 {
        return Err(JobError::BadBeginning { path: path() });
    }
    catalogue.record_arrival(drive, loaded.shrunk.then_some(loaded.length))?;
    check_usable(catalogue, id, drive, path)?;
    // Until recovery is through, the next admission repeats it, in whatever session that is.
    replica.session = None;
    catalogue.save_replica(replica)?;
    recovery.run(replica, loaded, findings)?;
    replica.session = Some(session);
    replica.opened = false;
    catalogue.save_replica(replica)?;
    check_usable(catalogue, id, drive, path)
}

/// A drive with its id and its row.
struct Identified {
    id: DriveId,
    drive: DriveRowId,
    /// Its layout is that of a later version.
    only_readable: bool,
    lock: Option<Lock>,
}

/// Identifies a drive, locks it if it will be written, and records what it says of others.
fn identify_and_lock(
    catalogue: &Catalogue,
    volume: &dyn Volume,
    options: &OpenOptions<'_>,
    now: Timestamp,
    findings: &mut Vec<Finding>,
) -> Result<Identified, JobError> {
    let mut found = evidence::found(catalogue, volume, options.label, options.path)?;
    let (id, only_readable) = identify(catalogue, volume, options, &found, findings)?;
    let lock = match options.access {
        Access::Write => catalogue.lock_drive(id)?,
        Access::Read => None,
    };
    found.origin = identity::origin_of(volume, id)?;
    let drive = match options.taken_for {
        Some(taken_for) => catalogue.drive_seen(taken_for, &found, now)?,
        None => {
            Evidence { catalogue, volume, here: options.here, now }.record(id, &found, findings)?
        }
    };
    if options.access == Access::Read
        && let Some(gone) = catalogue.drive(id)?.and_then(|row| row.facts.forgotten)
    {
        let at = volume.facts().shown.clone();
        let (since, why, place) = (gone.since, gone.why, gone.place);
        findings.push(Finding::ForgottenDrive { at, since, why, place });
    }
    Ok(Identified { id, drive, only_readable, lock })
}

/// Fails if a drive must not be written any more.
fn check_usable(
    catalogue: &Catalogue,
    id: DriveId,
    drive: DriveRowId,
    path: impl Fn() -> String,
) -> Result<(), JobError> {
    id_recovery::not_forgotten(catalogue, id, &path)?;
    match catalogue.distrust_reason(drive)? {
        Some(why) => Err(JobError::Untrusted { path: path(), why }),
        None => Ok(()),
    }
}

/// Remembers a failed sync for as long as the mount lasts.
pub(crate) fn note_lost_pages(catalogue: &Catalogue, error: &JobError, mount: &str) {
    if matches!(error, JobError::NotSynced(_))
        && let Err(error) = catalogue.note_lost_pages(mount)
    {
        tracing::warn!(%error, "that a sync failed could not be kept");
    }
}

/// Identifies one mount in one boot.
pub(crate) fn session_of(now: &EventTime, volume: &dyn Volume) -> String {
    format!("{} {}", now.boot, volume.facts().mount)
}

/// The drive's id, and whether it may only be read, as with a layout of a later version.
fn identify(
    catalogue: &Catalogue,
    volume: &dyn Volume,
    options: &OpenOptions<'_>,
    found: &FoundDrive<'_>,
    findings: &mut Vec<Finding>,
) -> Result<(DriveId, bool), JobError> {
    let path = || volume.facts().shown.clone();
    let known = match identity::read(volume)? {
        IdFile::Id(stored) => return Ok((stored.id, false)),
        IdFile::Newer(format, id) => {
            return match options.access {
                Access::Write => Err(JobError::NewerFormat { path: path(), format }),
                Access::Read => Ok((id.unwrap_or(DriveId::NIL), true)),
            };
        }
        known => known,
    };
    id_recovery::find(catalogue, volume, options, found, &known, findings)
}
