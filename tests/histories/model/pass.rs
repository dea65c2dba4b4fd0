//! A pass: what a card records on a stick, in which order. If it is interrupted anywhere, the rest is simply not
//! recorded.

use super::card::*;
use super::ledger::*;
use crate::sabotage::{Break, broken};
use std::collections::BTreeSet;
use std::sync::Arc;

/// Records on a stick what is not recorded there yet, up to where the pass is interrupted.
pub(super) fn record(card: &Card, name: usize, stick: &mut Stick, as_of: Position, pass: Pass) {
    let mut pen = Pen { card, name, stick, as_of, pass };
    // None: interrupted.
    let (Some(()) | None) = pen.record_all();
}

/// A pass in progress.
struct Pen<'a> {
    card: &'a Card,
    name: usize,
    stick: &'a mut Stick,
    as_of: Position,
    pass: Pass,
}

impl Pen<'_> {
    /// Adds one line, after those on the writers that it refers to; `None` if the pass is interrupted here.
    fn write(&mut self, line: Line) -> Option<()> {
        self.pass.stop = self.pass.stop.checked_sub(1)?;
        let mut of = BTreeSet::new();
        let writers = &self.card.catalogue.writers;
        writers.ancestors(self.as_of.writer, &mut of);
        let ledger = &mut self.stick.ledger;
        for writer in of {
            if let (Some(parents), false) =
                (writers.0.get(&writer), ledger.writers.0.contains_key(&writer))
            {
                ledger.append(Line::Writer(writer, Arc::clone(parents)));
            }
        }
        ledger.append(line);
        Some(())
    }

    fn say(&mut self, key: Key) -> Option<()> {
        self.write(Line::Is { key, as_of: self.as_of })
    }

    fn within(&self, key: &Key) -> bool {
        self.pass.mailboxes & (1 << key.0.mailbox) != 0
    }

    fn record_all(&mut self) -> Option<()> {
        let Catalogue { known, missing, .. } = &self.card.catalogue;
        let known = known.iter().map(|(at, place)| ((*at, place.content), place.since));
        let mut known: Vec<_> = known.filter(|(key, _)| self.within(key)).collect();
        let missing = missing.iter().map(|(key, (since, _))| (*key, *since));
        let mut missing: Vec<_> = missing.filter(|(key, _)| self.within(key)).collect();
        if self.pass.backwards {
            known.reverse();
            missing.reverse();
        }
        if broken(Break::DepartureFirst) {
            self.departures()?;
        }
        let stale =
            |(key, since): &(Key, _)| !self.card.is_recorded(&self.stick.ledger, key, *since);
        if broken(Break::MarkFirst) && known.iter().any(stale) {
            self.write(Line::Mark { as_of: self.as_of, mailboxes: self.pass.mailboxes })?;
        }
        let full = self.copy(known.iter().map(|(key, _)| key.1));
        // A missing content is a location of its own, so that no departure elsewhere removes the last one.
        let all: Vec<_> = known.into_iter().chain(missing).collect();
        for (key, _) in &all {
            if self.stick.has(key.1) && !self.stick.ledger.stands(key) {
                self.say(*key)?;
            }
        }
        if !full || broken(Break::FullDoesNotWait) {
            self.departures()?;
        }
        self.renew(&all)
    }

    /// Copies what this stick lacks; returns whether there was no room for something.
    fn copy(&mut self, all: impl Iterator<Item = Content>) -> bool {
        let mut full = false;
        for content in all {
            if !self.stick.has(content) {
                full |= self.pass.room == 0;
                if self.pass.room > 0 {
                    self.pass.room -= 1;
                    self.stick.copies.insert(content, true);
                }
            }
        }
        full
    }

    /// Only departures that were seen, only where they withdraw something still asserted, and only by a card that knew
    /// of every unreadable line.
    fn departures(&mut self) -> Option<()> {
        let card = self.card;
        for (key, gone) in &card.catalogue.gone {
            let ledger = &self.stick.ledger;
            let seen = if broken(Break::DepartureAtPresent) { self.as_of } else { gone.seen };
            let stands = |t| {
                !ledger.withholds(&ledger.writers, key, t) || broken(Break::DepartureOfEverything)
            };
            let mut stamps = ledger.asserted.get(key).into_iter().flatten();
            let news = stamps.any(|t| card.covers(seen, *t) && stands(*t));
            let gaps_found = card.catalogue.gaps.get(&self.name).into_iter().flatten();
            let gaps = match broken(Break::GapsKnownLater) {
                true => ledger.gaps,
                false => gaps_found.filter(|n| **n < gone.seen.n).count() as u32,
            };
            let known = gaps >= ledger.gaps;
            if self.within(key)
                && known
                && news
                && let Some(to) = self.may_leave(key, gone)?
            {
                self.write(Line::Left(Departure { key: *key, seen, to, gaps }))?;
            }
        }
        Some(())
    }

    /// Whether a departure may be written (None: it waits), and after a line for which location: where the message went
    /// or where its replacement is, as far as that is on the card or missing; and with the same content, where the card
    /// has that.
    fn may_leave(&mut self, key: &Key, gone: &Gone) -> Option<Option<Option<Key>>> {
        let card = self.card;
        let replaced = gone.next.is_some_and(|next| next.1 != key.1);
        let here = card.catalogue.known.contains_key(&key.0);
        if broken(Break::DepartureFirst)
            || broken(Break::MoveDoesNotWait) && !replaced
            || broken(Break::ReplacedDoesNotWait) && replaced
            || broken(Break::ReplacedWaitsHere) && replaced && !here
        {
            return Some(Some(None));
        }
        let mut follows = None;
        let mut next = gone.next;
        // A cycle of successors ends nowhere.
        for _ in 0..=card.catalogue.gone.len() {
            let Some(after) = next else { break };
            if let Some((place, since)) = card.places(after.1).find(|(place, _)| *place == after) {
                if !self.record_location(&place, since)? {
                    return Some(None);
                }
                follows = Some(place);
                next = None;
            } else {
                match card.catalogue.gone.get(&after) {
                    Some(gone) if !broken(Break::ChainUnknown) => next = gone.next,
                    _ => return Some(None),
                }
            }
        }
        let mut same = card.places(key.1).peekable();
        if next.is_some() || same.peek().is_none() || follows.is_some_and(|place| place.1 == key.1)
        {
            return Some(next.is_none().then_some(follows));
        }
        for (place, since) in same {
            if self.record_location(&place, since)? {
                return Some(Some(follows.or(Some(place))));
            }
        }
        Some(None)
    }

    /// Whether this ledger asserts it as of the location's last change: an older assertion in force is not enough,
    /// since another ledger may withdraw that one.
    fn record_location(&mut self, place: &Key, since: Position) -> Option<bool> {
        let ledger = &self.stick.ledger;
        let old = broken(Break::WitnessByOldLine) && ledger.stands(place);
        if !self.stick.has(place.1) {
            return Some(false);
        }
        if old || self.card.is_recorded(ledger, place, since) {
            return Some(true);
        }
        let can = self.within(place);
        if can {
            self.say(*place)?;
        }
        Some(can)
    }

    /// Assertions that are too old are renewed: all of them by one mark, where nothing else is asserted.
    fn renew(&mut self, all: &[(Key, Position)]) -> Option<()> {
        let ours = |key: &Key| all.iter().any(|(other, _)| other == key);
        let others = self.stick.ledger.standing().filter(|key| self.within(key) && !ours(key));
        let others = others.fold(0, |bits, key| bits | 1 << key.0.mailbox);
        let mailboxes = match broken(Break::MarkOverOthers) {
            true => self.pass.mailboxes,
            false => self.pass.mailboxes & !others,
        };
        let mut mark = false;
        for (key, since) in all {
            if self.stick.has(key.1) && !self.card.is_recorded(&self.stick.ledger, key, *since) {
                let by_mark =
                    mailboxes & (1 << key.0.mailbox) != 0 && self.stick.ledger.stands(key);
                mark |= by_mark;
                if !by_mark {
                    self.say(*key)?;
                }
            }
        }
        if mark {
            self.write(Line::Mark { as_of: self.as_of, mailboxes })?;
        }
        Some(())
    }
}
