//! Drives and mailboxes that an enemy prepared or a repair tool ruined, against the built program. Two drives
//! are always there, and the other one must be served fully. What belongs where:
//!
//! - `scene`: the vocabulary. A station with a bad drive and a good one, and things outside that must stay as they are.
//! - `forger`: writes ledger lines that are rightly chained and false.
//! - `drive/parts`: links, mounts, pipes, sockets and devices in place of each part of a drive.
//! - `drive/sizes`: files and lines without end.
//! - `drive/lies`: ledger lines that are well made and false: numbers, paths, lengths.
//! - `drive/rooms`: ledgers for which the card has no room.
//! - `drive/mixups`: ledgers exchanged, rolled back, edited by hand, or of a later version.
//! - `drive/contradictions`: sticks that contradict this card, or each other.
//! - `drive/targets`: where a stick would have its mail written.
//! - `drive/strangers`: mounted sticks that a card does not know, and which of them it restores from.
//! - `drive/configs`: the config that a stick carries.
//! - `mailbox/kinds`: what lies in a mailbox and is no message, or lies where no mailbox should.
//! - `mailbox/races`: files that change while they are looked at.
//! - `mailbox/crowds`: very many files, very deep folders.
//! - `drive/crowds`: ledgers that tell of very many writers, marks and mailboxes.
//! - `campaign`: very many ledgers and sticks spoilt by chance, in process.
//! - `built`: the same through the built program, the daemon's loop included.
//! - `taken`: what a run of the built program takes of memory and processor.
//! - `words`: what reaches a terminal.
#![allow(clippy::unwrap_used, clippy::expect_used, missing_docs)]

// One vocabulary for all tests; what only others need is not used here.
#[allow(dead_code, unused_macros)]
#[macro_use]
#[path = "../support/mod.rs"]
mod support;
mod built;
mod campaign;
mod drive;
mod forger;
mod mailbox;
mod scene;
mod taken;
mod words;

use support::{card, station, stick, terminal, told};
