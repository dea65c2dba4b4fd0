//! The extras that a stick carries in addition to the copies. Nothing is promised of them: they are there to be written
//! in place.

use counterfoil::job::extras::{Extras, Page, Pages};
use std::sync::Arc;

/// A stick's extras: pages and a config that differ after every change, longer than a sector, so that a power failure
/// tears them.
pub(crate) fn extras_of(change_no: u64) -> Extras {
    let config = format!("change_no = {change_no}\n{}", "# as long as a config\n".repeat(30));
    Extras { config: Some(config), pages: Some(Arc::new(Numbers)), programs: Vec::new() }
}

/// A list of messages that shows their numbers.
struct Numbers;

impl Pages for Numbers {
    fn page(&self, page: &Page<'_>) -> String {
        let (mut text, messages) = match page {
            Page::First { entries, latest, .. } => (format!("{entries:?}\n"), latest),
            Page::Numbered { page, pages, messages, .. } => (format!("{page} {pages}\n"), messages),
        };
        for message in messages {
            text += &format!("{} {} {:?}\n", message.payload, message.folder, message.notes);
        }
        text + &"-".repeat(600)
    }
}
