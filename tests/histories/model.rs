//! The reference model: what audit, rehearsal and restore must answer after any history of a station's cards and
//! sticks. Owns the rules, in the order in which a pass and a restore apply them. Shares no code with the program,
//! and never knows what happened: only what a card saw and what the ledgers say.

use crate::sabotage::{Break, broken};
use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

/// What a file holds: which message, the how manyeth version of it, and whether it looks like damage of the card.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub(crate) struct Content {
    pub(crate) message: u16,
    pub(crate) version: u8,
    pub(crate) damaged: bool,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub(crate) enum Path {
    Plain(u8),
    /// Where a restore puts what finds its path taken.
    Beside(u8, Content),
    /// Where a restore puts a copy whose location nobody knows.
    Numbered(Content),
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub(crate) struct Location {
    pub(crate) mailbox: u8,
    pub(crate) path: Path,
}

impl Location {
    fn beside(self, content: Content) -> Self {
        let path = match self.path {
            Path::Plain(p) | Path::Beside(p, _) => Path::Beside(p, content),
            Path::Numbered(_) => Path::Numbered(content),
        };
        Self { path, ..self }
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

/// Writers, each with what it knew when it began: the position it went on from, and those it had read.
#[derive(Debug, Clone, Default)]
pub(crate) struct Writers(pub(crate) BTreeMap<u64, Arc<[Position]>>);

impl Writers {
    /// Whether what is known at `a` includes `b`. A link that is not known makes it false, which gives too much.
    pub(crate) fn covers(&self, a: Position, b: Position) -> bool {
        if a.writer == b.writer {
            return a.n >= b.n;
        }
        // Parents are older than their children, so this ends.
        let parents = self.0.get(&a.writer);
        parents.is_some_and(|all| all.iter().any(|parent| self.covers(*parent, b)))
    }

    /// Whether it may include it, for all that is known: a link that is not known may lead there. Not where `b` includes
    /// `a` itself.
    fn may_cover(&self, a: Position, b: Position) -> bool {
        let leads = |parents: &Arc<[Position]>| parents.iter().any(|parent| self.may_cover(*parent, b));
        match a.writer == b.writer {
            true => a.n >= b.n,
            false => !self.covers(b, a) && self.0.get(&a.writer).is_none_or(leads),
        }
    }

    fn merge(&mut self, other: &Self) {
        for (writer, parents) in &other.0 {
            self.0.entry(*writer).or_insert_with(|| Arc::clone(parents));
        }
    }

    /// All that `of` rests on.
    fn ancestors(&self, of: u64, into: &mut BTreeSet<u64>) {
        if let (true, Some(parents)) = (into.insert(of), self.0.get(&of)) {
            parents.iter().for_each(|parent| self.ancestors(parent.writer, into));
        }
    }
}

#[derive(Debug, Clone)]
pub(crate) enum Line {
    Writer(u64, Arc<[Position]>),
    /// This content is at this location, or was and is missing.
    Is { key: Key, as_of: Position },
    Left(Departure),
    /// All that this ledger asserts here for these mailboxes (one bit each) stands as of this position too.
    Mark { as_of: Position, mailboxes: u8 },
    Unreadable,
}

/// Somebody saw it go.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Departure {
    pub(crate) key: Key,
    /// The change that was seen.
    pub(crate) seen: Position,
    /// Where it went, or where what replaced it is, by a line before this one.
    pub(crate) to: Option<Key>,
    /// Unreadable lines that its writer knew of when it saw that.
    pub(crate) gaps: u32,
}

/// A ledger, and what can be read in it alone.
#[derive(Debug, Clone, Default)]
pub(crate) struct Ledger {
    pub(crate) lines: Vec<Line>,
    pub(crate) writers: Writers,
    /// As of which positions each thing is said.
    pub(crate) claims: BTreeMap<Key, Vec<Position>>,
    pub(crate) left: Vec<Departure>,
    pub(crate) gaps: u32,
    gaps_so_far: u32,
}

impl Ledger {
    pub(crate) fn append(&mut self, line: Line) {
        self.apply(&line);
        self.lines.push(line);
    }

    /// A line cannot be read any more.
    pub(crate) fn readable(&self) -> impl Iterator<Item = usize> {
        let lines = self.lines.iter().enumerate();
        lines.filter(|(_, line)| !matches!(line, Line::Unreadable)).map(|(at, _)| at)
    }

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
            Line::Is { key, as_of } => self.claims.entry(*key).or_default().push(*as_of),
            Line::Left(departure) if self.counts(departure) => self.left.push(*departure),
            Line::Left(_) => {}
            Line::Mark { as_of, mailboxes } => {
                let boxes = |key: &Key| mailboxes & (1 << key.0.mailbox) != 0;
                let standing: Vec<Key> =
                    self.standing().filter(|key| boxes(key) || broken(Break::MarkSaysAll)).collect();
                for key in standing {
                    self.claims.entry(key).or_default().push(*as_of);
                }
            }
            Line::Unreadable => self.gaps_so_far += 1,
        }
    }

    /// An unreadable line may have said it again, before the departure or after it, and may have been the one that
    /// says where the message went: only who knew of that line can say that it is gone.
    fn counts(&self, departure: &Departure) -> bool {
        let gaps = match () {
            () if broken(Break::GapsPass) => 0,
            () if broken(Break::GapsAfterPass) => self.gaps_so_far,
            () => self.gaps,
        };
        let arrived = |to| self.claims.contains_key(&to);
        departure.gaps >= gaps
            && (departure.to.is_none_or(arrived) || broken(Break::MovesUnbacked))
    }

    pub(crate) fn withholds(&self, writers: &Writers, key: &Key, stamp: Position) -> bool {
        self.left.iter().any(|left| left.key == *key && writers.covers(left.seen, stamp))
    }

    pub(crate) fn stands(&self, key: &Key) -> bool {
        let stamps = self.claims.get(key);
        stamps.is_some_and(|all| all.iter().any(|t| !self.withholds(&self.writers, key, *t)))
    }

    pub(crate) fn standing(&self) -> impl Iterator<Item = Key> {
        self.claims.keys().copied().filter(|key| self.stands(key))
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

    /// Drops copies for room: only what this ledger itself says is gone from everywhere it said it was.
    pub(crate) fn drop_old(&mut self, kept: impl Fn(Content) -> bool) {
        let ledger = &self.ledger;
        let said: BTreeSet<Content> = ledger.claims.keys().map(|key| key.1).collect();
        let stands: BTreeSet<Content> = ledger.standing().map(|key| key.1).collect();
        self.copies.retain(|content, _| match broken(Break::DropsWhatTheCardLacks) {
            true => kept(*content),
            false => stands.contains(content) || !said.contains(content),
        });
    }
}

/// Why a message is no longer at its location: somebody saw it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub(crate) struct Gone {
    pub(crate) seen: Position,
    /// Moved: the same content elsewhere; replaced: another here. None: deleted or acknowledged.
    pub(crate) next: Option<Key>,
}

/// What is at a location.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Place {
    pub(crate) content: Content,
    /// The location's last change.
    pub(crate) since: Position,
    /// The change with which it came there, whatever was said of it since.
    pub(crate) appeared: u32,
}

/// Where a content that was last known elsewhere is new: one new place excuses one departure, and the same content
/// elsewhere does not.
fn new_place(
    known: &BTreeMap<Location, Place>,
    gone: &BTreeMap<Key, Gone>,
    content: Content,
    last: u32,
) -> Option<Key> {
    let used = |at: &Location, place: &Place| {
        let mut moved = gone.iter().filter(|(key, _)| key.1 == content);
        moved.any(|(_, gone)| gone.next == Some((*at, content)) && gone.seen.n >= place.appeared)
    };
    let mut all = known.iter().filter(|(_, place)| place.content == content);
    let any = broken(Break::MoveBySameContent);
    let found = all.find(|(at, place)| any || place.appeared > last && !used(at, place));
    found.map(|(at, _)| (*at, content))
}

/// What a card's catalogue knows, and loses with it.
#[derive(Debug, Clone, Default)]
pub(crate) struct Catalogue {
    /// What is where, and the position of the location's last change.
    pub(crate) known: BTreeMap<Location, Place>,
    /// When each mailbox was last taken in: the change then.
    pub(crate) scanned: BTreeMap<u8, u32>,
    /// Gone, and nobody saw it go: the position at which it was put there, and when it was last known there.
    pub(crate) missing: BTreeMap<Key, (Position, u32)>,
    pub(crate) gone: BTreeMap<Key, Gone>,
    pub(crate) position: Option<Position>,
    /// The process that runs has drawn its writer.
    pub(crate) drawn: bool,
    pub(crate) writers: Writers,
    /// Positions found in ledgers that the own one does not cover.
    pub(crate) read: BTreeSet<Position>,
    /// Per stick: the change after which each unreadable line was met.
    pub(crate) gaps: BTreeMap<usize, Vec<u32>>,
    /// Per stick: what is safe there, and what it asserts that the mailbox lacks.
    pub(crate) safe: BTreeMap<usize, BTreeSet<(Location, Content, Position)>>,
    pub(crate) lacks: BTreeMap<usize, BTreeSet<Key>>,
}

#[derive(Debug, Clone, Default)]
pub(crate) struct Card {
    /// Makes the numbers it draws its own, as chance would.
    pub(crate) chance: u64,
    pub(crate) mail: Mail,
    pub(crate) catalogue: Catalogue,
}

/// How far a pass goes.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Pass {
    /// One bit each.
    pub(crate) mailboxes: u8,
    /// Lines after which it is cut.
    pub(crate) stop: usize,
    /// Copies for which there is room.
    pub(crate) room: usize,
    pub(crate) backwards: bool,
}

impl Card {
    fn covers(&self, a: Position, b: Position) -> bool {
        self.catalogue.writers.covers(a, b)
    }

    /// A change: its position. A process draws a new writer at its first, and when it has read what the one it has
    /// does not cover.
    fn change(&mut self) -> Position {
        let catalogue = &mut self.catalogue;
        let old = catalogue.position;
        let n = old.map_or(0, |old| old.n) + 1;
        let news = !catalogue.read.is_empty();
        let writer = match old {
            Some(old) if broken(Break::WriterKept) => old.writer,
            Some(old) if catalogue.drawn && !news => old.writer,
            _ => {
                let parents: Arc<[Position]> =
                    old.into_iter().chain(std::mem::take(&mut catalogue.read)).collect();
                let writer = crate::chance::mix(&(self.chance, old, &parents));
                catalogue.writers.0.insert(writer, parents);
                writer
            }
        };
        catalogue.drawn = true;
        catalogue.position = Some(Position { writer, n });
        Position { writer, n }
    }

    /// The content is somewhere in the mailboxes, or was and is missing: where, and since which position.
    fn places(&self, content: Content) -> impl Iterator<Item = (Key, Position)> {
        let Catalogue { known, missing, .. } = &self.catalogue;
        let present = known.iter().map(|(at, place)| ((*at, place.content), place.since));
        let missing = missing.iter().map(|(key, (since, _))| (*key, *since));
        present.chain(missing).filter(move |(key, _)| key.1 == content)
    }

    /// Takes the mailboxes in; `watched` if what changed since the last time was changed before its eyes.
    pub(crate) fn scan(&mut self, mailboxes: u8, watched: bool) {
        let watched = watched || broken(Break::UnseenIsSeen);
        let was = self.catalogue.known.clone();
        let mut changed: BTreeSet<Location> = was.keys().chain(self.mail.keys()).copied().collect();
        changed.retain(|at| {
            let within = mailboxes & (1 << at.mailbox) != 0;
            within && was.get(at).map(|place| &place.content) != self.mail.get(at)
        });
        if !changed.is_empty() {
            self.compare(&was, &changed, watched);
        }
        let n = self.catalogue.position.map_or(0, |position| position.n);
        let scanned = (0..8).filter(|mailbox| mailboxes & (1 << mailbox) != 0);
        self.catalogue.scanned.extend(scanned.map(|mailbox| (mailbox, n)));
    }

    fn compare(&mut self, was: &BTreeMap<Location, Place>, changed: &BTreeSet<Location>, watched: bool) {
        let seen = self.change();
        let Catalogue { known, missing, gone, scanned, .. } = &mut self.catalogue;
        // A version that was here before is no later one.
        let keys = missing.keys().chain(gone.keys()).map(|key| key.1);
        let before: BTreeSet<Content> = keys.chain(was.values().map(|place| place.content)).collect();
        let later = |new: Content, old: Content| {
            new.message == old.message && (!before.contains(&new) || old.damaged)
        };
        for at in changed {
            known.remove(at);
            if let Some(content) = self.mail.get(at) {
                known.insert(*at, Place { content: *content, since: seen, appeared: seen.n });
                gone.remove(&(*at, *content));
                missing.remove(&(*at, *content));
            }
        }
        for (at, old) in changed.iter().filter_map(|at| Some((*at, was.get(at)?))) {
            let now = self.mail.get(&at).copied();
            let last = scanned.get(&at.mailbox).copied().unwrap_or(0);
            let to = new_place(known, gone, old.content, last);
            let fate = match (to, now) {
                (Some(to), _) => Some(Some(to)),
                // What looks like damage speaks against nothing but other damage.
                (None, Some(new)) if new.damaged && !old.content.damaged && !broken(Break::DamageDeparts) => None,
                (None, Some(new)) if watched || later(new, old.content) => Some(Some((at, new))),
                (None, None) if watched => Some(None),
                (None, _) => None,
            };
            let key = (at, old.content);
            match fate {
                Some(next) => drop(gone.insert(key, Gone { seen, next })),
                None => drop(missing.insert(key, (old.since, last))),
            }
        }
        for (key, (since, last)) in std::mem::take(missing) {
            if let Some(to) = new_place(known, gone, key.1, last) {
                gone.insert(key, Gone { seen, next: Some(to) });
            } else if !known.values().any(|place| place.content == key.1) {
                missing.insert(key, (since, last));
            }
        }
    }

    /// Takes a ledger in. It costs nothing and claims nothing: it only lets later departures speak of what was read.
    pub(crate) fn read(&mut self, name: usize, ledger: &Ledger) {
        self.catalogue.writers.merge(&ledger.writers);
        let positions = ledger.lines.iter().filter_map(|line| match line {
            Line::Is { as_of, .. } | Line::Mark { as_of, .. } => Some(*as_of),
            Line::Left(left) => Some(left.seen),
            Line::Writer(..) | Line::Unreadable => None,
        });
        let own = self.catalogue.position;
        let news = positions.filter(|p| !own.is_some_and(|own| self.covers(own, *p)));
        let news: BTreeSet<Position> = news.collect();
        if !broken(Break::ReadingForgotten) {
            self.catalogue.read.extend(news);
        }
        self.hear(ledger);
        let n = self.catalogue.position.map_or(0, |position| position.n);
        self.catalogue.gaps.entry(name).or_default().resize(ledger.gaps as usize, n);
    }

    /// What another card saw go: where this one has it, it is said anew, later than that; where it is missing, that
    /// settles it.
    fn hear(&mut self, ledger: &Ledger) {
        if broken(Break::OthersUnheard) {
            return;
        }
        let departures = ledger.lines.iter().filter_map(|line| match line {
            Line::Left(left) => Some((left.key, left.seen)),
            _ => None,
        });
        for (key, seen) in departures {
            let known = self.catalogue.known.get(&key.0).filter(|place| place.content == key.1);
            let may = |position| self.catalogue.writers.may_cover(seen, position);
            if let Some(place) = known.copied().filter(|place| may(place.since)) {
                let own = self.catalogue.position.filter(|own| !may(*own));
                let since = own.unwrap_or_else(|| self.change());
                self.catalogue.known.insert(key.0, Place { since, ..place });
            }
            let missing = self.catalogue.missing.get(&key);
            if missing.is_some_and(|(since, _)| self.covers(seen, *since)) {
                self.catalogue.missing.remove(&key);
            }
        }
    }

    /// This ledger says so as of the location's last change or later, and does not take it back.
    fn told(&self, ledger: &Ledger, key: &Key, since: Position) -> bool {
        let writers = &self.catalogue.writers;
        let late = |t| writers.covers(t, since) || broken(Break::OldLineWillDo);
        let stamps = ledger.claims.get(key);
        stamps.is_some_and(|all| {
            all.iter().any(|t| late(*t) && !ledger.withholds(writers, key, *t))
        })
    }

    fn safe(&self, stick: &Stick, key: &Key, since: Position) -> bool {
        (stick.has(key.1) || broken(Break::SafeWithoutCopy)) && self.told(&stick.ledger, key, since)
    }

    /// Brings a stick up to date. Cut anywhere, what is not told is simply not told.
    pub(crate) fn mirror(&mut self, name: usize, stick: &mut Stick, pass: Pass) {
        self.scan(pass.mailboxes, false);
        self.read(name, &stick.ledger);
        if let Some(as_of) = self.catalogue.position {
            let mut pen = Pen { card: self, name, stick, as_of, pass };
            // None: cut.
            let (Some(()) | None) = pen.tell_all();
        }
        self.note(name, stick);
    }

    fn note(&mut self, name: usize, stick: &Stick) {
        let known = self.catalogue.known.iter().map(|(at, place)| (*at, place.content, place.since));
        let safe = known.filter(|(at, content, since)| self.safe(stick, &(*at, *content), *since)).collect();
        let here = |key: &Key| self.places(key.1).next().is_some();
        let lacks = stick.ledger.standing().filter(|key| !here(key)).collect();
        self.catalogue.safe.insert(name, safe);
        self.catalogue.lacks.insert(name, lacks);
    }

    /// What is safe, and on which sticks.
    pub(crate) fn audit(&self) -> BTreeSet<(usize, Location, Content)> {
        let safe = self.catalogue.safe.iter();
        let all = safe.flat_map(|(name, all)| all.iter().map(move |one| (*name, *one)));
        let still = |at: &Location, content: &Content, since: &Position| {
            let known = self.catalogue.known.get(at).map(|place| (&place.content, &place.since));
            known == Some((content, since)) && self.mail.get(at) == Some(content)
        };
        all.filter(|(_, (at, content, since))| still(at, content, since))
            .map(|(name, (at, content, _))| (name, at, content))
            .collect()
    }

    /// What is missing, and what sticks have that the mailbox lacks: said first, until it is there or acknowledged.
    pub(crate) fn lacking(&self) -> BTreeSet<Key> {
        let Catalogue { missing, lacks, .. } = &self.catalogue;
        let here = |key: &&Key| self.catalogue.known.values().any(|place| place.content == key.1);
        missing.keys().chain(lacks.values().flatten().filter(|key| !here(key))).copied().collect()
    }

    /// A person knows that this is gone.
    pub(crate) fn acknowledge(&mut self) {
        let all = self.lacking();
        if all.is_empty() {
            return;
        }
        let seen = match self.catalogue.position {
            Some(old) if broken(Break::AcknowledgedAtOnce) => old,
            _ => self.change(),
        };
        for key in all {
            self.catalogue.missing.remove(&key);
            self.catalogue.gone.insert(key, Gone { seen, next: None });
        }
        self.catalogue.lacks.clear();
    }

    /// A person says that a stick is lost.
    pub(crate) fn forget(&mut self, name: usize) {
        if !broken(Break::ForgetIgnored) {
            self.catalogue.safe.remove(&name);
        }
        self.catalogue.lacks.remove(&name);
    }

    /// Puts back what some sticks have. Nothing in the mailbox is ever written over.
    pub(crate) fn put_back(&mut self, sticks: &[&Stick], with_removed: bool) {
        let mut given = restore(sticks, with_removed).given;
        given.sort_by_key(|given| given.how);
        for Given { at, content, how } in given {
            let there = |mail: &Mail| mail.values().any(|other| *other == content);
            let free = self.mail.get(&at).is_none_or(|other| *other == content);
            let to = match how {
                How::InPlace | How::Older if free => at,
                _ if there(&self.mail) => continue,
                _ => at.beside(content),
            };
            self.mail.entry(to).or_insert(content);
        }
    }
}

/// A pass at work.
struct Pen<'a> {
    card: &'a Card,
    name: usize,
    stick: &'a mut Stick,
    as_of: Position,
    pass: Pass,
}

impl Pen<'_> {
    /// One line more, behind those on the writers that it speaks of; none if the pass is cut here.
    fn write(&mut self, line: Line) -> Option<()> {
        self.pass.stop = self.pass.stop.checked_sub(1)?;
        let mut of = BTreeSet::new();
        let writers = &self.card.catalogue.writers;
        writers.ancestors(self.as_of.writer, &mut of);
        let ledger = &mut self.stick.ledger;
        for writer in of {
            if let (Some(parents), false) = (writers.0.get(&writer), ledger.writers.0.contains_key(&writer)) {
                ledger.append(Line::Writer(writer, Arc::clone(parents)));
            }
        }
        ledger.append(line);
        Some(())
    }

    fn say(&mut self, key: Key) -> Option<()> {
        self.write(Line::Is { key, as_of: self.as_of })
    }

    fn within(&self, key: &Key) -> bool {
        self.pass.mailboxes & (1 << key.0.mailbox) != 0
    }

    fn tell_all(&mut self) -> Option<()> {
        let Catalogue { known, missing, .. } = &self.card.catalogue;
        let mut known: Vec<_> = known.iter().map(|(at, place)| ((*at, place.content), place.since)).collect();
        let mut missing: Vec<_> = missing.iter().map(|(key, (since, _))| (*key, *since)).collect();
        known.retain(|(key, _)| self.within(key));
        missing.retain(|(key, _)| self.within(key));
        if self.pass.backwards {
            known.reverse();
            missing.reverse();
        }
        if broken(Break::DepartureFirst) {
            self.departures()?;
        }
        let stale = |(key, since): &(Key, Position)| !self.card.told(&self.stick.ledger, key, *since);
        if broken(Break::MarkFirst) && known.iter().any(stale) {
            self.write(Line::Mark { as_of: self.as_of, mailboxes: self.pass.mailboxes })?;
        }
        let mut full = false;
        for (key, _) in &known {
            if !self.stick.has(key.1) {
                full |= self.pass.room == 0;
                if self.pass.room > 0 {
                    self.pass.room -= 1;
                    self.stick.copies.insert(key.1, true);
                }
            }
        }
        let all: Vec<_> = known.into_iter().chain(missing).collect();
        for (key, _) in &all {
            if self.stick.has(key.1) && !self.stick.ledger.stands(key) {
                self.say(*key)?;
            }
        }
        if !full || broken(Break::FullDoesNotWait) {
            self.departures()?;
        }
        self.say_again(&all)
    }

    fn departures(&mut self) -> Option<()> {
        let card = self.card;
        for (key, gone) in &card.catalogue.gone {
            let ledger = &self.stick.ledger;
            let covers = |t| card.covers(gone.seen, t) || broken(Break::DepartureAtPresent);
            let stamps = ledger.claims.get(key);
            let stands = |t| !ledger.withholds(&ledger.writers, key, t) || broken(Break::DepartureOfEverything);
            let news = stamps.is_some_and(|all| all.iter().any(|t| covers(*t) && stands(*t)));
            let met = self.card.catalogue.gaps.get(&self.name).into_iter().flatten();
            let gaps = match broken(Break::GapsKnownLater) {
                true => ledger.gaps,
                false => met.filter(|n| **n < gone.seen.n).count() as u32,
            };
            let news = news && gaps >= ledger.gaps;
            if self.within(key) && news && let Some(to) = self.may_leave(key, gone)? {
                let seen = if broken(Break::DepartureAtPresent) { self.as_of } else { gone.seen };
                self.write(Line::Left(Departure { key: *key, seen, to, gaps }))?;
            }
        }
        Some(())
    }

    /// Whether a departure may be written (None: it waits), and behind a line of which place: of where the message went or
    /// of what replaced it, as far as that is on the card or missing; and of the same content, where the card has that.
    fn may_leave(&mut self, key: &Key, gone: &Gone) -> Option<Option<Option<Key>>> {
        let card = self.card;
        let replaced = gone.next.is_some_and(|next| next.1 != key.1);
        let here = card.catalogue.known.contains_key(&key.0);
        if broken(Break::DepartureFirst)
            || broken(Break::MoveDoesNotWait) && !replaced
            || broken(Break::ReplacedDoesNotWait) && replaced
            || broken(Break::ReplacedWaitsHere) && replaced && !here
        {
            return Some(Some(None));
        }
        let mut behind = None;
        let mut next = gone.next;
        // What leads in a circle ends nowhere.
        for _ in 0..=card.catalogue.gone.len() {
            let Some(after) = next else { break };
            if let Some((place, since)) = card.places(after.1).find(|(place, _)| *place == after) {
                if !self.tell(&place, since)? {
                    return Some(None);
                }
                behind = Some(place);
                next = None;
            } else {
                match card.catalogue.gone.get(&after) {
                    Some(gone) if !broken(Break::ChainUnknown) => next = gone.next,
                    _ => return Some(None),
                }
            }
        }
        let mut same = card.places(key.1).peekable();
        if next.is_some() || same.peek().is_none() || behind.is_some_and(|place| place.1 == key.1) {
            return Some(next.is_none().then_some(behind));
        }
        for (place, since) in same {
            if self.tell(&place, since)? {
                return Some(Some(behind.or(Some(place))));
            }
        }
        Some(None)
    }

    /// Whether this ledger says so as of the place's last change: that it stands by an older line is not enough, since
    /// that one may be taken back in another ledger.
    fn tell(&mut self, place: &Key, since: Position) -> Option<bool> {
        let ledger = &self.stick.ledger;
        let old = broken(Break::WitnessByOldLine) && ledger.stands(place);
        if !self.stick.has(place.1) {
            return Some(false);
        }
        if old || self.card.told(ledger, place, since) {
            return Some(true);
        }
        let can = self.within(place);
        if can {
            self.say(*place)?;
        }
        Some(can)
    }

    /// What stands by lines that are too old is said again: all of it by one mark, where nothing else stands.
    fn say_again(&mut self, all: &[(Key, Position)]) -> Option<()> {
        let ours = |key: &Key| all.iter().any(|(other, _)| other == key);
        let others = self.stick.ledger.standing().filter(|key| self.within(key) && !ours(key));
        let others = others.fold(0, |bits, key| bits | 1 << key.0.mailbox);
        let mailboxes = match broken(Break::MarkOverOthers) {
            true => self.pass.mailboxes,
            false => self.pass.mailboxes & !others,
        };
        let mut mark = false;
        for (key, since) in all {
            if self.stick.has(key.1) && !self.card.told(&self.stick.ledger, key, *since) {
                let by_mark = mailboxes & (1 << key.0.mailbox) != 0 && self.stick.ledger.stands(key);
                mark |= by_mark;
                if !by_mark {
                    self.say(*key)?;
                }
            }
        }
        if mark {
            self.write(Line::Mark { as_of: self.as_of, mailboxes })?;
        }
        Some(())
    }
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub(crate) enum How {
    InPlace,
    /// In place, an older version: no copy of the last one is good.
    Older,
    Beside,
    Numbered,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub(crate) struct Given {
    pub(crate) at: Location,
    pub(crate) content: Content,
    pub(crate) how: How,
}

/// What a restore gives, and what it says that it does not.
#[derive(Debug, Clone, Default)]
pub(crate) struct Restored {
    pub(crate) given: Vec<Given>,
    pub(crate) withheld: BTreeSet<Key>,
    pub(crate) without_copy: BTreeSet<Key>,
}

pub(crate) fn restore(sticks: &[&Stick], with_removed: bool) -> Restored {
    let mut writers = Writers::default();
    sticks.iter().for_each(|stick| writers.merge(&stick.ledger.writers));
    let mut out = Restored::default();
    let mut said: BTreeMap<Key, Vec<Position>> = BTreeMap::new();
    for stick in sticks {
        for (key, stamps) in &stick.ledger.claims {
            // Of a ledger that cannot be read whole, another cannot say what was in it.
            let whole = stick.ledger.gaps == 0 || broken(Break::GapsPassElsewhere);
            let judges = || sticks.iter().filter(|other| whole || std::ptr::eq(**other, *stick));
            let taken = |t| judges().any(|other| other.ledger.withholds(&writers, key, t));
            let left: Vec<_> = stamps.iter().copied().filter(|t| with_removed || !taken(*t)).collect();
            match left.is_empty() {
                true => drop(out.withheld.insert(*key)),
                false => said.entry(*key).or_default().extend(left),
            }
        }
    }
    if broken(Break::AbsenceWithholds) {
        said.retain(|key, stamps| !absent(sticks, &writers, key, stamps));
    }
    out.withheld.retain(|key| !said.contains_key(key));
    let good = |content| sticks.iter().any(|stick| stick.has(content));
    let later = |a: &[Position], b: &[Position]| a.iter().any(|a| b.iter().all(|b| writers.covers(*a, *b)));
    for (key, stamps) in &said {
        if good(key.1) {
            let better = |other: &Key, stamps_of: &[Position]| match other.1.damaged == key.1.damaged {
                true => later(stamps_of, stamps) && !later(stamps, stamps_of) || !later(stamps, stamps_of) && other.1 < key.1,
                false => key.1.damaged,
            };
            let mut rivals = said.iter().filter(|(other, _)| other.0 == key.0 && other.1 != key.1 && good(other.1));
            let how = if rivals.any(|(other, stamps)| better(other, stamps)) { How::Beside } else { How::InPlace };
            out.given.push(Given { at: key.0, content: key.1, how });
        } else {
            out.without_copy.insert(*key);
        }
    }
    older_versions(sticks, &writers, &mut out, &good);
    numbered(sticks, &mut out);
    out
}

/// Where no copy of what is there is good, the last good one that came there, or that it replaced, comes back.
fn older_versions(
    sticks: &[&Stick],
    writers: &Writers,
    out: &mut Restored,
    good: &impl Fn(Content) -> bool,
) {
    let all: Vec<&Departure> = sticks.iter().flat_map(|stick| &stick.ledger.left).collect();
    for key in &out.without_copy {
        let mut keys = vec![*key];
        let mut before: Vec<&Departure> = Vec::new();
        while let Some(key) = keys.pop() {
            let came = all.iter().filter(|left| left.to == Some(key));
            let new = |left: &&&Departure| !before.iter().any(|other| other.key == left.key);
            let new: Vec<&Departure> = came.filter(new).copied().collect();
            keys.extend(new.iter().map(|left| left.key));
            before.extend(new);
        }
        before.retain(|left| out.withheld.contains(&left.key) && good(left.key.1));
        let later = |a: &Departure, b: &Departure| {
            (!a.key.1.damaged || b.key.1.damaged) && a.seen != b.seen && writers.covers(a.seen, b.seen)
        };
        let last = before.iter().filter(|left| !before.iter().any(|other| later(other, left)));
        out.given.extend(last.map(|left| Given { at: key.0, content: left.key.1, how: How::Older }));
    }
}

/// Good copies that no readable line names; of a ledger that cannot be read whole, its own lines.
fn numbered(sticks: &[&Stick], out: &mut Restored) {
    let names = |stick: &Stick, content| stick.ledger.claims.keys().any(|key| key.1 == content);
    for stick in sticks {
        for content in stick.copies.keys().filter(|content| stick.has(**content)) {
            let elsewhere = sticks.iter().any(|other| names(other, *content));
            let named = names(stick, *content) || elsewhere && stick.ledger.gaps == 0;
            if !named && !out.given.iter().any(|given| given.content == *content) {
                let at = Location { mailbox: 0, path: Path::Numbered(*content) };
                out.given.push(Given { at, content: *content, how: How::Numbered });
            }
        }
    }
}

/// The rule that this model does not have: what the latest ledger does not say is gone.
fn absent(sticks: &[&Stick], writers: &Writers, key: &Key, stamps: &[Position]) -> bool {
    let marks = sticks.iter().flat_map(|stick| {
        let all = stick.ledger.lines.iter();
        all.filter_map(move |line| match line {
            Line::Mark { as_of, .. } => Some((*as_of, stick)),
            _ => None,
        })
    });
    let marks: Vec<_> = marks.collect();
    let top = marks.iter().find(|(mark, _)| {
        !marks.iter().any(|(other, _)| other != mark && writers.covers(*other, *mark))
    });
    top.is_some_and(|(mark, stick)| {
        !stick.ledger.stands(key) && stamps.iter().any(|t| writers.covers(*mark, *t))
    })
}
