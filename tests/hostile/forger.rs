//! Owns ledger lines that are correctly chained and say whatever an attacker likes. Never checks what they say.

use counterfoil::model::Digest;
use std::fs;
use std::path::{Path, PathBuf};

/// Continues a ledger: computes its head as the program would.
pub(crate) struct Forger {
    ledger: PathBuf,
    head: String,
    seq: u64,
    text: String,
}

impl Forger {
    /// After the last line of a ledger.
    pub(crate) fn after(ledger: &Path) -> Self {
        let text = fs::read_to_string(ledger).unwrap();
        let last: serde_json::Value = serde_json::from_str(text.lines().last().unwrap()).unwrap();
        let head = last["hash"].as_str().unwrap().to_owned();
        Self { ledger: ledger.to_owned(), head, seq: last["seq"].as_u64().unwrap(), text }
    }

    /// At the beginning of an empty one.
    pub(crate) fn at_beginning(ledger: &Path) -> Self {
        assert_eq!(fs::metadata(ledger).unwrap().len(), 0);
        let (ledger, head) = (ledger.to_owned(), "0".repeat(64));
        Self { ledger, head, seq: 0, text: String::new() }
    }

    /// Adds a line, with these fields after the usual ones.
    pub(crate) fn line(self, fields: &str) -> Self {
        let number = self.seq + 1;
        self.numbered(number, fields)
    }

    /// The same under another number, as text: it need not be a number at all.
    pub(crate) fn numbered(self, number: impl ToString, fields: &str) -> Self {
        let number = number.to_string();
        self.raw(&format!(
            "{{\"v\":1,\"seq\":{number},\"boot\":\"b\",\"time\":\"2003-07-01T08:52:37Z\",\
             \"clock\":\"unsure\",{fields}"
        ))
    }

    /// Adds a line of any text, correctly chained.
    pub(crate) fn raw(mut self, body: &str) -> Self {
        self.seq += 1;
        let hash = Digest::of(format!("{}{body}", self.head).as_bytes()).to_string();
        self.text.push_str(&format!("{body},\"hash\":\"{hash}\"}}\n"));
        self.head = hash;
        self
    }

    /// The whole ledger so far.
    pub(crate) fn text(&self) -> &str {
        &self.text
    }

    pub(crate) fn write(self) {
        fs::write(self.ledger, self.text).unwrap();
    }
}
