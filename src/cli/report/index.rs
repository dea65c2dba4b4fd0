//! The list of a drive's messages as pages, for a browser on any computer: a link to each copy, nothing to be run.
//! Never says when it was made: the same messages give the same page, and nothing is written where nothing changed.

use super::page::{Untrusted, page, table_box};
use super::{count, size, when};
use crate::job::extras::{IndexEntry, IndexedMessage, Note, Page, PageId, Pages};
use crate::model::message::Headers;
use crate::model::{Timestamp, bag};
use maud::{Markup, html};

/// Writes the list of messages as HTML.
pub(in crate::cli) struct Index;

impl Pages for Index {
    fn page(&self, list: &Page<'_>) -> String {
        let (about, body) = match list {
            Page::First { station, entries, latest } => {
                (station.to_string(), first(entries, latest))
            }
            Page::Part { station, page_id, earlier, later, messages } => {
                let parted =
                    page_id.part > 1 || later.is_some_and(|later| later.month == page_id.month);
                let part = if parted { format!(", part {}", page_id.part) } else { String::new() };
                let ways =
                    PageLinks { page_id: *page_id, parted, earlier: *earlier, later: *later };
                (format!("{station}, {}{part}", title(page_id.month)), self::part(&ways, messages))
            }
        };
        page("Messages on this drive", &about, &body)
    }
}

fn title(month: &str) -> &str {
    if month == bag::UNDATED { "without a date" } else { month }
}

fn first(entries: &[IndexEntry<'_>], latest: &[IndexedMessage]) -> Markup {
    let messages = entries.iter().map(|entry| entry.messages).sum();
    html! {
        p {
            (count(messages, "message")) ", by month. The number of a message leads to its copy: a mail program or \
             a text editor opens it. How to check the copies and to put them back is in "
            a href=(bag::README) { (bag::README) } "."
        }
        h2 { "Months" }
        ul .months {
            @for parts in entries.chunk_by(|one, next| one.page_id.month == next.page_id.month) { (month(parts)) }
        }
        @if !latest.is_empty() {
            h2 { "The latest" }
            (table(latest))
        }
        h2 { "How to read it" }
        ul {
            li { "Dates are those of the messages, in UTC; with a * it is when the station first saw it." }
            @if entries.iter().any(|entry| entry.page_id.part > 1) {
                li { "A month of many messages is in parts: part 1 has the oldest." }
            }
            li { "This list is for a person\u{2019}s eye. What counts are the manifest and the ledger next to it." }
        }
    }
}

/// A month on the first page. Its name is also where the pages of its parts lead back to.
fn month(parts: &[IndexEntry<'_>]) -> Markup {
    let name = parts.first().map_or(bag::UNDATED, |entry| entry.page_id.month);
    let messages = count(parts.iter().map(|entry| entry.messages).sum(), "message");
    html! {
        @if let [only] = parts {
            li id=(name) { (link(only.page_id, title(name))) ": " (messages) }
        } @else {
            li id=(name) .parted {
                (title(name)) ": " (messages) ", in parts, the latest first"
                ul .months {
                    @for entry in parts {
                        li {
                            (link(entry.page_id, &format!("part {}", entry.page_id.part))) (days(entry))
                            ": " (count(entry.messages, "message"))
                        }
                    }
                }
            }
        }
    }
}

/// The days of a month that a part of it is about.
fn days(entry: &IndexEntry<'_>) -> String {
    let day = |seconds| {
        let date = Timestamp { seconds, nanos: 0 }.to_rfc3339();
        date.get(8..10).map(|day| day.trim_start_matches('0').to_owned()).unwrap_or_default()
    };
    match entry.span.map(|(first, last)| (day(first), day(last))) {
        Some((first, last)) if first == last => format!(", day {first}"),
        Some((first, last)) => format!(", days {first} to {last}"),
        None => String::new(),
    }
}

/// Where a page is, and where it leads.
struct PageLinks<'a> {
    page_id: PageId<'a>,
    /// Whether its month has other parts.
    parted: bool,
    earlier: Option<PageId<'a>>,
    later: Option<PageId<'a>>,
}

fn part(ways: &PageLinks<'_>, messages: &[IndexedMessage]) -> Markup {
    html! {
        nav aria-label="Other pages" { (ways_on(ways)) }
        @if messages.is_empty() {
            p {
                "There is no message here any more: what was here is on another page since, or was given up to make \
                 room."
            }
        } @else {
            (table(messages))
            nav aria-label="Other pages, after the table" { (ways_on(ways)) }
        }
    }
}

/// Never a list of all pages: each of them would be written anew when one begins.
fn ways_on(ways: &PageLinks<'_>) -> Markup {
    let PageId { month, .. } = ways.page_id;
    let beside = |page_id: PageId<'_>| match (page_id.month == month, page_id.part) {
        (true, part) => link(page_id, &format!("part {part}")),
        (false, 1) => link(page_id, title(page_id.month)),
        (false, part) => link(page_id, &format!("{}, part {part}", title(page_id.month))),
    };
    html! {
        p {
            a href=(bag::INDEX) { "All months" }
            @if ways.parted && (ways.earlier.is_some() || ways.later.is_some()) {
                " \u{b7} " a href={ (bag::INDEX) "#" (month) } { "All parts" }
            }
            @if let Some(page_id) = ways.earlier { " \u{b7} Earlier: " (beside(page_id)) }
            @if let Some(page_id) = ways.later { " \u{b7} Later: " (beside(page_id)) }
        }
    }
}

fn link(page_id: PageId<'_>, text: &str) -> Markup {
    html! { a href=(bag::index_page(page_id.month, page_id.part).to_string()) { (text) } }
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
    let marks: Vec<_> = message.marks.iter().copied().map(label).collect();
    html! {
        tr {
            td .k { (date(message)) }
            td { (Untrusted(from)) }
            td { (Untrusted(to)) }
            td {
                (Untrusted(if subject.is_empty() { "(no subject)" } else { subject }))
                @if !marks.is_empty() { " " strong { "(" (marks.join("; ")) ")" } }
            }
            td { (Untrusted(&message.folder)) }
            td .n { (size(message.bytes)) }
            td .k {
                @if message.marks.contains(&Note::Missing) { (number) } @else { a href=(name) { (number) } }
            }
        }
    }
}

fn date(message: &IndexedMessage) -> String {
    match (Timestamp::from_rfc3339(&message.headers.date), message.seen) {
        (Some(date), _) => when(Some(date)),
        (None, Some(seconds)) => format!("{}*", when(Some(Timestamp { seconds, nanos: 0 }))),
        (None, None) => "not known".to_owned(),
    }
}

fn label(mark: Note) -> &'static str {
    match mark {
        Note::Removed => "removed from the mailbox",
        Note::Vanished => "missing from the mailbox",
        Note::Replaced => "an older version: a later one has its place",
        Note::Damaged => "the copy is damaged",
        Note::Missing => "the copy was not there any more",
        Note::NoPlace => "no folder is known",
        Note::Debris => "looks like what a power failure left of a copy",
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
        let (bytes, seen, folder, marks) = (4096, None, "inbox".into(), Vec::new());
        IndexedMessage { payload, bytes, headers, seen, folder, marks }
    }

    const NOVEMBER: PageId<'static> = PageId { month: "2026-11", part: 1 };

    fn page_id(month: &str, part: u32) -> PageId<'_> {
        PageId { month, part }
    }

    fn shown(
        of: PageId<'_>,
        earlier: Option<PageId<'_>>,
        later: Option<PageId<'_>>,
        messages: Vec<IndexedMessage>,
    ) -> String {
        let station: StationName = "pier-4".parse().unwrap();
        Index.page(&Page::Part { station: &station, page_id: of, earlier, later, messages })
    }

    fn first_of(page_ids: &[PageId<'_>], latest: Vec<IndexedMessage>) -> String {
        let station: StationName = "pier-4".parse().unwrap();
        let span = Some((1_793_491_200, 1_793_750_400));
        let entries: Vec<_> = page_ids
            .iter()
            .map(|page_id| IndexEntry { page_id: *page_id, messages: 1_000, span })
            .collect();
        Index.page(&Page::First { station: &station, entries: &entries, latest })
    }

    fn targets(page: &str) -> Vec<&str> {
        let links = page.match_indices("href=\"");
        links.map(|(at, _)| page[at + 6..].split('"').next().unwrap()).collect()
    }

    #[test]
    fn ten_thousand_messages_are_less_than_five_megabytes() {
        let subject = "Water level and road state at the second bridge, evening report";
        let parts = 10_000_usize.div_ceil(INDEX_PAGE_MESSAGES) as u32;
        let mut sum =
            first_of(&[page_id("2026-11", 1); 10], vec![message(1, subject); INDEX_LATEST]).len();
        for part in 1..=parts {
            let first = (part - 1) * INDEX_PAGE_MESSAGES as u32;
            let messages = (1..=INDEX_PAGE_MESSAGES as u32).map(|n| message(first + n, subject));
            let (earlier, later) = (page_id("2026-11", part + 1), page_id("2026-11", part + 2));
            sum += shown(page_id("2026-11", part), Some(earlier), Some(later), messages.collect())
                .len();
        }
        assert!(sum < 5_000_000, "{sum} bytes");
    }

    #[test]
    fn a_page_leads_to_those_beside_it_and_to_each_copy_and_nowhere_else() {
        let (october, december) = (page_id("2026-10", 3), page_id("2026-12", 1));
        let copy = "data/0001/00000042.EML";
        let mail = || vec![message(42, "river")];
        let cases = [
            (NOVEMBER, None, None, vec!["index.html"]),
            (
                NOVEMBER,
                Some(october),
                Some(december),
                vec!["index.html", "index-2026-10-3.html", "index-2026-12.html"],
            ),
            (
                NOVEMBER,
                None,
                Some(page_id("2026-11", 2)),
                vec!["index.html", "index.html#2026-11", "index-2026-11-2.html"],
            ),
            (
                page_id("2026-11", 2),
                Some(NOVEMBER),
                None,
                vec!["index.html", "index.html#2026-11", "index-2026-11.html"],
            ),
        ];
        for (of, earlier, later, ways) in cases {
            let page = shown(of, earlier, later, mail());
            assert_eq!(targets(&page), [&ways[..], &[copy], &ways[..]].concat());
            // A page that is empty now, and one whose month has no other part, lead to no list of parts.
            assert!(shown(of, None, None, Vec::new()).contains("no message here any more"));
            assert_eq!(targets(&shown(of, None, None, Vec::new())), ["index.html"]);
            assert!(!page.contains("<script"));
        }
        let title = "<p class=\"about\">pier-4, 2026-11</p>";
        assert!(shown(NOVEMBER, Some(october), Some(december), mail()).contains(title));
        let title = "<p class=\"about\">pier-4, 2026-11, part 1</p>";
        assert!(shown(NOVEMBER, None, Some(page_id("2026-11", 2)), mail()).contains(title));
    }

    #[test]
    fn the_first_page_leads_to_every_other() {
        let page_ids =
            [page_id("2026-11", 2), NOVEMBER, page_id("2026-10", 1), page_id("undated", 1)];
        let page = first_of(&page_ids, vec![message(42, "river")]);
        let wanted = [
            "README.TXT",
            "index-2026-11-2.html",
            "index-2026-11.html",
            "index-2026-10.html",
            "index-undated.html",
            "data/0001/00000042.EML",
        ];
        assert_eq!(targets(&page), wanted);
        assert!(page.contains("2026-11: 2000 messages, in parts, the latest first"), "{page}");
        assert!(page.contains("part 2</a>, days 1 to 4: 1000 messages"), "{page}");
        for month in ["2026-11", "2026-10", "undated"] {
            assert_eq!(page.matches(&format!(" id=\"{month}\"")).count(), 1, "{page}");
        }
        assert!(!page.contains("<script"));
    }

    #[test]
    fn nothing_of_a_message_becomes_markup() {
        let mut hostile = message(1, "<script>alert(1)</script>\u{202e}");
        hostile.folder = "\"><img src=x>".into();
        hostile.marks = vec![Note::Removed, Note::Damaged];
        let page = shown(NOVEMBER, None, None, vec![hostile]);
        for dangerous in ["<script", "<img", "\u{202e}"] {
            assert!(!page.contains(dangerous), "{dangerous:?} in {page}");
        }
        assert!(page.contains("removed from the mailbox; the copy is damaged"));
    }
}
