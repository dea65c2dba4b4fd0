//! The JSON form of a ledger line, without its hash. Trusts no field: each is parsed into its own type, or the line is
//! refused.

use super::event::{Assertion, Departed, Departure, Event, Line, Location};
use crate::model::digest::{Digest, Identity};
use crate::model::escape;
use crate::model::finding::Suspicion;
use crate::model::limits::{COUNT_MAX, MARK_MAILBOXES_MAX, WRITER_LINKS_MAX};
use crate::model::names::RelName;
use crate::model::position::Position;
use crate::model::time::{EventTime, Timestamp};
use serde::{Deserialize, Serialize};
use std::fmt::Display;
use std::str::FromStr;

/// Every field that a line of any kind may have, in the order of the file.
#[derive(Serialize, Deserialize, Default)]
#[serde(default)]
struct WireLine {
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
    to_mailbox: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    to_path: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    to_sha256: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    to_bytes: Option<u64>,
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
    as_of: Option<Position>,
    #[serde(skip_serializing_if = "Option::is_none")]
    why: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    gaps: Option<u64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    mailboxes: Option<Vec<String>>,
    #[serde(skip_serializing_if = "Option::is_none")]
    writer: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    links: Option<Vec<Position>>,
    #[serde(skip_serializing_if = "Option::is_none")]
    drive: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    line: Option<u64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    line_hash: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    program: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    checked: Option<u64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    damaged: Option<u64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    absent: Option<u64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    from: Option<u64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    to: Option<u64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    whole_lines: Option<u64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    torn: Option<u64>,
}

/// The JSON object of a line, complete except for its hash.
pub(super) fn write(line: &Line) -> String {
    let mut wire = WireLine {
        v: super::FORMAT,
        seq: line.seq,
        boot: line.stamp.boot.clone(),
        time: line.stamp.time.to_text(),
        clock: if line.stamp.trusted { "trusted" } else { "unsure" }.to_owned(),
        ..WireLine::default()
    };
    wire.fill(&line.event);
    // A struct of text and numbers always serializes.
    serde_json::to_string(&wire).unwrap_or_default()
}

#[derive(Deserialize)]
struct FormatVersion {
    v: u64,
}

/// The result of reading a line whose hash is right.
pub(super) enum ParsedLine {
    Line(Box<Line>),
    /// A later version of the program wrote it.
    Newer(u32),
    /// The hash is right, but it is not a line as this version writes it.
    Unfit,
}

pub(super) fn read(text: &str) -> ParsedLine {
    // A later format may give any other field another form.
    let Ok(version) = serde_json::from_str::<FormatVersion>(text) else { return ParsedLine::Unfit };
    if version.v > u64::from(super::FORMAT) {
        return ParsedLine::Newer(u32::try_from(version.v).unwrap_or(u32::MAX));
    }
    let Ok(wire) = serde_json::from_str::<WireLine>(text) else { return ParsedLine::Unfit };
    match wire.into_line() {
        Some(line) => ParsedLine::Line(Box::new(line)),
        None => ParsedLine::Unfit,
    }
}

fn text(value: &impl Display) -> Option<String> {
    Some(value.to_string())
}

impl WireLine {
    fn fill(&mut self, event: &Event) {
        self.kind = kind(event).to_owned();
        match event {
            Event::Opened { program } => self.program = Some(program.clone()),
            Event::Writer { writer, links } => {
                self.writer = text(writer);
                self.links = Some(links.clone());
            }
            Event::Mailbox { mailbox, root } => {
                self.mailbox = text(mailbox);
                self.root = Some(escape::to_text(root));
            }
            Event::Witness { drive, line, hash } => {
                self.drive = text(drive);
                self.line = Some(*line);
                self.line_hash = text(hash);
            }
            Event::Mirrored { payload, identity, assertion, replaces } => {
                self.payload = text(payload);
                self.identity(identity);
                self.assertion(assertion);
                self.replaces = replaces.as_ref().and_then(text);
            }
            Event::Placed { identity, assertion } | Event::Missing { identity, assertion } => {
                self.identity(identity);
                self.assertion(assertion);
            }
            Event::Removed(departure) => self.departure(departure),
            Event::Mark { as_of, mailboxes } => {
                self.as_of = Some(*as_of);
                self.mailboxes = Some(mailboxes.iter().map(ToString::to_string).collect());
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
            Event::Absent { payload } | Event::Sound { payload } => self.payload = text(payload),
            Event::Verified { checked, damaged, absent } => {
                self.checked = Some(*checked);
                self.damaged = Some(*damaged);
                self.absent = Some(*absent);
            }
            Event::Recovered { from, to, whole_lines, torn } => {
                self.from = Some(*from);
                self.to = Some(*to);
                self.whole_lines = Some(*whole_lines);
                self.torn = Some(*torn).filter(|torn| *torn > 0);
            }
        }
    }

    fn identity(&mut self, identity: &Identity) {
        self.sha256 = text(&identity.digest);
        self.bytes = Some(identity.bytes);
    }

    fn location(&mut self, location: &Location) {
        self.mailbox = text(&location.mailbox);
        self.path = Some(location.path.to_text());
    }

    fn assertion(&mut self, assertion: &Assertion) {
        self.location(&assertion.location);
        self.modified = Some(assertion.modified.to_text());
        self.mode = Some(format!("{:04o}", assertion.mode));
        self.first_seen = Some(assertion.first_seen.to_text());
        self.suspect = assertion.suspect.map(|s| s.as_str().to_owned());
        self.as_of = Some(assertion.as_of);
    }

    fn departure(&mut self, departure: &Departure) {
        self.identity(&departure.identity);
        self.location(&departure.location);
        self.as_of = Some(departure.position);
        self.why = Some(departure.why.as_str().to_owned());
        self.gaps = Some(departure.gaps);
        if let Some(to) = &departure.to {
            self.to_mailbox = text(&to.mailbox);
            self.to_path = Some(to.path.to_text());
            self.to_sha256 =
                departure.successor.as_ref().and_then(|successor| text(&successor.digest));
            self.to_bytes = departure.successor.map(|successor| successor.bytes);
        }
    }

    fn into_line(self) -> Option<Line> {
        let stamp = EventTime {
            time: Timestamp::from_text(&self.time)?,
            trusted: self.clock == "trusted",
            boot: self.boot.clone(),
        };
        let event = self.event()?;
        (self.seq <= COUNT_MAX).then_some(Line { seq: self.seq, stamp, event })
    }

    fn event(&self) -> Option<Event> {
        Some(match self.kind.as_str() {
            "opened" => Event::Opened { program: self.program.clone()? },
            "writer" => Event::Writer { writer: parse(&self.writer)?, links: self.read_links()? },
            "mailbox" => Event::Mailbox {
                mailbox: parse(&self.mailbox)?,
                root: escape::from_text(self.root.as_ref()?)?,
            },
            "witness" => Event::Witness {
                drive: parse(&self.drive)?,
                line: self.line.filter(|line| (1..=COUNT_MAX).contains(line))?,
                hash: parse(&self.line_hash)?,
            },
            "mirrored" => Event::Mirrored {
                payload: parse(&self.payload)?,
                identity: self.read_identity()?,
                assertion: self.read_assertion()?,
                replaces: optional(&self.replaces).ok()?,
            },
            "placed" => {
                let (identity, assertion) = (self.read_identity()?, self.read_assertion()?);
                Event::Placed { identity, assertion }
            }
            "missing" => {
                let (identity, assertion) = (self.read_identity()?, self.read_assertion()?);
                Event::Missing { identity, assertion }
            }
            "removed" => Event::Removed(self.read_departure()?),
            "mark" => Event::Mark {
                as_of: self.as_of?,
                mailboxes: self
                    .mailboxes
                    .as_ref()
                    .filter(|names| names.len() <= MARK_MAILBOXES_MAX)?
                    .iter()
                    .map(|name| name.parse().ok())
                    .collect::<Option<_>>()?,
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
            "damaged" => Event::Damaged {
                payload: parse(&self.payload)?,
                found: optional(&self.sha256).ok()?,
            },
            "absent" => Event::Absent { payload: parse(&self.payload)? },
            "sound" => Event::Sound { payload: parse(&self.payload)? },
            "verified" => Event::Verified {
                checked: self.checked?,
                damaged: self.damaged?,
                absent: self.absent?,
            },
            "recovered" => Event::Recovered {
                from: self.from?,
                to: self.to?,
                whole_lines: self.whole_lines?,
                torn: self.torn.unwrap_or(0),
            },
            _ => return None,
        })
    }

    fn read_identity(&self) -> Option<Identity> {
        let bytes = self.bytes.filter(|bytes| *bytes <= COUNT_MAX)?;
        Some(Identity { digest: parse::<Digest>(&self.sha256)?, bytes })
    }

    fn read_links(&self) -> Option<Vec<Position>> {
        self.links.clone().filter(|links| links.len() <= WRITER_LINKS_MAX)
    }

    fn read_location(&self) -> Option<Location> {
        let path = RelName::from_text(self.path.as_ref()?).ok()?;
        Some(Location { mailbox: parse(&self.mailbox)?, path })
    }

    fn read_assertion(&self) -> Option<Assertion> {
        // A suspicion that this version does not know is a suspicion all the same.
        let known = |text: &String| Suspicion::from_text(text).unwrap_or(Suspicion::Altered);
        Some(Assertion {
            location: self.read_location()?,
            modified: Timestamp::from_text(self.modified.as_ref()?)?,
            mode: u32::from_str_radix(self.mode.as_ref()?, 8).ok().filter(|m| *m <= 0o7777)?,
            first_seen: Timestamp::from_text(self.first_seen.as_ref()?)?,
            suspect: self.suspect.as_ref().map(known),
            as_of: self.as_of?,
        })
    }

    fn read_departure(&self) -> Option<Departure> {
        let to = match (&self.to_mailbox, &self.to_path) {
            (None, None) => None,
            (mailbox, path) => Some(Location {
                mailbox: parse(mailbox)?,
                path: RelName::from_text(path.as_ref()?).ok()?,
            }),
        };
        let successor = match (&self.to_sha256, self.to_bytes) {
            (None, None) => None,
            (digest, bytes) => {
                let bytes = bytes.filter(|bytes| *bytes <= COUNT_MAX && to.is_some())?;
                Some(Identity { digest: parse::<Digest>(digest)?, bytes })
            }
        };
        Some(Departure {
            identity: self.read_identity()?,
            location: self.read_location()?,
            position: self.as_of?,
            // A departure for an unknown reason withholds nothing: the line is none of ours.
            why: Departed::from_text(self.why.as_ref()?)?,
            to,
            successor,
            gaps: self.gaps?,
        })
    }
}

fn kind(event: &Event) -> &'static str {
    match event {
        Event::Opened { .. } => "opened",
        Event::Writer { .. } => "writer",
        Event::Mailbox { .. } => "mailbox",
        Event::Witness { .. } => "witness",
        Event::Mirrored { .. } => "mirrored",
        Event::Placed { .. } => "placed",
        Event::Missing { .. } => "missing",
        Event::Removed(..) => "removed",
        Event::Mark { .. } => "mark",
        Event::Adopted { .. } => "adopted",
        Event::Debris { .. } => "debris",
        Event::Pruned { .. } => "pruned",
        Event::Damaged { .. } => "damaged",
        Event::Absent { .. } => "absent",
        Event::Sound { .. } => "sound",
        Event::Verified { .. } => "verified",
        Event::Recovered { .. } => "recovered",
    }
}

fn parse<T: FromStr>(field: &Option<String>) -> Option<T> {
    field.as_ref()?.parse().ok()
}

/// A field that may be absent, but not wrong.
fn optional<T: FromStr>(field: &Option<String>) -> Result<Option<T>, T::Err> {
    field.as_deref().map(str::parse).transpose()
}
