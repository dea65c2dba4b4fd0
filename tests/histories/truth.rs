//! The plain truth about a history: which card saw what leave, and what it knew then. Owns the true clocks, which no
//! clone, no image and no lost line can falsify, and what must come back for ever since it was called safe.

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
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
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

/// A departure that was seen.
#[derive(Debug, Clone, PartialEq, Eq, Hash)]
pub(crate) struct Gone {
    pub(crate) key: Key,
    pub(crate) fate: Fate,
    /// Where it went, or what is there instead.
    pub(crate) next: Option<Key>,
    /// The change that it was, and what the card knew then, this change included.
    pub(crate) by: Change,
    pub(crate) clock: Clock,
    /// Its name in ledgers.
    pub(crate) id: Option<Position>,
}

/// A message was called safe on a stick: it, or a later version, comes back.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub(crate) struct Promise {
    /// Its location then, and where it was moved to.
    pub(crate) from: Location,
    pub(crate) at: BTreeSet<Location>,
    pub(crate) content: Content,
    /// The change that put it there.
    pub(crate) since: Change,
    /// Departures of it that its card had read while having the message all the same.
    pub(crate) knows: BTreeSet<Position>,
    /// Some line there cannot be read, or somebody wrote to a stick: from then on any card that sees it leave may
    /// record that.
    pub(crate) weak: bool,
}

impl Promise {
    pub(crate) fn after_all(self, gone: &[Arc<Gone>]) -> Option<Self> {
        gone.iter().try_fold(self, |promise, gone| promise.after(gone))
    }

    /// What is left of the promise once a card that knew of it saw the message leave.
    pub(crate) fn after(mut self, gone: &Gone) -> Option<Self> {
        let (at, content) = gone.key;
        let of_it = self.at.contains(&at)
            && content.message == self.content.message
            && content.version >= self.content.version
            && !content.damaged;
        let earlier = gone.by.card == self.since.card && gone.by.n <= self.since.n;
        let heeded = earlier || gone.id.is_some_and(|id| self.knows.contains(&id));
        if !of_it || heeded || !self.weak && !self.since.is_known(&gone.clock) {
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
    /// The last change; of the card that this one was copied from, if it has made none since.
    pub(crate) last: Change,
    /// What was known at the last change.
    pub(crate) clock: Clock,
    /// What was read since.
    pub(crate) read_clock: Clock,
    pub(crate) found: BTreeMap<Location, (Content, Change)>,
    /// Gone, unseen.
    pub(crate) lost: BTreeMap<Key, (Change, u32)>,
    /// The number of the scan that found a content; the last one of each mailbox; new locations that one message went
    /// to.
    pub(crate) turn: u32,
    pub(crate) came: BTreeMap<Location, u32>,
    pub(crate) scanned: BTreeMap<u8, u32>,
    pub(crate) taken: BTreeSet<(Location, u32)>,
    /// Departures read.
    pub(crate) left: BTreeSet<(Key, Position)>,
    pub(crate) saw: Vec<Arc<Gone>>,
}

impl Truth {
    pub(crate) fn change_no(&mut self) {
        let n = self.read_clock.entry(self.me).or_default();
        *n += 1;
        self.last = Change { card: self.me, n: *n };
        self.clock = self.read_clock.clone();
    }

    /// Where a message went that was last seen elsewhere: each new location is the target of one.
    fn went(&mut self, content: Content, last: u32) -> Option<Fate> {
        let places = self.found.iter().filter(|(_, found)| found.0 == content);
        let mut new = places.filter_map(|(at, _)| Some((*at, *self.came.get(at)?)));
        let found = new.find(|new| new.1 > last && !self.taken.contains(new))?;
        self.taken.insert(found);
        Some(Fate::Moved(found.0))
    }

    /// Remembers the mailboxes as they were last found.
    pub(crate) fn scanned(&mut self, mailboxes: u8) {
        let turn = self.turn;
        let all = (0..8).filter(|mailbox| mailboxes & (1 << mailbox) != 0);
        self.scanned.extend(all.map(|mailbox| (mailbox, turn)));
    }

    /// Reads a stick; `drew` if that was a change.
    pub(crate) fn note_read(&mut self, slot: &Slot, all: &[Arc<Gone>], drew: bool) {
        join(&mut self.read_clock, &slot.clock);
        if drew {
            self.change_no();
        }
        let now = self.last;
        for line in &slot.stick.ledger.lines {
            let Line::Left(left) = line else { continue };
            if !self.left.insert((left.key, left.seen)) {
                continue;
            }
            let seen = |gone: &&Arc<Gone>| gone.key == left.key && gone.id == Some(left.seen);
            let Some(gone) = all.iter().find(seen) else { continue };
            let found = self.found.get_mut(&left.key.0);
            if let Some((_, since)) = found.filter(|(content, _)| *content == left.key.1)
                && since.is_known(&gone.clock)
            {
                *since = now;
            }
            if self.lost.get(&left.key).is_some_and(|(since, _)| since.is_known(&gone.clock)) {
                self.lost.remove(&left.key);
            }
        }
    }
}

/// What happened to everything that is not at its old location, and what is new: the truth's own comparison.
pub(crate) fn fates(
    truth: &mut Truth,
    mail: &Mail,
    mailboxes: u8,
    watched: bool,
) -> Vec<(Key, Fate, Option<Key>)> {
    let within = |at: &Location| mailboxes & (1 << at.mailbox) != 0;
    truth.turn += 1;
    let turn = truth.turn;
    let now = truth.last;
    let was = truth.found.clone();
    let is_new = |at: &Location, content: &Content| was.get(at).is_none_or(|old| old.0 != *content);
    for (at, content) in mail.iter().filter(|(at, content)| within(at) && is_new(at, content)) {
        truth.found.insert(*at, (*content, now));
        truth.came.insert(*at, turn);
        truth.lost.remove(&(*at, *content));
    }
    let keys = truth.lost.keys().copied().chain(truth.saw.iter().map(|gone| gone.key));
    let before: BTreeSet<Content> =
        keys.map(|key| key.1).chain(was.values().map(|w| w.0)).collect();
    let mut out = Vec::new();
    for (at, (old, since)) in was.iter().filter(|(at, _)| within(at)) {
        let there = mail.get(at);
        if there == Some(old) {
            continue;
        }
        if there.is_none() {
            truth.found.remove(at);
            truth.came.remove(at);
        }
        let last = truth.scanned.get(&at.mailbox).copied().unwrap_or(0);
        let fate = truth.went(*old, last).or(match there {
            Some(new) if new.damaged && !old.damaged => None,
            // A content that was here before is not a later version; of two that were not, nobody can know which is.
            Some(new) if new.message == old.message && (!before.contains(new) || old.damaged) => {
                match new.version > old.version || old.damaged {
                    true => Some(Fate::Replaced),
                    false => Some(Fate::Gone),
                }
            }
            _ => watched.then_some(Fate::Gone),
        });
        match fate {
            Some(fate) => {
                let next = match fate {
                    Fate::Moved(to) => Some((to, *old)),
                    _ => there.map(|new| (*at, *new)),
                };
                out.push(((*at, *old), fate, next));
                // A card that sees the damaged rest of a message leave sees the message leave.
                let rest = old.damaged && !matches!(fate, Fate::Moved(_));
                let good = Content { damaged: false, ..*old };
                let known = watched || there.is_some_and(|new| !before.contains(new));
                if rest && known && there.is_none_or(|new| !new.damaged && *new != good) {
                    let of_it = |key: &Key| key.0 == *at && key.1.message == old.message;
                    // A card that never knew it whole does not.
                    let whole: Vec<Key> = truth.lost.keys().copied().filter(of_it).collect();
                    truth.lost.retain(|key, _| !of_it(key));
                    out.extend(whole.into_iter().map(|key| (key, fate, next)));
                }
            }
            None => drop(truth.lost.insert((*at, *old), (*since, last))),
        }
    }
    for (key, (since, last)) in std::mem::take(&mut truth.lost) {
        if let Some(fate) = truth.went(key.1, last) {
            let next =
                truth.found.keys().map(|at| (*at, key.1)).find(|next| fate == Fate::Moved(next.0));
            out.push((key, fate, next));
        } else if !truth.found.values().any(|(content, _)| *content == key.1) {
            truth.lost.insert(key, (since, last));
        }
    }
    out
}
