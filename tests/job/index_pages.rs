//! The list of a drive's messages, page by page, by the numbers of their copies: no page changes without need. Never
//! checks how a page is laid out.

use crate::card::{Card, mail, try_write_extras};
use crate::medium::HOME;
use crate::support::memory::MemoryDrive;
use counterfoil::disk::Access;
use counterfoil::job::Unwatched;
use counterfoil::job::extras::{Extras, ExtrasOutcome, IndexedMessage, Page, Pages};
use counterfoil::job::replica::prune::prune;
use counterfoil::model::bag;
use counterfoil::model::limits::{INDEX_FOLDER_CHARS, INDEX_LATEST};
use std::collections::BTreeMap;
use std::sync::Arc;
use std::time::Duration;

/// Messages on a page in these tests.
const MOST: usize = 3;

/// A page that consists of its links and its subjects, one a line.
struct Lines(usize);

impl Pages for Lines {
    fn page(&self, page: &Page<'_>) -> String {
        let line = |what: &str, page: u32| format!("{what} {}\n", bag::index_page(page));
        let subjects = |messages: &[IndexedMessage]| -> String {
            let line = |message: &IndexedMessage| {
                format!("{} in {}\n", message.headers.subject, message.folder)
            };
            messages.iter().map(line).collect()
        };
        match page {
            Page::First { entries, latest, .. } => {
                let each = entries.iter().map(|entry| {
                    let (messages, span) = (entry.messages, entry.span);
                    line(&format!("{messages} {}", span.is_some()), entry.page)
                });
                each.collect::<String>() + "latest\n" + &subjects(latest)
            }
            Page::Numbered { page, pages, messages, .. } => {
                let earlier = (*page > 1 && page <= pages).then(|| line("earlier", page - 1));
                let later = (page < pages).then(|| line("later", page + 1));
                earlier.unwrap_or_default() + &later.unwrap_or_default() + &subjects(messages)
            }
        }
    }

    fn messages_a_page(&self) -> usize {
        self.0
    }
}

fn write_pages(card: &Card, drive: &MemoryDrive, most: usize) -> ExtrasOutcome {
    let extras = Extras { pages: Some(Arc::new(Lines(most))), ..Extras::default() };
    try_write_extras(card, drive, &extras).unwrap()
}

/// Every page of the list, by name, without its padding.
fn pages(drive: &MemoryDrive) -> BTreeMap<String, String> {
    let files = crate::medium::snapshot(drive).into_iter();
    let names = files.filter_map(|(path, bytes)| {
        let name = path.strip_prefix(HOME)?.to_owned();
        let is_page = name.starts_with("index") && name.ends_with(".html");
        is_page.then(|| (name, String::from_utf8(bytes).unwrap().trim_end().to_owned()))
    });
    let pages: BTreeMap<_, _> = names.collect();
    for (from, text) in &pages {
        for to in text.split_whitespace().filter(|word| word.ends_with(".html")) {
            assert!(pages.contains_key(to), "{from} leads to {to}, which is not there");
        }
    }
    pages
}

/// Pages that changed or are new.
fn changed(before: &BTreeMap<String, String>, after: &BTreeMap<String, String>) -> Vec<String> {
    after
        .iter()
        .filter(|&(name, text)| before.get(name) != Some(text))
        .map(|(n, _)| n.clone())
        .collect()
}

/// Delivers and copies a message of this day of July 2003; its name says the day.
fn deliver(card: &Card, drive: &MemoryDrive, day: usize) {
    let text = format!("Date: {day} Jul 2003 01:00:00 +0000\r\n").into_bytes();
    let name = format!("Jul-{day}");
    card.deliver(&format!("inbox/{name}"), &[text, mail(&name)].concat());
    card.mirrored(drive);
}

/// This many messages of as many days, copied one after the other.
fn july(messages: usize) -> (Card, MemoryDrive) {
    let (card, drive) = (Card::new(), MemoryDrive::default());
    (1..=messages).for_each(|day| deliver(&card, &drive, day));
    write_pages(&card, &drive, MOST);
    (card, drive)
}

#[test]
fn a_page_has_at_most_so_many_messages_in_the_order_of_their_copies() {
    for (messages, count) in [(1, 1), (MOST, 1), (MOST + 1, 2), (2 * MOST, 2), (2 * MOST + 1, 3)] {
        let (_, drive) = july(messages);
        let pages = pages(&drive);
        assert_eq!(pages.len(), 1 + count, "{messages}: {pages:?}");
        let mut expected = (1..=messages).map(|day| format!("Jul-{day} in in/inbox"));
        for page in 1..=count {
            let mut of_page: Vec<_> = expected.by_ref().take(MOST).collect();
            of_page.reverse();
            let text = &pages[&bag::index_page(page as u32).to_string()];
            let subjects = text.lines().filter(|line| line.starts_with("Jul"));
            assert_eq!(subjects.collect::<Vec<_>>(), of_page, "{page} of {messages}");
        }
    }
}

#[test]
fn each_page_leads_to_its_neighbours_and_the_first_page_to_all_with_their_counts() {
    let (_, drive) = july(2 * MOST + 1);
    let pages = pages(&drive);
    let links = |name: &str| -> Vec<&str> {
        pages[name].lines().filter(|line| line.ends_with(".html")).collect()
    };
    assert_eq!(links("index-1.html"), ["later index-2.html"]);
    assert_eq!(links("index-2.html"), ["earlier index-1.html", "later index-3.html"]);
    assert_eq!(links("index-3.html"), ["earlier index-2.html"]);
    assert_eq!(
        links("index.html"),
        ["1 true index-3.html", "3 true index-2.html", "3 true index-1.html"]
    );
    let latest = pages["index.html"].split_once("latest\n").unwrap().1;
    assert!(
        latest.starts_with("Jul-7 in in/inbox\nJul-6 ") && latest.ends_with("\nJul-1 in in/inbox"),
        "{latest}"
    );
}

/// Copied in one batch, in the order of their names: on a page, and among the latest, they are listed by date.
#[test]
fn the_latest_are_those_of_the_latest_dates_on_whatever_page() {
    let (card, drive) = (Card::new(), MemoryDrive::default());
    let days = INDEX_LATEST + 5;
    for day in 1..=days {
        // The later the message, the earlier its name.
        let text = format!("Date: {} Jan 2003 01:00:00 +0000\r\n", day.min(31)).into_bytes();
        let text = [text, mail(&format!("day-{day}"))].concat();
        card.deliver(&format!("inbox/{:03}", 100 - day), &text);
    }
    card.mirrored(&drive);
    write_pages(&card, &drive, MOST);
    let pages = pages(&drive);
    let latest = pages["index.html"].split_once("latest\n").unwrap().1;
    let expected = (days - INDEX_LATEST + 1..=days).rev();
    let expected: Vec<_> = expected.map(|day| format!("day-{day} in in/inbox")).collect();
    assert_eq!(latest.lines().collect::<Vec<_>>(), expected);
    for (name, text) in pages.iter().filter(|(name, _)| *name != bag::INDEX) {
        let of_page = text.lines().filter_map(|line| line.strip_prefix("day-")?.split_once(' '));
        let of_page: Vec<usize> = of_page.map(|(day, _)| day.parse().unwrap()).collect();
        assert!(of_page.is_sorted_by(|later, earlier| later > earlier), "{name}: {text}");
    }
}

#[test]
fn one_more_message_changes_the_last_page_and_the_first_alone() {
    let (card, drive) = july(1);
    for day in 2..=3 * MOST {
        let before = pages(&drive);
        deliver(&card, &drive, day);
        let written = write_pages(&card, &drive, MOST).written;
        let (page, begins) = ((day - 1) / MOST + 1, day % MOST == 1);
        let name = |page: usize| bag::index_page(page as u32).to_string();
        let mut expected = vec![bag::INDEX.to_owned(), name(page)];
        // The page before changes once, to link to the next one as that begins.
        expected.extend(begins.then(|| name(page - 1)));
        expected.sort();
        let mut found = changed(&before, &pages(&drive));
        found.sort();
        assert_eq!(found, expected, "day {day}");
        assert_eq!(written, expected.len() as u64, "day {day}");
    }
    // A message of an earlier date arrives late: it is copied now, and changes no earlier page.
    let before = pages(&drive);
    card.deliver(
        "inbox/late",
        &[b"Date: 1 Jan 2003 01:00:00 +0000\r\n".to_vec(), mail("late")].concat(),
    );
    card.mirrored(&drive);
    write_pages(&card, &drive, MOST);
    let expected = ["index-3.html", "index-4.html", "index.html"];
    assert_eq!(changed(&before, &pages(&drive)), expected);
    assert_eq!(write_pages(&card, &drive, MOST).written, 0);
}

/// If pages used to take fewer messages, empty pages remain: they say so, link to no other empty page, and are filled
/// again.
#[test]
fn a_page_without_messages_says_so_and_leads_to_no_other() {
    let (card, drive) = july(2 * MOST + 1);
    write_pages(&card, &drive, 2 * MOST);
    let after = pages(&drive);
    assert_eq!(after["index-3.html"], "", "{after:?}");
    assert!(!after["index.html"].contains("index-3.html"), "{after:?}");
    assert_eq!(write_pages(&card, &drive, 2 * MOST).written, 0);
    write_pages(&card, &drive, MOST);
    assert!(pages(&drive)["index-3.html"].ends_with("Jul-7 in in/inbox"));
    write_pages(&card, &drive, 1);
    assert_eq!(pages(&drive).len(), 1 + 2 * MOST + 1, "smaller pages");
}

/// Whatever is pruned, the pages after it stay as they are.
#[test]
fn what_is_given_up_is_not_listed_and_moves_nothing() {
    let (card, drive) = (Card::new(), MemoryDrive::default());
    card.clock.trust(true);
    for (wall, version) in [(1_800_000_000, "old"), (1_810_000_000, "new")] {
        card.clock.set_wall(wall);
        let text = [b"Date: 1 Jul 2003 01:00:00 +0000\r\n".to_vec(), mail(version)].concat();
        card.deliver("inbox/one", &text);
        card.mirrored(&drive);
        (2..=2 * MOST).for_each(|day| deliver(&card, &drive, day));
    }
    write_pages(&card, &drive, MOST);
    let before = pages(&drive);
    assert!(before["index-1.html"].contains("old"), "{before:?}");
    card.clock.set_wall(1_820_000_000);
    let mut admitted = card.admit(&drive, Access::Write).unwrap();
    let after = Duration::from_secs(86_400);
    let pruned = prune(&card.catalogue, &mut admitted, u64::MAX, after, &card.clock, &Unwatched);
    assert_eq!(pruned.unwrap().copies, 1);
    drop(admitted);
    write_pages(&card, &drive, MOST);
    let after = pages(&drive);
    assert_eq!(changed(&before, &after), ["index-1.html", "index.html"]);
    assert!(!after["index-1.html"].contains("old"), "{after:?}");
    let counted = |pages: &BTreeMap<String, String>| {
        let of_first = pages["index.html"].lines().find(|line| line.ends_with("index-1.html"));
        of_first.map(str::to_owned)
    };
    assert_eq!(counted(&before).as_deref(), Some("3 true index-1.html"));
    assert_eq!(counted(&after).as_deref(), Some("2 true index-1.html"));
}

#[test]
fn a_folder_with_a_long_name_is_shortened() {
    let (card, drive) = (Card::new(), MemoryDrive::default());
    let folder = vec!["x".repeat(200); 5].join("/");
    card.deliver(&format!("{folder}/one"), &mail("one"));
    card.mirrored(&drive);
    write_pages(&card, &drive, MOST);
    let pages = pages(&drive);
    let folder = pages["index-1.html"].split_once(" in ").unwrap().1;
    assert_eq!(folder.chars().count(), INDEX_FOLDER_CHARS + 1);
    assert!(folder.starts_with("in/xxx") && folder.ends_with("x\u{2026}"), "{folder}");
}

/// A card that never read these headers reads them from the copies, and writes the same pages.
#[test]
fn headers_are_the_same_whether_they_are_known_or_read_from_the_copies() {
    let (mut card, drive) = july(2 * MOST);
    let before = pages(&drive);
    card.lose_catalogue();
    card.catalogue.begin_run(&card.clock).unwrap();
    write_pages(&card, &drive, MOST);
    assert_eq!(pages(&drive), before);
}
