//! The truth about contents that left: which are still somewhere, and which are recorded on a stick as gone.

use crate::model::{Content, Key};
use crate::truth::{Gone, Promise};
use crate::world::{Slot, World};
use std::collections::BTreeSet;

impl World {
    /// Contents that some card has, or has lost unseen.
    pub(crate) fn everywhere(&self) -> BTreeSet<Content> {
        let image = self.image.iter().map(|(_, station)| station);
        let all = self.cards.iter().chain(image);
        all.flat_map(|station| {
            let lost = station.truth.lost.keys().chain(station.card.catalogue.missing.keys());
            station.card.mail.values().copied().chain(lost.map(|key| key.1))
        })
        .collect()
    }

    /// Contents that the card in use has truly seen leave every location that a stick gives them, and that no other
    /// card has.
    pub(crate) fn recorded_gone(&self, slot: &Slot) -> BTreeSet<Content> {
        let truth = &self.cards[self.here].truth;
        let here = self.everywhere();
        let knew = |gone: &Gone| {
            let mut clock = slot.clock.iter();
            clock.all(|(card, n)| *card == truth.me || gone.clock.get(card) >= Some(n))
        };
        let asserted = &slot.stick.ledger.asserted;
        // Its replacement may be missing before any stick had it: then the old one rightly comes back.
        if truth.lost.keys().any(|key| !slot.stick.has(key.1)) {
            return BTreeSet::new();
        }
        let mail = &self.cards[self.here].card.mail;
        // Its successors were seen to the end, or end with something that is there.
        let ends = |key: &Key| {
            let mut next = Some(*key);
            for _ in 0..=truth.saw.len() {
                let Some(key) = next else { return true };
                if mail.get(&key.0) == Some(&key.1) {
                    return true;
                }
                let Some(gone) = truth.saw.iter().find(|gone| gone.key == key) else {
                    return false;
                };
                next = gone.next;
            }
            false
        };
        let seen =
            |key: &Key| truth.saw.iter().any(|gone| gone.key == *key && knew(gone)) && ends(key);
        let all: BTreeSet<Content> = asserted.keys().map(|key| key.1).collect();
        let gone = |content: &Content| {
            !here.contains(content) && asserted.keys().filter(|key| key.1 == *content).all(&seen)
        };
        all.into_iter().filter(gone).collect()
    }
}

impl Slot {
    /// The line that recorded its name cannot be read, and the copy has another name in this ledger: nobody can know
    /// that it had this one.
    pub(crate) fn has_lost_the_name_of(&self, promise: &Promise) -> bool {
        let asserted = self.stick.ledger.asserted.keys();
        let mut names = asserted.filter(|key| key.1 == promise.content).peekable();
        names.peek().is_some() && !names.any(|key| promise.from == key.0)
    }
}
