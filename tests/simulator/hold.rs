//! What a stick carries in addition to the copies. No promise is about it: it is there to be written in place.

use counterfoil::job::extras::{Extras, Page, Pages};
use std::sync::Arc;

/// What a stick carries in addition to the copies: pages and a config that are others after every change, of more than a
/// sector, so that a power failure tears them.
pub(crate) fn hold(change_no: u64) -> Extras {
    let config = format!("change_no = {change_no}\n{}", "# as long as a config\n".repeat(30));
    Extras { config: Some(config), pages: Some(Arc::new(Numbers)), programs: Vec::new() }
}

/// A list of messages: their numbers.
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
