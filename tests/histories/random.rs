//! Long random histories. A number determines one, and reproduces it.

use crate::chance::Chance;
use crate::check::{Broken, step};
use crate::event::{Event, Shape, kinds, possible};
use crate::world::World;
use std::mem::discriminant;

/// A larger station, to which everything may happen.
pub(crate) const LARGE: Shape = Shape {
    mailboxes: 2,
    paths: 2,
    sticks: 3,
    cards: 3,
    kinds: kinds::EVERY | kinds::STRANGERS,
    faults: 2,
};

/// Lengths of the shortest and the longest, in events.
const LENGTHS: (usize, usize) = (8, 48);

/// Runs a history; returns its events, and the promise it broke, if any.
pub(crate) fn history(seed: u64) -> (Vec<Event>, Result<World, Broken>) {
    let mut chance = Chance::new(seed);
    let length = LENGTHS.0 + chance.index(LENGTHS.1 - LENGTHS.0);
    let mut world = World::new(LARGE);
    let mut history = Vec::new();
    for _ in 0..length {
        let event = draw_from(&possible(&world), &mut chance);
        history.push(event);
        let (next, result) = step(&world, event);
        if let Err(broken) = result {
            return (history, Err(broken));
        }
        world = next;
    }
    (history, Ok(world))
}

/// First the kind, then the event: otherwise the kinds with many choices would crowd out the others.
pub(crate) fn draw_from(all: &[Event], chance: &mut Chance) -> Event {
    let mut some = Vec::new();
    for event in all {
        if !some.contains(&discriminant(event)) {
            some.push(discriminant(event));
        }
    }
    // Without passes nothing is promised.
    let passes: Vec<_> = all.iter().filter(|event| matches!(event, Event::Mirror { .. })).collect();
    if chance.index(3) == 0 {
        return *passes[chance.index(passes.len())];
    }
    let kind = some[chance.index(some.len())];
    let of_kind: Vec<_> = all.iter().filter(|event| discriminant(*event) == kind).collect();
    *of_kind[chance.index(of_kind.len())]
}

/// The history without everything that it does not need to break the same promise.
pub(crate) fn shorten(shape: Shape, history: Vec<Event>, promise: &str) -> Vec<Event> {
    let breaks = |history: &[Event]| {
        let mut world = World::new(shape);
        for event in history {
            if !possible(&world).contains(event) {
                return false;
            }
            let (next, result) = step(&world, *event);
            if let Err(broken) = result {
                return broken.promise == promise;
            }
            world = next;
        }
        false
    };
    shortest(history, breaks)
}

/// The history without each event that it does not need for the same finding.
pub(crate) fn shortest(mut history: Vec<Event>, found: impl Fn(&[Event]) -> bool) -> Vec<Event> {
    let mut at = history.len();
    while at > 0 {
        at -= 1;
        let mut shorter = history.clone();
        shorter.remove(at);
        if found(&shorter) {
            history = shorter;
            at = at.min(history.len());
        }
    }
    history
}
