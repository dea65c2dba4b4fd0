//! What sticks give back: to somebody who has nothing but them, to a relief operator, to a new card. Never writes to a
//! stick.

use crate::card::{station, tree};
use crate::medium::Junk;
use crate::oracle::{Broken, Checked, FALSE, HOME, OVER, PANIC, broken, is_chain};
use crate::stick::AMPLE;
use crate::will::Will;
use crate::world::{Ended, Slot, World, powered};
use counterfoil::job::replica::NewDrivePolicy;
use counterfoil::job::restore::{
    MailboxTarget, RestoreOptions, RestoreReport, open_sources, restore,
};
use counterfoil::job::{DriveRef, JobError, Unwatched};
use std::collections::BTreeMap;
use std::path::Path;

/// Once in this many times a stick is also asked for messages without the removed ones, and once in this many times all
/// sticks together are.
const PLAIN: u64 = 5;

/// The result of a restore.
pub(crate) struct Given {
    pub(crate) files: BTreeMap<String, Vec<u8>>,
    pub(crate) report: RestoreReport,
    /// Errors of sticks that could not be read.
    pub(crate) failed: Vec<JobError>,
}

impl World {
    /// A stick on the table is unchanged, and gives back everything promised of it and nothing false.
    pub(crate) fn seen(&mut self, slot: usize) -> Checked {
        let Slot { stick, promised, .. } = &mut self.slots[slot];
        self.oracle.still_there(promised, stick.state().medium.durable())?;
        self.give_back(slot)
    }

    /// A restore from one stick alone, by somebody who has nothing else, gives everything promised of it; so does one
    /// from all sticks together. Not each time: what can be found this way is found another time.
    pub(crate) fn give_back(&self, slot: usize) -> Checked {
        let given = self.restored(&[slot], true, "back")?;
        self.gave(&[slot], &given, true)?;
        self.asked.set(self.asked.get() + 1);
        let all = self.filled();
        match self.asked.get() % PLAIN {
            0 => self.give_back_plain(&[slot]),
            2 if all.len() > 1 => self.give_back_plain(&all),
            _ => Ok(()),
        }
    }

    /// Sticks of which anything was ever promised.
    pub(crate) fn filled(&self) -> Vec<usize> {
        let filled = |slot: &usize| !self.slots[*slot].promised.is_new();
        (0..self.slots.len()).filter(filled).collect()
    }

    /// Messages removed, and recorded as such, stay away; everything else promised comes back.
    pub(crate) fn give_back_plain(&self, slots: &[usize]) -> Checked {
        let given = self.restored(slots, false, "back")?;
        self.gave(slots, &given, false)
    }

    pub(crate) fn gave(&self, slots: &[usize], given: &Given, with_removed: bool) -> Checked {
        let promised: Vec<_> = slots.iter().map(|slot| &self.slots[*slot].promised).collect();
        let spoilt = promised.iter().any(|promised| promised.is_spoilt());
        // One of several sticks may have an id that has rotted: then the others are restored from.
        if let Some(error) = given.failed.first().filter(|_| slots.len() == 1 || !spoilt) {
            return broken(FALSE, format!("a stick cannot be restored from: {error}"));
        }
        match with_removed {
            true => self.oracle.restored(&promised, &given.files, self.unsure(slots))?,
            false => self.oracle.gave_back(&promised, &given.files, self.unsure(slots))?,
        }
        match given.report.is_whole() || spoilt || self.unsure(slots) {
            true => Ok(()),
            false => broken(FALSE, format!("a restore was not whole: {:?}", given.report)),
        }
    }

    /// Whether the ledger of one of these sticks is not whole.
    fn unsure(&self, slots: &[usize]) -> bool {
        let whole = |slot: &usize| {
            let state = self.slots[*slot].stick.state();
            let ledger = state.medium.durable().file(&format!("{HOME}ledger.jsonl"), Junk::Zeros);
            ledger.is_some_and(|ledger| is_chain(&ledger))
        };
        !slots.iter().all(whole)
    }

    /// Restores from the sticks as they would be if everything stopped now, into an empty folder.
    pub(crate) fn restored(
        &self,
        slots: &[usize],
        with_removed: bool,
        folder: &str,
    ) -> Result<Given, Broken> {
        self.restored_into(slots, with_removed, &self.place.emptied(folder))
    }

    pub(crate) fn restored_into(
        &self,
        slots: &[usize],
        with_removed: bool,
        into: &Path,
    ) -> Result<Given, Broken> {
        let gather_from = |slot: &usize| {
            // On another computer, where none of the faults here occur.
            let stick = self.slots[*slot].stick.apart();
            let mut state = stick.state();
            (state.read_only, state.sabotage) =
                (false, state.sabotage.filter(|how| how.misreads()));
            (state.slow, state.room) = (0, AMPLE);
            drop(state);
            stick.plug();
            let label = format!("stick-{slot}");
            let at = label.clone().into_bytes();
            DriveRef {
                volume_source: stick.volume_source(),
                label,
                path: at,
                begin: NewDrivePolicy::Never,
            }
        };
        let drives: Vec<_> = slots.iter().map(gather_from).collect();
        let work = || -> Result<Given, JobError> {
            let sources = open_sources(&drives, &station(), &self.clock)?;
            let recorded = sources.catalogue.recorded_mailboxes_of(&station())?;
            let mut mailbox_targets: Vec<MailboxTarget> = Vec::new();
            for (row, name) in recorded {
                mailbox_targets.push(MailboxTarget { row, name, path: into.to_owned() });
            }
            if mailbox_targets.is_empty() {
                // The location of the mailbox is not known any more; one folder takes all copies that have only a
                // number.
                let name = "mailbox".parse().unwrap();
                let row = sources.catalogue.mailbox(&name, None)?;
                mailbox_targets.push(MailboxTarget { row, name, path: into.to_owned() });
            }
            let plan = RestoreOptions {
                mailbox_targets,
                with_removed,
                versions: None,
                with_doubtful: false,
                dry_run: false,
                progress: &Unwatched,
            };
            let report = restore(&sources, &plan)?;
            let failed = sources.failed.into_iter().map(|(_, error)| error).collect();
            Ok(Given { files: tree(into), report, failed })
        };
        match powered(work)? {
            Ended::Done(Ok(given)) => Ok(given),
            Ended::Done(Err(error)) => broken(PANIC, format!("a restore ended in {error}")),
            _ => broken(PANIC, "a power cut where none can be"),
        }
    }

    /// A relief operator restores into a folder that has other files already: those stay unchanged.
    pub(crate) fn relieve(&mut self) -> Checked {
        let slots: Vec<usize> = (0..self.slots.len()).collect();
        let into = self.place.emptied("relief");
        let mut there = BTreeMap::new();
        for (number, path) in self.card.messages().into_keys().enumerate() {
            if number % 2 == 0 {
                let other = format!("another message at {path}").into_bytes();
                std::fs::create_dir_all(into.join(&path).parent().unwrap()).unwrap();
                std::fs::write(into.join(&path), &other).unwrap();
                there.insert(path, other);
            }
        }
        let given = self.restored_into(&slots, false, &into)?;
        for (path, bytes) in &there {
            if given.files.get(path) != Some(bytes) {
                return broken(OVER, path.clone());
            }
        }
        Ok(())
    }

    /// The card dies; the mailbox is restored from the sticks onto a new one.
    pub(crate) fn new_card(&mut self) -> Checked {
        let slots: Vec<usize> = (0..self.slots.len()).collect();
        self.card.root = self.place.emptied("mail");
        let given = self.restored_into(&slots, false, &self.card.root)?;
        self.oracle.none_false(&given.files, self.unsure(&slots))?;
        let life = self.oracle.new_life();
        self.oracle.will = Will::new(life);
        for (path, bytes) in &given.files {
            self.oracle.put_unseen(path, bytes);
        }
        self.card.seen_gone.clear();
        self.card.hinted.clear();
        self.lose_catalogue();
        self.restart()
    }
}
