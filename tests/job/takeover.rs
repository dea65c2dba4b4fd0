//! A card that takes a drive over: what another card proved is a claim until this one has read it. Never waits.

use crate::card::{Card, mail, station};
use crate::logs::{archived, is_safe, scrub_step};
use crate::medium::{copies_of, expect_same, whole};
use crate::support::memory::MemoryDrive;
use counterfoil::disk::Access;
use counterfoil::job::Unwatched;
use counterfoil::job::replica::scrub::ScrubRules;
use counterfoil::job::replica::verify::verify;
use std::time::Duration;

fn unread(card: &Card) -> (u64, u64) {
    let drive = card.catalogue.drives().unwrap().pop().unwrap();
    let replica = card.catalogue.replica(drive.row, &station()).unwrap();
    card.catalogue.read_elsewhere(replica.row).unwrap()
}

const RULES: ScrubRules = ScrubRules { every: Duration::from_secs(30 * 86_400), max_rate: 1 << 20 };

fn due(card: &Card, drive: &MemoryDrive) -> Duration {
    let admitted = card.admit(drive, Access::Write).unwrap();
    RULES.due(&card.catalogue, admitted.state.row, &card.clock).unwrap().unwrap()
}

/// A new card takes over: copies proved by the other one count, are reported as not read here, and are read at once.
#[test]
fn copies_proven_by_another_card_are_not_called_read_until_they_are() {
    let (card, drive) = (Card::new(), MemoryDrive::default());
    for n in 0..100 {
        card.deliver(&format!("inbox/{n:03}"), &mail(&format!("message {n}")));
    }
    card.mirrored(&drive);
    assert_eq!(unread(&card), (0, 100), "its own are read back when they are made");
    assert!(due(&card, &drive) > Duration::ZERO);
    drive.replug(false);
    let mut card = card;
    card.lose_catalogue();
    card.clock.reboot();
    card.mirrored(&drive);
    assert!(is_safe(&card), "they count");
    assert_eq!(unread(&card), (36, 100), "the last 64 were read when the drive came");
    assert_eq!(due(&card, &drive), Duration::ZERO, "the rest is read at once");
    // A copy with the right length and other bytes is found by that.
    let bad = copies_of(&drive, &mail("message 99")).pop().unwrap();
    drive.tamper(&bad, |bytes| bytes[20] ^= 1);
    let mut rest = None;
    let taken = scrub_step(&card, &drive, &mut rest, &Unwatched);
    assert!(taken.lost && taken.ended, "{taken:?}");
    assert_eq!(unread(&card).0, 0);
    assert!(due(&card, &drive) > Duration::ZERO, "and then in its time");
    card.mirrored(&drive);
    expect_same(&whole(&[&drive], false), &card.messages(), "mended");
    assert_eq!(unread(&card), (0, 100));
}

/// `verify` reads all of them too.
#[test]
fn verify_makes_claims_of_another_card_good() {
    let (card, drive) = archived();
    let mut card = card;
    card.lose_catalogue();
    card.scan(0);
    let admitted = card.admit(&drive, Access::Read).unwrap();
    assert_eq!(unread(&card), (4, 4), "a look reads none");
    drop(admitted);
    let mut admitted = card.admit(&drive, Access::Write).unwrap();
    verify(&card.catalogue, &mut admitted, &card.clock, &Unwatched, true).unwrap();
    assert_eq!(unread(&card), (0, 4));
}

/// Another card verified the drive and recorded that in its ledger: only a claim.
#[test]
fn what_another_card_says_it_read_is_not_read_here() {
    let (card, drive) = (Card::new(), MemoryDrive::default());
    for n in 0..100 {
        card.deliver(&format!("inbox/{n:03}"), &mail(&format!("message {n}")));
    }
    card.mirrored(&drive);
    let mut admitted = card.admit(&drive, Access::Write).unwrap();
    verify(&card.catalogue, &mut admitted, &card.clock, &Unwatched, true).unwrap();
    drop(admitted);
    drive.replug(false);
    let mut card = card;
    card.lose_catalogue();
    card.clock.reboot();
    card.mirrored(&drive);
    assert_eq!(unread(&card), (36, 100));
}
