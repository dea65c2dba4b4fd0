//! The ledger of a station on a drive: what a line says, how it is written, how it is believed.
//! Append-only: nothing here can take a line back.
//!
//! One JSON object a line. The last field, `hash`, is SHA-256 over the hash of the line before (64
//! hexadecimal digits; zeros before the first) followed by the line's own text up to `,"hash":`.

mod chain;
mod event;
mod wire;

pub use chain::{Break, Chain, LineTrust, Reader, Verdict, claimed_hash};
pub use event::{Assertion, Departed, Departure, Event, Line, Location};

/// The latest version of the line format that is read. Every line carries the one it needs; a reader refuses to write
/// behind a later one than it knows.
pub const FORMAT: u32 = 1;
