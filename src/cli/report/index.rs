//! The list of a drive's messages as pages, for a browser on any computer: a link to each copy, nothing to be run.
//! Never says when it was made: the same messages give the same page, and nothing is written where nothing changed.

use super::page::{Outside, page, table_box};
use super::{count, size, when};
use crate::job::carry::{Listed, Mark, Month, Page, Pages};
use crate::model::message::Headers;
use crate::model::{Moment, bag};
use maud::{Markup, html};

/// Puts the list of messages into words.
pub(in crate::cli) struct Index;

impl Pages for Index {
    fn page(&self, list: &Page<'_>) -> String {
        let about = match list.month {
            Some(month) => format!("{}, {}", list.station, title(month)),
            None => list.station.to_string(),
        };
        let body = match list.month {
            Some(month) => self::month(month, list),
            None => first(list),
        };
        page("Messages on this drive", &about, &body)
    }
}

fn title(month: &str) -> &str {
    if month == bag::UNDATED { "without a date" } else { month }
}

fn first(list: &Page<'_>) -> Markup {
    let messages = list.months.iter().map(|month| month.messages).sum();
    html! {
        p {
            (count(messages, "message")) ", by month. The number of a message leads to its copy: a mail program or \
             a text editor opens it. How to check the copies and to put them back is in "
            a href=(bag::README) { (bag::README) } "."
        }
        h2 { "Months" }
        ul {
            @for month in list.months {
                li { (link(month)) ": " (count(month.messages, "message")) }
            }
        }
        @if !list.messages.is_empty() {
            h2 { "The latest" }
            (table(&list.messages))
        }
        h2 { "How to read it" }
        ul {
            li { "Dates are those of the messages, in UTC; with a * it is when the station first saw it." }
            li { "This list is for a person\u{2019}s eye. What counts are the manifest and the ledger beside it." }
        }
    }
}

fn month(name: &str, list: &Page<'_>) -> Markup {
    html! {
        p {
            a href=(bag::INDEX) { "All months" }
            @for month in list.months {
                " \u{b7} "
                @if month.name == name { strong { (title(name)) } } @else { (link(month)) }
            }
        }
        @if list.messages.is_empty() {
            p { "There is no message here any more: it has got another date since." }
        } @else {
            (table(&list.messages))
        }
    }
}

fn link(month: &Month) -> Markup {
    let page = bag::index_page(&month.name).to_string();
    html! { a href=(page) { (title(&month.name)) } }
}

fn table(messages: &[Listed]) -> Markup {
    let table = html! {
        table {
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

fn row(message: &Listed) -> Markup {
    let Headers { from, to, subject, .. } = &message.headers;
    let name = message.payload.to_string();
    let number = format!("{:08}", message.payload.number);
    let marks: Vec<_> = message.marks.iter().copied().map(word).collect();
    html! {
        tr {
            td .k { (date(message)) }
            td { (Outside(from)) }
            td { (Outside(to)) }
            td {
                (Outside(if subject.is_empty() { "(no subject)" } else { subject }))
                @if !marks.is_empty() { " " strong { "(" (marks.join("; ")) ")" } }
            }
            td { (Outside(&message.folder)) }
            td .n { (size(message.bytes)) }
            td .k {
                @if message.marks.contains(&Mark::Missing) { (number) } @else { a href=(name) { (number) } }
            }
        }
    }
}

fn date(message: &Listed) -> String {
    match (Moment::from_rfc3339(&message.headers.date), message.seen) {
        (Some(date), _) => when(Some(date)),
        (None, Some(seconds)) => format!("{}*", when(Some(Moment { seconds, nanos: 0 }))),
        (None, None) => "not known".to_owned(),
    }
}

fn word(mark: Mark) -> &'static str {
    match mark {
        Mark::Removed => "removed from the mailbox",
        Mark::Vanished => "vanished from the mailbox",
        Mark::Damaged => "the copy is damaged",
        Mark::Missing => "the copy was not there any more",
        Mark::NoPlace => "no folder is known, or a later version has its place",
        Mark::Debris => "looks like what a cut left of a copy",
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::model::StationName;

    fn message(number: u32, subject: &str) -> Listed {
        let headers = Headers {
            from: "Net control of the northern shore <q0net@example.org>".into(),
            to: "q1pier@example.org".into(),
            subject: subject.into(),
            date: "2026-11-25T10:00:00Z".into(),
        };
        let payload = format!("data/0001/{number:08}.EML").parse().unwrap();
        let (bytes, seen, folder, marks) = (4096, None, "inbox".into(), Vec::new());
        Listed { payload, bytes, headers, seen, folder, marks }
    }

    fn shown(month: Option<&str>, messages: Vec<Listed>) -> String {
        let station: StationName = "pier-4".parse().unwrap();
        let months = ["2026-11", "2026-10", "undated"]
            .map(|name| Month { name: name.into(), messages: messages.len() as u64 });
        Index.page(&Page { station: &station, months: &months, month, messages })
    }

    #[test]
    fn ten_thousand_messages_are_less_than_five_megabytes() {
        let subject = "Water level and road state at the second bridge, evening report";
        let page = shown(Some("2026-11"), (1..=10_000).map(|n| message(n, subject)).collect());
        assert!(page.len() < 5_000_000, "{} octets", page.len());
    }

    #[test]
    fn every_page_leads_to_the_others_and_to_each_copy_and_nowhere_else() {
        for month in [None, Some("2026-11")] {
            let page = shown(month, vec![message(42, "river")]);
            let links: Vec<_> = page.match_indices("href=\"").collect();
            for (at, _) in &links {
                let target = page[at + 6..].split('"').next().unwrap();
                assert!(
                    ["README.TXT", "index.html", "data/0001/00000042.EML"].contains(&target)
                        || bag::month_of_index(target.as_bytes()).is_some(),
                    "{target}"
                );
            }
            for wanted in ["data/0001/00000042.EML", "index-2026-10.html", "index-undated.html"] {
                assert!(page.contains(&format!("href=\"{wanted}\"")), "{wanted} in {page}");
            }
            assert!(!page.contains("<script"));
        }
    }

    #[test]
    fn nothing_of_a_message_becomes_markup() {
        let mut hostile = message(1, "<script>alert(1)</script>\u{202e}");
        hostile.folder = "\"><img src=x>".into();
        hostile.marks = vec![Mark::Removed, Mark::Damaged];
        let page = shown(Some("2026-11"), vec![hostile]);
        for dangerous in ["<script", "<img", "\u{202e}"] {
            assert!(!page.contains(dangerous), "{dangerous:?} in {page}");
        }
        assert!(page.contains("removed from the mailbox; the copy is damaged"));
    }
}
