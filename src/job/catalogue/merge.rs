//! What all drives together say of a station: what a restore gives back at every location, and what it leaves out by
//! whose word. Absence says nothing: only a departure that names a content withholds it, and only from those
//! assertions that its position covers.

use super::decisions::{Decision, Role, Version, Wanted, Withheld};
use super::heirs::chain;
use super::ledger_lines::{
    ASSERTIONS, ASSERTIONS_AT, AssertionLine, DEPARTURES, DEPARTURES_AT, DepartureLine,
    read_assertion, read_departure,
};
use super::writers::position_columns;
use super::{Catalogue, Place};
use crate::job::JobError;
use crate::model::ledger::Departed;
use crate::model::{Identity, Position, Reach, StationName, WriterId, Writers};
use rusqlite::params;
use std::collections::{BTreeSet, HashMap, HashSet};

/// A content at a location, as all ledgers tell of it.
struct Candidate {
    version: Version,
    /// By the latest word it is missing there.
    missing: bool,
    /// The positions as of which it is asserted.
    stamps: Vec<Position>,
    /// The replicas whose ledgers say so, one for each.
    books: Vec<i64>,
    /// Of these, those as of which it was there, and not missing.
    present: Vec<Position>,
    /// The counting departure that covers it, if the departures cover all of its stamps.
    withheld: Option<(Departed, i64)>,
    /// Another location still has the content, by some ledger.
    elsewhere: bool,
}

/// No replica: the word is of this card.
const NOBODYS: i64 = 0;

/// Marks of each replica and mailbox: line and position.
type Marks = HashMap<(i64, i64), Vec<(i64, Position)>>;

/// Decides about the contents of one location.
pub(super) struct Judge<'a> {
    pub(super) catalogue: &'a Catalogue,
    pub(super) station: &'a StationName,
    writers: Writers,
    /// What each writer's positions cover of others, once it was asked for.
    reaches: HashMap<WriterId, Reach>,
    /// All of them.
    marks: Marks,
    /// Contents that came in place of others.
    pub(super) heirs: HashSet<i64>,
    /// Replicas with lines in their ledgers that cannot be read.
    gapped: HashSet<i64>,
    /// Replicas of drives that contradict what is better known.
    judged: HashSet<i64>,
    /// The content of no bytes, if any line tells of it.
    empty: Option<i64>,
    /// What a person does not want on this card: mailbox, path as its sorting key, content.
    not_wanted: HashSet<Place>,
    with_removed: bool,
}

impl Catalogue {
    /// Goes through every content at every location that the drives tell of, in order of the locations.
    pub fn each_decision(
        &self,
        station: &StationName,
        with_removed: bool,
        mut each: impl FnMut(Decision) -> Result<(), JobError>,
    ) -> Result<(), JobError> {
        let mut judge = self.judge(station, with_removed)?;
        let mut departures = self.db.prepare_cached(DEPARTURES)?;
        let mut departures = departures.query_map([station.as_str()], read_departure)?;
        let mut next = departures.next().transpose()?;
        let mut query = self.db.prepare_cached(ASSERTIONS)?;
        let mut rows = query.query([station.as_str()])?;
        let mut lines: Vec<AssertionLine> = Vec::new();
        loop {
            let line = rows.next()?.map(read_assertion).transpose()?;
            let goes_on = |first: &AssertionLine| {
                line.as_ref().is_some_and(|l| (l.mailbox, &l.key) == (first.mailbox, &first.key))
            };
            if let Some(first) = lines.first()
                && !goes_on(first)
            {
                let mut left = Vec::new();
                while let Some(departure) =
                    next.take_if(|d| (d.mailbox, &d.key) <= (first.mailbox, &first.key))
                {
                    if (departure.mailbox, &departure.key) == (first.mailbox, &first.key) {
                        left.push(departure);
                    }
                    next = departures.next().transpose()?;
                }
                judge.decide(&lines, &left, &mut each)?;
                lines.clear();
            }
            match line {
                Some(line) => lines.push(line),
                None => return Ok(()),
            }
        }
    }

    pub(super) fn judge<'a>(
        &'a self,
        station: &'a StationName,
        with_removed: bool,
    ) -> Result<Judge<'a>, JobError> {
        Ok(Judge {
            catalogue: self,
            station,
            writers: self.writers()?,
            reaches: HashMap::new(),
            marks: self.marks(station)?,
            heirs: self.heirs(station)?,
            gapped: self.gapped(station)?,
            judged: self.judged_books()?.into_iter().collect(),
            empty: self.known_content(&Identity::of(b""))?,
            not_wanted: self.not_wanted()?.into_iter().collect(),
            with_removed,
        })
    }

    /// Goes through everything that a restore gives back, in order of the locations.
    pub fn each_wanted(
        &self,
        station: &StationName,
        with_removed: bool,
        mut each: impl FnMut(Wanted) -> Result<(), JobError>,
    ) -> Result<(), JobError> {
        self.each_decision(station, with_removed, |decision| match decision {
            Decision::Give(wanted) => each(wanted),
            Decision::Withhold(_) => Ok(()),
        })
    }

    fn marks(&self, station: &StationName) -> Result<Marks, JobError> {
        let mut query = self.db.prepare_cached(
            "SELECT m.book, m.mailbox, m.line, m.writer, m.n FROM book JOIN mark m ON m.book = book.id \
             WHERE book.station = ?1 ORDER BY m.line",
        )?;
        let mut rows = query.query([station.as_str()])?;
        let mut marks = Marks::new();
        while let Some(row) = rows.next()? {
            let mark = (row.get(2)?, position_columns(row, 3)?);
            marks.entry((row.get(0)?, row.get(1)?)).or_default().push(mark);
        }
        Ok(marks)
    }
}

impl Judge<'_> {
    /// Decides about one location by what all drives known that count say of it, one book whether it counts or not, and
    /// what this card itself saw go there.
    pub(super) fn decide_at(
        &mut self,
        book: i64,
        (mailbox, key): (i64, &[u8]),
        each: &mut impl FnMut(Decision) -> Result<(), JobError>,
    ) -> Result<(), JobError> {
        let at = params![self.station.as_str(), mailbox, key, book];
        let mut query = self.catalogue.db.prepare_cached(ASSERTIONS_AT)?;
        let lines = query.query_map(at, read_assertion)?.collect::<Result<Vec<_>, _>>()?;
        let mut query = self.catalogue.db.prepare_cached(DEPARTURES_AT)?;
        let mut left = query.query_map(at, read_departure)?.collect::<Result<Vec<_>, _>>()?;
        let books: BTreeSet<i64> = lines.iter().map(|line| line.book).collect();
        left.extend(self.catalogue.own_departures((mailbox, key), &books)?);
        self.decide(&lines, &left, each)
    }

    fn decide(
        &mut self,
        lines: &[AssertionLine],
        left: &[DepartureLine],
        each: &mut impl FnMut(Decision) -> Result<(), JobError>,
    ) -> Result<(), JobError> {
        let Some(first) = lines.first() else { return Ok(()) };
        let at = (first.mailbox, first.key.as_slice());
        // One content that nobody saw go needs no stamps.
        let plain =
            left.is_empty() && lines.iter().all(|l| l.version.content == first.version.content);
        let mut candidates = self.candidates(lines, plain);
        for candidate in &mut candidates {
            candidate.missing = self.is_missing(candidate);
            candidate.withheld = self.withheld(candidate, left);
            if candidate.withheld.is_none() && self.is_not_wanted(at, candidate.version.content) {
                candidate.withheld = Some((Departed::Acknowledged, NOBODYS));
            }
            if candidate.withheld.is_some() {
                candidate.elsewhere = self.is_given_elsewhere(at, candidate.version.content)?;
            }
        }
        let (withheld, mut given): (Vec<_>, Vec<_>) =
            candidates.into_iter().partition(|candidate| candidate.withheld.is_some());
        let conflict = self.sort(&mut given);
        self.give(at, given, &withheld, conflict, each)?;
        self.leave_out(at, withheld, each)
    }

    /// The contents of one location, with what is asserted of each.
    fn candidates(&self, lines: &[AssertionLine], plain: bool) -> Vec<Candidate> {
        let mut candidates: Vec<Candidate> = Vec::new();
        for (at, line) in lines.iter().enumerate() {
            let content = line.version.content;
            let index = candidates.iter().position(|c| c.version.content == content);
            let index = index.unwrap_or_else(|| {
                candidates.push(Candidate {
                    version: line.version.clone(),
                    missing: false,
                    stamps: Vec::new(),
                    books: Vec::new(),
                    present: Vec::new(),
                    withheld: None,
                    elsewhere: false,
                });
                candidates.len() - 1
            });
            let Some(candidate) = candidates.get_mut(index) else { continue };
            // The last line of a content tells its time and mode.
            candidate.version = line.version.clone();
            let marks = self.marks.get(&(line.book, line.mailbox)).filter(|_| !plain);
            let stood = |mark: i64| mark > line.line && line.ended.is_none_or(|end| mark < end);
            let marks = marks.into_iter().flatten().filter(|mark| stood(mark.0));
            // From the next line of it on, that one says whether it is there.
            let mut after = lines.iter().skip(at + 1);
            let next = after.find(|l| l.book == line.book && l.version.content == content);
            let until = next.map_or(i64::MAX, |next| next.line);
            let own = std::iter::once((line.line, line.position));
            for (number, position) in own.chain(marks.copied()) {
                candidate.stamps.push(position);
                candidate.books.push(line.book);
                if !line.missing && number < until {
                    candidate.present.push(position);
                }
            }
        }
        candidates
    }

    /// Whether a person does not want a content at a location here.
    fn is_not_wanted(&self, (mailbox, key): (i64, &[u8]), content: i64) -> bool {
        let all = &self.not_wanted;
        !all.is_empty() && all.contains(&(mailbox, key.to_vec(), content))
    }

    /// Whether the latest word on a content is that it is missing.
    fn is_missing(&mut self, candidate: &Candidate) -> bool {
        let Candidate { stamps, present, .. } = candidate;
        let mut absent = stamps.iter().filter(|stamp| !present.contains(stamp));
        present.is_empty()
            || absent.any(|absent| present.iter().all(|there| self.covers(*absent, *there)))
    }

    /// By whose word a content is left out, if departures cover every one of its stamps.
    fn withheld(
        &mut self,
        candidate: &Candidate,
        left: &[DepartureLine],
    ) -> Option<(Departed, i64)> {
        let mut word = None;
        for (stamp, of) in candidate.stamps.iter().zip(&candidate.books) {
            let departure = left.iter().rfind(|d| {
                d.content == candidate.version.content
                    && self.may_judge(d.book, *of)
                    && self.covers(d.position, *stamp)
            })?;
            word = Some((departure.why, departure.book));
        }
        word
    }

    /// Whether a restore gives a content at another location, and no other content has that place.
    fn is_alone_elsewhere(&mut self, at: (i64, &[u8]), content: i64) -> Result<bool, JobError> {
        let (catalogue, station) = (self.catalogue, self.station);
        for (mailbox, key) in catalogue.other_locations(station, at, content)? {
            if catalogue.contents_at(station, mailbox, &key)? == 1
                && self.is_given_at((mailbox, &key), content)?
            {
                return Ok(true);
            }
        }
        Ok(false)
    }

    /// Whether a restore gives a content at another location than this one.
    fn is_given_elsewhere(&mut self, at: (i64, &[u8]), content: i64) -> Result<bool, JobError> {
        for (mailbox, key) in self.catalogue.other_locations(self.station, at, content)? {
            if self.is_given_at((mailbox, &key), content)? {
                return Ok(true);
            }
        }
        Ok(false)
    }

    pub(super) fn is_given_at(&mut self, at: (i64, &[u8]), content: i64) -> Result<bool, JobError> {
        let (catalogue, (mailbox, key)) = (self.catalogue, at);
        let (mut stamps, mut left) = (Vec::new(), Vec::new());
        for book in catalogue.books_of_station(self.station)? {
            let of = |all: Vec<Position>| all.into_iter().map(move |position| (book, position));
            stamps.extend(of(catalogue.stamps(book, mailbox, key, content)?));
            left.extend(of(catalogue.departures(book, mailbox, key, content)?));
        }
        Ok(!stamps.iter().all(|(of, stamp)| {
            left.iter().any(|(by, left)| self.may_judge(*by, *of) && self.covers(*left, *stamp))
        }))
    }

    /// Whether a departure in one ledger may take back what another says: of one that cannot be read whole, only its
    /// own lines can tell what may have been in it; and of one that contradicts what is better known, nothing is taken
    /// but what it says of itself.
    fn may_judge(&self, by: i64, of: i64) -> bool {
        by == of || !self.gapped.contains(&of) && !self.judged.contains(&by)
    }

    pub(super) fn covers(&mut self, one: Position, other: Position) -> bool {
        if one.writer == other.writer {
            return one.n >= other.n;
        }
        let writers = &self.writers;
        self.reaches.entry(one.writer).or_insert_with(|| writers.reach(one)).covers(other)
    }

    /// Whether one content was asserted to be there later than another: by a position that covers all of the other's.
    /// What is only told to be missing was not there.
    fn is_later(&mut self, one: &Candidate, other: &Candidate) -> bool {
        let there = |c: &Candidate| match c.present.is_empty() {
            true => c.stamps.clone(),
            false => c.present.clone(),
        };
        let (ones, others) = (there(one), there(other));
        ones.iter().any(|a| others.iter().all(|b| self.covers(*a, *b)))
    }

    /// What belongs in place first: what looks like damage last, then nothing at all, then what is missing, then the
    /// one asserted last. Whether that is told.
    fn sort(&mut self, given: &mut [Candidate]) -> bool {
        let empty = self.empty;
        let is_empty = |c: &Candidate| Some(c.version.content) == empty;
        let rank = |c: &Candidate| (c.version.suspect.is_some(), is_empty(c), c.missing);
        given.sort_by_key(rank);
        let first = given.first().map(rank);
        let alike = given.iter().take_while(|c| Some(rank(c)) == first).count();
        let (among, _) = given.split_at_mut(alike);
        if among.len() < 2 {
            return false;
        }
        let mut last = 0;
        for index in 1..among.len() {
            let (later, earlier) = (
                self.is_later(&among[index], &among[last]),
                self.is_later(&among[last], &among[index]),
            );
            if later && !earlier {
                last = index;
            }
        }
        let others = (0..among.len()).filter(|index| *index != last);
        let told = others.into_iter().all(|index| self.is_later(&among[last], &among[index]));
        among.swap(0, last);
        !told
    }

    fn give(
        &mut self,
        (mailbox, key): (i64, &[u8]),
        given: Vec<Candidate>,
        withheld: &[Candidate],
        conflict: bool,
        each: &mut impl FnMut(Decision) -> Result<(), JobError>,
    ) -> Result<(), JobError> {
        let good = given.iter().any(|candidate| candidate.version.suspect.is_none());
        let is_suspect = |c: &Candidate| good && c.version.suspect.is_some();
        let suspect: Vec<Version> =
            given.iter().filter(|c| is_suspect(c)).map(|c| c.version.clone()).collect();
        // The last version that was replaced is the newest of the older ones.
        let older =
            withheld.iter().rev().filter(|c| matches!(c.withheld, Some((Departed::Replaced, _))));
        let older: Vec<Version> =
            older.map(|c| c.version.clone()).filter(|v| v.suspect.is_none()).collect();
        for (index, candidate) in given.into_iter().filter(|c| !is_suspect(c)).enumerate() {
            // Every message begins with nothing: a file that was filled is no second message.
            if index > 0 && Some(candidate.version.content) == self.empty {
                continue;
            }
            if index > 0 && self.is_alone_elsewhere((mailbox, key), candidate.version.content)? {
                continue;
            }
            let before = self.versions_before((mailbox, key, candidate.version.content))?;
            let instead = if index == 0 { chain(&suspect, before, &older) } else { before };
            let role = match index {
                0 if suspect.is_empty() => Role::InPlace,
                0 => Role::InsteadOfSuspect,
                _ => Role::Beside,
            };
            each(Decision::Give(Wanted {
                mailbox,
                key: key.to_vec(),
                role,
                missing: candidate.missing,
                conflict,
                instead,
                latest: candidate.stamps.iter().map(|stamp| stamp.n).max().unwrap_or(0),
                version: candidate.version,
            }))?;
        }
        Ok(())
    }

    fn leave_out(
        &mut self,
        (mailbox, key): (i64, &[u8]),
        withheld: Vec<Candidate>,
        each: &mut impl FnMut(Decision) -> Result<(), JobError>,
    ) -> Result<(), JobError> {
        for Candidate { version, withheld, stamps, elsewhere, .. } in withheld {
            let Some((why, book)) = withheld else { continue };
            let removed = matches!(why, Departed::Deleted | Departed::Acknowledged) && !elsewhere;
            let key = key.to_vec();
            each(match removed && self.with_removed {
                true => Decision::Give(Wanted {
                    mailbox,
                    key,
                    version,
                    role: Role::Removed,
                    missing: false,
                    conflict: false,
                    instead: Vec::new(),
                    latest: stamps.iter().map(|stamp| stamp.n).max().unwrap_or(0),
                }),
                // What is elsewhere is given there.
                false if elsewhere => continue,
                false => Decision::Withhold(Withheld { mailbox, key, version, why, book }),
            })?;
        }
        Ok(())
    }
}
