//! Owns the JSON form of a ledger line, without its hash.
//! Never trusts a field: each is parsed into its own type, or the line is refused.

use super::event::{Event, Line, Place};
use crate::model::digest::{Digest, Identity};
use crate::model::escape;
use crate::model::finding::Suspicion;
use crate::model::limits::COUNT_MAX;
use crate::model::names::RelName;
use crate::model::stamp::{Moment, Order, Stamp};
use serde::{Deserialize, Serialize};
use std::fmt::Display;
use std::str::FromStr;

/// Every field a line of any kind may have. Order here is the order in the file.
#[derive(Serialize, Deserialize, Default)]
#[serde(default)]
struct Wire {
    v: u32,
    seq: u64,
    boot: String,
    time: String,
    clock: String,
    kind: String,
    #[serde(skip_serializing_if = "Option::is_none")]
    payload: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    sha256: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    bytes: Option<u64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    mailbox: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    path: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    from_mailbox: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    from_path: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    root: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    modified: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    mode: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    first_seen: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    suspect: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    replaces: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    era: Option<u64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    tick: Option<u64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    card: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    program: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    checked: Option<u64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    damaged: Option<u64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    missing: Option<u64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    from: Option<u64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    to: Option<u64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    whole_lines: Option<u64>,
}

/// The JSON object of a line, complete but for its hash.
pub(super) fn write(line: &Line) -> String {
    let mut wire = Wire {
        v: needed(&line.event),
        seq: line.seq,
        boot: line.stamp.boot.clone(),
        time: line.stamp.time.to_text(),
        clock: if line.stamp.trusted { "trusted" } else { "unsure" }.to_owned(),
        ..Wire::default()
    };
    wire.fill(&line.event);
    // A struct of text and numbers always serializes.
    serde_json::to_string(&wire).unwrap_or_default()
}

/// The format a reader must know to understand a line: no line asks for more than it has to, so that a drive without
/// any of the later ones is still written to by an earlier program.
fn needed(event: &Event) -> u32 {
    match event {
        Event::Mirrored { place, .. }
        | Event::Placed { place, .. }
        | Event::Moved { place, .. }
            if place.suspect == Some(Suspicion::Altered) =>
        {
            2
        }
        Event::Pruned { .. } => 2,
        _ => 1,
    }
}

#[derive(Deserialize)]
struct Version {
    v: u64,
}

/// What could be made of a line whose hash is right.
pub(super) enum Read {
    Line(Box<Line>),
    /// Written by a later version of the program.
    Newer(u32),
    /// Right hash, but not a line as this version writes it.
    Unfit,
}

pub(super) fn read(text: &str) -> Read {
    // A later format may give any other field another form.
    let Ok(version) = serde_json::from_str::<Version>(text) else { return Read::Unfit };
    if version.v > u64::from(super::FORMAT) {
        return Read::Newer(u32::try_from(version.v).unwrap_or(u32::MAX));
    }
    let Ok(wire) = serde_json::from_str::<Wire>(text) else { return Read::Unfit };
    match wire.into_line() {
        Some(line) => Read::Line(Box::new(line)),
        None => Read::Unfit,
    }
}

fn text(value: &impl Display) -> Option<String> {
    Some(value.to_string())
}

impl Wire {
    fn fill(&mut self, event: &Event) {
        self.kind = kind(event).to_owned();
        match event {
            Event::Opened { card, era, program } => {
                self.card = text(card);
                self.era = Some(*era);
                self.program = Some(program.clone());
            }
            Event::Mailbox { mailbox, root } => {
                self.mailbox = text(mailbox);
                self.root = Some(escape::to_text(root));
            }
            Event::Mirrored { payload, identity, place, replaces } => {
                self.payload = text(payload);
                self.identity(identity);
                self.place(place);
                self.replaces = replaces.as_ref().and_then(text);
            }
            Event::Placed { identity, place } => {
                self.identity(identity);
                self.place(place);
            }
            Event::Moved { identity, place, from_mailbox, from } => {
                self.identity(identity);
                self.place(place);
                self.from_mailbox = text(from_mailbox);
                self.from_path = Some(from.to_text());
            }
            Event::Removed { mailbox, path, order } | Event::Vanished { mailbox, path, order } => {
                self.mailbox = text(mailbox);
                self.path = Some(path.to_text());
                self.order(*order);
            }
            Event::Adopted { payload, identity }
            | Event::Debris { payload, identity }
            | Event::Pruned { payload, identity } => {
                self.payload = text(payload);
                self.identity(identity);
            }
            Event::Damaged { payload, found } => {
                self.payload = text(payload);
                self.sha256 = found.as_ref().and_then(text);
            }
            Event::Missing { payload } | Event::Sound { payload } => self.payload = text(payload),
            Event::Verified { checked, damaged, missing } => {
                self.checked = Some(*checked);
                self.damaged = Some(*damaged);
                self.missing = Some(*missing);
            }
            Event::Recovered { from, to, whole_lines } => {
                self.from = Some(*from);
                self.to = Some(*to);
                self.whole_lines = Some(*whole_lines);
            }
        }
    }

    fn identity(&mut self, identity: &Identity) {
        self.sha256 = text(&identity.digest);
        self.bytes = Some(identity.bytes);
    }

    fn order(&mut self, order: Order) {
        self.era = Some(order.era);
        self.tick = Some(order.tick);
    }

    fn place(&mut self, place: &Place) {
        self.mailbox = text(&place.mailbox);
        self.path = Some(place.path.to_text());
        self.modified = Some(place.modified.to_text());
        self.mode = Some(format!("{:04o}", place.mode));
        self.first_seen = Some(place.first_seen.to_text());
        self.suspect = place.suspect.map(|s| s.as_str().to_owned());
        self.order(place.order);
    }

    fn into_line(self) -> Option<Line> {
        let stamp = Stamp {
            time: Moment::from_text(&self.time)?,
            trusted: self.clock == "trusted",
            boot: self.boot.clone(),
        };
        let event = self.event()?;
        (self.seq <= COUNT_MAX).then_some(Line { seq: self.seq, stamp, event })
    }

    fn event(&self) -> Option<Event> {
        Some(match self.kind.as_str() {
            "opened" => Event::Opened {
                card: parse(&self.card)?,
                era: self.read_era()?,
                program: self.program.clone()?,
            },
            "mailbox" => Event::Mailbox {
                mailbox: parse(&self.mailbox)?,
                root: escape::from_text(self.root.as_ref()?)?,
            },
            "mirrored" => Event::Mirrored {
                payload: parse(&self.payload)?,
                identity: self.read_identity()?,
                place: self.read_place()?,
                replaces: optional(&self.replaces)?,
            },
            "placed" => {
                Event::Placed { identity: self.read_identity()?, place: self.read_place()? }
            }
            "moved" => Event::Moved {
                identity: self.read_identity()?,
                place: self.read_place()?,
                from_mailbox: parse(&self.from_mailbox)?,
                from: RelName::from_text(self.from_path.as_ref()?).ok()?,
            },
            "removed" => Event::Removed {
                mailbox: parse(&self.mailbox)?,
                path: self.read_path()?,
                order: self.read_order()?,
            },
            "vanished" => Event::Vanished {
                mailbox: parse(&self.mailbox)?,
                path: self.read_path()?,
                order: self.read_order()?,
            },
            "adopted" => {
                Event::Adopted { payload: parse(&self.payload)?, identity: self.read_identity()? }
            }
            "debris" => {
                Event::Debris { payload: parse(&self.payload)?, identity: self.read_identity()? }
            }
            "pruned" => {
                Event::Pruned { payload: parse(&self.payload)?, identity: self.read_identity()? }
            }
            "damaged" => {
                Event::Damaged { payload: parse(&self.payload)?, found: optional(&self.sha256)? }
            }
            "missing" => Event::Missing { payload: parse(&self.payload)? },
            "sound" => Event::Sound { payload: parse(&self.payload)? },
            "verified" => Event::Verified {
                checked: self.checked?,
                damaged: self.damaged?,
                missing: self.missing?,
            },
            "recovered" => {
                Event::Recovered { from: self.from?, to: self.to?, whole_lines: self.whole_lines? }
            }
            _ => return None,
        })
    }

    fn read_identity(&self) -> Option<Identity> {
        let bytes = self.bytes.filter(|bytes| *bytes <= COUNT_MAX)?;
        Some(Identity { digest: parse::<Digest>(&self.sha256)?, bytes })
    }

    fn read_order(&self) -> Option<Order> {
        Some(Order { era: self.read_era()?, tick: self.tick.filter(|tick| *tick <= COUNT_MAX)? })
    }

    fn read_era(&self) -> Option<u64> {
        self.era.filter(|era| *era <= COUNT_MAX)
    }

    fn read_path(&self) -> Option<RelName> {
        RelName::from_text(self.path.as_ref()?).ok()
    }

    fn read_place(&self) -> Option<Place> {
        // A word of a later version is a suspicion all the same.
        let known = |text: &String| Suspicion::from_text(text).unwrap_or(Suspicion::Altered);
        let suspect = self.suspect.as_ref().map(known);
        Some(Place {
            mailbox: parse(&self.mailbox)?,
            path: self.read_path()?,
            modified: Moment::from_text(self.modified.as_ref()?)?,
            mode: u32::from_str_radix(self.mode.as_ref()?, 8).ok().filter(|m| *m <= 0o7777)?,
            first_seen: Moment::from_text(self.first_seen.as_ref()?)?,
            suspect,
            order: self.read_order()?,
        })
    }
}

fn kind(event: &Event) -> &'static str {
    match event {
        Event::Opened { .. } => "opened",
        Event::Mailbox { .. } => "mailbox",
        Event::Mirrored { .. } => "mirrored",
        Event::Placed { .. } => "placed",
        Event::Moved { .. } => "moved",
        Event::Removed { .. } => "removed",
        Event::Vanished { .. } => "vanished",
        Event::Adopted { .. } => "adopted",
        Event::Debris { .. } => "debris",
        Event::Pruned { .. } => "pruned",
        Event::Damaged { .. } => "damaged",
        Event::Missing { .. } => "missing",
        Event::Sound { .. } => "sound",
        Event::Verified { .. } => "verified",
        Event::Recovered { .. } => "recovered",
    }
}

fn parse<T: FromStr>(field: &Option<String>) -> Option<T> {
    field.as_ref()?.parse().ok()
}

/// `Some(None)` where the field is absent, `None` where it is there and wrong.
fn optional<T: FromStr>(field: &Option<String>) -> Option<Option<T>> {
    match field {
        None => Some(None),
        Some(text) => text.parse().ok().map(Some),
    }
}
