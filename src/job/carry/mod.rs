//! What a drive carries beside the copies: how to read it by hand, a list of its messages, the station's config, the
//! program. All of it can be made anew at any time, so it alone is written over in place; a copy, a ledger or a
//! manifest never is.

mod bring;
mod config;
mod index;
mod program;
mod shelf;

pub use bring::{carry, carry_on};
pub use config::carried_config;
pub use index::{IndexEntry, PageId, IndexedMessage, Note, Page, Pages};
pub use program::carried as carried_program;
pub use shelf::ExtrasOutcome;

use crate::disk::library;
use std::sync::Arc;

/// What is to be carried.
#[derive(Clone, Default)]
pub struct Extras {
    /// The config.
    pub config: Option<String>,
    /// The list of messages: what puts it into words.
    pub pages: Option<Arc<dyn Pages>>,
    /// The programs.
    pub programs: Vec<library::BundledProgram>,
}
