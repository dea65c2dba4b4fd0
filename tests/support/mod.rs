//! What several test binaries share: one station, one card, one clock moved by hand, one source of chance. Each binary
//! says `#[path = "../support/mod.rs"] mod support;` and names the modules it uses.
//! Never judges: what must be true is said by the stories.
//!
//! - `station`, `told`, `stick`, `terminal`: the built program, used as an operator uses it.
//! - `card`: a station's card for the jobs, in process; its drives are those of `memory`.
//! - `memory`: a drive in memory.
//! - `mail`: every sample message.
//! - `beneath`: a volume that does as the one beneath it, but for what a test writes out.
//! - `clock`, `chance`, `cases`, `signal`, `flood`: as their files say.
//!
//! What stays apart, and why: the simulator's card and stick keep what a real medium loses, and replay by their number,
//! so that their folders are named after the run; the model's world (`tests/histories`) has no files at all, and its
//! contents become files that can be read back as contents; the posts of `tests/watch` and `tests/outside` run a daemon,
//! and the program beside other people's tools; the fuzzer is a workspace of its own, with a medium that hands out pieces
//! of any size and a clock that stands still. A message of `station` has a date and another sender than one of `card`:
//! reports name them, and stories count and damage messages by the byte.

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
pub(crate) mod flood;
pub(crate) mod mail;
pub(crate) mod memory;
pub(crate) mod signal;
pub(crate) mod station;
pub(crate) mod stick;
pub(crate) mod terminal;
pub(crate) mod told;
