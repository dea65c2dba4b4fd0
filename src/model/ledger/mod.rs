//! The ledger of a station on a drive: the contents of a line, its written form, and how far it is believed.
//! Append-only: nothing here can revoke a line.
//!
//! One JSON object a line. The last field, `hash`, is SHA-256 over the hash of the line before (64 hexadecimal digits;
//! zeros before the first) followed by the line's own text up to `,"hash":`.

mod chain;
mod event;
mod wire;

pub use chain::{Chain, ChainBreak, ChainReader, LineTrust, LineVerdict, claimed_hash};
pub use event::{Assertion, Departed, Departure, Event, Line, Location};

/// The latest version of the line format that is read. Every line carries the version it needs; a ledger with a later
/// one is never written to.
pub const FORMAT: u32 = 1;
