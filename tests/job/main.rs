//! The jobs on drives in memory and mailboxes in temporary folders: scan, mirror, recover, verify, restore.
//! Never sleeps, never asks the machine for the time: the clock is moved by hand.
//!
//! `card` is a station's card with its mailbox, catalogue and clock; `medium` looks at a drive from
//! outside. What belongs where: a power failure of power in `power`, files that end early in `unreadable`, damage found
//! by scrubbing in `verify` and `reread`, that of ledgers and manifests in `logs` and `manifests`, lengths of copies in
//! `lengths`, what another card proved in `takeover`, what is given up to make room in `prune`, several cards or
//! drives in `turns`, what left the mailbox in `departures`, what came after it in `heirs`, what another card saw go in
//! `heard`, lines that cannot be read in `gaps`, a drive and its copy in `copies`, what is found where a drive was in
//! `replaced`, folders that a restore makes in `folders`, what a drive
//! refuses in `room`, what a failed sync forbids in `failed_sync` and `latched_volume`, in which order it is asked in `order`, clocks in
//! `clock`, how a mailbox is looked at in `looks`, what drives carry beside copies in `carry`, the pages of its list in
//! `leaves`, what a forger writes in `forged`, which sticks are known in `known`, inputs of the fuzzer in `seeds`, a
//! stick of false size in `wraps`, a card that keeps whole seconds in `seconds`, what is away for a pass and comes back
//! in `mailboxes`, long ledgers in `portions`, sticks that contradict each other in `contradictions`, honest ones that
//! only seem to in `agreements`.
#![allow(clippy::unwrap_used, clippy::expect_used, missing_docs)]

// One vocabulary for all tests; what only others need is not used here.
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
