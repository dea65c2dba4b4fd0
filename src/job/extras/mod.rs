//! What a drive carries in addition to the copies: how to read it by hand, a list of its messages, the station's
//! config, the program. All of it can be written again at any time, so it alone is written over in place; a copy, a
//! ledger or a manifest never is.

mod config;
mod index;
mod overwrite;
mod program;
mod update;

pub use config::carried_config;
pub use index::{CopyNote, IndexEntry, IndexedMessage, Page, Pages};
pub use overwrite::ExtrasOutcome;
pub use program::carried_program;
pub use update::{write_extras, write_extras_of_drive};

use crate::disk::bundled_programs;
use std::sync::Arc;

/// What is to be carried.
#[derive(Clone, Default)]
pub struct Extras {
    /// The config.
    pub config: Option<String>,
    /// Writes the list of messages as HTML.
    pub pages: Option<Arc<dyn Pages>>,
    /// The programs.
    pub programs: Vec<bundled_programs::BundledProgram>,
}
