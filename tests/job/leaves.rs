//! The list of a drive's messages, page by page: a month of more messages than fit on one is in parts, and no page
//! changes that need not.
//! Never looks at how a page is laid out.

use crate::card::{Card, drive_ref, mail, station};
use crate::medium::HOME;
use crate::support::memory::MemoryDrive;
use counterfoil::disk::Access;
use counterfoil::job::Unwatched;
use counterfoil::job::extras::{
    Extras, ExtrasOutcome, IndexedMessage, Page, PageId, Pages, carry_on,
};
use counterfoil::job::prune::prune;
use counterfoil::job::replica::PresentDrives;
use counterfoil::model::bag;
use counterfoil::model::limits::{INDEX_FOLDER_CHARS, INDEX_HEADERS_KEPT, INDEX_PAGE_MESSAGES};
use std::collections::BTreeMap;
use std::sync::Arc;
use std::time::Duration;

/// Messages on a page here.
const MOST: usize = 3;

/// A page that has its links and its subjects, a line each.
struct Lines(usize);

impl Pages for Lines {
    fn page(&self, page: &Page<'_>) -> String {
        let line = |what: &str, page_id: &PageId<'_>| {
            format!("{what} {}\n", bag::index_page(page_id.month, page_id.part))
        };
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
                    line(&format!("{messages} {}", span.is_some()), &entry.page_id)
                });
                each.collect::<String>() + "latest\n" + &subjects(latest)
            }
            Page::Part { earlier, later, messages, .. } => {
                let earlier = earlier.map(|page_id| line("earlier", &page_id)).unwrap_or_default();
                let later = later.map(|page_id| line("later", &page_id)).unwrap_or_default();
                earlier + &later + &subjects(messages)
            }
        }
    }

    fn messages_a_page(&self) -> usize {
        self.0
    }
}

fn carried(card: &Card, drive: &MemoryDrive, most: usize) -> ExtrasOutcome {
    let cargo = Extras { pages: Some(Arc::new(Lines(most))), ..Extras::default() };
    let (drive, present_drives) = (drive_ref(drive, "stick"), PresentDrives::default());
    carry_on(&card.catalogue, &station(), &drive, &present_drives, &card.clock, &cargo, &Unwatched)
        .unwrap()
}

/// Every page of the list, by its name, without what it is filled up with.
fn pages(drive: &MemoryDrive) -> BTreeMap<String, String> {
    let files = crate::medium::snapshot(drive).into_iter();
    let names = files.filter_map(|(path, bytes)| {
        let name = path.strip_prefix(HOME)?.to_owned();
        let is_page = name == bag::INDEX || bag::page_of_index(name.as_bytes()).is_some();
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

/// Pages that are not as they were, or new.
fn changed(before: &BTreeMap<String, String>, after: &BTreeMap<String, String>) -> Vec<String> {
    after
        .iter()
        .filter(|&(name, text)| before.get(name) != Some(text))
        .map(|(n, _)| n.clone())
        .collect()
}

/// A message of that month, day and hour of 2003; its name tells of them.
fn deliver(card: &Card, month: &str, day: usize, hour: usize) {
    let text = format!("Date: {day} {month} 2003 {hour:02}:00:00 +0000\r\n").into_bytes();
    let name = format!("{month}-{day}-{hour}");
    card.deliver(&format!("inbox/{name}"), &[text, mail(&name)].concat());
}

fn month_of(messages: usize) -> (Card, MemoryDrive) {
    let (card, drive) = (Card::new(), MemoryDrive::default());
    deliver(&card, "Jun", 30, 1);
    (1..=messages).for_each(|day| deliver(&card, "Jul", day, 1));
    card.mirrored(&drive);
    carried(&card, &drive, MOST);
    (card, drive)
}

#[test]
fn a_month_is_in_parts_of_at_most_so_many_messages() {
    for (messages, parts) in [(1, 1), (MOST, 1), (MOST + 1, 2), (2 * MOST, 2), (2 * MOST + 1, 3)] {
        let (_, drive) = month_of(messages);
        let pages = pages(&drive);
        let names: Vec<_> = (1..=parts).map(|part| bag::index_page("2003-07", part)).collect();
        let there = pages.keys().filter(|name| name.starts_with("index-2003-07"));
        assert_eq!(there.count(), parts as usize, "{messages}: {pages:?}");
        let mut expected = (1..=messages).map(|day| format!("Jul-{day}-1 in in/inbox"));
        for name in &names {
            let mut part: Vec<_> = expected.by_ref().take(MOST).collect();
            part.reverse();
            let subjects = pages[&name.to_string()].lines().filter(|line| line.starts_with("Jul"));
            assert_eq!(subjects.collect::<Vec<_>>(), part, "{name} of {messages}");
        }
    }
}

#[test]
fn each_part_leads_to_those_beside_it_and_the_first_page_to_all_with_their_counts() {
    let (_, drive) = month_of(2 * MOST + 1);
    let pages = pages(&drive);
    let links = |name: &str| -> Vec<&str> {
        pages[name].lines().filter(|line| line.ends_with(".html")).collect()
    };
    assert_eq!(links("index-2003-06.html"), ["later index-2003-07.html"]);
    assert_eq!(
        links("index-2003-07.html"),
        ["earlier index-2003-06.html", "later index-2003-07-2.html"]
    );
    assert_eq!(
        links("index-2003-07-2.html"),
        ["earlier index-2003-07.html", "later index-2003-07-3.html"]
    );
    assert_eq!(links("index-2003-07-3.html"), ["earlier index-2003-07-2.html"]);
    assert_eq!(
        links("index.html"),
        [
            "1 true index-2003-07-3.html",
            "3 true index-2003-07-2.html",
            "3 true index-2003-07.html",
            "1 true index-2003-06.html"
        ]
    );
    let latest = pages["index.html"].split_once("latest\n").unwrap().1;
    assert!(
        latest.starts_with("Jul-7-1 in in/inbox\nJul-6-1 ") && latest.contains("\nJun-30-1 "),
        "{latest}"
    );
}

#[test]
fn one_more_message_changes_the_latest_part_and_the_first_page_alone() {
    let (card, drive) = month_of(1);
    for day in 2..=3 * MOST {
        let before = pages(&drive);
        deliver(&card, "Jul", day, 1);
        card.mirrored(&drive);
        let written = carried(&card, &drive, MOST).written;
        let (part, begins) = ((day - 1) / MOST + 1, day % MOST == 1);
        let name = |part: usize| bag::index_page("2003-07", part as u32).to_string();
        let mut expected = vec![bag::INDEX.to_owned(), name(part)];
        // Once, as the next one begins, the part before leads there.
        expected.extend(begins.then(|| name(part - 1)));
        expected.sort();
        let mut found = changed(&before, &pages(&drive));
        found.sort();
        assert_eq!(found, expected, "day {day}");
        assert_eq!(written, expected.len() as u64, "day {day}");
    }
    let before = pages(&drive);
    deliver(&card, "Aug", 1, 1);
    card.mirrored(&drive);
    carried(&card, &drive, MOST);
    let expected = ["index-2003-07-3.html", "index-2003-08.html", "index.html"];
    assert_eq!(changed(&before, &pages(&drive)), expected, "a new month");
    assert_eq!(carried(&card, &drive, MOST).written, 0);
}

/// Where pages took fewer messages once, and where a message has another date by what is known since, parts are left
/// that have none: they say so, lead nowhere else, and are filled again.
#[test]
fn a_part_without_messages_says_so_and_leads_to_no_other() {
    let (mut card, drive) = (Card::new(), MemoryDrive::default());
    let undated = |name: &str| card.deliver(&format!("inbox/{name}"), &mail(name));
    (1..=MOST).for_each(|day| deliver(&card, "Jul", day, 1));
    // By its first sight in July too, after the others.
    card.clock.set_wall(1_059_000_000);
    undated("Jul-seen");
    card.mirrored(&drive);
    carried(&card, &drive, MOST);
    assert!(pages(&drive)["index-2003-07-2.html"].ends_with("Jul-seen in in/inbox"));
    // Another card took it in earlier, by a clock that was wrong: that sight is the first now.
    let second = MemoryDrive::default();
    card.lose_catalogue();
    card.clock.set_wall(1_030_000_000);
    card.mirrored(&second);
    card.mirrored(&drive);
    carried(&card, &drive, MOST);
    let after = pages(&drive);
    assert_eq!(after["index-2003-07-2.html"], "", "{after:?}");
    assert!(!after["index.html"].contains("index-2003-07-2.html"), "{after:?}");
    assert!(after["index-2002-08.html"].ends_with("Jul-seen in in/inbox"), "{after:?}");
    assert_eq!(carried(&card, &drive, MOST).written, 0);
    deliver(&card, "Jul", 9, 1);
    card.mirrored(&drive);
    carried(&card, &drive, MOST);
    assert!(pages(&drive)["index-2003-07-2.html"].ends_with("Jul-9-1 in in/inbox"));
    carried(&card, &drive, 2 * MOST);
    assert_eq!(pages(&drive)["index-2003-07-2.html"], "", "larger pages");
    carried(&card, &drive, 1);
    assert_eq!(pages(&drive).len(), 1 + 1 + MOST + 1, "smaller pages");
}

/// Whatever else is pruned: the parts behind it stay as they are.
#[test]
fn what_is_given_up_is_not_told_of_and_moves_nothing() {
    let (card, drive) = (Card::new(), MemoryDrive::default());
    card.clock.trust(true);
    for (wall, version) in [(1_800_000_000, "old"), (1_810_000_000, "new")] {
        card.clock.set_wall(wall);
        let text = [b"Date: 1 Jul 2003 01:00:00 +0000\r\n".to_vec(), mail(version)].concat();
        card.deliver("inbox/one", &text);
        (2..=2 * MOST).for_each(|day| deliver(&card, "Jul", day, 1));
        card.mirrored(&drive);
    }
    carried(&card, &drive, MOST);
    let before = pages(&drive);
    assert!(before["index-2003-07.html"].contains("old"), "{before:?}");
    card.clock.set_wall(1_820_000_000);
    let mut admitted = card.admit(&drive, Access::Write).unwrap();
    let after = Duration::from_secs(86_400);
    let pruned = prune(&card.catalogue, &mut admitted, u64::MAX, after, &card.clock, &Unwatched);
    assert_eq!(pruned.unwrap().copies, 1);
    drop(admitted);
    carried(&card, &drive, MOST);
    let after = pages(&drive);
    assert_eq!(changed(&before, &after), ["index-2003-07.html", "index.html"]);
    assert!(!after["index-2003-07.html"].contains("old"), "{after:?}");
    let counted =
        |pages: &BTreeMap<String, String>| pages["index.html"].lines().nth(2).map(str::to_owned);
    assert_eq!(counted(&before).as_deref(), Some("3 true index-2003-07.html"));
    assert_eq!(counted(&after).as_deref(), Some("2 true index-2003-07.html"));
}

#[test]
fn a_folder_with_a_long_name_is_shortened() {
    let (card, drive) = (Card::new(), MemoryDrive::default());
    let folder = vec!["x".repeat(200); 5].join("/");
    card.deliver(&format!("{folder}/one"), &mail("one"));
    card.mirrored(&drive);
    carried(&card, &drive, MOST);
    let pages = pages(&drive);
    let folder = pages["index-2027-01.html"].split_once(" in ").unwrap().1;
    assert_eq!(folder.chars().count(), INDEX_FOLDER_CHARS + 1);
    assert!(folder.starts_with("in/xxx") && folder.ends_with("x\u{2026}"), "{folder}");
}

/// A card that never read these headers reads them from the copies: those that are not held from its first look until
/// the page is made say the same.
#[test]
fn headers_are_the_same_whether_they_are_held_or_read_once_more() {
    let (mut card, drive) = (Card::new(), MemoryDrive::default());
    let all = INDEX_HEADERS_KEPT + 3;
    for at in 0..all {
        let text = format!("Date: 1 Jul 2003 01:00:00 +0000\r\nSubject: s{at}\r\n\r\n");
        card.deliver(&format!("inbox/{at:05}"), text.as_bytes());
    }
    card.mirrored(&drive);
    carried(&card, &drive, INDEX_PAGE_MESSAGES);
    let before = pages(&drive);
    let found = before.values().flat_map(|text| text.lines()).filter(|line| line.starts_with('s'));
    assert!(found.count() >= all);
    card.lose_catalogue();
    card.catalogue.begin_run(&card.clock).unwrap();
    carried(&card, &drive, INDEX_PAGE_MESSAGES);
    assert_eq!(pages(&drive), before);
}
