//! The numbers of changes: whoever has seen a number can read the change, whichever thread makes it. Once everything up
//! to a number is recorded on a drive, changes before it are never compared again.

use crate::card::{Card, done, folder, mail, station};
use crate::support::memory::MemoryDrive;
use counterfoil::job::catalogue::Catalogue;
use counterfoil::model::Identity;
use counterfoil::model::ledger::Departed;
use std::sync::atomic::{AtomicBool, Ordering};

/// How many numbers are seen while changes go on.
const NUMBERS_SEEN: usize = 100;

#[test]
fn whoever_sees_a_number_finds_its_change() {
    let state = folder();
    let (here, _) = Catalogue::open(state.path()).unwrap();
    let (elsewhere, _) = Catalogue::open(state.path()).unwrap();
    let enough = AtomicBool::new(false);
    std::thread::scope(|scope| {
        let enough = &enough;
        scope.spawn(move || {
            let mailbox = here.mailbox(&"in".parse().unwrap(), None).unwrap();
            let contents = (1_u64..).take_while(|_| !enough.load(Ordering::Relaxed));
            for content in contents {
                let content = here.content(&Identity::of(&content.to_le_bytes())).unwrap();
                here.set_departed((mailbox, b"a", content), Departed::Deleted, None, 0).unwrap();
            }
        });
        let mut last = 0;
        let all_found = (0..NUMBERS_SEEN).all(|_| {
            let now = std::iter::repeat_with(|| elsewhere.change_no().unwrap());
            let now = now.into_iter().find(|now| *now > last).unwrap();
            let found = elsewhere.departed_after(last, now, usize::MAX >> 1).unwrap();
            last = now;
            found.last().is_some_and(|row| row.change_no == now)
        });
        enough.store(true, Ordering::Relaxed);
        assert!(all_found, "number {last} was seen before its change");
    });
}

/// A scan begins a writer while the thread of a drive is at work: lines by that writer speak of this card's own changes
/// at once.
#[test]
fn a_writer_that_another_thread_begins_is_this_cards_own() {
    let (state, drive, mut card) = (folder(), MemoryDrive::default(), Card::new());
    let open = || Catalogue::open(state.path()).unwrap().0;
    card.catalogue = open();
    card.deliver("1", &mail("first"));
    card.mirrored(&drive);
    card.deliver("2", &mail("second"));
    let of_the_drive = std::mem::replace(&mut card.catalogue, open());
    card.scan(0);
    card.catalogue = of_the_drive;
    done(card.copy(&drive, "stick"));
    let totals = card.catalogue.totals(&station(), 1).unwrap();
    assert_eq!((totals.messages, totals.mirrored), (2, 2));
}
