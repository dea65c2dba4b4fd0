//! Every short history, from the empty station and from interesting states. Continues from each state once: states that
//! differ in names alone are one.

use crate::check::{Broken, step};
use crate::event::{Event, Shape, possible};
use crate::fingerprint::{Naming, fingerprint, namings};
use crate::sabotage::{Break, leave_out};
use crate::starts::Start;
use crate::world::World;
use std::collections::HashSet;
use std::hash::{BuildHasherDefault, Hasher};
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use std::sync::{Mutex, PoisonError};

/// Longest history from a start.
const DEEPEST: usize = 8;

/// The way to a state: the index of the event chosen at each step among those possible.
#[derive(Debug, Clone, Copy)]
struct Way {
    steps: [u8; DEEPEST],
    length: usize,
}

/// A history that breaks a promise.
#[derive(Debug, Clone)]
pub(crate) struct Finding {
    pub(crate) start: &'static str,
    pub(crate) history: Vec<Event>,
    pub(crate) broken: Broken,
}

/// Statistics of what was tried from a start.
#[derive(Debug, Clone, Copy, Default)]
pub(crate) struct Tried {
    pub(crate) events: usize,
    pub(crate) states: usize,
}

/// A hasher for numbers that are already mixed.
#[derive(Default)]
struct AsIs(u64);

impl Hasher for AsIs {
    fn finish(&self) -> u64 {
        self.0
    }
    fn write(&mut self, _: &[u8]) {
        unreachable!("only numbers are kept")
    }
    fn write_u64(&mut self, number: u64) {
        self.0 = number;
    }
}

type Seen = Vec<Mutex<HashSet<u64, BuildHasherDefault<AsIs>>>>;

/// One start with everything reached from it so far: each call of `deeper` adds an event to every history.
pub(crate) struct Explorer {
    start: &'static str,
    prefix: Vec<Event>,
    world: World,
    namings: Vec<Naming>,
    seen: Seen,
    rim: Vec<Way>,
    rule: Option<Break>,
    pub(crate) depth: usize,
    pub(crate) tried: Tried,
}

impl Explorer {
    /// Begins with the start, which may already break a promise.
    pub(crate) fn begin(start: &Start, rule: Option<Break>) -> Result<Self, Finding> {
        leave_out(rule);
        let mut world = World::new(start.shape);
        for (at, event) in start.events.iter().enumerate() {
            let (next, result) = step(&world, *event);
            if let Err(broken) = result {
                leave_out(None);
                let history = start.events[..=at].to_vec();
                return Err(Finding { start: start.name, history, broken });
            }
            world = next;
        }
        leave_out(None);
        Ok(Self {
            start: start.name,
            prefix: start.events.clone(),
            namings: namings(start.shape),
            seen: (0..64).map(|_| Mutex::default()).collect(),
            rim: vec![Way { steps: [0; DEEPEST], length: 0 }],
            rule,
            depth: 0,
            tried: Tried { events: 0, states: 1 },
            world,
        })
    }

    /// The world at the end of a way.
    fn follow(&self, way: &Way) -> (World, Vec<Event>) {
        let mut world = self.world.clone();
        let mut history = Vec::new();
        for at in &way.steps[..way.length] {
            let event = possible(&world)[usize::from(*at)];
            history.push(event);
            // The promises were checked when the step was first taken.
            world = step(&world, event).0;
        }
        (world, history)
    }

    /// Adds every possible event to the end of every history; `last` if no more will follow.
    pub(crate) fn deeper(&mut self, last: bool) -> Option<Finding> {
        let next = AtomicUsize::new(0);
        let stop = AtomicBool::new(false);
        let found: Mutex<Option<Finding>> = Mutex::new(None);
        let lanes = std::thread::available_parallelism().map_or(1, std::num::NonZero::get);
        let this = &*self;
        let lane = || {
            leave_out(this.rule);
            let (mut rim, mut events) = (Vec::new(), 0);
            while !stop.load(Ordering::Relaxed)
                && let Some(way) = this.rim.get(next.fetch_add(1, Ordering::Relaxed))
            {
                events += this.spread(way, last, &mut rim).unwrap_or_else(|finding| {
                    stop.store(true, Ordering::Relaxed);
                    let mut found = found.lock().unwrap_or_else(PoisonError::into_inner);
                    found.get_or_insert(finding);
                    0
                });
            }
            (rim, events)
        };
        let done: Vec<_> = std::thread::scope(|scope| {
            let lanes: Vec<_> = (0..lanes).map(|_| scope.spawn(lane)).collect();
            lanes.into_iter().map(|lane| lane.join().expect("a fault of the explorer")).collect()
        });
        self.rim.clear();
        for (rim, events) in done {
            self.tried.states += rim.len();
            self.tried.events += events;
            self.rim.extend(rim);
        }
        self.depth += 1;
        found.into_inner().unwrap_or_else(PoisonError::into_inner)
    }

    fn spread(&self, way: &Way, last: bool, rim: &mut Vec<Way>) -> Result<usize, Finding> {
        let (world, mut history) = self.follow(way);
        let all = possible(&world);
        for (at, event) in all.iter().enumerate() {
            let (after, result) = step(&world, *event);
            if let Err(broken) = result {
                history.push(*event);
                let history = self.prefix.iter().copied().chain(history).collect();
                return Err(Finding { start: self.start, history, broken });
            }
            if !last && self.is_new(fingerprint(&after, &self.namings)) {
                let mut longer = *way;
                longer.steps[way.length] =
                    u8::try_from(at).expect("few events are possible at a time");
                longer.length += 1;
                rim.push(longer);
            }
        }
        Ok(all.len())
    }

    fn is_new(&self, fingerprint: u64) -> bool {
        let shard = &self.seen[(fingerprint >> 58) as usize];
        shard.lock().unwrap_or_else(PoisonError::into_inner).insert(fingerprint)
    }
}

/// Runs a history, and checks it.
pub(crate) fn replay(shape: Shape, history: &[Event]) -> Result<World, Broken> {
    let mut world = World::new(shape);
    for event in history {
        let (next, result) = step(&world, *event);
        result?;
        world = next;
    }
    Ok(world)
}
