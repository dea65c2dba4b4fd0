//! The contents of a stick: its ledger and its copies. Owns what can be concluded from a ledger alone. Never knows of a
//! card.

use crate::sabotage::{Break, broken};
use std::collections::{BTreeMap, BTreeSet};
use std::fmt;
use std::sync::Arc;

/// The number of a change that no card reaches.
pub(crate) const FAR: u32 = 1_000_000;
/// Set in the number of a message that no card received.
const FORGED: u16 = 1 << 7;

/// What a stranger puts in place of a message.
pub(crate) fn instead_of(content: Content) -> Content {
    Content { message: content.message | FORGED, version: 0, damaged: false }
}

/// The content of a file: which message, which version of it, and whether it looks like damage of the card.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub(crate) struct Content {
    pub(crate) message: u16,
    pub(crate) version: u8,
    pub(crate) damaged: bool,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub(crate) enum Path {
    Plain(u8),
    /// Where a restore puts a content whose path is occupied.
    ConflictName(u8, Content),
    /// Where a restore puts a copy whose location nobody knows.
    Numbered(Content),
}

#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub(crate) struct Location {
    pub(crate) mailbox: u8,
    pub(crate) path: Path,
}

impl Location {
    pub(super) fn conflict_name(self, content: Content) -> Self {
        let path = match self.path {
            Path::Plain(p) | Path::ConflictName(p, _) => Path::ConflictName(p, content),
            Path::Numbered(_) => Path::Numbered(content),
        };
        Self { path, ..self }
    }
}

impl fmt::Debug for Content {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let damaged = if self.damaged { "!" } else { "" };
        write!(f, "m{:x}v{}{damaged}", self.message, self.version)
    }
}

impl fmt::Debug for Location {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let mailbox = char::from(b'I' + self.mailbox);
        match self.path {
            Path::Plain(p) => write!(f, "{mailbox}/{}", char::from(b'p' + p)),
            Path::ConflictName(p, content) => {
                write!(f, "{mailbox}/{}~{content:?}", char::from(b'p' + p))
            }
            Path::Numbered(content) => write!(f, "{mailbox}/#{content:?}"),
        }
    }
}

/// A content at a location: what assertions and departures speak of.
pub(crate) type Key = (Location, Content);
pub(crate) type Mail = BTreeMap<Location, Content>;

/// A writer's n-th change.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub(crate) struct Position {
    pub(crate) writer: u64,
    pub(crate) n: u32,
}

/// Writers, each with what it knew when it began: the position it continued from, and those it had read.
#[derive(Debug, Clone, Default)]
pub(crate) struct Writers(pub(crate) BTreeMap<u64, Arc<[Position]>>);

impl Writers {
    /// Whether the knowledge at `a` includes `b`. An unknown link makes it false, which restores too much.
    pub(crate) fn covers(&self, a: Position, b: Position) -> bool {
        if a.writer == b.writer {
            return a.n >= b.n;
        }
        // Parents are older than their children, so this ends.
        let parents = self.0.get(&a.writer);
        parents.is_some_and(|all| all.iter().any(|parent| self.covers(*parent, b)))
    }

    /// Whether it may include it, as far as is known: an unknown link may lead there. Not where `b` includes `a`
    /// itself.
    pub(super) fn may_cover(&self, a: Position, b: Position) -> bool {
        let leads =
            |parents: &Arc<[Position]>| parents.iter().any(|parent| self.may_cover(*parent, b));
        match a.writer == b.writer {
            true => a.n >= b.n,
            false => !self.covers(b, a) && self.0.get(&a.writer).is_none_or(leads),
        }
    }

    pub(super) fn merge(&mut self, other: &Self) {
        for (writer, parents) in &other.0 {
            self.0.entry(*writer).or_insert_with(|| Arc::clone(parents));
        }
    }

    /// Everything that `of` builds on.
    pub(super) fn ancestors(&self, of: u64, into: &mut BTreeSet<u64>) {
        if let (true, Some(parents)) = (into.insert(of), self.0.get(&of)) {
            parents.iter().for_each(|parent| self.ancestors(parent.writer, into));
        }
    }
}

#[derive(Debug, Clone)]
pub(crate) enum Line {
    Writer(u64, Arc<[Position]>),
    /// This content is at this location, or was and is missing.
    Is {
        key: Key,
        as_of: Position,
    },
    Left(Departure),
    /// Everything that this ledger asserts here for these mailboxes (one bit each) is asserted as of this position too.
    Mark {
        as_of: Position,
        mailboxes: u8,
    },
    Unreadable,
}

/// A departure that somebody saw.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Departure {
    pub(crate) key: Key,
    /// The change that was seen.
    pub(crate) seen: Position,
    /// Where it went, or what replaced it and where that is, recorded here before.
    pub(crate) to: Option<Key>,
    /// Unreadable lines that its writer knew of when it saw that.
    pub(crate) gaps: u32,
}

/// A ledger, and what can be read in it alone.
#[derive(Debug, Clone, Default)]
pub(crate) struct Ledger {
    pub(crate) lines: Vec<Line>,
    pub(crate) writers: Writers,
    /// The positions as of which each content is asserted.
    pub(crate) asserted: BTreeMap<Key, Vec<Position>>,
    pub(crate) left: Vec<Departure>,
    pub(crate) gaps: u32,
    gaps_so_far: u32,
}

impl Ledger {
    pub(crate) fn append(&mut self, line: Line) {
        self.apply(&line);
        self.lines.push(line);
    }

    /// Which lines can be read.
    pub(crate) fn readable(&self) -> impl Iterator<Item = usize> {
        let lines = self.lines.iter().enumerate();
        lines.filter(|(_, line)| !matches!(line, Line::Unreadable)).map(|(at, _)| at)
    }

    /// A line cannot be read any more.
    pub(crate) fn lose(&mut self, at: usize) {
        let mut lines = std::mem::take(&mut self.lines);
        lines[at] = Line::Unreadable;
        let gaps = lines.iter().filter(|line| matches!(line, Line::Unreadable)).count();
        *self = Self { gaps: gaps as u32, ..Self::default() };
        lines.into_iter().for_each(|line| self.append(line));
    }

    fn apply(&mut self, line: &Line) {
        match line {
            Line::Writer(writer, parents) => {
                self.writers.0.insert(*writer, Arc::clone(parents));
            }
            Line::Is { key, as_of } => self.asserted.entry(*key).or_default().push(*as_of),
            Line::Left(departure) if self.counts(departure) => self.left.push(*departure),
            Line::Left(_) => {}
            Line::Mark { as_of, mailboxes } => {
                let boxes = |key: &Key| mailboxes & (1 << key.0.mailbox) != 0;
                let standing: Vec<Key> = self
                    .standing()
                    .filter(|key| boxes(key) || broken(Break::MarkSaysAll))
                    .collect();
                for key in standing {
                    self.asserted.entry(key).or_default().push(*as_of);
                }
            }
            Line::Unreadable => self.gaps_so_far += 1,
        }
    }

    /// An unreadable line may have asserted it again, before the departure or after it: only a writer who knew of that
    /// line when it left can record that it is gone.
    fn counts(&self, departure: &Departure) -> bool {
        let gaps = match () {
            () if broken(Break::GapsPass) => 0,
            () if broken(Break::GapsAfterPass) => self.gaps_so_far,
            () => self.gaps,
        };
        departure.gaps >= gaps
    }

    pub(crate) fn withholds(&self, writers: &Writers, key: &Key, stamp: Position) -> bool {
        self.left.iter().any(|left| left.key == *key && writers.covers(left.seen, stamp))
    }

    /// The positions as of which the ledger asserts it, and does not withdraw it.
    pub(crate) fn in_force(&self, key: &Key) -> Vec<Position> {
        let stamps = self.asserted.get(key).into_iter().flatten().copied();
        stamps.filter(|t| !self.withholds(&self.writers, key, *t)).collect()
    }

    pub(crate) fn stands(&self, key: &Key) -> bool {
        let mut stamps = self.asserted.get(key).into_iter().flatten();
        stamps.any(|t| !self.withholds(&self.writers, key, *t))
    }

    pub(crate) fn standing(&self) -> impl Iterator<Item = Key> {
        self.asserted.keys().copied().filter(|key| self.stands(key))
    }
}

/// A station's bag on one drive: its ledger, and its copies with whether each is good.
#[derive(Debug, Clone, Default)]
pub(crate) struct Stick {
    pub(crate) ledger: Ledger,
    pub(crate) copies: BTreeMap<Content, bool>,
}

impl Stick {
    pub(crate) fn has(&self, content: Content) -> bool {
        self.copies.get(&content) == Some(&true)
    }

    /// Somebody who knows everything on it records, under a writer that has read everything, that all is gone.
    pub(crate) fn forge(&mut self, writer: u64, replaced: bool) {
        let all = self.ledger.writers.0.keys();
        let parents = all.map(|writer| Position { writer: *writer, n: FAR }).collect();
        let (seen, gaps) = (Position { writer, n: FAR }, self.ledger.gaps);
        self.ledger.append(Line::Writer(writer, parents));
        let standing: Vec<Key> = self.ledger.standing().collect();
        for key in standing {
            let instead = instead_of(key.1);
            let to = replaced.then_some((key.0, instead));
            if let Some(key) = to {
                self.copies.insert(instead, true);
                self.ledger.append(Line::Is { key, as_of: seen });
            }
            self.ledger.append(Line::Left(Departure { key, seen, to, gaps }));
        }
    }

    /// Drops copies for room: only of contents that this ledger itself records as gone from every location it gave
    /// them, and where a good copy of the current content is.
    pub(crate) fn drop_old(&mut self, kept: impl Fn(Content) -> bool) {
        let ledger = &self.ledger;
        let contents: BTreeSet<Content> = ledger.asserted.keys().map(|key| key.1).collect();
        let standing: Vec<Key> = ledger.standing().collect();
        let stands: BTreeSet<Content> = standing.iter().map(|key| key.1).collect();
        let good = |at: &Location| standing.iter().any(|key| key.0 == *at && self.has(key.1));
        let places = |content: &Content| {
            let all = ledger.asserted.keys().filter(move |key| key.1 == *content);
            all.map(|key| key.0).collect::<Vec<_>>()
        };
        let superseded = |content: &Content| places(content).iter().all(good);
        let dropped: Vec<Content> = match broken(Break::DropsWhatTheCardLacks) {
            true => self.copies.keys().filter(|content| !kept(**content)).copied().collect(),
            false => contents
                .iter()
                .filter(|content| !stands.contains(content) && superseded(content))
                .copied()
                .collect(),
        };
        self.copies.retain(|content, _| !dropped.contains(content));
    }
}
