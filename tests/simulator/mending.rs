//! All faults are repaired, and then everything must be well: every message on every stick, the bags whole, each stick
//! alone the mailbox again. Never causes a fault.

use crate::card::station;
use crate::medium::Junk;
use crate::oracle::{
    AUDIT, Broken, Checked, Claim, HEALED, HOME, PANIC, TWICE, WHOLE, broken, listed,
};
use crate::stick::AMPLE;
use crate::world::{Ended, Slot, World, powered};
use counterfoil::disk::Access;
use counterfoil::job::replica::make_drive;
use counterfoil::job::replica::verify::{verify, verify_logs};
use counterfoil::job::{DriveRef, JobError, Unwatched, sync_drive};
use counterfoil::model::{Clock as _, Digest};
use std::collections::BTreeMap;
use std::sync::atomic::Ordering;

/// How often a stick may lie before nobody need trust it any more.
const LIES: u32 = 3;

impl World {
    /// Opens a stick twice, as after two boots: the second time changes nothing.
    pub(crate) fn recover_twice(&mut self, slot: usize) -> Checked {
        let mut first = None;
        for _ in 0..2 {
            self.slots[slot].stick.plug();
            self.clock.boot.fetch_add(1, Ordering::Relaxed);
            let drive = self.drive_ref(slot);
            self.oracle.will.knows.learn(&self.slots[slot].promised.knows);
            let (catalogue, name) = (&self.card.catalogue, station());
            let opened = sync_drive::open(
                catalogue,
                &name,
                &drive,
                Access::Write,
                &self.present_drives,
                &self.clock,
            );
            match opened {
                Ok(admitted) => {
                    let found = &admitted.findings;
                    self.say(format_args!("  stick {slot} is admitted: {found:?}"));
                }
                // A named folder whose stick lost even its id: only a person can confirm the stick.
                Err(JobError::DriveAway { .. }) => {
                    let volume = drive.volume_source.open(Access::Write);
                    let made = volume.map(|volume| make_drive(&*volume, &self.clock));
                    if let Ok(Err(error)) = made {
                        return broken(HEALED, format!("adding a drive ended in {error}"));
                    }
                    return self.recover_twice(slot);
                }
                // A byte of its id rotted into a later format: it can still be restored from.
                Err(JobError::NewerFormat { .. }) if self.slots[slot].promised.is_spoilt() => {
                    self.slots[slot].stick.pull();
                    return Ok(());
                }
                // It came back several times without what it had reported durable: its operator trusts it anew.
                Err(JobError::Untrusted { .. }) if self.slots[slot].promised.lies >= LIES => {
                    self.begin_afresh(&drive)?;
                    return self.recover_twice(slot);
                }
                Err(error) => return broken(HEALED, format!("an admission ended in {error}")),
            }
            let now = self.slots[slot].stick.state().medium.memory().clone();
            let files: Vec<_> = now.all().map(|(path, bytes)| (path.to_owned(), bytes)).collect();
            match first {
                None => first = Some(files),
                Some(ref before) if *before == files => {}
                Some(before) => {
                    let other = files.into_iter().find(|file| !before.contains(file));
                    let (path, now) = other.unwrap_or_default();
                    let was =
                        before.into_iter().find(|(other, _)| *other == path).unwrap_or_default().1;
                    let text = |bytes: &[u8]| String::from_utf8_lossy(bytes).into_owned();
                    let how =
                        format!("stick {slot}: {path} was\n{}\nand is\n{}", text(&was), text(&now));
                    return broken(TWICE, how);
                }
            }
        }
        Ok(())
    }

    fn begin_afresh(&self, drive: &DriveRef) -> Checked {
        let known = self.card.catalogue.drive_at(&drive.path).unwrap();
        let Some(row) = known else { return broken(HEALED, "an unknown drive is distrusted") };
        self.card.catalogue.restore_trust(row.row, self.clock.event_time().time).unwrap();
        Ok(())
    }

    /// All faults are repaired; then every message is on every stick that has room for it, the bags are whole, and each
    /// stick alone gives the mailbox back.
    pub(crate) fn heal(&mut self) -> Checked {
        for slot in &self.slots {
            let mut state = slot.stick.state();
            (state.read_only, state.room, state.slow, state.mishap) = (false, AMPLE, 0, None);
            (state.medium.discards, state.meddling) = (false, None);
            drop(state);
            slot.stick.plug();
        }
        self.meddled = None;
        self.restart()?;
        for slot in 0..self.slots.len() {
            self.recover_twice(slot)?;
            self.verify(slot).map(drop)?;
        }
        for _ in 0..4 {
            self.clock.millis.fetch_add(60_000, Ordering::Relaxed);
            self.pass()?;
            if self.all_mirrored()?.is_none() {
                break;
            }
        }
        if let Some(not_yet) = self.all_mirrored()? {
            return broken(HEALED, not_yet);
        }
        let mailbox = self.card.messages();
        for slot in 0..self.slots.len() {
            if !self.slots[slot].stick.state().plugged {
                continue;
            }
            let Slot { stick, promised, .. } = &mut self.slots[slot];
            stick.state().medium.settle();
            self.oracle.still_there(promised, stick.state().medium.durable())?;
            self.whole_bag(slot)?;
            let given = self.restored(&[slot], false, "back")?;
            let promised = &self.slots[slot].promised;
            if !promised.ledger_spoilt {
                self.oracle.same(promised, &mailbox, &given.files, self.cards == 1)?;
            }
            // Whatever has rotted, what is safe there comes back, and recorded departures stay in force.
            self.gave(&[slot], &given, false)?;
        }
        let all = self.filled();
        // Not each time: a fault that can be found this way is found another time.
        match all.len() > 1 && self.asked.get().is_multiple_of(2) {
            true => self.give_back_plain(&all),
            false => Ok(()),
        }
    }

    /// A message that is not on some plugged stick, according to the program; none if all are on each.
    fn all_mirrored(&self) -> Result<Option<String>, Broken> {
        let mailbox = self.card.messages();
        for slot in 0..self.slots.len() {
            if !self.slots[slot].stick.state().plugged {
                continue;
            }
            let claims = self.claims_of(slot)?;
            for (path, bytes) in &mailbox {
                let digest = Digest::of(bytes);
                let is_it = |c: &Claim| c.path == *path && c.identity.digest == digest;
                if !claims.iter().any(|c| is_it(c) && c.is_safe) {
                    return Ok(Some(format!("{path} is not safe on stick {slot}")));
                }
            }
        }
        Ok(None)
    }

    /// A person has everything on a stick read again.
    pub(crate) fn verify(&mut self, slot: usize) -> Result<Ended<()>, Broken> {
        let drive = self.drive_ref(slot);
        let mishaps = self.slots[slot].stick.state().mishaps;
        self.oracle.will.knows.learn(&self.slots[slot].promised.knows);
        let (catalogue, name) = (&self.card.catalogue, station());
        let verified = powered(|| -> Result<_, JobError> {
            let open = || {
                sync_drive::open(
                    catalogue,
                    &name,
                    &drive,
                    Access::Write,
                    &self.present_drives,
                    &self.clock,
                )
            };
            let mut admitted = open()?;
            if !verify_logs(catalogue, &admitted, &Unwatched)?.is_empty() {
                drop(admitted);
                admitted = open()?;
            }
            verify(catalogue, &mut admitted, &self.clock, &Unwatched, true)
        })?;
        let mut ended = Ended::Done(());
        match verified {
            Ended::Done(Err(error @ JobError::Catalogue(_))) => {
                return broken(PANIC, format!("a verify ended in {error}"));
            }
            Ended::Done(Ok(report)) => {
                let promised = &mut self.slots[slot].promised;
                promised.lied = false;
                let bad = report.damaged.len() + report.missing.len();
                let undisturbed = self.slots[slot].stick.state().mishaps == mishaps;
                let promised = &self.slots[slot].promised;
                if bad > 0 && undisturbed && !promised.is_spoilt() {
                    return broken(AUDIT, format!("a verify calls {bad} good copies bad"));
                }
            }
            Ended::Done(Err(_)) => {}
            Ended::PowerFailed => ended = Ended::PowerFailed,
            Ended::Killed => ended = Ended::Killed,
        }
        if !self.shares_its_id(slot) {
            self.check_claims(slot)?;
        }
        Ok(ended)
    }

    /// Every copy is listed once under its hash, unless somebody damaged that.
    fn whole_bag(&self, slot: usize) -> Checked {
        let Slot { stick, promised, .. } = &self.slots[slot];
        if promised.manifest_spoilt || promised.ledger_spoilt || promised.lies > 0 {
            return Ok(());
        }
        let state = stick.state();
        let image = state.medium.durable();
        let manifest = image.file(&format!("{HOME}manifest-sha256.txt"), Junk::Zeros);
        let listed = listed(&manifest.unwrap_or_default());
        let data = format!("{HOME}data/");
        let copies = image.all().filter(|(path, _)| path.starts_with(&data));
        let there: BTreeMap<String, Vec<Digest>> = copies
            .map(|(path, bytes)| (path[HOME.len()..].to_owned(), vec![Digest::of(&bytes)]))
            .filter(|(payload, _)| !promised.excused.contains(payload))
            .collect();
        for (payload, digest) in &there {
            if listed.get(payload) != Some(digest) {
                let ledger =
                    image.file(&format!("{HOME}ledger.jsonl"), Junk::Zeros).unwrap_or_default();
                let text = String::from_utf8_lossy(&ledger).into_owned();
                let lines: Vec<_> = text.lines().filter(|line| line.contains(payload)).collect();
                let how = format!(
                    "{payload} is listed {:?}; the ledger: {lines:#?}",
                    listed.get(payload)
                );
                return broken(WHOLE, how);
            }
        }
        // The result of a failed sync was seen in memory, and may never have reached the medium: it is debris.
        let ledger = image.file(&format!("{HOME}ledger.jsonl"), Junk::Zeros).unwrap_or_default();
        let ledger = String::from_utf8_lossy(&ledger).into_owned();
        let debris: Vec<_> = ledger.lines().filter(|line| line.contains("\"debris\"")).collect();
        let excused = |payload: &String| {
            promised.excused.contains(payload)
                || debris.iter().any(|line| line.contains(payload.as_str()))
        };
        match listed.keys().find(|payload| !there.contains_key(*payload) && !excused(payload)) {
            Some(payload) => broken(WHOLE, format!("{payload} is listed and not there")),
            None => Ok(()),
        }
    }
}
