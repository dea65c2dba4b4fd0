//! Where the exhaustive part begins: the empty station, and interesting states. Owns the histories that lead there.

use crate::event::{Event, Shape, kinds::*};
use crate::model::{Location, Path};

pub(crate) struct Start {
    pub(crate) name: &'static str,
    pub(crate) shape: Shape,
    pub(crate) events: Vec<Event>,
    /// Number of events added to the history.
    pub(crate) depth: usize,
}

const P: Location = Location { mailbox: 0, path: Path::Plain(0) };
const Q: Location = Location { mailbox: 0, path: Path::Plain(1) };
const I: Location = P;
const J: Location = Location { mailbox: 1, path: Path::Plain(0) };

const ONE: Shape = Shape { mailboxes: 1, paths: 2, sticks: 2, cards: 1, kinds: 0, faults: 0 };
const TWO: Shape = Shape { mailboxes: 2, paths: 1, ..ONE };
const CARDS2: Shape = Shape { cards: 2, ..ONE };

fn mirror(stick: usize) -> Event {
    Event::Mirror { stick, mailboxes: 1 }
}
fn all(stick: usize) -> Event {
    Event::Mirror { stick, mailboxes: 3 }
}
fn cut(stick: usize, lines: usize) -> Event {
    Event::Cut { stick, lines, backwards: false }
}
fn mv(from: Location, to: Location) -> Event {
    Event::Move { from, to, watched: true }
}

fn start(name: &'static str, shape: Shape, kinds: u32, events: &[Event], depth: usize) -> Start {
    Start { name, shape: Shape { kinds, ..shape }, events: events.to_vec(), depth }
}

/// Allows one fault of a medium.
fn f(shape: Shape) -> Shape {
    Shape { faults: 1, ..shape }
}

pub(crate) fn starts() -> Vec<Start> {
    [few(), several(), strangers(), many()].into_iter().flatten().collect()
}

/// The first of them.
fn few() -> Vec<Start> {
    use Event::*;
    vec![
        start("nothing, mail", ONE, MAIL | UNSEEN | MOVES | CUTS, &[], 8),
        start("nothing, all", f(CARDS2), EVERY, &[], 6),
        start("told", f(CARDS2), EVERY, &[Deliver(P), mirror(0), mirror(1)], 5),
        start(
            "a card and its clone",
            CARDS2,
            MAIL | UNSEEN | MOVES | CUTS | CARDS | RESTORE,
            &[Deliver(P), mirror(0), mirror(1), Clone],
            6,
        ),
        start(
            "a clone, moved both",
            CARDS2,
            MAIL | UNSEEN | MOVES | CUTS | CARDS | RESTORE,
            &[
                Deliver(P),
                mirror(0),
                mirror(1),
                Clone,
                mv(P, Q),
                mv(Q, P),
                mirror(0),
                Boot(1),
                mv(P, Q),
                mv(Q, P),
            ],
            5,
        ),
        start(
            "a clone, one deleted",
            f(CARDS2),
            MAIL | UNSEEN | CARDS | LINES | RESTORE,
            &[Deliver(P), mirror(0), Clone, Delete(P), mirror(0), Boot(1), mirror(0)],
            5,
        ),
        start(
            "a new card",
            CARDS2,
            MAIL | UNSEEN | MOVES | CUTS | CARDS | RESTORE | ACKNOWLEDGE,
            &[Deliver(P), mirror(0), NewCard],
            6,
        ),
        start(
            "a new card with mail",
            CARDS2,
            MAIL | UNSEEN | MOVES | CUTS | CARDS | RESTORE | ACKNOWLEDGE,
            &[Deliver(P), mirror(0), NewCard, Deliver(Q), mirror(0)],
            5,
        ),
    ]
}

/// More of them.
fn several() -> Vec<Start> {
    use Event::*;
    vec![
        start(
            "a new card restored",
            CARDS2,
            MAIL | UNSEEN | MOVES | CUTS | CARDS | RESTORE | ACKNOWLEDGE,
            &[Deliver(P), mirror(0), NewCard, Restore { sticks: 1, removed: false }, mirror(0)],
            6,
        ),
        start(
            "one stale",
            ONE,
            MAIL | UNSEEN | MOVES | CUTS | IMAGES | RESTORE,
            &[Deliver(Q), mirror(0), mirror(1), mv(Q, P), mirror(1)],
            5,
        ),
        start(
            "cut",
            ONE,
            MAIL | UNSEEN | MOVES | CUTS | VERSIONS | ROOM,
            &[Deliver(P), Deliver(Q), cut(0, 1)],
            5,
        ),
        start("missing told", f(CARDS2), EVERY, &[Deliver(P), mirror(0), Vanish(P), mirror(0)], 5),
        start(
            "old departure",
            f(ONE),
            MAIL | UNSEEN | MOVES | CUTS | LINES | RESTORE | IMAGES,
            &[Deliver(P), mirror(0), mirror(1), Delete(P), mirror(0)],
            5,
        ),
        start(
            "back again",
            f(ONE),
            MAIL | UNSEEN | MOVES | LINES | RESTORE,
            &[
                Deliver(P),
                mirror(0),
                mirror(1),
                Delete(P),
                mirror(0),
                Restore { sticks: 2, removed: false },
                mirror(1),
            ],
            5,
        ),
        start(
            "moved and back",
            f(ONE),
            MAIL | MOVES | LINES | ROT | RESTORE,
            &[Deliver(P), mirror(0), mv(P, Q), mirror(0), mv(Q, P), mirror(0)],
            5,
        ),
    ]
}

/// Somebody had access to one of the sticks.
fn strangers() -> Vec<Start> {
    use Event::*;
    vec![
        start(
            "a stick in a stranger's hands",
            f(CARDS2),
            MAIL | UNSEEN | MOVES | CARDS | RESTORE | ACKNOWLEDGE | STRANGERS,
            &[Deliver(P), mirror(0), mirror(1)],
            4,
        ),
        start(
            "a stick of which a stranger wrote",
            f(CARDS2),
            MAIL | UNSEEN | MOVES | VERSIONS | CUTS | CARDS | IMAGES | RESTORE | ACKNOWLEDGE,
            &[Deliver(P), mirror(0), mirror(1), Forge { stick: 1, replaced: false }],
            5,
        ),
        start(
            "a stick of which a stranger replaced all",
            f(CARDS2),
            MAIL | UNSEEN | MOVES | VERSIONS | CARDS | IMAGES | RESTORE | ACKNOWLEDGE,
            &[Deliver(P), mirror(0), mirror(1), Forge { stick: 1, replaced: true }],
            5,
        ),
    ]
}

/// The rest.
fn many() -> Vec<Start> {
    use Event::*;
    vec![
        start(
            "two mailboxes",
            TWO,
            MAIL | UNSEEN | MOVES | COPIES | PARTS | CUTS | VERSIONS | DAMAGE,
            &[Deliver(I), all(0)],
            5,
        ),
        start(
            "two mailboxes, two",
            TWO,
            MAIL | UNSEEN | MOVES | PARTS | IMAGES | RESTORE,
            &[Deliver(I), Deliver(J), all(0), all(1)],
            6,
        ),
        start(
            "state lost, one missing",
            ONE,
            MAIL | UNSEEN | MOVES | ACKNOWLEDGE | RESTORE,
            &[Deliver(P), mirror(0), Vanish(P), LoseState, Deliver(Q), mirror(0)],
            6,
        ),
        start(
            "a stick and its copy",
            f(CARDS2),
            MAIL | LINES | CARDS | STICKS,
            &[Deliver(P), mirror(0), Clone, Delete(P), mirror(0), CopyStick { from: 0, to: 1 }],
            5,
        ),
        start(
            "an older version elsewhere",
            ONE,
            MAIL | UNSEEN | COPIES | VERSIONS,
            &[Deliver(P), Copy { from: P, to: Q }, Edit { at: P, watched: true }, mirror(0)],
            5,
        ),
        start(
            "versions",
            f(ONE),
            MAIL | UNSEEN | MOVES | COPIES | VERSIONS | DAMAGE | ROOM | ROT | CUTS,
            &[Deliver(P), mirror(0), mirror(1)],
            5,
        ),
    ]
}
