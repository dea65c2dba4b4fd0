//! The plain truth about a history: which card saw what go, and knowing what. Owns the true clocks, which no clone, no
//! image and no lost line confuses, and what must come back for ever since it was called safe.

use crate::model::{Content, Key, Line, Location, Mail, Position};
use crate::world::Slot;
use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

/// How many changes of each card are known.
pub(crate) type Clock = BTreeMap<u64, u32>;

pub(crate) fn join(clock: &mut Clock, other: &Clock) {
    for (card, n) in other {
        let known = clock.entry(*card).or_default();
        *known = (*known).max(*n);
    }
}

/// A card's change.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub(crate) struct Change {
    pub(crate) card: u64,
    pub(crate) n: u32,
}

impl Change {
    fn is_known(self, clock: &Clock) -> bool {
        clock.get(&self.card).is_some_and(|n| *n >= self.n)
    }
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub(crate) enum Fate {
    /// Deleted, replaced by another message, or acknowledged.
    Gone,
    Moved(Location),
    /// A later version of the same message is there.
    Replaced,
}

/// Something was seen to go.
#[derive(Debug, Clone, PartialEq, Eq, Hash)]
pub(crate) struct Gone {
    pub(crate) key: Key,
    pub(crate) fate: Fate,
    /// What its card knew then, with this change.
    pub(crate) clock: Clock,
    /// By what ledgers name it.
    pub(crate) id: Option<Position>,
}

/// A message was called safe on a stick: it, or a later version, comes back.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub(crate) struct Promise {
    /// Where it was, and where it was moved to.
    pub(crate) at: BTreeSet<Location>,
    pub(crate) content: Content,
    /// The change that put it there.
    pub(crate) since: Change,
    /// Departures of it that its card had read of, and that it has it for all that.
    pub(crate) knows: BTreeSet<Position>,
}

impl Promise {
    /// What is left of it once somebody who knew of it saw the message go.
    pub(crate) fn after(mut self, gone: &Gone) -> Option<Self> {
        let (at, content) = gone.key;
        let of_it = self.at.contains(&at)
            && content.message == self.content.message
            && content.version >= self.content.version
            && !content.damaged;
        let heeded = gone.id.is_some_and(|id| self.knows.contains(&id));
        if !of_it || heeded || !self.since.is_known(&gone.clock) {
            return Some(self);
        }
        match gone.fate {
            Fate::Gone => None,
            Fate::Replaced => Some(self),
            Fate::Moved(to) => {
                self.at.insert(to);
                Some(self)
            }
        }
    }
}

/// What a card has truly seen and read; lost with its catalogue.
#[derive(Debug, Clone, Default)]
pub(crate) struct Truth {
    pub(crate) me: u64,
    /// What was known at the last change.
    pub(crate) clock: Clock,
    /// And what was read since.
    pub(crate) heard: Clock,
    pub(crate) looked: BTreeMap<Location, (Content, Change)>,
    /// Gone, and nobody saw it.
    pub(crate) lost: BTreeMap<Key, Change>,
    /// Departures read.
    pub(crate) left: BTreeSet<(Key, Position)>,
    pub(crate) saw: Vec<Arc<Gone>>,
}

impl Truth {
    pub(crate) fn tick(&mut self) {
        *self.heard.entry(self.me).or_default() += 1;
        self.clock = self.heard.clone();
    }

    fn now(&self) -> Change {
        Change { card: self.me, n: self.clock.get(&self.me).copied().unwrap_or(0) }
    }

    /// Reads a stick; `drew` if that was a change.
    pub(crate) fn hear(&mut self, slot: &Slot, all: &[Arc<Gone>], drew: bool) {
        join(&mut self.heard, &slot.clock);
        if drew {
            self.tick();
        }
        let now = self.now();
        for line in &slot.stick.ledger.lines {
            let Line::Left(left) = line else { continue };
            if !self.left.insert((left.key, left.seen)) {
                continue;
            }
            let seen = |gone: &&Arc<Gone>| gone.key == left.key && gone.id == Some(left.seen);
            let Some(gone) = all.iter().find(seen) else { continue };
            let looked = self.looked.get_mut(&left.key.0);
            if let Some((_, since)) = looked.filter(|(content, _)| *content == left.key.1)
                && since.is_known(&gone.clock)
            {
                *since = now;
            }
            if self.lost.get(&left.key).is_some_and(|since| since.is_known(&gone.clock)) {
                self.lost.remove(&left.key);
            }
        }
    }
}

/// What became of all that is not where it was, and what is new: the truth's own comparison.
pub(crate) fn fates(
    truth: &mut Truth,
    mail: &Mail,
    mailboxes: u8,
    watched: bool,
) -> Vec<(Key, Fate)> {
    let within = |at: &Location| mailboxes & (1 << at.mailbox) != 0;
    let was = truth.looked.clone();
    let now = truth.now();
    let is_new = |at: &Location, content: &Content| was.get(at).is_none_or(|(old, _)| old != content);
    let mut new: Vec<Key> = Vec::new();
    for (at, content) in mail.iter().filter(|(at, content)| within(at) && is_new(at, content)) {
        new.push((*at, *content));
        truth.looked.insert(*at, (*content, now));
        truth.lost.remove(&(*at, *content));
    }
    // Each new place is where one message went.
    let mut went = move |content: Content| {
        let found = new.iter().position(|key| key.1 == content);
        found.map(|at| Fate::Moved(new.swap_remove(at).0))
    };
    let mut out = Vec::new();
    for (at, (old, since)) in was.iter().filter(|(at, _)| within(at)) {
        let there = mail.get(at);
        if there == Some(old) {
            continue;
        }
        if there.is_none() {
            truth.looked.remove(at);
        }
        let fate = went(*old).or(match there {
            Some(new) if new.damaged && !old.damaged => None,
            Some(new) if new.message == old.message => Some(Fate::Replaced),
            _ => watched.then_some(Fate::Gone),
        });
        match fate {
            Some(fate) => out.push(((*at, *old), fate)),
            None => drop(truth.lost.insert((*at, *old), *since)),
        }
    }
    let there: BTreeSet<Content> = truth.looked.values().map(|(content, _)| *content).collect();
    let back: Vec<Key> = truth.lost.keys().filter(|key| there.contains(&key.1)).copied().collect();
    for key in back {
        truth.lost.remove(&key);
        out.extend(went(key.1).map(|fate| (key, fate)));
    }
    out
}
