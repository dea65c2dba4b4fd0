//! The built program, used as an operator uses it. What belongs where:
//!
//! - `station`, `told`, `stick`: the vocabulary. A station, what a command said, a drive seen from outside.
//! - `commands`: one file a command: its report, its exit codes, its JSON fields.
//! - `names`: file names no other system would take, and names that steer a terminal.
//! - `maildirs`: what is a Maildir's and no message, and what only looks like it.
//! - `verdicts`: the verdict and the counts behind it, the same wherever they are given.
//! - `versions`: moves, copies, removals, and versions that look like damage to the card.
//! - `long_paths`: paths as long as may be, and longer.
//! - `mailboxes`: several of them, and one that is away, damaged, emptied, renamed or not named any more.
//! - `odd_files`: links, pipes, sockets, what cannot be read, what is not to be taken.
//! - `drives`: what may befall a drive, from an empty mount point to a ledger torn apart.
//! - `restores`: restores that are not simple, from a fresh card to another operator's box.
//! - `root_by_hand`: root in the folders of others, and what listens there.
//! - `state`, `state_owner`, `state_unkept`: the catalogue and its lock, whose it is, and a card that takes none.
//! - `kills`: the program ended at any moment, hundreds of times.
//! - `access_times`, `system_calls`: what reading leaves on a card, and how often the system is asked for something.
//! - `help`: the words of `--help`, as cases in `cmd/`.
#![allow(clippy::unwrap_used, clippy::expect_used, missing_docs)]

mod access_times;
mod commands;
mod drives;
mod help;
mod kills;
mod lacking;
mod long_paths;
mod mailboxes;
mod maildirs;
mod names;
mod odd_files;
mod restores;
mod root_by_hand;
mod state;
mod state_owner;
mod state_unkept;
// One vocabulary for all tests; what only others need is not used here.
#[allow(dead_code, unused_macros)]
#[macro_use]
#[path = "../support/mod.rs"]
mod support;
mod system_calls;
mod verdicts;
mod versions;

use support::{command_output, opened, station, stick, terminal};
