//! Drives and mailboxes that an attacker prepared or a repair tool ruined, given to the built program. There are always
//! two drives, and the other one must be served fully. What belongs where:
//!
//! - `scene`: the fixture. A station with a bad drive and a good one, and files outside that must stay as they are.
//! - `forger`: writes ledger lines that are correctly chained and false.
//! - `drive/parts`: links, mounts, pipes, sockets and devices in place of each part of a drive.
//! - `drive/sizes`: files and lines without end.
//! - `drive/lies`: ledger lines that are well made and false: numbers, paths, lengths.
//! - `drive/rooms`: ledgers for which the card has no room.
//! - `drive/mixups`: ledgers exchanged, rolled back, edited by hand, or of a later version.
//! - `drive/contradictions`: sticks that contradict this card, or each other.
//! - `drive/targets`: where a stick would have its mail written.
//! - `drive/answers`: a person who answers a stick's questions in a hurry.
//! - `drive/doubts`: a stick that claims that another stick's mail is gone.
//! - `drive/strangers`: mounted sticks that a card does not know, and which of them it restores from.
//! - `drive/configs`: the config that a stick carries.
//! - `drive/crowds`: ledgers that name very many writers, marks and mailboxes.
//! - `mailbox/kinds`: files in a mailbox that are not messages, and mailboxes in places where none should be.
//! - `mailbox/races`: files that change while they are read.
//! - `mailbox/crowds`: very many files, very deep folders.
//! - `campaign`: very many ledgers and sticks damaged at random, in process.
//! - `built`: the same through the built program, the daemon's loop included.
//! - `taken`: the memory and processor time that a run of the built program uses.
//! - `words`: what reaches a terminal.
#![allow(clippy::unwrap_used, clippy::expect_used, missing_docs)]

// The test programs share one set of helpers; those that only others use are dead code here.
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

use support::{card, command_output, station, stick, terminal};
