//! What can happen to a station. Owns the events and which of them are possible in a world; never executes any.

use crate::model::{Content, Location, Path};
use crate::world::World;

#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub(crate) enum Event {
    Deliver(Location),
    Delete(Location),
    /// Gone, unseen.
    Vanish(Location),
    Move {
        from: Location,
        to: Location,
        watched: bool,
    },
    Copy {
        from: Location,
        to: Location,
    },
    /// A later version of the message, seen or not.
    Edit {
        at: Location,
        watched: bool,
    },
    /// Another message at the path, seen or not.
    Exchange {
        at: Location,
        watched: bool,
    },
    Damage(Location),
    /// The damaged message is replaced by the good one of a stick.
    Repair {
        at: Location,
        stick: usize,
    },
    /// A pass over some mailboxes, one bit each.
    Mirror {
        stick: usize,
        mailboxes: u8,
    },
    /// A pass interrupted after some lines.
    Cut {
        stick: usize,
        lines: usize,
        backwards: bool,
    },
    /// A pass that finds room for this many copies.
    Full {
        stick: usize,
        room: usize,
        backwards: bool,
    },
    DropOld {
        stick: usize,
    },
    Rot {
        stick: usize,
        content: Content,
    },
    Unreadable {
        stick: usize,
        line: usize,
    },
    /// A stick's bytes overwrite another's.
    CopyStick {
        from: usize,
        to: usize,
    },
    /// Somebody with access to the stick writes to it that everything it lists is gone: deleted, or replaced by their
    /// own mail.
    Forge {
        stick: usize,
        replaced: bool,
    },
    /// Destroyed, and the card in use knows; an empty one takes its place.
    LoseStick {
        stick: usize,
    },
    Clone,
    NewCard,
    Boot(usize),
    LoseState,
    TakeImage,
    PutImage,
    /// The catalogue of the image, and the mailbox as it is.
    FallBack,
    /// From the sticks of these bits.
    Restore {
        sticks: u8,
        removed: bool,
    },
    Acknowledge,
}

/// Kinds of events, one bit each: what may happen in a world.
pub(crate) mod kinds {
    pub(crate) const MAIL: u32 = 1;
    pub(crate) const UNSEEN: u32 = 1 << 1;
    pub(crate) const MOVES: u32 = 1 << 2;
    pub(crate) const COPIES: u32 = 1 << 3;
    pub(crate) const VERSIONS: u32 = 1 << 4;
    pub(crate) const DAMAGE: u32 = 1 << 5;
    pub(crate) const PARTS: u32 = 1 << 6;
    pub(crate) const CUTS: u32 = 1 << 7;
    pub(crate) const ROOM: u32 = 1 << 8;
    pub(crate) const ROT: u32 = 1 << 9;
    pub(crate) const LINES: u32 = 1 << 10;
    pub(crate) const STICKS: u32 = 1 << 11;
    pub(crate) const CARDS: u32 = 1 << 12;
    pub(crate) const IMAGES: u32 = 1 << 13;
    pub(crate) const RESTORE: u32 = 1 << 14;
    pub(crate) const ACKNOWLEDGE: u32 = 1 << 15;
    /// Everything that is honest.
    pub(crate) const EVERY: u32 = (1 << 16) - 1;
    pub(crate) const STRANGERS: u32 = 1 << 16;
}

/// The size of a world.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub(crate) struct Shape {
    pub(crate) mailboxes: u8,
    pub(crate) paths: u8,
    pub(crate) sticks: usize,
    pub(crate) cards: usize,
    pub(crate) kinds: u32,
    /// Total of copies that rot, lines that become unreadable and sticks that somebody writes to.
    pub(crate) faults: u8,
}

impl Shape {
    pub(crate) fn locations(self) -> impl Iterator<Item = Location> {
        let boxes = 0..self.mailboxes;
        boxes.flat_map(move |mailbox| {
            (0..self.paths).map(move |p| Location { mailbox, path: Path::Plain(p) })
        })
    }

    pub(crate) fn all_mailboxes(self) -> u8 {
        (1 << self.mailboxes) - 1
    }
}

/// Everything that may happen next, in an order that is always the same.
pub(crate) fn possible(world: &World) -> Vec<Event> {
    let mut out = Vec::new();
    let has = |kind| world.shape.kinds & kind != 0;
    mail(world, &has, &mut out);
    passes(world, &has, &mut out);
    sticks(world, &has, &mut out);
    cards(world, &has, &mut out);
    out
}

fn mail(world: &World, has: &impl Fn(u32) -> bool, out: &mut Vec<Event>) {
    let mail = &world.card().mail;
    let free: Vec<_> = world.shape.locations().filter(|at| !mail.contains_key(at)).collect();
    if has(kinds::MAIL) {
        out.extend(free.iter().map(|at| Event::Deliver(*at)));
        out.extend(mail.keys().map(|at| Event::Delete(*at)));
    }
    if has(kinds::UNSEEN) {
        out.extend(mail.keys().map(|at| Event::Vanish(*at)));
    }
    for (from, to) in mail.keys().flat_map(|from| free.iter().map(move |to| (*from, *to))) {
        if has(kinds::MOVES) {
            out.extend([true, false].map(|watched| Event::Move { from, to, watched }));
        }
        if has(kinds::COPIES) {
            out.push(Event::Copy { from, to });
        }
    }
    for (at, content) in mail.iter().filter(|(at, _)| matches!(at.path, Path::Plain(_))) {
        let at = *at;
        for watched in [true, false].into_iter().filter(|_| has(kinds::VERSIONS)) {
            out.extend([Event::Edit { at, watched }, Event::Exchange { at, watched }]);
        }
        if has(kinds::DAMAGE) && !content.damaged {
            out.push(Event::Damage(at));
        }
        let good = Content { damaged: false, ..*content };
        let repairing = world.sticks.iter().position(|slot| slot.stick.has(good));
        if let Some(stick) = repairing.filter(|_| content.damaged) {
            out.push(Event::Repair { at, stick });
        }
    }
}

fn passes(world: &World, has: &impl Fn(u32) -> bool, out: &mut Vec<Event>) {
    let all = world.shape.all_mailboxes();
    for stick in 0..world.sticks.len() {
        out.push(Event::Mirror { stick, mailboxes: all });
        if has(kinds::PARTS) && world.shape.mailboxes > 1 {
            out.extend((1..all).map(|mailboxes| Event::Mirror { stick, mailboxes }));
        }
        // In both directions: a pass goes through the locations in order, and a world may be another's mirror image.
        for (lines, backwards) in
            [(0, false), (1, false), (1, true), (2, false), (2, true), (3, false)]
        {
            if has(kinds::CUTS) {
                out.push(Event::Cut { stick, lines, backwards });
            }
        }
        if has(kinds::ROOM) {
            out.push(Event::Full { stick, room: 0, backwards: false });
            out.extend([true, false].map(|backwards| Event::Full { stick, room: 1, backwards }));
            out.push(Event::DropOld { stick });
        }
    }
}

fn sticks(world: &World, has: &impl Fn(u32) -> bool, out: &mut Vec<Event>) {
    for (stick, slot) in world.sticks.iter().enumerate() {
        let faults = world.faults < world.shape.faults;
        if has(kinds::ROT) && faults {
            let good = slot.stick.copies.iter().filter(|(_, good)| **good);
            out.extend(good.map(|(content, _)| Event::Rot { stick, content: *content }));
        }
        if has(kinds::LINES) && faults {
            let readable = slot.stick.ledger.readable();
            out.extend(readable.map(|line| Event::Unreadable { stick, line }));
        }
        if has(kinds::STRANGERS) && faults && slot.stick.ledger.standing().next().is_some() {
            out.extend([false, true].map(|replaced| Event::Forge { stick, replaced }));
        }
        if has(kinds::STICKS) && !slot.stick.ledger.lines.is_empty() {
            out.push(Event::LoseStick { stick });
            let others = (0..world.sticks.len()).filter(|other| *other != stick);
            out.extend(others.map(|to| Event::CopyStick { from: stick, to }));
        }
    }
}

fn cards(world: &World, has: &impl Fn(u32) -> bool, out: &mut Vec<Event>) {
    if has(kinds::CARDS) {
        if world.cards.len() < world.shape.cards {
            out.extend([Event::Clone, Event::NewCard]);
        }
        let others = (0..world.cards.len()).filter(|other| *other != world.here);
        out.extend(others.map(Event::Boot));
    }
    let begun = world.card().catalogue.position.is_some();
    if has(kinds::IMAGES) {
        if begun {
            out.extend([Event::LoseState, Event::TakeImage]);
        }
        if world.image.as_ref().is_some_and(|(of, _)| *of == world.here) {
            out.extend([Event::PutImage, Event::FallBack]);
        }
    }
    let recorded: Vec<usize> = (0..world.sticks.len())
        .filter(|at| !world.sticks[*at].stick.ledger.lines.is_empty())
        .collect();
    if has(kinds::RESTORE) {
        for sticks in 1..1_u8 << world.sticks.len() {
            if (0..world.sticks.len()).all(|at| sticks & (1 << at) == 0 || recorded.contains(&at)) {
                out.extend([false, true].map(|removed| Event::Restore { sticks, removed }));
            }
        }
    }
    if has(kinds::ACKNOWLEDGE) {
        out.push(Event::Acknowledge);
    }
}
