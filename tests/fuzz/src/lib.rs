//! What must hold of each reader of untrusted bytes, one module a reader: `hold` panics where it does not.
//! Used by the fuzzer, and by `cargo test`, which goes through the inputs kept in `seeds`.

#[allow(
    clippy::duplicate_mod,
    reason = "also a module of the tests that go through the inputs kept"
)]
#[macro_use]
#[path = "../../support/beneath.rs"]
mod beneath;

/// The drive in memory. `cargo test` goes through the inputs kept in a program that has it already.
#[cfg(not(test))]
#[allow(dead_code, reason = "not all of it is needed here")]
#[path = "../../support"]
mod support {
    pub(crate) mod memory;
}

pub mod admission;
pub mod config;
pub mod drive_json;
pub mod headers;
pub mod ledger;
pub mod manifest;
pub mod mountinfo;

mod lines;
mod medium;
mod taker;
