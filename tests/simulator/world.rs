//! A station in a world of faults: its card, its sticks, and the operations on them. Executes events and compares every
//! outcome with the oracle. Never decides what happens: histories do.

use crate::card::{Card, Place, rel, station};
use crate::chance::Chance;
use crate::clock::HandClock;
use crate::drawer::Spare;
use crate::extras::extras_of;
use crate::medium::{Junk, Kept};
use crate::oracle::{
    AGREE, Broken, CARD, Checked, Claim, MAILBOX, Oracle, PANIC, Promised, broken,
};
use crate::sabotage::Sabotage;
use crate::stick::{Killed, PowerOff, Stick};
use crate::will::Will;
use counterfoil::disk::VolumeSource;
use counterfoil::job::catalogue::{
    AssertedRow, Catalogue, CopyStatus as HeldCopy, FileRow, FileState,
};
use counterfoil::job::extras::write_extras_of_drive;
use counterfoil::job::mirror::PassReport;
use counterfoil::job::replica::{NewDrivePolicy, PresentDrives};
use counterfoil::job::sync_drive::{self, SyncOutcome};
use counterfoil::job::{DriveRef, JobError, Unwatched};
use counterfoil::model::{DriveId, Finding};
use std::cell::Cell;
use std::collections::BTreeMap;
use std::panic::{AssertUnwindSafe, catch_unwind, resume_unwind};
use std::sync::Arc;
use std::sync::atomic::Ordering;

/// A stick of this station.
pub(crate) struct Slot {
    pub(crate) stick: Stick,
    pub(crate) promised: Promised,
    /// The volume source by which the daemon knows it, and the mount it was made for: a named folder keeps its volume
    /// source.
    volume_source: Option<(u64, Arc<dyn VolumeSource>)>,
}

/// The whole simulated world.
pub(crate) struct World {
    pub(crate) chance: Chance,
    pub(crate) clock: HandClock,
    pub(crate) card: Card,
    pub(crate) slots: Vec<Slot>,
    pub(crate) oracle: Oracle,
    /// The drives that the daemon has opened since it was started.
    pub(crate) present_drives: PresentDrives,
    /// Whether sticks carry extras in addition to the copies.
    pub(crate) carries: bool,
    /// Earlier states of the catalogue, with the card's knowledge then: a power failure may take its last changes.
    pub(crate) earlier: Vec<(Catalogue, Will)>,
    /// Other cards of this station, in the drawer.
    pub(crate) spares: Vec<Spare>,
    /// How many cards there ever were at once.
    pub(crate) cards: usize,
    /// A planned change to the mailbox during a pass.
    pub(crate) meddled: Option<Meddled>,
    pub(crate) place: Place,
    /// How often a restore from a stick was tried.
    pub(crate) asked: Cell<u64>,
    /// Whether to print what happens.
    pub(crate) verbose: bool,
    /// The sabotage in force.
    pub(crate) sabotage: Option<Sabotage>,
}

/// What somebody does to a message between scan and copy.
pub(crate) struct Meddled {
    pub(crate) slot: usize,
    pub(crate) path: String,
    /// The content when that was decided.
    pub(crate) before: Vec<u8>,
    /// The content afterwards; `None` if the message disappears.
    pub(crate) now: Option<Vec<u8>>,
}

/// How some work ended.
pub(crate) enum Ended<T> {
    Done(T),
    /// The power failed during it.
    PowerFailed,
    /// The program was killed during it.
    Killed,
}

/// Does some work, unless the power fails.
pub(crate) fn powered<T>(work: impl FnOnce() -> T) -> Result<Ended<T>, Broken> {
    match catch_unwind(AssertUnwindSafe(work)) {
        Ok(value) => Ok(Ended::Done(value)),
        Err(why) if why.is::<PowerOff>() => Ok(Ended::PowerFailed),
        Err(why) if why.is::<Killed>() => Ok(Ended::Killed),
        Err(why) => match why.downcast_ref::<String>() {
            Some(text) => broken(PANIC, text.clone()),
            None => resume_unwind(why),
        },
    }
}

impl World {
    pub(crate) fn new(run: &str, seed: u64) -> Self {
        let place = Place::new(run);
        counterfoil::disk::host::draw_ids_from(seed);
        let clock = HandClock::new();
        let mut oracle = Oracle::default();
        oracle.will = Will::new(oracle.new_life());
        Self {
            chance: Chance::new(seed),
            clock,
            card: Card::new(place.folder("mail")),
            slots: Vec::new(),
            oracle,
            present_drives: PresentDrives::default(),
            earlier: Vec::new(),
            asked: Cell::new(0),
            spares: Vec::new(),
            cards: 1,
            meddled: None,
            place,
            verbose: false,
            sabotage: None,
            carries: false,
        }
    }

    pub(crate) fn say(&self, what: impl std::fmt::Display) {
        if self.verbose {
            println!("  {:>3}  {what}", self.oracle.step);
        }
    }

    /// Prints what is durable on each stick, for whoever replays a history that found something.
    pub(crate) fn show_sticks(&self) {
        for (number, slot) in self.slots.iter().enumerate().filter(|_| self.verbose) {
            let state = slot.stick.state();
            println!("  stick {number}, what is durable on it:");
            for (path, bytes) in state.medium.durable().all() {
                println!("    {path}, {} bytes", bytes.len());
                if path.ends_with(".jsonl") || path.contains("manifest") {
                    String::from_utf8_lossy(&bytes)
                        .lines()
                        .for_each(|line| println!("      {line}"));
                }
            }
        }
    }

    /// A new stick, not plugged in. One that is named by its folder leaves a folder of the card behind when it is
    /// pulled.
    pub(crate) fn add_stick(&mut self, named: bool) -> usize {
        let (chance, millis) = (self.chance.branch(), Arc::clone(&self.clock.millis));
        let number = self.slots.len() as u64 + 1;
        let stick = Stick::new(number, chance.clone(), Arc::clone(&millis));
        if named {
            let mount_point = Stick::new(number + 100, chance, millis);
            mount_point.plug();
            mount_point.state().serial = None;
            stick.state().mount_point = Some(mount_point);
        }
        stick.state().sabotage = self.sabotage;
        self.slots.push(Slot { stick, promised: Promised::default(), volume_source: None });
        self.slots.len() - 1
    }

    /// Puts a message at a path. It is seen to replace whatever was there.
    pub(crate) fn deliver(&mut self, path: &str, text: &[u8]) {
        self.oracle.put(path, text);
        self.card.deliver(path, text);
    }

    pub(crate) fn rename(&mut self, from: &str, to: &str, text: &[u8]) {
        self.oracle.rename(from, to, text);
        self.card.rename(from, to);
    }

    pub(crate) fn remove(&mut self, path: &str, seen: bool) {
        self.oracle.remove(path, seen);
        self.card.remove(path, seen);
    }

    /// The world was turned back: the daemon knows no stick from before.
    pub(crate) fn forget_volume_sources(&mut self) {
        self.present_drives = PresentDrives::default();
        self.slots.iter_mut().for_each(|slot| slot.volume_source = None);
    }

    /// How far the catalogue knows the ledger of a stick, to compare two catalogues.
    pub(crate) fn replica_print(&self, slot: usize) -> String {
        let drive = self.id_of(slot).and_then(|id| self.card.catalogue.drive(id).ok().flatten());
        let replica =
            drive.and_then(|drive| self.card.catalogue.replica(drive.row, &station()).ok());
        format!("{replica:?}")
    }

    /// Another stick with the same bytes, not plugged in.
    pub(crate) fn copy_stick(&mut self, from: usize, same_serial: bool) -> usize {
        let Slot { stick, promised, .. } = &self.slots[from];
        let stick = stick.copied(self.slots.len() as u64 + 1, same_serial);
        let mut promised = promised.clone();
        // Changes in flight to the first are not durable on the second.
        promised.after_a_lie(stick.state().medium.durable());
        promised.lied = false;
        self.slots.push(Slot { stick, promised, volume_source: None });
        self.slots.len() - 1
    }

    pub(crate) fn drive_ref(&mut self, slot: usize) -> DriveRef {
        let label = format!("stick-{slot}");
        let Slot { stick, volume_source, .. } = &mut self.slots[slot];
        let (mount, begin) = match &*stick.state() {
            state if state.mount_point.is_some() => (0, NewDrivePolicy::InFolder),
            state => (state.mount, NewDrivePolicy::OnDevice),
        };
        let volume_source = match volume_source.take().filter(|(of, _)| *of == mount) {
            Some((_, volume_source)) => volume_source,
            None => stick.volume_source(),
        };
        self.slots[slot].volume_source = Some((mount, Arc::clone(&volume_source)));
        DriveRef { volume_source, path: label.clone().into_bytes(), label, begin }
    }

    /// One pass of the daemon: scans the mailbox, and brings every plugged stick up to date.
    pub(crate) fn pass(&mut self) -> Result<Ended<()>, Broken> {
        self.remember();
        let meddled = self.slots.iter().any(|slot| slot.stick.state().meddling.is_some());
        let before = self.card.messages();
        // A scan reads no stick, so no power fails in it.
        self.scan().or_else(|error| broken(PANIC, format!("a scan ended in {error}")))?;
        self.oracle.will.scanned();
        let mut ended = Ended::Done(());
        for slot in 0..self.slots.len() {
            let state = self.slots[slot].stick.state();
            if !state.plugged && (state.mount_point.is_none() || self.slots[slot].promised.is_new())
            {
                // Nothing is there, or a folder that never was a drive and would be made one.
                continue;
            }
            let plugged = state.plugged;
            drop(state);
            let drive = self.drive_ref(slot);
            let round = powered(|| self.mirror(&drive))?;
            // Any card that has opened it knows what it says, and anything may have been recorded on it.
            if plugged {
                let promised = &mut self.slots[slot].promised;
                let will = &mut self.oracle.will;
                will.knows.learn(&promised.knows);
                promised.knows.learn(&will.knows);
                if let Ended::Done(SyncOutcome { outcome: Ok(report), .. }) = &round {
                    will.surely.learn(&promised.surely);
                    // Lines name what their writer has read.
                    if report.batches > 0 {
                        promised.surely.learn(&will.surely);
                    }
                }
            }
            self.after_meddling(slot);
            let recorded = match round {
                Ended::Done(round) => self.after_round(slot, &round)? && plugged,
                Ended::PowerFailed => {
                    ended = Ended::PowerFailed;
                    false
                }
                Ended::Killed => {
                    ended = Ended::Killed;
                    false
                }
            };
            if recorded || !self.shares_its_id(slot) {
                self.check_claims(slot)?;
            }
            self.untouched(slot)?;
            if !matches!(ended, Ended::Done(())) {
                break;
            }
        }
        if !meddled && self.card.messages() != before {
            return broken(MAILBOX, "a pass changed the mailbox");
        }
        self.nobody_is_accused()?;
        Ok(ended)
    }

    /// Power failures, rot, lies of devices, copies of sticks and of cards: none of it is taken for a forgery.
    fn nobody_is_accused(&self) -> Checked {
        match self.card.catalogue.contradictions() {
            Ok(found) if found.is_empty() => Ok(()),
            found => broken(AGREE, format!("{found:?}")),
        }
    }

    fn mirror(&self, drive: &DriveRef) -> SyncOutcome {
        let mailbox = match self.card.mailbox() {
            Ok(mailbox) => mailbox,
            Err(error) => panic!("the mailbox cannot be opened: {error}"),
        };
        let (catalogue, name) = (&self.card.catalogue, station());
        let mailboxes = [mailbox];
        let (present_drives, clock) = (&self.present_drives, &self.clock);
        let round = sync_drive::mirror_drive(
            catalogue,
            &name,
            &mailboxes,
            drive,
            present_drives,
            clock,
            &Unwatched,
        );
        let all = |r: &PassReport| r.copied > 0 && r.is_complete && r.failed.is_empty();
        if self.carries && round.outcome.as_ref().is_ok_and(all) {
            // Its outcome is checked only through the messages, like everything else.
            let extras = extras_of(catalogue.change_no().unwrap_or(0));
            drop(write_extras_of_drive(
                catalogue,
                &name,
                drive,
                present_drives,
                clock,
                &extras,
                &Unwatched,
            ));
        }
        round
    }

    /// Nothing is written where the drive is absent, as long as anybody knows that there was one.
    fn untouched(&self, slot: usize) -> Checked {
        let state = self.slots[slot].stick.state();
        let Some(mount_point) = state.mount_point.as_ref().filter(|_| !self.oracle.amnesia) else {
            return Ok(());
        };
        let written =
            mount_point.state().medium.memory().all().next().map(|(path, _)| path.to_owned());
        match written {
            Some(path) => broken(CARD, format!("{path} is written to the empty mount point")),
            None => Ok(()),
        }
    }

    /// Compares the report of a pass with the stick: an error of the catalogue or of the program itself is a bug,
    /// whatever the stick did. Returns whether the stick was brought up to date.
    fn after_round(&mut self, slot: usize, round: &SyncOutcome) -> Result<bool, Broken> {
        match &round.outcome {
            Ok(done) => self.say(format_args!(
                "  stick {slot}: copied {}, noted {}, left out {}, told all {}",
                done.copied,
                done.noted,
                done.failed.len(),
                done.is_complete
            )),
            Err(error) => self.say(format_args!("  stick {slot}: {error}")),
        }
        round.findings.iter().for_each(|finding| self.say(format_args!("    {finding:?}")));
        let less = |finding: &Finding| {
            matches!(
                finding,
                Finding::Missing { .. } | Finding::Damaged { .. } | Finding::LedgerShorter { .. }
            )
        };
        if round.findings.iter().any(less) {
            // The fact that a drive has fewer copies than known is made durable in the catalogue.
            self.earlier.clear();
        }
        match &round.outcome {
            Ok(report) => {
                let Slot { stick, promised, .. } = &mut self.slots[slot];
                let plugged = stick.state().plugged;
                promised.lied &= !plugged;
                if plugged && report.is_complete {
                    self.record_all(slot);
                }
                Ok(true)
            }
            Err(error @ JobError::Catalogue(_)) => {
                broken(PANIC, format!("a pass ended in {error}"))
            }
            Err(_) => Ok(false),
        }
    }

    /// A stick knows everything that the card knows. (Not one of two that claim the same id: it may be the other.)
    fn record_all(&mut self, slot: usize) {
        if self.shares_its_id(slot) {
            return;
        }
        let there = match self.slots[slot].promised.is_all_recorded() {
            true => BTreeMap::new(),
            false => self.card.messages(),
        };
        let spares: Vec<_> = self.spares.iter().map(Spare::will).collect();
        let mut slots: Vec<_> = self.slots.iter_mut().map(|slot| &mut slot.promised).collect();
        self.oracle.record_all(slots[slot], &there);
        self.oracle.record_departures(&mut slots, slot, &spares);
    }

    /// Applies the change that somebody made meanwhile, if it was reached.
    fn after_meddling(&mut self, slot: usize) {
        let waits = self.slots[slot].stick.state().meddling.is_some();
        let Some(Meddled { path, before, now, .. }) =
            self.meddled.take_if(|meddled| meddled.slot == slot && !waits)
        else {
            return;
        };
        match now {
            // Its beginning is the previous content, so it is taken for a later version.
            Some(now) if now.starts_with(&before) && self.oracle.is_last(&path, &before) => {
                self.oracle.grow(&path, &now, true);
            }
            Some(now) => self.oracle.put_unseen(&path, &now),
            None => self.oracle.remove(&path, false),
        }
    }

    /// Another stick claims the same id: what is reported about the id may be about that one.
    pub(crate) fn shares_its_id(&self, slot: usize) -> bool {
        let id = self.id_of(slot);
        (0..self.slots.len()).any(|other| other != slot && id.is_some() && self.id_of(other) == id)
    }

    /// Checks everything the program now claims about a stick.
    pub(crate) fn check_claims(&mut self, slot: usize) -> Checked {
        let claims = self.claims_of(slot)?;
        let Slot { stick, promised, .. } = &mut self.slots[slot];
        if promised.lied {
            return Ok(());
        }
        let state = stick.state();
        self.oracle.claim(promised, &claims, state.medium.durable())
    }

    /// The catalogue's claims about every path of the mailbox: where on this stick its copies are, and whether the
    /// audit calls it safe there: a good copy, and a line that says so as of the last change at the path or later.
    pub(crate) fn claims_of(&self, slot: usize) -> Result<Vec<Claim>, Broken> {
        let asked = || -> Result<Vec<Claim>, JobError> {
            let catalogue = &self.card.catalogue;
            let mut claims = Vec::new();
            let Some(id) = self.id_of(slot) else { return Ok(claims) };
            let Some(drive) = catalogue.drive(id)? else { return Ok(claims) };
            let replica = catalogue.replica(drive.row, &station())?;
            let mailbox = self.card.mailbox()?.row;
            let trusted = catalogue.distrust_reason(drive.row)?.is_none();
            for path in self.oracle.paths() {
                let key = rel(path).key();
                let file = catalogue.file(mailbox, &key)?.filter(|f| f.state == FileState::Present);
                let is_safe = |known: &AssertedRow| {
                    let as_now =
                        |f: &FileRow| f.content == Some(known.content) && known.as_of >= f.since;
                    trusted && file.as_ref().is_some_and(as_now)
                };
                for known in catalogue.current_assertions(replica.row, mailbox, &key)? {
                    if let HeldCopy::Good(payload) =
                        catalogue.copy_status(replica.row, known.content)?
                    {
                        let identity = catalogue.identity(known.content)?;
                        claims.push(Claim {
                            path: path.to_owned(),
                            payload: payload.to_string(),
                            identity,
                            is_safe: is_safe(&known),
                        });
                    }
                }
            }
            Ok(claims)
        };
        asked().or_else(|error| broken(PANIC, format!("asking the catalogue ended in {error}")))
    }

    /// The id in a stick's id file.
    pub(crate) fn id_of(&self, slot: usize) -> Option<DriveId> {
        let state = self.slots[slot].stick.state();
        let image = state.medium.memory();
        let later = (2..10).rev().map(|number| format!("counterfoil/drive-{number}.json"));
        let file = later
            .chain(["counterfoil/drive.json".to_owned()])
            .find_map(|path| image.file(&path, Junk::Zeros))?;
        let file: serde_json::Value = serde_json::from_slice(&file).ok()?;
        file["id"].as_str()?.parse().ok()
    }

    /// The station's power fails; for each plugged stick `kept` says what survives.
    pub(crate) fn power_off(&mut self, mut kept: impl FnMut(&mut Chance) -> Kept) -> Checked {
        for slot in 0..self.slots.len() {
            if self.slots[slot].stick.state().plugged {
                self.slots[slot].stick.lose_power(kept(&mut self.chance));
                self.seen(slot)?;
                self.slots[slot].stick.plug();
            }
        }
        self.clock.boot.fetch_add(1, Ordering::Relaxed);
        self.clock.millis.store(5_000, Ordering::Relaxed);
        self.restart()
    }

    /// The daemon is started again.
    pub(crate) fn restart(&mut self) -> Checked {
        self.present_drives = PresentDrives::default();
        let begun = self.card.catalogue.begin_run(&self.clock);
        begun.or_else(|error| broken(PANIC, format!("beginning a run ended in {error}")))
    }

    /// Keeps a copy of the catalogue, to come back to.
    fn remember(&mut self) {
        if !self.chance.one_in(3) {
            return;
        }
        if let Ok(copy) = self.card.catalogue.copied() {
            self.earlier.push((copy, self.oracle.will.clone()));
        }
        if self.earlier.len() > 4 {
            self.earlier.remove(0);
        }
    }

    /// The catalogue loses its last changes; whatever it claimed stays promised.
    pub(crate) fn turn_back_catalogue(&mut self, passes: usize) {
        for _ in 0..passes {
            if let Some((earlier, will)) = self.earlier.pop() {
                self.card.catalogue = earlier;
                self.oracle.turn_back_to(&will);
                // Messages that have left since are there again, as far as the catalogue knows: they are missing.
                self.slots.iter_mut().for_each(|slot| slot.promised.forget_departures());
                self.forget();
            }
        }
    }

    pub(crate) fn lose_catalogue(&mut self) {
        let lost = std::mem::replace(&mut self.card.catalogue, Catalogue::in_memory().unwrap());
        // Kept by a file next to the catalogue.
        for mount in lost.lost_pages().unwrap() {
            self.card.catalogue.note_lost_pages(&mount).unwrap();
        }
        self.earlier.clear();
        self.oracle.forget();
        self.forget();
    }

    /// Removals are not known any more: unless a departure is recorded anew, a stick gives the message back.
    fn forget(&mut self) {
        for slot in &mut self.slots {
            slot.promised.may_give_back_all(&self.oracle);
        }
    }
}
