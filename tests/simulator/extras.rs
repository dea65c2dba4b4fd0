//! The extras that a stick carries in addition to the copies. Most histories promise nothing of them: they are there to
//! be written in place. One story has a promise, which the files themselves show to be kept: each begins with a hash of
//! the rest.

use crate::medium::{Image, Junk};
use crate::oracle::{Checked, HOME, broken};
use counterfoil::job::extras::{Extras, Page, Pages};
use counterfoil::model::Digest;
use std::sync::Arc;

const LIST: &str = "a file of the list is the old one, one that says what it is, or the new one";

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
        text += &"-".repeat(600);
        format!("{}\n{text}", Digest::of(text.as_bytes()))
    }
}

/// Looks at the files of a list that was whole before.
pub(crate) fn whole_or_says_so(image: &Image) -> Checked {
    for name in ["index.html", "index-1.html", "config.toml"] {
        let bytes = image.file(&format!("{HOME}{name}"), Junk::Zeros).unwrap_or_default();
        let text = String::from_utf8_lossy(&bytes).into_owned();
        let (hash, rest) = text.split_once('\n').unwrap_or_default();
        // In a config it stands at the end of a comment.
        let hash = hash.rsplit(' ').next().and_then(|hash| hash.parse::<Digest>().ok());
        let is_whole = hash == Some(Digest::of(rest.trim_end().as_bytes()));
        let says_so = text.starts_with("<!DOCTYPE html><html lang=\"en\"><title>Being written")
            || text.starts_with("# This file was being written");
        if !is_whole && !says_so {
            return broken(LIST, format!("{name} is a mixture: {text}"));
        }
    }
    Ok(())
}
