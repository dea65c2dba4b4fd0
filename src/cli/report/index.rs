//! The list of a drive's messages as pages, for a browser on any computer: a link to each copy, nothing to be run.
//! Never says when it was made: the same messages give the same page, and nothing is written where nothing changed.

use super::page::{Untrusted, page, table_box};
use super::{count, shown_time, size};
use crate::job::extras::{CopyNote, IndexEntry, IndexedMessage, Page, Pages};
use crate::model::message::Headers;
use crate::model::{Timestamp, bag};
use maud::{Markup, html};

/// Writes the list of messages as HTML.
pub(in crate::cli) struct Index;

impl Pages for Index {
    fn page(&self, list: &Page<'_>) -> String {
        let (about, body) = match list {
            Page::First { station, entries, latest } => {
                (station.to_string(), front_page(entries, latest))
            }
            Page::Numbered { station, page, pages, messages } => {
                (format!("{station}, page {page}"), numbered(*page, *pages, messages))
            }
        };
        page("Messages on this drive", &about, &body)
    }
}

fn front_page(entries: &[IndexEntry], latest: &[IndexedMessage]) -> Markup {
    let messages = entries.iter().map(|entry| entry.messages).sum();
    html! {
        p {
            (count(messages, "message")) ", on pages in the order in which they were copied. The number of a message \
            leads to its copy: a mail program or a text editor opens it. How to check the copies and to put them back \
            is in "
            a href=(bag::README) { (bag::README) } "."
        }
        h2 { "Pages" }
        ul .pages {
            @for entry in entries {
                li { (link(entry.page)) (days(entry)) ": " (count(entry.messages, "message")) }
            }
        }
        @if !latest.is_empty() {
            h2 { "The latest" }
            (table(latest))
        }
        h2 { "How to read it" }
        ul {
            li { "Dates are those of the messages, in UTC; with a * it is when the station first saw it." }
            li { "This list is for a person\u{2019}s eye. What counts are the manifest and the ledger next to it." }
        }
    }
}

/// The days that a page is about.
fn days(entry: &IndexEntry) -> String {
    let day = |seconds| {
        let date = Timestamp { seconds, nanos: 0 }.to_rfc3339();
        date.split_once('T').map_or(date.clone(), |(day, _)| day.to_owned())
    };
    match entry.span.map(|(first, last)| (day(first), day(last))) {
        Some((first, last)) if first == last => format!(", {first}"),
        Some((first, last)) => format!(", {first} to {last}"),
        None => String::new(),
    }
}

fn numbered(page: u32, pages: u32, messages: &[IndexedMessage]) -> Markup {
    html! {
        nav aria-label="Other pages" { (neighbours(page, pages)) }
        @if messages.is_empty() {
            p {
                "There is no message here any more: what was here is on another page since, or was given up to make \
                 room."
            }
        } @else {
            (table(messages))
            nav aria-label="Other pages, after the table" { (neighbours(page, pages)) }
        }
    }
}

/// Never a list of all pages: each of them would be written anew when one begins.
fn neighbours(page: u32, pages: u32) -> Markup {
    html! {
        p {
            a href=(bag::INDEX) { "All pages" }
            @if page > 1 && page <= pages { " \u{b7} Earlier: " (link(page - 1)) }
            @if page < pages { " \u{b7} Later: " (link(page + 1)) }
        }
    }
}

fn link(page: u32) -> Markup {
    html! { a href=(bag::index_page(page).to_string()) { "page " (page) } }
}

fn table(messages: &[IndexedMessage]) -> Markup {
    let table = html! {
        table .list {
            thead {
                tr {
                    @for head in ["Date", "From", "To", "Subject", "Folder"] { th scope="col" { (head) } }
                    th scope="col" .n { "Size" }
                    th scope="col" { "Copy" }
                }
            }
            tbody { @for message in messages { (row(message)) } }
        }
    };
    table_box("Messages", &table)
}

fn row(message: &IndexedMessage) -> Markup {
    let Headers { from, to, subject, .. } = &message.headers;
    let name = message.payload.to_string();
    let number = format!("{:08}", message.payload.number);
    let notes: Vec<_> = message.notes.iter().copied().map(label).collect();
    html! {
        tr {
            td .k { (date(message)) }
            td { (Untrusted(from)) }
            td { (Untrusted(to)) }
            td {
                (Untrusted(if subject.is_empty() { "(no subject)" } else { subject }))
                @if !notes.is_empty() { " " strong { "(" (notes.join("; ")) ")" } }
            }
            td { (Untrusted(&message.folder)) }
            td .n { (size(message.bytes)) }
            td .k {
                @if message.notes.contains(&CopyNote::Missing) { (number) } @else { a href=(name) { (number) } }
            }
        }
    }
}

fn date(message: &IndexedMessage) -> String {
    match (Timestamp::from_rfc3339(&message.headers.date), message.seen) {
        (Some(date), _) => shown_time(Some(date)),
        (None, Some(seconds)) => format!("{}*", shown_time(Some(Timestamp { seconds, nanos: 0 }))),
        (None, None) => "not known".to_owned(),
    }
}

fn label(mark: CopyNote) -> &'static str {
    match mark {
        CopyNote::Removed => "removed from the mailbox",
        CopyNote::Vanished => "missing from the mailbox",
        CopyNote::Replaced => "an older version: a later one has its place",
        CopyNote::Damaged => "the copy is damaged",
        CopyNote::Missing => "the copy was not there any more",
        CopyNote::NoPlace => "no folder is known",
        CopyNote::Debris => "looks like what a power failure left of a copy",
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::model::StationName;
    use crate::model::limits::{INDEX_LATEST, INDEX_PAGE_MESSAGES};

    fn message(number: u32, subject: &str) -> IndexedMessage {
        let headers = Headers {
            from: "Net control of the northern shore <q0net@example.org>".into(),
            to: "q1pier@example.org".into(),
            subject: subject.into(),
            date: "2026-11-25T10:00:00Z".into(),
            ..Headers::default()
        };
        let payload = format!("data/0001/{number:08}.EML").parse().unwrap();
        let (bytes, seen, folder, notes) = (4096, None, "inbox".into(), Vec::new());
        IndexedMessage { payload, bytes, headers, seen, folder, notes }
    }

    fn shown(page: u32, pages: u32, messages: Vec<IndexedMessage>) -> String {
        let station: StationName = "pier-4".parse().unwrap();
        Index.page(&Page::Numbered { station: &station, page, pages, messages })
    }

    fn first_of(pages: u32, latest: Vec<IndexedMessage>) -> String {
        let station: StationName = "pier-4".parse().unwrap();
        let span = Some((1_793_491_200, 1_793_750_400));
        let entry = |page| IndexEntry { page, messages: 1_000, span };
        let entries: Vec<_> = (1..=pages).rev().map(entry).collect();
        Index.page(&Page::First { station: &station, entries: &entries, latest })
    }

    fn targets(page: &str) -> Vec<&str> {
        let links = page.match_indices("href=\"");
        links.map(|(at, _)| page[at + 6..].split('"').next().unwrap()).collect()
    }

    #[test]
    fn ten_thousand_messages_are_less_than_five_megabytes() {
        let subject = "Water level and road state at the second bridge, evening report";
        let pages = 10_000_usize.div_ceil(INDEX_PAGE_MESSAGES) as u32;
        let mut sum = first_of(pages, vec![message(1, subject); INDEX_LATEST]).len();
        for page in 1..=pages {
            let first = (page - 1) * INDEX_PAGE_MESSAGES as u32;
            let messages = (1..=INDEX_PAGE_MESSAGES as u32).map(|n| message(first + n, subject));
            sum += shown(page, pages + 1, messages.collect()).len();
        }
        assert!(sum < 5_000_000, "{sum} bytes");
    }

    #[test]
    fn a_page_leads_to_its_neighbours_and_to_each_copy_and_nowhere_else() {
        let copy = "data/0001/00000042.EML";
        for (page, pages, neighbours) in [
            (1, 1, vec!["index.html"]),
            (1, 2, vec!["index.html", "index-2.html"]),
            (2, 3, vec!["index.html", "index-1.html", "index-3.html"]),
            (3, 3, vec!["index.html", "index-2.html"]),
        ] {
            let text = shown(page, pages, vec![message(42, "river")]);
            assert_eq!(targets(&text), [&neighbours[..], &[copy], &neighbours[..]].concat());
            assert!(
                text.contains(&format!("<p class=\"about\">pier-4, page {page}</p>")),
                "{text}"
            );
            assert!(!text.contains("<script"));
        }
        // One that no message is on any more.
        let empty = shown(4, 3, Vec::new());
        assert!(empty.contains("no message here any more"), "{empty}");
        assert_eq!(targets(&empty), ["index.html"]);
    }

    #[test]
    fn the_first_page_leads_to_every_other() {
        let page = first_of(3, vec![message(42, "river")]);
        let expected = [
            "README.TXT",
            "index-3.html",
            "index-2.html",
            "index-1.html",
            "data/0001/00000042.EML",
        ];
        assert_eq!(targets(&page), expected);
        assert!(page.contains("3000 messages"), "{page}");
        assert!(page.contains("page 3</a>, 2026-11-01 to 2026-11-04: 1000 messages"), "{page}");
        assert!(!page.contains("<script"));
    }

    #[test]
    fn nothing_of_a_message_becomes_markup() {
        let mut hostile = message(1, "<script>alert(1)</script>\u{202e}");
        hostile.folder = "\"><img src=x>".into();
        hostile.notes = vec![CopyNote::Removed, CopyNote::Damaged];
        let page = shown(1, 1, vec![hostile]);
        for dangerous in ["<script", "<img", "\u{202e}"] {
            assert!(!page.contains(dangerous), "{dangerous:?} in {page}");
        }
        assert!(page.contains("removed from the mailbox; the copy is damaged"));
    }
}
