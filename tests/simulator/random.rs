//! Long random histories. Decides what happens, from a seed alone; what that means is decided by the world.

use crate::medium::{Junk, Kept};
use crate::oracle::{Broken, Checked};
use crate::sabotage::Sabotage;
use crate::stick::{AMPLE, Lasting, Mishap};
use crate::support::mail::message;
use crate::world::{Ended, Meddled, World};
use rustix::io::Errno;
use std::sync::atomic::Ordering;

/// Errors that a stick or the system below it was seen to return.
pub(crate) const ERRORS: [Errno; 8] = [
    Errno::IO,
    Errno::NOSPC,
    Errno::ROFS,
    Errno::NODEV,
    Errno::INTR,
    Errno::STALE,
    Errno::MFILE,
    Errno::ACCESS,
];

/// Where messages may be. No path is a folder on the way to another.
const PATHS: [&str; 8] = [
    "inbox/1.eml",
    "inbox/2.eml",
    "inbox/3.b2f",
    "inbox/4",
    "archive/1.eml",
    "archive/5.eml",
    "sent/6.eml",
    "sent/q0aaa/7.eml",
];

/// What a run did.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub(crate) struct Counts {
    pub(crate) histories: u64,
    pub(crate) steps: u64,
    /// How often the power failed or a stick was pulled.
    pub(crate) power_failures: u64,
    /// Errors and mishaps that occurred at a call.
    pub(crate) faults: u64,
    /// Calls of the program to a stick.
    pub(crate) calls: u64,
    /// Fingerprint of the whole run.
    pub(crate) trace: u64,
}

impl Counts {
    pub(crate) fn add(&mut self, other: Self) {
        self.histories += other.histories;
        self.steps += other.steps;
        self.power_failures += other.power_failures;
        self.faults += other.faults;
        self.calls += other.calls;
        self.trace = self.trace.rotate_left(5) ^ other.trace;
    }
}

/// One history in this many has sticks with extras.
const CARRIES: u64 = 7;

/// One history in this many has several cards.
const CARDS: u64 = 7;

/// A history in progress.
pub(crate) struct History {
    pub(crate) world: World,
    counts: Counts,
    messages: u64,
    /// There may be several cards.
    cards: bool,
}

/// Runs the history of that seed. `run` names its folder.
pub(crate) fn history(
    run: &str,
    seed: u64,
    sabotage: Option<Sabotage>,
    verbose: bool,
) -> Result<Counts, Broken> {
    let mut world = World::new(run, seed);
    world.verbose = verbose;
    // Only in some: it makes a history much longer, and the seeds kept in `seeds` found their faults without it.
    world.sabotage = sabotage;
    world.carries = sabotage.is_none() && seed % CARRIES == 1;
    let cards = seed % CARDS == 2;
    let mut history = History { world, counts: Counts::default(), messages: 0, cards };
    history.run().inspect_err(|_| history.world.show_sticks())?;
    let mut counts = history.counts;
    counts.histories = 1;
    for slot in &history.world.slots {
        let state = slot.stick.state();
        counts.calls += state.calls;
        counts.faults += state.mishaps;
        counts.trace = counts.trace.rotate_left(7) ^ state.trace;
    }
    Ok(counts)
}

impl History {
    fn run(&mut self) -> Checked {
        for _ in 0..=self.below(2) {
            self.new_stick();
        }
        self.plug();
        for _ in 0..1 + self.below(3) {
            self.deliver()?;
        }
        let steps = 4 + self.below(14);
        for _ in 0..steps {
            self.step()?;
        }
        self.say("everything is mended");
        self.world.heal()
    }

    fn below(&mut self, bound: u64) -> u64 {
        self.world.chance.below(bound)
    }

    fn say(&self, what: impl std::fmt::Display) {
        self.world.say(what);
    }

    fn step(&mut self) -> Checked {
        self.world.oracle.step += 1;
        self.counts.steps += 1;
        if self.cards && self.below(3) == 0 {
            self.cards()?;
            return self.pass();
        }
        match self.below(100) {
            0..15 => self.deliver()?,
            15..20 => self.deliver_again()?,
            20..26 => self.replace(),
            26..31 => self.rename(),
            31..35 => self.remove(),
            35..39 => self.spoil_message(),
            39..43 => self.grow(),
            43..48 => self.plug(),
            48..53 => self.pull()?,
            53..60 => self.mishap(),
            60..68 => self.doom(),
            68..72 => return self.lose_power(),
            72..75 => self.jump_clock(),
            75..77 => {
                self.say("the daemon is started again");
                self.world.restart()?;
            }
            77..79 => {
                self.say("the catalogue is lost");
                self.world.lose_catalogue();
            }
            79..82 => self.rot(),
            82..85 => self.lie()?,
            85..87 => self.wear()?,
            87..89 => self.copy_stick(),
            89..91 => self.new_stick(),
            91..93 => return self.verify(),
            93..95 => {
                self.say("a relief operator restores beside other files");
                return self.world.relieve();
            }
            95..96 => {
                self.say("the card dies; a new one gets what the sticks hold");
                return self.world.new_card();
            }
            96..98 => self.hinder(),
            _ => self.meddle(),
        }
        self.pass()
    }

    /// Events with several cards, or in which the same message comes and goes more than once.
    fn cards(&mut self) -> Checked {
        let spares = self.world.spares.len() as u64;
        match self.below(8) {
            0 if spares < 2 => {
                self.say("the card is copied");
                self.world.copy_card();
            }
            1..4 if spares > 0 => {
                let spare = self.below(spares) as usize;
                self.say(format_args!("another card is put in: {spare} of those in the drawer"));
                self.world.change_cards(spare)?;
            }
            4 => self.rewrite(),
            5 => self.rot_line(),
            _ => self.come_back(),
        }
        Ok(())
    }

    /// Another message is written where one is, unseen.
    fn rewrite(&mut self) {
        let Some((path, _)) = self.some_message() else { return };
        let text = self.text();
        self.say(format_args!("{path} is written over by another"));
        self.world.oracle.put_unseen(&path, &text);
        self.world.card.write_over(&path, &text);
    }

    /// A message comes back to its earlier path.
    fn come_back(&mut self) {
        let there = self.world.card.messages();
        let mut left = self.world.oracle.left();
        left.retain(|(path, _)| !there.contains_key(path));
        let Some((path, text)) = self.world.chance.pick(&left).cloned() else { return };
        self.say(format_args!("{path} is there again as it was"));
        self.world.deliver(&path, &text);
    }

    /// A line of a ledger becomes unreadable.
    fn rot_line(&mut self) {
        let slot = self.below(self.world.slots.len() as u64) as usize;
        let stick = self.world.slots[slot].stick.clone();
        let mut state = stick.state();
        let path = format!("{}ledger.jsonl", crate::oracle::HOME);
        let Some(ledger) = state.medium.durable().file(&path, Junk::Zeros) else { return };
        if state.medium.on_their_way() > 0 || ledger.is_empty() {
            return;
        }
        let lines: Vec<_> = (0..ledger.len()).filter(|at| ledger[*at] == b'{').collect();
        let Some(at) = self.world.chance.pick(&lines).copied() else { return };
        self.say(format_args!("the line at byte {at} of the ledger of stick {slot} is lost"));
        self.world.slots[slot].promised.ledger_spoilt = true;
        state.medium.tamper(&path, |bytes| bytes[at] = b'#');
    }

    /// The daemon's next pass, and the result of a power failure in it.
    fn pass(&mut self) -> Checked {
        let ended = self.world.pass()?;
        self.after(ended)
    }

    fn after(&mut self, ended: Ended<()>) -> Checked {
        match ended {
            Ended::Done(()) => self.lay_down_pulled(),
            Ended::PowerFailed => {
                self.say("  and in the middle of it the power fails");
                self.power_off()
            }
            Ended::Killed => {
                self.say("  and in the middle of it the program is ended");
                self.counts.power_failures += 1;
                self.lay_down_pulled()?;
                self.world.restart()
            }
        }
    }

    /// A stick that was pulled during a pass lies on the table, as the pull left it.
    fn lay_down_pulled(&mut self) -> Checked {
        for slot in 0..self.world.slots.len() {
            let stick = &self.world.slots[slot].stick;
            let pulled = {
                let state = stick.state();
                !state.plugged && !state.medium.is_at_rest()
            };
            if pulled {
                self.counts.power_failures += 1;
                let kept = kept(&mut self.world.chance);
                self.world.slots[slot].stick.lose_power(kept);
                self.world.seen(slot)?;
            }
        }
        Ok(())
    }

    fn power_off(&mut self) -> Checked {
        self.counts.power_failures += 1;
        self.lay_down_pulled()?;
        match self.below(8) {
            0 => {
                self.say("  and the catalogue loses its last changes");
                let passes = 1 + self.below(2) as usize;
                self.world.turn_back_catalogue(passes);
            }
            1 => {
                self.say("  and takes the catalogue with it");
                self.world.lose_catalogue();
            }
            _ => {}
        }
        self.world.power_off(kept)
    }

    fn lose_power(&mut self) -> Checked {
        self.say("the power fails");
        self.power_off()
    }

    fn text(&mut self) -> Vec<u8> {
        self.messages += 1;
        // Mostly small, as mail on a slow link is; at times longer than the program's buffers.
        let length = match self.below(40) {
            0 => 140 << 10,
            1..8 => 2_000,
            _ => 20 + self.below(700),
        };
        let mut text = message(&format!("message {}", self.messages), "").into_bytes();
        let body = format!("water level {}, road open; ", self.messages);
        text.extend(body.bytes().cycle().take(length as usize));
        text
    }

    fn free_path(&mut self) -> Option<&'static str> {
        let there = self.world.card.messages();
        let free: Vec<_> = PATHS.into_iter().filter(|path| !there.contains_key(*path)).collect();
        self.world.chance.pick(&free).copied()
    }

    fn some_message(&mut self) -> Option<(String, Vec<u8>)> {
        let there: Vec<_> = self.world.card.messages().into_iter().collect();
        self.world.chance.pick(&there).cloned()
    }

    fn deliver(&mut self) -> Checked {
        let Some(path) = self.free_path() else { return Ok(()) };
        let text = self.text();
        self.say(format_args!("{path} is delivered, {} bytes", text.len()));
        self.world.deliver(path, &text);
        Ok(())
    }

    /// The same message at a second path.
    fn deliver_again(&mut self) -> Checked {
        let (Some((_, text)), Some(path)) = (self.some_message(), self.free_path()) else {
            return Ok(());
        };
        self.say(format_args!("{path} is delivered, the same as another"));
        self.world.deliver(path, &text);
        Ok(())
    }

    fn replace(&mut self) {
        let Some((path, _)) = self.some_message() else { return };
        let text = self.text();
        self.say(format_args!("{path} is replaced"));
        self.world.deliver(&path, &text);
    }

    fn rename(&mut self) {
        let (Some((from, text)), Some(to)) = (self.some_message(), self.free_path()) else {
            return;
        };
        self.say(format_args!("{from} is moved to {to}"));
        self.world.rename(&from, to, &text);
    }

    fn remove(&mut self) {
        let Some((path, _)) = self.some_message() else { return };
        let seen = self.below(2) == 0;
        self.say(format_args!("{path} {}", if seen { "is deleted" } else { "vanishes" }));
        self.world.remove(&path, seen);
    }

    /// A card damages a message in a power failure.
    fn spoil_message(&mut self) {
        let Some((path, mut text)) = self.some_message() else { return };
        let how = match self.below(3) {
            0 => {
                text.clear();
                "emptied"
            }
            1 => {
                text.truncate(text.len() / 2);
                "cut short"
            }
            _ => {
                text.fill(0);
                "filled with NUL"
            }
        };
        if text.len() < 70 && how != "emptied" {
            return;
        }
        self.say(format_args!("{path} is {how} on the card"));
        self.world.oracle.damage(&path, &text);
        self.world.card.write_over(&path, &text);
    }

    fn grow(&mut self) {
        let Some((path, mut text)) = self.some_message() else { return };
        if text.is_empty() {
            return;
        }
        self.say(format_args!("{path} grows"));
        text.extend_from_slice(b"and more of it\r\n");
        self.world.oracle.grow(&path, &text, false);
        self.world.card.write_over(&path, &text);
    }

    fn new_stick(&mut self) {
        if self.world.slots.len() >= 3 {
            return;
        }
        let named = self.below(3) == 0;
        let slot = self.world.add_stick(named);
        self.say(format_args!(
            "stick {slot} is bought{}",
            if named { ", to be named by its folder" } else { "" }
        ));
    }

    fn some_stick(&mut self, plugged: bool) -> Option<usize> {
        let slots = self.world.slots.iter().enumerate();
        let fit: Vec<_> =
            slots.filter(|(_, s)| s.stick.state().plugged == plugged).map(|(at, _)| at).collect();
        self.world.chance.pick(&fit).copied()
    }

    fn plug(&mut self) {
        let Some(slot) = self.some_stick(false) else { return };
        self.say(format_args!("stick {slot} is plugged in"));
        self.world.slots[slot].stick.plug();
    }

    fn pull(&mut self) -> Checked {
        let Some(slot) = self.some_stick(true) else { return Ok(()) };
        self.counts.power_failures += 1;
        self.say(format_args!("stick {slot} is pulled"));
        let kept = kept(&mut self.world.chance);
        self.world.slots[slot].stick.lose_power(kept);
        self.world.seen(slot)
    }

    /// Plants an error at some call of the next pass.
    fn mishap(&mut self) {
        let Some(slot) = self.some_stick(true) else { return };
        let errno = *self.world.chance.pick(&ERRORS).unwrap_or(&Errno::IO);
        let lasting = if self.below(2) == 0 { Lasting::Once } else { Lasting::ForEver };
        self.at_some_call(slot, Mishap::Error(errno, lasting));
    }

    /// Plants a power failure, or the pulling of the stick, at some call of the next pass.
    fn doom(&mut self) {
        let Some(slot) = self.some_stick(true) else { return };
        let mishap = match self.below(6) {
            0 | 1 => Mishap::Pull,
            2 => Mishap::Kill,
            _ => Mishap::PowerOff,
        };
        self.at_some_call(slot, mishap);
        // Otherwise there may be nothing to do in that pass.
        if self.below(2) == 0 {
            drop(self.deliver());
        }
    }

    fn at_some_call(&mut self, slot: usize, mishap: Mishap) {
        let ahead = 1 + self.below(45);
        self.say(format_args!("{ahead} calls from now on stick {slot}: {mishap:?}"));
        let mut state = self.world.slots[slot].stick.state();
        state.mishap = Some((state.calls + ahead, mishap));
    }

    fn jump_clock(&mut self) {
        let days = [-20_000, -365, -1, 1, 400][self.below(5) as usize];
        self.say(format_args!("the clock jumps by {days} days"));
        self.world.clock.wall.fetch_add(days * 86_400, Ordering::Relaxed);
        if self.below(4) == 0 {
            self.world.clock.wall.store(0, Ordering::Relaxed);
        }
    }

    /// A byte on a stick changes.
    fn rot(&mut self) {
        let slot = self.below(self.world.slots.len() as u64) as usize;
        let stick = self.world.slots[slot].stick.clone();
        let mut state = stick.state();
        if state.medium.on_their_way() > 0 {
            return;
        }
        let files: Vec<_> = state
            .medium
            .durable()
            .all()
            .map(|(path, bytes)| (path.to_owned(), bytes.len()))
            .collect();
        let Some((path, length)) = self.world.chance.pick(&files).cloned() else { return };
        if length == 0 {
            return;
        }
        let (at, bit) =
            (self.world.chance.below(length as u64) as usize, self.world.chance.below(8));
        self.say(format_args!("{path} on stick {slot} rots at byte {at}, bit {bit}"));
        let promised = &mut self.world.slots[slot].promised;
        match path.rsplit('/').next().unwrap_or_default() {
            "ledger.jsonl" => promised.ledger_spoilt = true,
            "manifest-sha256.txt" => promised.manifest_spoilt = true,
            _ => {
                let payload = path.strip_prefix(crate::oracle::HOME).unwrap_or(&path);
                promised.excused.insert(payload.to_owned());
            }
        }
        state.medium.tamper(&path, |bytes| bytes[at] ^= 1 << bit);
    }

    /// A device that lost what it had reported durable, as it comes back.
    fn lie(&mut self) -> Checked {
        let slot = self.below(self.world.slots.len() as u64) as usize;
        let flushes = 1 + self.below(3) as usize;
        let stick = self.world.slots[slot].stick.clone();
        let mut state = stick.state();
        let mut chance = self.world.chance.branch();
        let all = chance.one_in(2);
        let lost = state.medium.lose_flushes(flushes, || all || chance.one_in(2));
        self.world.slots[slot].promised.after_a_lie(state.medium.durable());
        let plugged = state.plugged;
        drop(state);
        self.say(format_args!(
            "stick {slot} lost of what it called durable in its last {lost} flushes"
        ));
        if plugged {
            stick.plug();
        }
        Ok(())
    }

    /// A worn stick accepts writes and keeps nothing: no pass may report anything new as mirrored on it.
    fn wear(&mut self) -> Checked {
        let Some(slot) = self.some_stick(true) else { return Ok(()) };
        self.say(format_args!("stick {slot} takes writes and keeps none of them, in this pass"));
        self.world.slots[slot].stick.state().medium.discards = true;
        let ended = self.world.pass()?;
        self.world.slots[slot].stick.state().medium.discards = false;
        if !matches!(ended, Ended::Done(())) {
            return self.after(ended);
        }
        let kept = kept(&mut self.world.chance);
        self.world.slots[slot].stick.lose_power(kept);
        self.world.seen(slot)
    }

    fn copy_stick(&mut self) {
        if self.world.slots.len() >= 3 {
            return;
        }
        let from = self.below(self.world.slots.len() as u64) as usize;
        if self.world.slots[from].promised.is_spoilt() {
            return;
        }
        let same_serial = self.below(2) == 0;
        let copy = self.world.copy_stick(from, same_serial);
        self.say(format_args!(
            "stick {copy} is a copy of stick {from}, serial and all: {same_serial}"
        ));
    }

    fn verify(&mut self) -> Checked {
        let Some(slot) = self.some_stick(true) else { return Ok(()) };
        self.say(format_args!("stick {slot} is read again"));
        let ended = self.world.verify(slot)?;
        self.after(ended)
    }

    /// A stick becomes full, or write-protected, or slow; or none of these any more.
    fn hinder(&mut self) {
        let Some(slot) = self.some_stick(true) else { return };
        let full = (4 << 20) + self.below(80 << 10);
        let (room, read_only, slow) = match self.below(4) {
            0 => (full, false, 0),
            1 => (AMPLE, true, 0),
            2 => (AMPLE, false, 700),
            _ => (AMPLE, false, 0),
        };
        self.say(format_args!(
            "stick {slot}: room {room}, read-only {read_only}, {slow} ms a call"
        ));
        let mut state = self.world.slots[slot].stick.state();
        (state.room, state.read_only, state.slow) = (room, read_only, slow);
    }

    /// Between scan and copy, a message is replaced, grows or disappears.
    fn meddle(&mut self) {
        let (Some(slot), Some((path, old))) = (self.some_stick(true), self.some_message()) else {
            return;
        };
        drop(self.deliver());
        let at = self.world.card.at(&path);
        let text = self.text();
        let what = self.below(3);
        self.say(format_args!("between look and copy {path} changes ({what})"));
        let now = match what {
            0 => Some(text),
            1 => Some([old.clone(), b"more".to_vec()].concat()),
            _ => None,
        };
        let meddled = Meddled { slot, path, before: old, now: now.clone() };
        self.world.meddled = Some(meddled);
        self.world.slots[slot].stick.state().meddling = Some(Box::new(move || match now {
            Some(now) => drop(std::fs::write(at, now)),
            None => drop(std::fs::remove_file(at)),
        }));
    }
}

/// Which changes survive a power failure: mostly decided for each change, at times everything or nothing.
pub(crate) fn kept(chance: &mut crate::chance::Chance) -> Kept {
    let junk = [Junk::Zeros, Junk::Ones, Junk::Stale][chance.below(3) as usize];
    let (last, earlier) = match chance.below(5) {
        0 => (0, false),
        1 => (u64::MAX, true),
        _ => (chance.bits(), chance.one_in(2)),
    };
    Kept { last, count: 64, earlier, junk }
}
