//! What the ledgers of all drives together say of a station: what a restore gives back at every location, and what it
//! leaves out, by whose ledger. Never changes anything.
//!
//! `lines` reads what ledgers say of a location, `positions` as of when; `candidates` groups that by content. `view`
//! holds what is known beforehand, `predecessors` finds earlier versions; `decide` has the rules, `decisions` the
//! result.

mod candidates;
mod decide;
mod decisions;
mod lines;
mod positions;
mod predecessors;
mod view;

pub use decisions::{ContentVersion, Decision, RestoreItem, RestoreReason, Withheld};
pub(super) use lines::DepartureLine;
pub use view::Merge;
