//! The jobs on drives in memory and mailboxes in temporary folders: scan, mirror, recover, verify, restore. Never
//! sleeps, never asks the machine for the time: the clock is moved by hand.
//!
//! `card` is a station's card with its mailbox, catalogue and clock; `medium` examines a drive from outside. What
//! belongs where: power failures in `power`, files that end early in `unreadable`, damage found by scrubbing in
//! `verify` and `reread`, that of ledgers and manifests in `logs` and `manifests`, lengths of copies in `lengths`,
//! copies proved by another card in `takeover`, copies given up to make room in `prune`, several cards or drives in
//! `turns`, what left the mailbox in `departures`, its successors in `heirs`, what another card saw leave in `heard`,
//! unreadable lines in `gaps`, a drive and its copy in `copies`, a drive found where another one was in `replaced`,
//! folders that a restore makes in `folders`, refusals of a drive in `room`, failed syncs in `failed_sync` and
//! `latched_volume`, the order of operations on a drive in `order`, clocks in `clock`, the scan of a mailbox in
//! `looks`, what drives carry in addition to copies in `carry`, the pages of the list of messages in `index_pages`,
//! forged ledgers in `forged`, which sticks are known in `known`, inputs of the fuzzer in `seeds`, a stick of false
//! size in `wraps`, a card that keeps whole seconds in `seconds`, a mailbox that is away for a pass and comes back in
//! `mailboxes`, long ledgers in `portions`, sticks that contradict each other in `contradictions`, honest ones that
//! only seem to in `agreements`.
#![allow(clippy::unwrap_used, clippy::expect_used, missing_docs)]

// The test programs share one set of helpers; those that only others use are dead code here.
#[allow(dead_code, unused_macros)]
#[macro_use]
#[path = "../support/mod.rs"]
mod support;

mod agreements;
mod alike;
mod carry;
mod clock;
mod contradictions;
mod copies;
mod departures;
mod failed_sync;
mod folders;
mod forged;
mod gaps;
mod heard;
mod heirs;
mod index_pages;
mod known;
mod latched_volume;
mod lengths;
mod logs;
mod looks;
mod mailboxes;
mod manifests;
mod medium;
mod numbered;
mod numbers_once;
mod order;
mod portions;
mod power;
mod prune;
mod replaced;
mod reread;
mod room;
mod seconds;
mod seeds;
mod takeover;
mod turns;
mod unreadable;
mod verify;
mod wraps;
mod writers;

use support::card;
