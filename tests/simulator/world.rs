//! A station in a world that goes wrong: its card, its sticks, and what happens to them. Does things and holds
//! every outcome against the oracle. Never decides what happens: histories do.

use crate::card::{Card, HandClock, Place, rel, station, tree};
use crate::chance::Chance;
use crate::hold::hold;
use crate::medium::{Junk, Kept};
use crate::oracle::{
    AUDIT, Broken, CARD, Claim, FALSE, HEALED, HOME, Held, MAILBOX, OVER, Oracle, PANIC, Promised,
    TWICE, WHOLE, broken, is_chain, listed,
};
use crate::stick::{AMPLE, Killed, PowerOff, Stick};
use counterfoil::disk::{Access, Door};
use counterfoil::job::carry::carry_on;
use counterfoil::job::catalogue::{Catalogue, Held as HeldCopy};
use counterfoil::job::drive::{Begin, Claims, make_drive};
use counterfoil::job::mirror::PassReport;
use counterfoil::job::restore::{Goal, Plan, RestoreReport, gather, restore};
use counterfoil::job::round::{self, DriveRound};
use counterfoil::job::verify::{verify, verify_logs};
use counterfoil::job::{DriveRef, JobError, Unwatched};
use counterfoil::model::{Clock as _, Digest, DriveId, Finding};
use std::collections::BTreeMap;
use std::panic::{AssertUnwindSafe, catch_unwind, resume_unwind};
use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::Ordering;

/// Times a stick lied after which nobody need trust it any more.
const LIES: u32 = 3;

/// A stick of this station.
pub(crate) struct Slot {
    pub(crate) stick: Stick,
    pub(crate) promised: Promised,
    /// The door by which the daemon knows it, and the mount it was made for: a named folder keeps its door.
    door: Option<(u64, Arc<dyn Door>)>,
}

/// All of it.
pub(crate) struct World {
    pub(crate) chance: Chance,
    pub(crate) clock: HandClock,
    pub(crate) card: Card,
    pub(crate) slots: Vec<Slot>,
    pub(crate) oracle: Oracle,
    /// Which drives the daemon has met since it was started.
    claims: Claims,
    /// Sticks carry something beside the copies, too.
    pub(crate) carries: bool,
    /// Earlier states of the catalogue: a cut may take its last changes.
    earlier: Vec<Catalogue>,
    pub(crate) place: Place,
    /// Whether to say what happens.
    pub(crate) told: bool,
}

/// What happened to some work.
pub(crate) enum Ended<T> {
    Done(T),
    /// The power failed in the middle.
    Cut,
    /// The program was ended in the middle.
    Killed,
}

/// Does some work, unless the power fails.
pub(crate) fn powered<T>(work: impl FnOnce() -> T) -> Result<Ended<T>, Broken> {
    match catch_unwind(AssertUnwindSafe(work)) {
        Ok(value) => Ok(Ended::Done(value)),
        Err(why) if why.is::<PowerOff>() => Ok(Ended::Cut),
        Err(why) if why.is::<Killed>() => Ok(Ended::Killed),
        Err(why) => match why.downcast_ref::<String>() {
            Some(text) => broken(PANIC, text.clone()),
            None => resume_unwind(why),
        },
    }
}

/// What a restore gave.
pub(crate) struct Given {
    pub(crate) files: BTreeMap<String, Vec<u8>>,
    pub(crate) report: RestoreReport,
    /// Sticks that could not be read.
    pub(crate) failed: Vec<JobError>,
}

impl World {
    pub(crate) fn new(run: &str, seed: u64) -> Self {
        let place = Place::new(run);
        counterfoil::disk::host::draw_ids_from(seed);
        let clock = HandClock::default();
        clock.boot.store(1, Ordering::Relaxed);
        clock.wall.store(1_800_000_000, Ordering::Relaxed);
        clock.millis.store(60_000, Ordering::Relaxed);
        Self {
            chance: Chance::new(seed),
            clock,
            card: Card::new(place.folder("mail")),
            slots: Vec::new(),
            oracle: Oracle::default(),
            claims: Claims::default(),
            earlier: Vec::new(),
            place,
            told: false,
            carries: false,
        }
    }

    pub(crate) fn say(&self, what: impl std::fmt::Display) {
        if self.told {
            println!("  {:>3}  {what}", self.oracle.step);
        }
    }

    /// Tells what is durable on each stick, for whoever replays a history that found something.
    pub(crate) fn show_sticks(&self) {
        for (number, slot) in self.slots.iter().enumerate().filter(|_| self.told) {
            let state = slot.stick.state();
            println!("  stick {number}, what is durable on it:");
            for (path, octets) in state.medium.durable().all() {
                println!("    {path}, {} octets", octets.len());
                if path.ends_with(".jsonl") || path.contains("manifest") {
                    String::from_utf8_lossy(&octets)
                        .lines()
                        .for_each(|line| println!("      {line}"));
                }
            }
        }
    }

    /// A new stick, in no socket. One that is named by its folder leaves a folder of the card behind when it is
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
        self.slots.push(Slot { stick, promised: Promised::default(), door: None });
        self.slots.len() - 1
    }

    /// The world was turned back: the daemon knows no stick from before.
    pub(crate) fn forget_doors(&mut self) {
        self.claims = Claims::default();
        self.slots.iter_mut().for_each(|slot| slot.door = None);
    }

    /// How far the catalogue knows the ledger of a stick, to tell two catalogues apart.
    pub(crate) fn book_print(&self, slot: usize) -> String {
        let drive = self.id_of(slot).and_then(|id| self.card.catalogue.drive(id).ok().flatten());
        let book = drive.and_then(|drive| self.card.catalogue.book(drive.row, &station()).ok());
        format!("{book:?}")
    }

    /// Another stick with the same octets, in no socket.
    pub(crate) fn copy_stick(&mut self, from: usize, same_serial: bool) -> usize {
        let Slot { stick, promised, .. } = &self.slots[from];
        let stick = stick.copied(self.slots.len() as u64 + 1, same_serial);
        let mut promised = promised.clone();
        // What was on its way to the first is not on the second for good.
        promised.after_a_lie(stick.state().medium.durable());
        promised.lied = false;
        self.slots.push(Slot { stick, promised, door: None });
        self.slots.len() - 1
    }

    fn drive_ref(&mut self, slot: usize) -> DriveRef {
        let label = format!("stick-{slot}");
        let Slot { stick, door, .. } = &mut self.slots[slot];
        let (mount, begin) = match &*stick.state() {
            state if state.mount_point.is_some() => (0, Begin::InFolder),
            state => (state.mount, Begin::OnDevice),
        };
        let door = match door.take().filter(|(of, _)| *of == mount) {
            Some((_, door)) => door,
            None => stick.door(),
        };
        self.slots[slot].door = Some((mount, Arc::clone(&door)));
        DriveRef { door, at: label.clone().into_bytes(), label, begin }
    }

    /// One pass of the daemon: the mailbox is taken in, every plugged stick brought up to date.
    pub(crate) fn pass(&mut self) -> Result<Ended<()>, Broken> {
        self.remember();
        let meddled = self.slots.iter().any(|slot| slot.stick.state().meddling.is_some());
        let before = self.card.messages();
        let (card, clock) = (&mut self.card, &self.clock);
        // A scan reads no stick, so no power fails in it.
        card.scan(clock).or_else(|error| broken(PANIC, format!("a scan ended in {error}")))?;
        let mut ended = Ended::Done(());
        for slot in 0..self.slots.len() {
            let state = self.slots[slot].stick.state();
            if !state.plugged && (state.mount_point.is_none() || self.slots[slot].promised.is_new())
            {
                // Nothing is there, or a folder that never held a drive and would be made one.
                continue;
            }
            let plugged = state.plugged;
            drop(state);
            let drive = self.drive_ref(slot);
            let round = powered(|| self.mirror(&drive))?;
            let told = match round {
                Ended::Done(round) => self.after_round(slot, &round)? && plugged,
                Ended::Cut => {
                    ended = Ended::Cut;
                    false
                }
                Ended::Killed => {
                    ended = Ended::Killed;
                    false
                }
            };
            if told || !self.shares_its_id(slot) {
                self.listen(slot)?;
            }
            self.untouched(slot)?;
            if !matches!(ended, Ended::Done(())) {
                break;
            }
        }
        if !meddled && self.card.messages() != before {
            return broken(MAILBOX, "a pass changed the mailbox");
        }
        Ok(ended)
    }

    fn mirror(&self, drive: &DriveRef) -> DriveRound {
        let mailbox = match self.card.mailbox() {
            Ok(mailbox) => mailbox,
            Err(error) => panic!("the mailbox cannot be opened: {error}"),
        };
        let (catalogue, name) = (&self.card.catalogue, station());
        let mailboxes = [mailbox];
        let (claims, clock) = (&self.claims, &self.clock);
        let round =
            round::mirror_drive(catalogue, &name, &mailboxes, drive, claims, clock, &Unwatched);
        let all = |r: &PassReport| r.copied > 0 && r.told_all && r.failed.is_empty();
        if self.carries && round.outcome.as_ref().is_ok_and(all) {
            // Whatever becomes of it is held against the messages alone, as everything else is.
            let cargo = hold(catalogue.tick().unwrap_or(0));
            drop(carry_on(catalogue, &name, drive, claims, clock, &cargo, &Unwatched));
        }
        round
    }

    /// Nothing is written where the drive is not, as long as anybody knows that there was one.
    fn untouched(&self, slot: usize) -> Held {
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

    /// What a round said is held against the stick: an error of the catalogue or of the program itself is one
    /// of the program, whatever the stick did. Whether the stick was brought up to date.
    fn after_round(&mut self, slot: usize, round: &DriveRound) -> Result<bool, Broken> {
        match &round.outcome {
            Ok(done) => self.say(format_args!(
                "  stick {slot}: copied {}, noted {}, left out {}, told all {}",
                done.copied,
                done.noted,
                done.failed.len(),
                done.told_all
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
            // That a drive holds less than was known is made durable in the catalogue.
            self.earlier.clear();
        }
        match &round.outcome {
            Ok(_) => {
                let Slot { stick, promised, .. } = &mut self.slots[slot];
                promised.lied &= !stick.state().plugged;
                Ok(true)
            }
            Err(error @ JobError::Catalogue(_)) => {
                broken(PANIC, format!("a pass ended in {error}"))
            }
            Err(_) => Ok(false),
        }
    }

    /// Another stick says that it is this one: what is said of the id may be said of that one.
    fn shares_its_id(&self, slot: usize) -> bool {
        let id = self.id_of(slot);
        (0..self.slots.len()).any(|other| other != slot && id.is_some() && self.id_of(other) == id)
    }

    /// What the program says of a stick now, and whether it is so.
    pub(crate) fn listen(&mut self, slot: usize) -> Held {
        let claims = self.claims_of(slot)?;
        let Slot { stick, promised, .. } = &mut self.slots[slot];
        if promised.lied {
            return Ok(());
        }
        let state = stick.state();
        self.oracle.told(promised, &claims, state.medium.durable())
    }

    /// The catalogue's word on every path of the mailbox: where on this stick its copy is.
    pub(crate) fn claims_of(&self, slot: usize) -> Result<Vec<Claim>, Broken> {
        let asked = || -> Result<Vec<Claim>, JobError> {
            let catalogue = &self.card.catalogue;
            let mut claims = Vec::new();
            let Some(id) = self.id_of(slot) else { return Ok(claims) };
            let Some(drive) = catalogue.drive(id)? else { return Ok(claims) };
            let book = catalogue.book(drive.row, &station())?;
            let mailbox = self.card.mailbox()?.row;
            for path in self.oracle.paths() {
                let stands = catalogue.standing_at(book.row, mailbox, &rel(path).key())?;
                let there = stands.iter().find(|known| !known.missing);
                let Some(content) = there.map(|known| known.content) else { continue };
                if let HeldCopy::Good(payload) = catalogue.held(book.row, content)? {
                    let identity = catalogue.identity(content)?;
                    claims.push(Claim {
                        path: path.to_owned(),
                        payload: payload.to_string(),
                        identity,
                    });
                }
            }
            Ok(claims)
        };
        asked().or_else(|error| broken(PANIC, format!("asking the catalogue ended in {error}")))
    }

    /// The id that a stick says it has.
    fn id_of(&self, slot: usize) -> Option<DriveId> {
        let state = self.slots[slot].stick.state();
        let image = state.medium.memory();
        let later = (2..10).rev().map(|number| format!("counterfoil/drive-{number}.json"));
        let file = later
            .chain(["counterfoil/drive.json".to_owned()])
            .find_map(|path| image.file(&path, Junk::Zeros))?;
        let file: serde_json::Value = serde_json::from_slice(&file).ok()?;
        file["id"].as_str()?.parse().ok()
    }

    /// The station's power fails; each stick in a socket keeps what `kept` says of it.
    pub(crate) fn power_off(&mut self, mut kept: impl FnMut(&mut Chance) -> Kept) -> Held {
        for slot in 0..self.slots.len() {
            if self.slots[slot].stick.state().plugged {
                self.slots[slot].stick.cut(kept(&mut self.chance));
                self.seen(slot)?;
                self.slots[slot].stick.plug();
            }
        }
        self.clock.boot.fetch_add(1, Ordering::Relaxed);
        self.clock.millis.store(5_000, Ordering::Relaxed);
        self.restart()
    }

    /// The daemon is started again.
    pub(crate) fn restart(&mut self) -> Held {
        self.claims = Claims::default();
        let begun = self.card.catalogue.begin_run(&self.clock);
        begun.or_else(|error| broken(PANIC, format!("beginning a run ended in {error}")))
    }

    /// A stick as it lies on the table is what it was, and gives back what was promised of it, and nothing
    /// false.
    pub(crate) fn seen(&mut self, slot: usize) -> Held {
        let Slot { stick, promised, .. } = &mut self.slots[slot];
        self.oracle.still_there(promised, stick.state().medium.durable())?;
        self.give_back(slot)
    }

    /// A restore from one stick alone, by somebody who has nothing else, gives what was promised of it.
    pub(crate) fn give_back(&self, slot: usize) -> Held {
        let given = self.restored(&[slot], true, "back")?;
        self.gave(&[slot], &given)
    }

    pub(crate) fn gave(&self, slots: &[usize], given: &Given) -> Held {
        if let Some(error) = given.failed.first() {
            return broken(FALSE, format!("a stick cannot be restored from: {error}"));
        }
        let promised: Vec<_> = slots.iter().map(|slot| &self.slots[*slot].promised).collect();
        self.oracle.restored(&promised, &given.files, self.unsure(slots))?;
        let spoilt = promised.iter().any(|promised| promised.is_spoilt());
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

    /// Restores from sticks as they are when everything stops now, into an empty folder.
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
            // On another computer, where nothing of what goes wrong here goes wrong.
            let stick = self.slots[*slot].stick.apart();
            let mut state = stick.state();
            (state.read_only, state.sabotage) = (false, None);
            (state.slow, state.room) = (0, AMPLE);
            drop(state);
            stick.plug();
            let label = format!("stick-{slot}");
            let at = label.clone().into_bytes();
            DriveRef { door: stick.door(), label, at, begin: Begin::Never }
        };
        let drives: Vec<_> = slots.iter().map(gather_from).collect();
        let work = || -> Result<Given, JobError> {
            let gathered = gather(&drives, &station(), &self.clock)?;
            let told = gathered.catalogue.mailboxes_told(&station())?;
            let mut goals: Vec<Goal> = Vec::new();
            for (row, name) in told {
                goals.push(Goal { row, name, path: into.to_owned() });
            }
            if goals.is_empty() {
                // Where the mailbox was is not known any more; one place takes what has only a number.
                let name = "mailbox".parse().unwrap();
                let row = gathered.catalogue.mailbox(&name, None)?;
                goals.push(Goal { row, name, path: into.to_owned() });
            }
            let plan = Plan {
                goals,
                with_removed,
                versions: None,
                with_doubtful: false,
                dry_run: false,
                progress: &Unwatched,
            };
            let report = restore(&gathered, &plan)?;
            let failed = gathered.failed.into_iter().map(|(_, error)| error).collect();
            Ok(Given { files: tree(into), report, failed })
        };
        match powered(work)? {
            Ended::Done(Ok(given)) => Ok(given),
            Ended::Done(Err(error)) => broken(PANIC, format!("a restore ended in {error}")),
            _ => broken(PANIC, "a power cut where none can be"),
        }
    }

    /// A copy of the catalogue, to come back to.
    fn remember(&mut self) {
        if !self.chance.one_in(3) {
            return;
        }
        if let Ok(copy) = self.card.catalogue.copied() {
            self.earlier.push(copy);
        }
        if self.earlier.len() > 4 {
            self.earlier.remove(0);
        }
    }

    /// The catalogue loses its last changes; whatever it said stays promised.
    pub(crate) fn turn_back_catalogue(&mut self, passes: usize) {
        for _ in 0..passes {
            if let Some(earlier) = self.earlier.pop() {
                self.card.catalogue = earlier;
                self.oracle.amnesia = true;
            }
        }
    }

    pub(crate) fn lose_catalogue(&mut self) {
        let lost = std::mem::replace(&mut self.card.catalogue, Catalogue::in_memory().unwrap());
        // What a file beside the catalogue keeps.
        for mount in lost.lost_pages().unwrap() {
            self.card.catalogue.note_lost_pages(&mount).unwrap();
        }
        self.earlier.clear();
        self.oracle.amnesia = true;
    }

    /// A relief operator restores into a folder that has other files already: those stay as they are.
    pub(crate) fn relieve(&mut self) -> Held {
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
        for (path, octets) in &there {
            if given.files.get(path) != Some(octets) {
                return broken(OVER, path.clone());
            }
        }
        Ok(())
    }

    /// The card dies; on a new one the mailbox is put back from the sticks.
    pub(crate) fn new_card(&mut self) -> Held {
        let slots: Vec<usize> = (0..self.slots.len()).collect();
        self.card.root = self.place.emptied("mail");
        let given = self.restored_into(&slots, false, &self.card.root)?;
        self.oracle.none_false(&given.files, self.unsure(&slots))?;
        for (path, octets) in &given.files {
            self.oracle.put(path, octets);
        }
        self.card.seen_gone.clear();
        self.card.hinted.clear();
        self.lose_catalogue();
        self.restart()
    }

    /// Admits a stick twice, as after two boots: the second time changes nothing.
    pub(crate) fn recover_twice(&mut self, slot: usize) -> Held {
        let mut first = None;
        for _ in 0..2 {
            self.slots[slot].stick.plug();
            self.clock.boot.fetch_add(1, Ordering::Relaxed);
            let drive = self.drive_ref(slot);
            let (catalogue, name) = (&self.card.catalogue, station());
            let opened =
                round::open(catalogue, &name, &drive, Access::Write, &self.claims, &self.clock);
            match opened {
                Ok(admitted) => {
                    let found = &admitted.findings;
                    self.say(format_args!("  stick {slot} is admitted: {found:?}"));
                }
                // A named folder whose stick lost even its id: only a person can tell that this is it.
                Err(JobError::DriveAway { .. }) => {
                    let volume = drive.door.open(Access::Write);
                    let made = volume.map(|volume| make_drive(&*volume, &self.clock));
                    if let Ok(Err(error)) = made {
                        return broken(HEALED, format!("adding a drive ended in {error}"));
                    }
                    return self.recover_twice(slot);
                }
                // An octet of its id that rotted into a later format: it can be restored from.
                Err(JobError::NewerFormat { .. }) if self.slots[slot].promised.is_spoilt() => {
                    self.slots[slot].stick.pull();
                    return Ok(());
                }
                // It came back again and again without what it had called durable: its operator begins afresh with it.
                Err(JobError::Untrusted { .. }) if self.slots[slot].promised.lies >= LIES => {
                    self.begin_afresh(&drive)?;
                    return self.recover_twice(slot);
                }
                Err(error) => return broken(HEALED, format!("an admission ended in {error}")),
            }
            let now = self.slots[slot].stick.state().medium.memory().clone();
            let files: Vec<_> = now.all().map(|(path, octets)| (path.to_owned(), octets)).collect();
            match first {
                None => first = Some(files),
                Some(ref before) if *before == files => {}
                Some(before) => {
                    let other = files.into_iter().find(|file| !before.contains(file));
                    let (path, now) = other.unwrap_or_default();
                    let was =
                        before.into_iter().find(|(other, _)| *other == path).unwrap_or_default().1;
                    let text = |octets: &[u8]| String::from_utf8_lossy(octets).into_owned();
                    let how =
                        format!("stick {slot}: {path} was\n{}\nand is\n{}", text(&was), text(&now));
                    return broken(TWICE, how);
                }
            }
        }
        Ok(())
    }

    fn begin_afresh(&self, drive: &DriveRef) -> Held {
        let known = self.card.catalogue.drive_at(&drive.at).unwrap();
        let Some(row) = known else { return broken(HEALED, "an unknown drive is distrusted") };
        self.card.catalogue.begin_afresh(row.row, self.clock.stamp().time).unwrap();
        Ok(())
    }

    /// Everything that was wrong is mended; then every message is on every stick that can hold one, the bags
    /// are whole, and each stick alone gives the mailbox back.
    pub(crate) fn heal(&mut self) -> Held {
        for slot in &self.slots {
            let mut state = slot.stick.state();
            (state.read_only, state.room, state.slow, state.mishap) = (false, AMPLE, 0, None);
            (state.medium.discards, state.meddling) = (false, None);
            drop(state);
            slot.stick.plug();
        }
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
            if !self.slots[slot].promised.ledger_spoilt {
                let given = self.restored(&[slot], false, "back")?;
                self.oracle.same(&mailbox, &given.files)?;
            }
        }
        Ok(())
    }

    /// A message that is not on a stick in a socket, by the program's own word; none if all are on each.
    fn all_mirrored(&self) -> Result<Option<String>, Broken> {
        let mailbox = self.card.messages();
        for slot in 0..self.slots.len() {
            if !self.slots[slot].stick.state().plugged {
                continue;
            }
            let claims = self.claims_of(slot)?;
            for (path, octets) in &mailbox {
                let digest = Digest::of(octets);
                if !claims.iter().any(|c| c.path == *path && c.identity.digest == digest) {
                    return Ok(Some(format!("{path} is not mirrored on stick {slot}")));
                }
            }
        }
        Ok(None)
    }

    /// A person has everything on a stick read again.
    pub(crate) fn verify(&mut self, slot: usize) -> Result<Ended<()>, Broken> {
        let drive = self.drive_ref(slot);
        let mishaps = self.slots[slot].stick.state().mishaps;
        let (catalogue, name) = (&self.card.catalogue, station());
        let verified = powered(|| -> Result<_, JobError> {
            let open =
                || round::open(catalogue, &name, &drive, Access::Write, &self.claims, &self.clock);
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
            Ended::Cut => ended = Ended::Cut,
            Ended::Killed => ended = Ended::Killed,
        }
        if !self.shares_its_id(slot) {
            self.listen(slot)?;
        }
        Ok(ended)
    }

    /// Every copy is listed once under the hash it has, unless somebody spoilt that.
    fn whole_bag(&self, slot: usize) -> Held {
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
            .map(|(path, octets)| (path[HOME.len()..].to_owned(), vec![Digest::of(&octets)]))
            .filter(|(payload, _)| !promised.excused.contains(payload))
            .collect();
        for (payload, digest) in &there {
            if listed.get(payload) != Some(digest) {
                let ledger =
                    image.file(&format!("{HOME}ledger.jsonl"), Junk::Zeros).unwrap_or_default();
                let told = String::from_utf8_lossy(&ledger).into_owned();
                let told: Vec<_> = told.lines().filter(|line| line.contains(payload)).collect();
                let how =
                    format!("{payload} is listed {:?}; the ledger: {told:#?}", listed.get(payload));
                return broken(WHOLE, how);
            }
        }
        // What a failed sync left was seen in memory, and may never have come to the medium: it is debris.
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
