//! The jobs on drives in memory and mailboxes in temporary folders: scan, mirror, recover, verify, restore. Never
//! sleeps, never asks the machine for the time: the clock is moved by hand.
//!
//! `card` is a station's card with its mailbox, catalogue and clock; `medium` examines a drive from outside. What
//! belongs where:
//! - the mailbox: its scan in `stability`, a mailbox that is away for a pass and comes back in `mailboxes`, a card that
//!   keeps whole seconds in `seconds`, how often it is read in `read_once`, clocks in `clock`, the numbers of changes in `numbered`, what positions cover in
//!   `writers`
//! - failures: of power in `power`, of a sync in `failed_sync` and `latched_volume`, files that end early in
//!   `unreadable`, refusals of a drive in `room`, the order of operations on a drive in `order`
//! - damage: found by scrubbing in `verify` and `scrub`, of ledgers and manifests in `logs` and `manifests`, lengths of
//!   copies in `lengths`, a stick of false size in `wraps`
//! - ledgers: what left the mailbox in `departures`, its successors in `successors`, what another card saw leave in
//!   `other_cards`, unreadable lines in `gaps`, long ledgers in `portions`, forged ones in `forged`, inputs of the
//!   fuzzer in `seeds`
//! - several cards or drives in `turns`, copies proved by another card in `takeover`, a drive and its copy in `copies`,
//!   a drive found where another one was in `replaced`, which sticks are known in `known`, sticks that pass for others
//!   in `alike`
//! - sticks that contradict each other in `contradictions`, honest ones that only seem to in `agreements`, numbers that
//!   are never used twice in `numbers_once`
//! - what else is written or removed: copies given up to make room in `prune`, what drives carry in addition to copies
//!   in `extras`, the pages of the list of messages in `index_pages`
//! - restores: folders that a restore makes in `folders`
#![allow(clippy::unwrap_used, clippy::expect_used, missing_docs)]

// The test programs share one set of helpers; those that only others use are dead code here.
#[allow(dead_code, unused_macros)]
#[macro_use]
#[path = "../support/mod.rs"]
mod support;

mod agreements;
mod alike;
mod clock;
mod contradictions;
mod copies;
mod departures;
mod extras;
mod failed_sync;
mod folders;
mod forged;
mod gaps;
mod index_pages;
mod known;
mod latched_volume;
mod lengths;
mod logs;
mod mailboxes;
mod manifests;
mod medium;
mod numbered;
mod numbers_once;
mod order;
mod other_cards;
mod portions;
mod power;
mod prune;
mod read_once;
mod replaced;
mod room;
mod scrub;
mod seconds;
mod seeds;
mod stability;
mod successors;
mod takeover;
mod turns;
mod unreadable;
mod verify;
mod wraps;
mod writers;

use support::card;
