//! Shared by several test programs: one station, one card, one clock moved by hand, one random generator. Each program
//! says `#[path = "../support/mod.rs"] mod support;` and names the modules it uses. What must be true is asserted by
//! the tests.
//!
//! - `station`, `command_output`, `stick`, `terminal`: the built program, used as an operator uses it.
//! - `card`: a station's card for the jobs, in process; its drives are those of `memory`.
//! - `memory`: a drive in memory.
//! - `mail`: every sample message.
//! - `beneath`: forwards a volume's operations to the one beneath it, except those that a test writes out.
//! - `clock`, `chance`, `cases`, `signal`, `flood`, `opened`: described in their files.
//!
//! Similar things stay separate, for these reasons: the simulator's card and stick model what a real medium loses, and
//! a run is replayed by its number, so their folders are named after the run; the model's world (`tests/histories`) has
//! no files at all, and its contents become files that can be read back as contents; the stations of `tests/watch` and
//! `tests/outside` run a daemon, and the program together with other people's tools; the fuzzer is a workspace of its
//! own, with a medium that returns pieces of any size and a clock that stands still. A message of `station` has a date
//! and another sender than one of `card`: reports name them, and tests count and damage messages by the byte.

#[allow(
    clippy::duplicate_mod,
    reason = "the fuzzer's library, gone through by `tests/job`, has it too"
)]
#[macro_use]
mod beneath;
pub(crate) mod card;
pub(crate) mod cases;
pub(crate) mod chance;
pub(crate) mod clock;
pub(crate) mod command_output;
pub(crate) mod flood;
pub(crate) mod mail;
pub(crate) mod memory;
pub(crate) mod opened;
pub(crate) mod signal;
pub(crate) mod station;
pub(crate) mod stick;
pub(crate) mod terminal;
