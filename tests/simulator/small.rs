//! Every short history: up to three events, the power failing after every single call to the stick, and every subset of
//! the changes then in flight kept or lost. Leaves nothing to chance.

use crate::medium::{Junk, Kept};
use crate::oracle::{Broken, Checked, HEALED, broken};
use crate::stick::{Mishap, Stick};
use crate::support::mail::message;
use crate::world::{Ended, World};
use counterfoil::disk::host::draw_ids_from;
use counterfoil::job::catalogue::Catalogue;
use counterfoil::model::RelName;
use std::collections::BTreeSet;
use std::collections::hash_map::DefaultHasher;
use std::hash::{Hash, Hasher};
use std::sync::atomic::Ordering;
use std::sync::{Mutex, PoisonError};

/// The last changes of which every subset is tried.
const PARTS: usize = 8;

/// Of this many distinct states one is repaired and filled again, which takes ten times as long as the rest.
const HEALED_OF: u64 = 5;

/// Ids drawn by the last event, and by what follows a power failure in it: different from those before.
const LAST_EVENT_IDS: u64 = 1 << 20;
const AFTER_FAILURE_IDS: u64 = 1 << 21;

/// What happens.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Event {
    Deliver,
    Move,
    Delete,
    Plug,
    Pull,
    PowerFailure,
    Restart,
    Restore,
    Verify,
    ClockJump,
}

const EVENTS: [Event; 10] = [
    Event::Deliver,
    Event::Move,
    Event::Delete,
    Event::Plug,
    Event::Pull,
    Event::PowerFailure,
    Event::Restart,
    Event::Restore,
    Event::Verify,
    Event::ClockJump,
];

/// The state in which a history begins.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Start {
    /// A message, and a stick that was never plugged in.
    New,
    /// Two messages that are mirrored on the plugged stick.
    Running,
}

/// A history to be tried, with a power failure anywhere in its last event.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Small {
    pub(crate) start: Start,
    pub(crate) events: Vec<Event>,
}

/// All histories of up to this many events.
pub(crate) fn all(longest: usize) -> Vec<Small> {
    let mut all = Vec::new();
    for start in [Start::New, Start::Running] {
        let mut longer = vec![Vec::new()];
        for _ in 0..longest {
            let with =
                |events: &Vec<Event>| EVENTS.map(|event| [events.clone(), vec![event]].concat());
            longer = longer.iter().flat_map(with).collect();
            all.extend(longer.iter().map(|events| Small { start, events: events.clone() }));
        }
    }
    all
}

/// States already tried, by any thread.
pub(crate) type Seen = Mutex<BTreeSet<u64>>;

/// Statistics of what was tried.
#[derive(Debug, Clone, Copy, Default)]
pub(crate) struct Tried {
    pub(crate) histories: u64,
    /// How often the power failed.
    pub(crate) power_failures: u64,
    /// Results of a power failure: every subset of the changes in flight.
    pub(crate) states: u64,
    /// Of these, those that differ in what is on the stick or was promised of it.
    pub(crate) distinct: u64,
    /// Of these, those that were repaired and filled again.
    pub(crate) healed: u64,
}

impl Tried {
    pub(crate) fn add(&mut self, other: Self) {
        self.histories += other.histories;
        self.power_failures += other.power_failures;
        self.states += other.states;
        self.distinct += other.distinct;
        self.healed += other.healed;
    }
}

/// The part of a world that a power failure and its consequences change, to come back to.
struct Moment {
    catalogue: Catalogue,
    stick: Stick,
    promised: crate::oracle::Promised,
    oracle: crate::oracle::Oracle,
    seen_gone: Vec<RelName>,
    hinted: Vec<RelName>,
    boot: u64,
    millis: u64,
    /// The first id drawn from then on: a replay must draw the same.
    ids: u64,
}

impl Moment {
    /// The world as it is now; later ids are drawn from this number on.
    fn of(world: &World, ids: u64) -> Self {
        draw_ids_from(ids);
        Self {
            ids,
            catalogue: world.card.catalogue.copied().unwrap(),
            stick: world.slots[0].stick.apart(),
            promised: world.slots[0].promised.clone(),
            oracle: world.oracle.clone(),
            seen_gone: world.card.seen_gone.clone(),
            hinted: world.card.hinted.clone(),
            boot: world.clock.boot.load(Ordering::Relaxed),
            millis: world.clock.millis.load(Ordering::Relaxed),
        }
    }

    fn again(&self, world: &mut World) {
        world.card.catalogue = self.catalogue.copied().unwrap();
        world.slots[0].stick = self.stick.apart();
        world.slots[0].promised = self.promised.clone();
        world.oracle = self.oracle.clone();
        world.card.seen_gone.clone_from(&self.seen_gone);
        world.card.hinted.clone_from(&self.hinted);
        world.clock.boot.store(self.boot, Ordering::Relaxed);
        world.clock.millis.store(self.millis, Ordering::Relaxed);
        world.forget_volume_sources();
        draw_ids_from(self.ids);
    }
}

impl Small {
    /// Tries it. `seen` are the states that need not be tried again.
    pub(crate) fn run(&self, place: &str, seen: &Seen) -> Result<Tried, Broken> {
        let mut world = World::new(place, 1);
        let mut tried = Tried { histories: 1, ..Tried::default() };
        let slot = world.add_stick(false);
        deliver(&mut world);
        if self.start == Start::Running {
            deliver(&mut world);
            world.slots[slot].stick.plug();
            world.pass()?;
        }
        let (last, before) = self.events.split_last().unwrap();
        for event in before {
            prepare(&mut world, *event)?;
            follow(&mut world, *event)?;
        }
        prepare(&mut world, *last)?;
        let begin = Moment::of(&world, LAST_EVENT_IDS);
        let from = begin.stick.state().calls;
        world.slots[slot].stick.state().writing = Some(Vec::new());
        follow(&mut world, *last)?;
        let (writing, to) = {
            let state = world.slots[slot].stick.state();
            (state.writing.clone().unwrap_or_default(), state.calls)
        };
        // Before and after every call that changes something: between two calls that only read, all power failures are
        // alike. And before the first and the last, since the catalogue changes too.
        let moments = writing.iter().flat_map(|call| [*call, call + 1]).chain([from + 1, to]);
        let moments: BTreeSet<u64> =
            moments.filter(|call| (from + 1..=to).contains(call)).collect();
        for call in moments {
            begin.again(&mut world);
            world.slots[slot].stick.state().mishap = Some((call, Mishap::PowerOff));
            if let Ended::Done(()) = follow(&mut world, *last)? {
                return broken(HEALED, format!("a replay is not the same: no call {call}"));
            }
            tried.power_failures += 1;
            self.every_part(&mut world, &mut tried, seen)?;
        }
        Ok(tried)
    }

    /// The power has failed: every subset of the changes in flight is kept or lost.
    fn every_part(&self, world: &mut World, tried: &mut Tried, seen: &Seen) -> Checked {
        let at_failure = Moment::of(world, AFTER_FAILURE_IDS);
        // Everything that decides what follows: the mailbox, and the catalogue's knowledge.
        let known = (
            world.card.messages(),
            self.start == Start::New,
            at_failure.catalogue.change_no().ok(),
            world.replica_print(0),
        );
        let waiting = at_failure.stick.state().medium.on_their_way();
        let count = waiting.min(PARTS);
        for last in 0..1_u64 << count {
            for earlier in [false, true] {
                if earlier && waiting <= PARTS {
                    continue;
                }
                tried.states += 1;
                let junk = [Junk::Zeros, Junk::Stale, Junk::Ones][(last % 3) as usize];
                let kept = Kept { last, count, earlier, junk };
                let mut medium = at_failure.stick.state().medium.clone();
                medium.lose_power(kept);
                let mut key = DefaultHasher::new();
                (medium.durable(), &at_failure.promised, &known).hash(&mut key);
                if !seen.lock().unwrap_or_else(PoisonError::into_inner).insert(key.finish()) {
                    continue;
                }
                tried.distinct += 1;
                // Promises are checked in every state; the full repair is tried in some of them.
                at_failure.again(world);
                world.power_off(|_| kept)?;
                if tried.distinct.is_multiple_of(HEALED_OF) {
                    tried.healed += 1;
                    world.heal()?;
                }
            }
        }
        Ok(())
    }
}

fn deliver(world: &mut World) {
    let number = world.oracle.step;
    world.oracle.step += 1;
    let path = format!("inbox/{number}.eml");
    let body = "water level, road open; ".repeat(30);
    let text = message(&format!("message {number}"), &body);
    world.deliver(&path, text.as_bytes());
}

/// What happens before the daemon starts to work.
fn prepare(world: &mut World, event: Event) -> Checked {
    let first = world.card.messages().into_iter().next();
    match (event, first) {
        (Event::Deliver, _) => deliver(world),
        (Event::Move, Some((path, text))) => {
            world.oracle.step += 1;
            let to = format!("archive/{}.eml", world.oracle.step);
            world.rename(&path, &to, &text);
        }
        (Event::Delete, Some((path, _))) => world.remove(&path, true),
        (Event::Plug, _) => world.slots[0].stick.plug(),
        (Event::Pull, _) => {
            world.slots[0].stick.lose_power(NOTHING);
            world.seen(0)?;
        }
        (Event::PowerFailure, _) => world.power_off(|_| NOTHING)?,
        (Event::Restart, _) => world.restart()?,
        (Event::ClockJump, _) => {
            world.clock.wall.fetch_sub(1_000 * 86_400, Ordering::Relaxed);
        }
        _ => {}
    }
    Ok(())
}

/// The following work of the daemon, or of a person.
fn follow(world: &mut World, event: Event) -> Result<Ended<()>, Broken> {
    match event {
        Event::Restore => world.relieve().map(Ended::Done),
        Event::Verify if world.slots[0].stick.state().plugged => world.verify(0),
        _ => world.pass(),
    }
}

const NOTHING: Kept = Kept { last: 0, count: 0, earlier: false, junk: Junk::Zeros };
