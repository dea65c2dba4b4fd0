//! How a pass treats messages and mailboxes that are absent while it works, and are back unchanged later. Never changes
//! a file itself: only the folder above it is moved away and back, so that the file itself does not change.

use crate::card::{Card, done, mail, station};
use crate::support::memory::MemoryDrive;
use counterfoil::model::Reason;

/// A pass that finds a message absent has not recorded it on the drive: the next pass does, although the message is
/// unchanged.
#[test]
fn a_message_gone_while_it_is_copied_and_back_unchanged_is_copied_by_the_next_pass() {
    let (card, drive) = (Card::new(), MemoryDrive::default());
    card.deliver("away/1", &mail("water level"));
    card.deliver("here/2", &mail("bridge closed"));
    card.scan(0);
    card.rename("away", "outside/away");
    let round = card.copy(&drive, "stick");
    let report = round.outcome.unwrap();
    let failed: Vec<_> = report.failed.iter().map(|f| (f.path.to_string(), f.reason)).collect();
    assert_eq!(failed, [("away/1".to_owned(), Reason::Changing)]);
    assert!(!report.is_complete);
    card.rename("outside/away", "away");
    let report = done(card.mirror(&drive));
    assert_eq!(report.copied, 1);
    let totals = card.catalogue.totals(&station(), 1).unwrap();
    assert_eq!((totals.messages, totals.mirrored), (2, 2));
}
