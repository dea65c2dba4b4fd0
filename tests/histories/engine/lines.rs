//! Which line of a ledger corresponds to one of the model's, and what makes it unreadable.

use super::{BEYOND, Program, mailbox_name, station};
use crate::files::{bytes_of, name_of};
use crate::model::{Content, Line, Location, Path as Place};
use crate::world::World;
use counterfoil::model::Identity;

/// What of a line tells it from others, in the model and in a ledger.
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
    /// The line of the ledger that corresponds to one of the model's cannot be read any more.
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
