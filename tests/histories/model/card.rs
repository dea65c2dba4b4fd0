//! A card: its mailboxes, and its catalogue's knowledge. Owns a card's conclusions from what it finds changed, from
//! what it reads on sticks, and from what a person says.

use super::ledger::*;
use super::pass::record;
use super::restore::{Given, How, restore};
use crate::sabotage::{Break, broken};
use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

/// A departure that was seen: why a message is no longer at its location.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub(crate) struct Gone {
    pub(crate) seen: Position,
    /// Moved: the same content elsewhere; replaced: another here. None: deleted or acknowledged.
    pub(crate) next: Option<Key>,
}

/// What is at a location.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Place {
    pub(crate) content: Content,
    /// The location's last change.
    pub(crate) since: Position,
    /// The change with which it came there, whatever was recorded about it since.
    pub(crate) appeared: u32,
}

/// The new location of a content that was last known elsewhere: one new location excuses one departure, and the same
/// content elsewhere does not.
fn new_place(
    known: &BTreeMap<Location, Place>,
    gone: &BTreeMap<Key, Gone>,
    content: Content,
    last: u32,
) -> Option<Key> {
    let used = |at: &Location, place: &Place| {
        let mut moved = gone.iter().filter(|(key, _)| key.1 == content);
        moved.any(|(_, gone)| gone.next == Some((*at, content)) && gone.seen.n >= place.appeared)
    };
    let mut all = known.iter().filter(|(_, place)| place.content == content);
    let any = broken(Break::MoveBySameContent);
    let found = all.find(|(at, place)| any || place.appeared > last && !used(at, place));
    found.map(|(at, _)| (*at, content))
}

/// A card's catalogue, and everything lost with it.
#[derive(Debug, Clone, Default)]
pub(crate) struct Catalogue {
    /// The content of each location, and the position of the location's last change.
    pub(crate) known: BTreeMap<Location, Place>,
    /// The change at which each mailbox was last scanned.
    pub(crate) scanned: BTreeMap<u8, u32>,
    /// Gone, unseen: the position at which it was put there, and when it was last known there.
    pub(crate) missing: BTreeMap<Key, (Position, u32)>,
    pub(crate) gone: BTreeMap<Key, Gone>,
    pub(crate) position: Option<Position>,
    /// The running process has drawn its writer.
    pub(crate) drawn: bool,
    pub(crate) writers: Writers,
    /// Positions found in ledgers that the own one does not cover.
    pub(crate) read: BTreeSet<Position>,
    /// Per stick: the change after which each unreadable line was found.
    pub(crate) gaps: BTreeMap<usize, Vec<u32>>,
    /// Per stick, as it was last read: what is safe there, and what it asserts, as of which positions.
    pub(crate) safe: BTreeMap<usize, BTreeSet<(Location, Content, Position)>>,
    pub(crate) stands: BTreeMap<usize, BTreeMap<Key, Vec<Position>>>,
    /// Per stick, as it was last read: its departures.
    pub(crate) left: BTreeMap<usize, Vec<(Key, Position)>>,
    /// Its own writers, and the last change of each.
    pub(crate) own: BTreeMap<u64, u32>,
    /// Other cards' mail on sticks that a person does not want here.
    pub(crate) unwanted: BTreeSet<Key>,
}

#[derive(Debug, Clone, Default)]
pub(crate) struct Card {
    /// Makes the numbers that a process draws its own, as chance would.
    pub(crate) chance: u64,
    pub(crate) mail: Mail,
    pub(crate) catalogue: Catalogue,
}

/// The extent of a pass.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Pass {
    /// One bit each.
    pub(crate) mailboxes: u8,
    /// Lines after which it is interrupted.
    pub(crate) stop: usize,
    /// Copies for which there is room.
    pub(crate) room: usize,
    pub(crate) backwards: bool,
}

impl Card {
    pub(super) fn covers(&self, a: Position, b: Position) -> bool {
        self.catalogue.writers.covers(a, b)
    }

    /// Makes a change and returns its position. A process draws a new writer at its first change, and when it has read
    /// a position that its writer does not cover.
    fn change(&mut self) -> Position {
        let catalogue = &mut self.catalogue;
        let old = catalogue.position;
        let n = old.map_or(0, |old| old.n) + 1;
        let news = !catalogue.read.is_empty();
        let writer = match old {
            Some(old) if !news && (catalogue.drawn || broken(Break::WriterKept)) => old.writer,
            _ => {
                let parents: Arc<[Position]> =
                    old.into_iter().chain(std::mem::take(&mut catalogue.read)).collect();
                let writer = crate::mix::mix(&(self.chance, old, &parents));
                catalogue.writers.0.insert(writer, parents);
                writer
            }
        };
        catalogue.drawn = true;
        catalogue.position = Some(Position { writer, n });
        catalogue.own.insert(writer, n);
        Position { writer, n }
    }

    /// Where a content is in the mailboxes, or was and is missing, and since which position.
    pub(super) fn places(&self, content: Content) -> impl Iterator<Item = (Key, Position)> {
        let Catalogue { known, missing, .. } = &self.catalogue;
        let present = known.iter().map(|(at, place)| ((*at, place.content), place.since));
        let missing = missing.iter().map(|(key, (since, _))| (*key, *since));
        present.chain(missing).filter(move |(key, _)| key.1 == content)
    }

    /// Scans the mailboxes; `watched` if the card saw every change since the last scan.
    pub(crate) fn scan(&mut self, mailboxes: u8, watched: bool) {
        let watched = watched || broken(Break::UnseenIsSeen);
        let was = self.catalogue.known.clone();
        let mut changed: BTreeSet<Location> = was.keys().chain(self.mail.keys()).copied().collect();
        changed.retain(|at| {
            let within = mailboxes & (1 << at.mailbox) != 0;
            within && was.get(at).map(|place| &place.content) != self.mail.get(at)
        });
        if !changed.is_empty() {
            self.compare(&was, &changed, watched);
        }
        let n = self.catalogue.position.map_or(0, |position| position.n);
        let scanned = (0..8).filter(|mailbox| mailboxes & (1 << mailbox) != 0);
        self.catalogue.scanned.extend(scanned.map(|mailbox| (mailbox, n)));
    }

    fn compare(
        &mut self,
        was: &BTreeMap<Location, Place>,
        changed: &BTreeSet<Location>,
        watched: bool,
    ) {
        let seen = self.change();
        let Catalogue { known, missing, gone, scanned, unwanted, .. } = &mut self.catalogue;
        // A version that was here before is not a later one.
        let keys = missing.keys().chain(gone.keys()).map(|key| key.1);
        let before: BTreeSet<Content> =
            keys.chain(was.values().map(|place| place.content)).collect();
        let later = |new: Content, old: Content| {
            let again = before.contains(&new) && !broken(Break::EarlierReplaces);
            new.message == old.message && (!again || old.damaged)
        };
        for at in changed {
            known.remove(at);
            if let Some(content) = self.mail.get(at) {
                known.insert(*at, Place { content: *content, since: seen, appeared: seen.n });
                gone.remove(&(*at, *content));
                unwanted.remove(&(*at, *content));
                missing.remove(&(*at, *content));
            }
        }
        for (at, old) in changed.iter().filter_map(|at| Some((*at, was.get(at)?))) {
            let now = self.mail.get(&at).copied();
            let last = scanned.get(&at.mailbox).copied().unwrap_or(0);
            let to = new_place(known, gone, old.content, last);
            let fate = match (to, now) {
                (Some(to), _) => Some(Some(to)),
                // Apparent damage replaces nothing but other damage.
                (None, Some(new))
                    if new.damaged && !old.content.damaged && !broken(Break::DamageDeparts) =>
                {
                    None
                }
                (None, Some(new)) if watched || later(new, old.content) => Some(Some((at, new))),
                (None, None) if watched => Some(None),
                (None, _) => None,
            };
            let key = (at, old.content);
            // A card that sees the damaged rest of a message leave sees the message leave.
            let rest = fate.filter(|next| old.content.damaged && next.is_none_or(|to| to.0 == at));
            if let Some(next) = rest.filter(|_| now.is_none_or(|new| !new.damaged)) {
                let of_it = |key: &Key| key.0 == at && key.1.message == old.content.message;
                let known = |key: &Key| watched || now.is_some_and(|new| later(new, key.1));
                let good: Vec<Key> =
                    missing.keys().filter(|key| of_it(key) && known(key)).copied().collect();
                for key in good {
                    missing.remove(&key);
                    gone.insert(key, Gone { seen, next });
                }
            }
            match fate {
                Some(next) => drop(gone.insert(key, Gone { seen, next })),
                None => drop(missing.insert(key, (old.since, last))),
            }
        }
        for (key, (since, last)) in std::mem::take(missing) {
            if let Some(to) = new_place(known, gone, key.1, last) {
                gone.insert(key, Gone { seen, next: Some(to) });
            } else if !known.values().any(|place| place.content == key.1) {
                missing.insert(key, (since, last));
            }
        }
    }

    /// Reads a stick without writing to it.
    pub(crate) fn read_stick(&mut self, name: usize, stick: &Stick) {
        self.read(name, &stick.ledger);
        self.note(name, stick);
    }

    /// Reads a ledger. That costs nothing and claims nothing: it only lets later departures cover what was read.
    fn read(&mut self, name: usize, ledger: &Ledger) {
        self.catalogue.writers.merge(&ledger.writers);
        let positions = ledger.lines.iter().filter_map(|line| match line {
            Line::Is { as_of, .. } | Line::Mark { as_of, .. } => Some(*as_of),
            Line::Left(left) => Some(left.seen),
            Line::Writer(..) | Line::Unreadable => None,
        });
        let own = self.catalogue.position;
        let news = positions.filter(|p| !own.is_some_and(|own| self.covers(own, *p)));
        let news: BTreeSet<Position> = news.collect();
        if !broken(Break::ReadingForgotten) {
            self.catalogue.read.extend(news);
        }
        self.note_departures_read(name, ledger);
        let n = self.catalogue.position.map_or(0, |position| position.n);
        self.catalogue.gaps.entry(name).or_default().resize(ledger.gaps as usize, n);
    }

    /// Departures that another card saw: where this card has the content, it is asserted again, later than that; where
    /// it is missing, the departure settles it, unless another stick has it.
    fn note_departures_read(&mut self, name: usize, ledger: &Ledger) {
        if broken(Break::OthersUnheard) {
            return;
        }
        let departures = ledger.lines.iter().filter_map(|line| match line {
            Line::Left(left) => Some((left.key, left.seen)),
            _ => None,
        });
        for (key, seen) in departures {
            let known = self.catalogue.known.get(&key.0).filter(|place| place.content == key.1);
            if let Some(place) = known.copied()
                && let Some(since) = self.later_than(seen, place.since)
            {
                self.catalogue.known.insert(key.0, Place { since, ..place });
            }
            let Some((since, last)) = self.catalogue.missing.get(&key).copied() else { continue };
            let mut others = self.catalogue.stands.iter().filter(|(other, _)| **other != name);
            let only_here = others.all(|(_, stands)| !stands.contains_key(&key));
            if only_here || broken(Break::StrangersPass) {
                if self.covers(seen, since) && !broken(Break::MissingUnsettled) {
                    self.catalogue.missing.remove(&key);
                }
            } else if let Some(since) = self.later_than(seen, since) {
                self.catalogue.missing.insert(key, (since, last));
            }
        }
    }

    /// If a departure seen by another may cover what this card knew: a position of this card that it does not cover, to
    /// assert the content again.
    fn later_than(&mut self, seen: Position, since: Position) -> Option<Position> {
        let may = |card: &Self, position| match broken(Break::UnknownCoversNothing) {
            true => card.covers(seen, position),
            false => card.catalogue.writers.may_cover(seen, position),
        };
        if !may(self, since) {
            return None;
        }
        let own = self.catalogue.position.filter(|own| !may(self, *own));
        Some(own.unwrap_or_else(|| self.change()))
    }

    /// This ledger asserts it as of the location's last change or later, and does not withdraw it.
    pub(super) fn is_recorded(&self, ledger: &Ledger, key: &Key, since: Position) -> bool {
        let writers = &self.catalogue.writers;
        let late = |t| writers.covers(t, since) || broken(Break::OldLineWillDo);
        let stamps = ledger.asserted.get(key);
        stamps
            .is_some_and(|all| all.iter().any(|t| late(*t) && !ledger.withholds(writers, key, *t)))
    }

    fn safe(&self, stick: &Stick, key: &Key, since: Position) -> bool {
        (stick.has(key.1) || broken(Break::SafeWithoutCopy))
            && self.is_recorded(&stick.ledger, key, since)
    }

    /// Brings a stick up to date.
    pub(crate) fn mirror(&mut self, name: usize, stick: &mut Stick, pass: Pass) {
        self.scan(pass.mailboxes, false);
        self.read(name, &stick.ledger);
        if let Some(as_of) = self.catalogue.position {
            record(self, name, stick, as_of, pass);
        }
        self.note(name, stick);
    }

    fn note(&mut self, name: usize, stick: &Stick) {
        let known =
            self.catalogue.known.iter().map(|(at, place)| (*at, place.content, place.since));
        let safe = known
            .filter(|(at, content, since)| self.safe(stick, &(*at, *content), *since))
            .collect();
        let stands =
            stick.ledger.standing().map(|key| (key, stick.ledger.in_force(&key))).collect();
        self.catalogue.safe.insert(name, safe);
        self.catalogue.stands.insert(name, stands);
        let left = stick.ledger.left.iter().map(|left| (left.key, left.seen)).collect();
        self.catalogue.left.insert(name, left);
    }

    /// What is safe, and on which sticks.
    pub(crate) fn audit(&self) -> BTreeSet<(usize, Location, Content)> {
        let safe = self.catalogue.safe.iter();
        let all = safe.flat_map(|(name, all)| all.iter().map(move |one| (*name, *one)));
        let still = |at: &Location, content: &Content, since: &Position| {
            let known = self.catalogue.known.get(at).map(|place| (&place.content, &place.since));
            known == Some((content, since)) && self.mail.get(at) == Some(content)
        };
        all.filter(|(_, (at, content, since))| still(at, content, since))
            .map(|(name, (at, content, _))| (name, at, content))
            .collect()
    }

    /// What is missing, and what sticks have that the mailbox lacks: reported first, until it is there or acknowledged.
    pub(crate) fn lacking(&self) -> BTreeSet<Key> {
        let Catalogue { missing, stands, unwanted, .. } = &self.catalogue;
        let here = |key: &&Key| self.catalogue.known.values().any(|place| place.content == key.1);
        let all = stands.iter().flat_map(|(stick, all)| all.iter().map(move |one| (stick, one)));
        let lacks = all.filter(|(stick, (key, stamps))| !self.is_left_out(**stick, key, stamps));
        let lacks = lacks.map(|(_, (key, _))| key);
        let lacks = lacks.filter(|key| !here(key) && !unwanted.contains(*key));
        missing.keys().chain(lacks).copied().collect()
    }

    /// Whether a restore leaves out what a stick asserts: because of this card's departures, as soon as those are
    /// recorded; or because of those of the other known writers, where it comes back elsewhere in its mailbox. About a
    /// ledger with unreadable lines this card speaks only of what it saw after it found them.
    fn is_left_out(&self, stick: usize, key: &Key, stamps: &[Position]) -> bool {
        let elsewhere = |other: &Key| {
            let here = other.1 == key.1 && other.0.mailbox == key.0.mailbox && other != key;
            here && !self.is_covered(other)
        };
        let others = || self.catalogue.stands.values().flat_map(BTreeMap::keys).any(elsewhere);
        self.is_covered_on(stick, key, stamps, false)
            || self.is_covered_on(stick, key, stamps, true)
                && (broken(Break::StrangersPass) || others())
    }

    /// Whether departures cover everything that a stick asserts of it; departures on other sticks too, or of this card
    /// alone.
    fn is_covered_on(&self, stick: usize, key: &Key, stamps: &[Position], by_others: bool) -> bool {
        let gaps_found = || self.catalogue.gaps.get(&stick).into_iter().flatten();
        let gone =
            self.catalogue.gone.get(key).filter(|gone| gaps_found().all(|n| *n < gone.seen.n));
        let others = self.catalogue.left.values().flatten();
        let others = others.filter(|(left, _)| by_others && left == key);
        let words: Vec<Position> =
            gone.map(|gone| gone.seen).into_iter().chain(others.map(|(_, seen)| *seen)).collect();
        stamps.iter().all(|t| words.iter().any(|word| self.covers(*word, *t)))
    }

    /// Whether departures cover everything that sticks assert of it.
    fn is_covered(&self, key: &Key) -> bool {
        let stands = self.catalogue.stands.iter();
        let mut of = stands.filter_map(|(stick, all)| Some((*stick, all.get(key)?)));
        of.all(|(stick, stamps)| self.is_covered_on(stick, key, stamps, true))
    }

    /// Whether a restore from all known sticks gives nothing of this, or a person does not want it here.
    pub(crate) fn is_settled(&self, key: &Key) -> bool {
        let stands = self.catalogue.stands.iter();
        let mut of = stands.filter_map(|(stick, all)| Some((*stick, all.get(key)?)));
        self.catalogue.unwanted.contains(key)
            || of.all(|(stick, stamps)| self.is_left_out(stick, key, stamps))
    }

    /// Whether every assertion of it on sticks, if not withdrawn, was made by this card.
    fn is_asserted_here_alone(&self, key: &Key) -> bool {
        let all = self.catalogue.stands.values().filter_map(|all| all.get(key)).flatten();
        let own = |t: &Position| self.catalogue.own.get(&t.writer).is_some_and(|n| t.n <= *n);
        all.into_iter().all(own)
    }

    /// A person knows that this is gone; or, if another card recorded it, that it is not wanted here. Returns what was
    /// reported as gone, in order.
    pub(crate) fn acknowledge(&mut self) -> BTreeSet<Key> {
        let all = self.lacking();
        let (ours, others): (BTreeSet<Key>, BTreeSet<Key>) = all.into_iter().partition(|key| {
            self.catalogue.missing.contains_key(key) || self.is_asserted_here_alone(key)
        });
        self.catalogue.unwanted.extend(others);
        if ours.is_empty() {
            return ours;
        }
        let seen = match self.catalogue.position {
            Some(old) if broken(Break::AcknowledgedAtOnce) => old,
            _ => self.change(),
        };
        for key in &ours {
            self.catalogue.missing.remove(key);
            self.catalogue.gone.insert(*key, Gone { seen, next: None });
            for stands in self.catalogue.stands.values_mut() {
                stands.remove(key);
            }
        }
        ours
    }

    /// A person says that a stick is lost.
    pub(crate) fn forget(&mut self, name: usize) {
        if !broken(Break::ForgetIgnored) {
            self.catalogue.safe.remove(&name);
        }
        self.catalogue.stands.remove(&name);
        self.catalogue.left.remove(&name);
    }

    /// Restores what some sticks have. Nothing in the mailbox is ever overwritten.
    pub(crate) fn put_back(&mut self, sticks: &[&Stick], with_removed: bool) {
        let mut rest = restore(sticks, with_removed).given;
        rest.sort_by_key(|given| given.how);
        rest.retain(|given| {
            let own = given.how < How::ConflictName;
            let there = own.then(|| *self.mail.entry(given.at).or_insert(given.content));
            there != Some(given.content)
        });
        for Given { at, content, .. } in rest {
            if !self.mail.values().any(|other| *other == content) {
                self.mail.insert(at.conflict_name(content), content);
            }
        }
    }

    /// Whether a restore from these sticks into an empty folder gives the same tree.
    pub(crate) fn rehearse(&self, sticks: &[&Stick]) -> bool {
        let mut empty = Self::default();
        empty.put_back(sticks, false);
        empty.mail == self.mail
    }
}
