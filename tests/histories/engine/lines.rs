//! Which ledger line corresponds to a line of the model, how it is made unreadable, and lines that strangers add.

use super::{BEYOND, Program, mailbox_name, station};
use crate::files::{bytes_of, name_of};
use crate::model::{Content, Line, Location, Path as Place, instead_of};
use crate::world::World;
use counterfoil::model::{Digest, Identity};
use serde_json::{Value, json};

/// What distinguishes a line from others, in the model and in a ledger.
#[derive(Debug, Clone, PartialEq, Eq)]
enum Kind {
    Writer,
    Is(Location, String),
    Left(Location, String),
    Mark,
}

fn digest_of(content: Content) -> String {
    Identity::of(&bytes_of(content)).digest.to_string()
}

fn kind_in_model(line: &Line) -> Option<Kind> {
    match line {
        Line::Writer(..) => Some(Kind::Writer),
        Line::Is { key, .. } => Some(Kind::Is(key.0, digest_of(key.1))),
        Line::Left(left) => Some(Kind::Left(left.key.0, digest_of(left.key.1))),
        Line::Mark { .. } => Some(Kind::Mark),
        Line::Unreadable => None,
    }
}

fn kind_in_ledger(line: &[u8]) -> Option<Kind> {
    let line: serde_json::Value = serde_json::from_slice(line).ok()?;
    let key = || -> Option<(Location, String)> {
        let mailbox = line["mailbox"].as_str()?;
        let mailbox = (0..2).find(|number| mailbox_name(*number) == mailbox)?;
        let path = (0..4).find(|number| line["path"].as_str() == Some(&name_of(*number)))?;
        let at = Location { mailbox, path: Place::Plain(path) };
        Some((at, line["sha256"].as_str()?.to_owned()))
    };
    match line["kind"].as_str()? {
        "opened" | "writer" => Some(Kind::Writer),
        "mirrored" | "placed" | "missing" => key().map(|(at, content)| Kind::Is(at, content)),
        "removed" => key().map(|(at, content)| Kind::Left(at, content)),
        "mark" => Some(Kind::Mark),
        _ => None,
    }
}

impl Program {
    /// The ledger line that corresponds to one of the model's becomes unreadable.
    pub(super) fn spoil(
        &mut self,
        before: &World,
        stick: usize,
        line: usize,
    ) -> Result<(), String> {
        let lines = &before.sticks[stick].stick.ledger.lines;
        let kind = kind_in_model(&lines[line]);
        let nth = lines[..line].iter().filter(|line| kind_in_model(line) == kind).count();
        let path = format!("counterfoil/{}/ledger.jsonl", station().as_str());
        let ledger = self.sockets[stick].drive.file(&path).unwrap_or_default();
        let mut start = 0;
        let mut same = Vec::new();
        for line in ledger.split_inclusive(|byte| *byte == b'\n') {
            let end = start + line.len() - 1;
            if kind.is_some() && kind_in_ledger(&ledger[start..end]) == kind {
                same.push(start..end);
            }
            start += line.len();
        }
        let Some(range) = same.get(nth).cloned() else { return Err(BEYOND.to_owned()) };
        self.sockets[stick].drive.tamper(&path, |ledger| ledger[range].fill(b'x'));
        Ok(())
    }
}

/// A correctly chained ledger that is being continued.
struct Forged {
    text: String,
    head: String,
    seq: u64,
}

impl Forged {
    fn line(&mut self, fields: &Value) {
        self.seq += 1;
        let fields = fields.to_string();
        let fields = fields.trim_start_matches('{').trim_end_matches('}');
        let body = format!(
            "{{\"v\":1,\"seq\":{},\"boot\":\"b\",\"time\":\"2003-07-01T08:52:37Z\",\"clock\":\"unsure\",{fields}",
            self.seq
        );
        self.head = Digest::of(format!("{}{body}", self.head).as_bytes()).to_string();
        self.text += &format!("{body},\"hash\":\"{}\"}}\n", self.head);
    }
}

/// The number of a change that no card reaches.
const FAR: u64 = 1_000_000;

impl Program {
    /// Somebody who knows everything on a stick adds lines that say that all of it is gone, or was replaced by mail of
    /// theirs.
    pub(super) fn forge(
        &mut self,
        before: &World,
        stick: usize,
        replaced: bool,
    ) -> Result<(), String> {
        let bag = format!("counterfoil/{}", station().as_str());
        let path = format!("{bag}/ledger.jsonl");
        let ledger = self.sockets[stick].drive.file(&path).unwrap_or_default();
        let text = String::from_utf8(ledger).map_err(|e| e.to_string())?;
        let lines: Vec<Value> =
            text.lines().filter_map(|line| serde_json::from_str(line).ok()).collect();
        // After a break none of it would be sound.
        let Some(last) = lines.last().filter(|_| lines.len() == text.lines().count()) else {
            return Err(BEYOND.to_owned());
        };
        let head = last["hash"].as_str().unwrap_or_default().to_owned();
        let seq = last["seq"].as_u64().unwrap_or_default();
        let writers = lines.iter().filter_map(|line| line["writer"].as_str());
        let links: Vec<String> = writers.map(|writer| format!("{writer}:{FAR}")).collect();
        let writer = format!("{:016x}", 0xf0f0_0000_u64 + seq);
        let mut forged = Forged { text, head, seq };
        forged.line(&json!({"kind": "writer", "writer": writer, "links": links}));
        let names = self.sockets[stick].drive.files().into_iter();
        let number = |path: String| {
            let name = path.strip_prefix(&format!("{bag}/data/"))?.split('/').nth(1)?.to_owned();
            name.split('.').next()?.parse::<u32>().ok()
        };
        let mut next = names.filter_map(number).max().unwrap_or(0) + 1;
        // Each as a change of its own: two contents for one change would expose them.
        for (n, key) in (FAR..).zip(before.sticks[stick].stick.ledger.standing()) {
            let as_of = format!("{writer}:{n}");
            let Place::Plain(path) = key.0.path else { return Err(BEYOND.to_owned()) };
            let (mailbox, name) = (mailbox_name(key.0.mailbox), name_of(path));
            let gone = Identity::of(&bytes_of(key.1));
            let mut left = json!({
                "kind": "removed", "sha256": gone.digest.to_string(), "bytes": gone.bytes,
                "mailbox": mailbox, "path": name, "as_of": as_of, "gaps": 0,
                "why": if replaced { "replaced" } else { "deleted" },
            });
            if replaced {
                let bytes = bytes_of(instead_of(key.1));
                let theirs = Identity::of(&bytes);
                let payload = format!("data/0001/{next:08}.EML");
                next += 1;
                self.sockets[stick].drive.put(&format!("{bag}/{payload}"), &bytes);
                forged.line(&json!({
                    "kind": "mirrored", "payload": payload, "sha256": theirs.digest.to_string(),
                    "bytes": theirs.bytes, "mailbox": mailbox, "path": name,
                    "modified": "2003-07-01T08:52:37Z", "mode": "0600",
                    "first_seen": "2003-07-01T08:52:37Z", "as_of": as_of,
                }));
                left["to_mailbox"] = json!(mailbox);
                left["to_path"] = json!(name);
                left["to_sha256"] = json!(theirs.digest.to_string());
                left["to_bytes"] = json!(theirs.bytes);
            }
            forged.line(&left);
        }
        self.sockets[stick].drive.put(&path, forged.text.as_bytes());
        self.sockets[stick].unmet = true;
        Ok(())
    }
}
