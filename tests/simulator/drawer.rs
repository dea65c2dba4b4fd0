//! Several cards of one station: copied whole, and used one after the other. A copy knows what its original knew, and
//! nothing that comes after. Two cards are never in use at once.

use crate::card::Card;
use crate::medium::{Junk, Kept};
use crate::oracle::Checked;
use crate::sabotage::Sabotage;
use crate::will::Will;
use crate::world::World;
use counterfoil::disk::host::draw_ids_from;
use counterfoil::job::JobError;
use counterfoil::model::WriterId;
use std::path::Path;

/// A card in the drawer: its contents, and what happened to its mailbox.
pub(crate) struct Spare {
    card: Card,
    will: Will,
    /// The folder where its mailbox is kept meanwhile.
    waits: String,
}

impl Spare {
    pub(crate) fn will(&self) -> &Will {
        &self.will
    }
}

/// For one sabotage: the first writer id that a card and its copy both draw.
const KEPT: u64 = 1 << 40;
/// The first id after that, different on each.
const OTHERS: u64 = 1 << 41;

/// All changes in flight reach the stick.
const ALL: Kept = Kept { last: u64::MAX, count: 64, earlier: true, junk: Junk::Zeros };

impl World {
    /// Copies the card in use and puts the copy away. From here on each develops on its own.
    pub(crate) fn copy_card(&mut self) {
        let waits = format!("mail-{}", self.cards);
        copy_files(&self.card.root, &self.place.folder(&waits));
        if self.sabotage == Some(Sabotage::WriterKeptAfterACopy) {
            self.card.next_writer = Some(KEPT + self.cards as u64);
        }
        let mut will = self.oracle.will.clone();
        will.begins_anew(self.oracle.new_life());
        let life = self.oracle.new_life();
        self.oracle.will.begins_anew(life);
        self.spares.push(Spare { card: self.card.copied(), will, waits });
        self.cards += 1;
    }

    /// A card scans its mailbox. For the sabotage in which it and its copy are one writer, it draws that id if it finds
    /// a change and does not know the id yet.
    pub(crate) fn scan(&mut self) -> Result<(), JobError> {
        let kept = self.card.next_writer.take().map(WriterId::from_bits);
        let knows = |writer| self.card.catalogue.writers().unwrap().knows(writer);
        let kept = kept.filter(|writer| !knows(*writer));
        if let Some(kept) = kept {
            draw_ids_from(kept.bits());
        }
        let outcome = self.card.scan(&self.clock);
        if kept.is_some() {
            draw_ids_from(OTHERS + self.oracle.new_life());
        }
        outcome
    }

    /// The power is switched off, and another card is put in.
    pub(crate) fn change_cards(&mut self, spare: usize) -> Checked {
        self.power_off(|_| ALL)?;
        self.slots.iter().for_each(|slot| slot.stick.state().meddling = None);
        self.meddled = None;
        let Spare { card, will, waits } = &mut self.spares[spare];
        std::mem::swap(&mut self.card, card);
        std::mem::swap(&mut self.oracle.will, will);
        let (here, there) = (self.place.folder("mail"), self.place.folder(waits));
        let aside = self.place.folder("aside");
        for (from, to) in [(&here, &aside), (&there, &here), (&aside, &there)] {
            std::fs::rename(from, to).unwrap();
        }
        // A power failure turns back only the catalogue in use.
        self.earlier.clear();
        self.oracle.amnesia = true;
        self.restart()
    }
}

fn copy_files(from: &Path, to: &Path) {
    for (path, bytes) in crate::card::tree(from) {
        let (old, new) = (from.join(&path), to.join(&path));
        std::fs::create_dir_all(new.parent().unwrap()).unwrap();
        std::fs::write(&new, bytes).unwrap();
        let facts = std::fs::metadata(&old).unwrap();
        let file = std::fs::File::options().write(true).open(&new).unwrap();
        file.set_modified(facts.modified().unwrap()).unwrap();
        file.set_permissions(facts.permissions()).unwrap();
    }
}
