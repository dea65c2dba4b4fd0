//! What happened to the messages of one card by its owner's will and by chance, and what the card can know: a map of
//! what is where, of what was seen to leave, and a count for each life of the card. Never asks the program.
//!
//! The rules of the ledger, as far as the oracle needs them: a message is withheld only because of somebody who saw it
//! leave, and only at those locations and times that they can have known of. A message that is gone, unseen, is
//! missing: it comes back. A card that has lost its memory, or has never read a stick, takes nothing from it.

use counterfoil::model::Digest;
use std::collections::{BTreeMap, BTreeSet};

/// A content at a path.
pub(crate) type Pair = (String, Digest);

/// A moment in one life of a card. A life ends where the card is copied, or its memory is lost or turned back.
pub(crate) type When = (u64, u64);

/// How far each life of a card is known.
#[derive(Debug, Clone, Default, PartialEq, Eq, Hash)]
pub(crate) struct Knows(BTreeMap<u64, u64>);

impl Knows {
    pub(crate) fn learn(&mut self, other: &Self) {
        for (life, count) in &other.0 {
            let known = self.0.entry(*life).or_insert(0);
            *known = (*known).max(*count);
        }
    }

    pub(crate) fn has(&self, (life, count): When) -> bool {
        self.0.get(&life).is_some_and(|known| *known >= count)
    }

    /// Whether everything that another knows is known, except what belongs to one life.
    pub(crate) fn has_all_of(&self, other: &Self, but: u64) -> bool {
        other.0.iter().all(|(life, count)| *life == but || self.has((*life, *count)))
    }
}

/// How a content left a path, seen by the daemon.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) enum How {
    Deleted,
    /// By this content.
    Replaced(Digest),
    /// To this path.
    Moved(String),
}

/// The departure of a content from a path.
#[derive(Debug, Clone)]
pub(crate) struct Departure {
    /// The number of the departure.
    pub(crate) number: u64,
    pub(crate) how: How,
    /// What the card may have known then.
    pub(crate) knew: Knows,
    /// What it knew then for certain.
    pub(crate) surely: Knows,
}

/// One card: what is in its mailbox by its owner's will, and what was seen to leave it.
#[derive(Debug, Clone, Default)]
pub(crate) struct Will {
    /// The last content of each path, until it is seen to leave or found to be gone.
    last: BTreeMap<String, Digest>,
    /// Paths at which the card has damaged that.
    spoilt: BTreeSet<String>,
    /// Paths whose content came unseen, and was not scanned since.
    unseen: BTreeSet<String>,
    /// When a content was put at a path that nobody has seen it leave since.
    put_at: BTreeMap<Pair, When>,
    /// What was seen to leave and is not back, with the number of its departure.
    gone: BTreeMap<Pair, u64>,
    /// Of that: what may still come back, since it was seen in part only.
    open: BTreeSet<Pair>,
    /// What the card may know: of every stick that it so much as tried to open.
    pub(crate) knows: Knows,
    /// What it knows for certain.
    pub(crate) surely: Knows,
    /// The number of the last departure of which its memory was lost.
    forgot: u64,
    /// It has not scanned its mailbox since.
    unseeing: bool,
    life: u64,
    count: u64,
}

impl Will {
    /// A card's first life.
    pub(crate) fn new(life: u64) -> Self {
        let mut will = Self::default();
        will.begins_anew(life);
        will
    }

    /// Something happens: the card knows everything before it.
    pub(crate) fn goes_on(&mut self) -> When {
        self.count += 1;
        self.learn_of_itself();
        (self.life, self.count)
    }

    /// Another life begins, with the card's knowledge.
    pub(crate) fn begins_anew(&mut self, life: u64) {
        (self.life, self.count) = (life, 0);
        self.learn_of_itself();
    }

    fn learn_of_itself(&mut self) {
        self.knows.0.insert(self.life, self.count);
        self.surely.0.insert(self.life, self.count);
    }

    /// Its memory is that of an earlier day: whatever has come since is new to it. A card without any memory has
    /// nothing to be put back to: to it everything there is new.
    pub(crate) fn turns_back_to(&mut self, then: &Self, life: u64, departures: u64) {
        (self.forgot, self.unseeing) = (departures, true);
        (self.knows, self.surely) = (then.knows.clone(), then.surely.clone());
        self.begins_anew(life);
        let now = self.goes_on();
        for (pair, when) in &mut self.put_at {
            *when = then.put_at.get(pair).copied().unwrap_or(now);
        }
    }

    /// The card scans its mailbox.
    pub(crate) fn scanned(&mut self) {
        self.unseeing = false;
        self.unseen.clear();
        self.goes_on();
    }

    pub(crate) fn life(&self) -> u64 {
        self.life
    }

    pub(crate) fn last(&self, path: &str) -> Option<Digest> {
        self.last.get(path).copied()
    }

    pub(crate) fn put_at(&self, pair: &Pair) -> Option<When> {
        self.put_at.get(pair).copied()
    }

    /// The daemon may not know the content of a path.
    pub(crate) fn is_unsure(&self, path: &str) -> bool {
        self.spoilt.contains(path) || self.unseen.contains(path)
    }

    /// Everything that was put at a path and was not seen to leave it.
    pub(crate) fn contents_at(&self, path: &str) -> impl Iterator<Item = Digest> {
        self.put_at.keys().filter(move |pair| pair.0 == path).map(|pair| pair.1)
    }

    pub(crate) fn is_spoilt(&self, path: &str) -> bool {
        self.spoilt.contains(path)
    }

    /// The number of the departure of a content that was seen to leave a path, and is not back.
    pub(crate) fn departure(&self, pair: &Pair) -> Option<u64> {
        self.gone.get(pair).copied()
    }

    /// The same, if the card still knows that it left, and saw all of it.
    pub(crate) fn known_departure(&self, pair: &Pair) -> Option<u64> {
        self.departure(pair).filter(|number| *number > self.forgot && !self.is_open(pair))
    }

    /// Whether a content that was seen to leave a path may still come back.
    pub(crate) fn is_open(&self, pair: &Pair) -> bool {
        self.open.contains(pair)
    }

    /// A content is put at a path.
    pub(crate) fn put(&mut self, path: &str, digest: Digest) {
        let (pair, now) = ((path.to_owned(), digest), self.goes_on());
        self.gone.remove(&pair);
        self.open.remove(&pair);
        self.put_at.insert(pair, now);
        self.last.insert(path.to_owned(), digest);
        self.spoilt.remove(path);
    }

    /// Paths that a content was at and is not any more, without being seen to leave.
    pub(crate) fn missing(&self, digest: Digest) -> Vec<String> {
        let of = self.put_at.keys().filter(|pair| pair.1 == digest).map(|pair| &pair.0);
        of.filter(|path| self.last.get(*path) != Some(&digest)).cloned().collect()
    }

    pub(crate) fn is_unseen(&mut self, path: &str) {
        self.unseen.insert(path.to_owned());
    }

    pub(crate) fn spoil(&mut self, path: &str) {
        self.spoilt.insert(path.to_owned());
    }

    /// A departure from a path may not have been seen after all.
    pub(crate) fn reopen(&mut self, path: &str) {
        self.open.extend(self.gone.keys().filter(|pair| pair.0 == path).cloned());
    }

    /// Something left its path, seen by the daemon.
    pub(crate) fn depart(&mut self, pair: &Pair, number: u64, open: bool) {
        self.goes_on();
        self.put_at.remove(pair);
        self.gone.insert(pair.clone(), number);
        // A card does not see something leave that it has never seen.
        if open || self.unseeing {
            self.open.insert(pair.clone());
        }
    }

    /// A path becomes empty. What left unseen should come back.
    pub(crate) fn leave(&mut self, path: &str) {
        self.last.remove(path);
        self.spoilt.remove(path);
    }
}
