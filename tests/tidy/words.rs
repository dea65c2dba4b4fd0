//! The field's words in names: a private word that was once replaced is not used as a name again. Checks names in code,
//! in the database's schema and of files, part by part; never prose.

use crate::source::{Breach, Source, below};
use crate::{expect_none, plant};

/// A private word that must not be a name, and the field's term.
const OTHERWISE: [(&str, &str); 49] = [
    ("alarm", "timer"),
    ("asker", "reply_to"),
    ("belt", "pipeline"),
    ("bite", "step"),
    ("book", "replica"),
    ("books", "replicas"),
    ("cargo", "extras"),
    ("carrier", "timer"),
    ("clerk", "scanner"),
    ("door", "volume source"),
    ("era", "writer"),
    ("errand", "job, or request"),
    ("errands", "jobs, or requests"),
    ("gathered", "sources"),
    ("glance", "stat"),
    ("goal", "target"),
    ("goals", "targets"),
    ("happening", "event"),
    ("hearing", "departures read"),
    ("heir", "successor"),
    ("heirs", "successors"),
    ("hurry", "early sync"),
    ("leaf", "page"),
    ("lenders", "peer copies"),
    ("lent", "peer copy"),
    ("library", "bundled programs"),
    ("mention", "reference"),
    ("newcomer", "new drive"),
    ("newcomers", "new drives"),
    ("octet", "byte"),
    ("octets", "bytes"),
    ("passage", "reader, or message"),
    ("reckoning", "statistics"),
    ("recognise", "match"),
    ("retell", "lost lines"),
    ("seat", "slot"),
    ("seats", "slots"),
    ("served", "status"),
    ("setup", "resolved"),
    ("shelf", "extras"),
    ("sighting", "entry"),
    ("standing", "current assertion"),
    ("survey", "inspection"),
    ("sweep", "run"),
    ("tick", "change number"),
    ("untold", "lost"),
    ("voice", "sink"),
    ("watchman", "monitor"),
    ("workplace", "context"),
];

#[test]
fn names_are_the_fields_own() {
    let mut breaches: Vec<_> = below("src").iter().flat_map(private_names).collect();
    let schema = "src/job/catalogue/schema.sql";
    let text = std::fs::read_to_string(schema).unwrap();
    let without_remarks: Vec<_> =
        text.lines().map(|line| line.split("--").next().unwrap_or_default()).collect();
    breaches.extend(private_names(&Source::new(schema, &without_remarks.join("\n"))));
    expect_none(
        "a name that only we know has to be learnt; take the field's word (the list is in \
         tests/tidy/words.rs)",
        breaches,
    );
}

/// Private names in a file, and the file's own.
fn private_names(source: &Source) -> Vec<Breach> {
    let name = source.path.rsplit('/').next().unwrap_or_default();
    let mut found = breaches(source, 1, name.split('.').next().unwrap_or_default());
    for (number, line) in source.lines() {
        let names = line.split(|c: char| !(c.is_ascii_alphanumeric() || c == '_'));
        found.extend(names.flat_map(|name| breaches(source, number, name)));
    }
    found
}

fn breaches(source: &Source, line: usize, name: &str) -> Vec<Breach> {
    let parts = parts(name);
    let known = OTHERWISE.iter().filter(|(word, _)| parts.iter().any(|part| part == word));
    known.map(|(word, say)| source.breach(line, format!("{name}: not {word}, but {say}"))).collect()
}

/// The parts of a name: `EventSink`, `event_sink` and `EVENT_SINK` are all `event` and `sink`.
fn parts(name: &str) -> Vec<String> {
    let mut parts = vec![String::new()];
    let mut before = '_';
    for c in name.chars() {
        if c == '_' || c.is_ascii_uppercase() && before.is_ascii_lowercase() {
            parts.push(String::new());
        }
        if c != '_' {
            parts.last_mut().unwrap().push(c.to_ascii_lowercase());
        }
        before = c;
    }
    parts.retain(|part| !part.is_empty());
    parts
}

#[test]
fn these_rules_see_what_they_should() {
    let seen = |text: &str| private_names(&plant("src/daemon/clerk.rs", text)).len();
    assert_eq!(seen(""), 1, "the file's own name");
    for (text, found) in [
        ("let octets = 1;", 1),
        ("struct BookRow { seat: u8 }", 2),
        ("const LAST_TICK: u64 = 0;", 1),
        ("fn bookish() { ticket() }", 0),
        ("// the clerk", 0),
        ("let said = \"a leaf\";", 0),
    ] {
        assert_eq!(seen(text), 1 + found, "{text}");
    }
    assert_eq!(parts("VolumeFacts_atOnce"), ["volume", "facts", "at", "once"]);
}
