//! Owns the output of a command: its exit code, its report, its warnings, and the assertions that tests make about
//! them. Never runs anything.

use serde_json::Value;
use std::ffi::OsStr;
use std::process::Output;

/// The output of a command.
pub(crate) struct CommandOutput {
    typed: String,
    code: Option<i32>,
    pub(crate) out: Vec<u8>,
    pub(crate) err: Vec<u8>,
}

impl CommandOutput {
    pub(crate) fn new(typed: Vec<&OsStr>, output: Output) -> Self {
        let typed: Vec<_> = typed.iter().map(|word| word.to_string_lossy()).collect();
        Self {
            typed: typed.join(" "),
            code: output.status.code(),
            out: output.stdout,
            err: output.stderr,
        }
    }

    pub(crate) fn code(&self) -> Option<i32> {
        self.code
    }

    fn expect_code(self, code: i32, meaning: &str) -> Self {
        assert_eq!(self.code, Some(code), "expected: {meaning}\n{}", self.whole());
        self
    }

    fn whole(&self) -> String {
        format!(
            "counterfoil {}\n--- out\n{}\n--- err\n{}",
            self.typed,
            self.text(),
            self.warnings()
        )
    }

    /// Exit code 0: done, and all is safe.
    pub(crate) fn expect_safe(self) -> Self {
        self.expect_code(0, "all safe")
    }

    /// Exit code 1: done, but something is not safe.
    pub(crate) fn expect_unsafe(self) -> Self {
        self.expect_code(1, "something is not safe")
    }

    /// The report's verdict, and the matching exit code where a mailbox could be read.
    pub(crate) fn expect_verdict(self, word: &str) -> Self {
        assert_eq!(self.json()["verdict"], word, "{}", self.whole());
        self.expect_code(i32::from(word != "safe"), word)
    }

    /// The state of a mailbox in a report that lists them.
    pub(crate) fn mailbox(&self, name: &str) -> Value {
        let json = self.json();
        let mailboxes = json["mailboxes"].as_array().unwrap_or_else(|| panic!("{}", self.whole()));
        let found = mailboxes.iter().find(|mailbox| mailbox["name"] == name);
        found.unwrap_or_else(|| panic!("no mailbox {name}\n{}", self.whole())).clone()
    }

    /// Exit code 2: the command line or the config is wrong. Nothing is reported.
    pub(crate) fn expect_refused(self) -> Self {
        let told = self.expect_code(2, "refused as wrongly asked");
        assert!(told.out.is_empty(), "{}", told.whole());
        told
    }

    /// Exit code 3: it could not be done.
    pub(crate) fn expect_failed(self) -> Self {
        self.expect_code(3, "could not be done")
    }

    /// All of these words occur in the output, on either stream.
    pub(crate) fn expect_words(self, words: &[&str]) -> Self {
        let said = format!("{}{}", self.text(), self.warnings());
        for word in words {
            assert!(said.contains(word), "{word:?} was not said\n{}", self.whole());
        }
        self
    }

    /// No character that could control a terminal: no control character, no bidirectional mark.
    pub(crate) fn expect_harmless(self) -> Self {
        for said in [&self.out, &self.err] {
            let text = std::str::from_utf8(said).unwrap();
            for (at, c) in text.char_indices().filter(|(_, c)| *c != '\n') {
                let turns = matches!(c, '\u{200e}' | '\u{200f}' | '\u{202a}'..='\u{202e}');
                assert!(!c.is_control() && !turns, "{c:?} at {at} of {text:?}");
            }
        }
        self
    }

    /// Nothing at all on standard error.
    pub(crate) fn expect_no_warning(self) -> Self {
        let warned = self.warnings().lines().any(|line| !line.starts_with("note: "));
        assert!(!warned, "{}", self.whole());
        self
    }

    pub(crate) fn text(&self) -> String {
        String::from_utf8_lossy(&self.out).into_owned()
    }

    pub(crate) fn warnings(&self) -> String {
        String::from_utf8_lossy(&self.err).into_owned()
    }

    /// The report: one JSON object on one line, and nothing else on standard output.
    pub(crate) fn json(&self) -> Value {
        let text = std::str::from_utf8(&self.out).unwrap();
        assert_eq!(text.matches('\n').count(), 1, "not one line\n{}", self.whole());
        let value: Value = serde_json::from_str(text)
            .unwrap_or_else(|error| panic!("not JSON: {error}\n{}", self.whole()));
        assert!(value.is_object(), "{}", self.whole());
        assert_eq!(value["schema"], 1, "{}", self.whole());
        value
    }

    /// Counts in the report, by name: `messages.total` is a number within an object; a list counts by its length.
    pub(crate) fn expect_counts(self, counts: &[(&str, u64)]) -> Self {
        let json = self.json();
        for (name, expected) in counts {
            let found = name.split('.').fold(&json, |value, part| &value[part]);
            let found = match found.as_array() {
                Some(list) => Some(list.len() as u64),
                None => found.as_u64(),
            };
            assert_eq!(found, Some(*expected), "{name}\n{}", self.whole());
        }
        self
    }

    /// Path and one more text field of every entry of a list in the report, sorted.
    pub(crate) fn listed(&self, list: &str, field: &str) -> Vec<(String, String)> {
        let json = self.json();
        let text = |value: &Value| match value {
            Value::Null => "null".to_owned(),
            other => other.as_str().unwrap_or_else(|| panic!("{other}")).to_owned(),
        };
        let list = json[list].as_array().unwrap_or_else(|| panic!("no {list}\n{}", self.whole()));
        let mut entries: Vec<_> =
            list.iter().map(|entry| (text(&entry["path"]), text(&entry[field]))).collect();
        entries.sort();
        entries
    }

    /// The messages that an audit reports as unmirrored, with the reason.
    pub(crate) fn expect_unmirrored(self, expected: &[(&str, &str)]) -> Self {
        self.expect_listed("unmirrored", "reason", expected)
    }

    pub(crate) fn expect_listed(self, list: &str, field: &str, expected: &[(&str, &str)]) -> Self {
        let found = self.listed(list, field);
        let found: Vec<_> = found.iter().map(|(a, b)| (a.as_str(), b.as_str())).collect();
        assert_eq!(found, expected, "{list}\n{}", self.whole());
        self
    }

    /// The state of the drive with this label, in a report that lists drives.
    pub(crate) fn drive(&self, label: &str) -> Value {
        let json = self.json();
        let drives = json["drives"].as_array().unwrap_or_else(|| panic!("{}", self.whole()));
        let found = drives.iter().find(|drive| drive["label"] == label);
        found.unwrap_or_else(|| panic!("no drive {label}\n{}", self.whole())).clone()
    }
}

/// The names of an object's fields, sorted.
pub(crate) fn fields(value: &Value) -> Vec<&str> {
    let mut names: Vec<_> = value.as_object().unwrap().keys().map(String::as_str).collect();
    names.sort_unstable();
    names
}
