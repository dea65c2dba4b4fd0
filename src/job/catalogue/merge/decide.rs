//! The rules of the merge: what a restore gives back at every location, and what it leaves out, by whose ledger.
//! Absence says nothing: only a departure that names a content withholds it, and only from those assertions that its
//! position covers. Anybody may have written to a drive: one ledger alone leaves nothing out that another one holds.

use super::candidates::{Candidate, LocationLines, candidates};
use super::decisions::{ContentVersion, Decision, RestoreItem, RestoreReason, Withheld};
use super::lines::{
    ASSERTIONS, ASSERTIONS_AT, AssertionLine, DEPARTURES, DEPARTURES_AT, DepartureLine,
};
use super::predecessors::chain;
use super::view::Merge;
use crate::job::JobError;
use crate::job::catalogue::Catalogue;
use crate::job::catalogue::row_ids::{ContentRowId, MailboxRowId, ReplicaRowId};
use crate::job::catalogue::rows::read;
use crate::model::ledger::Departed;
use crate::model::limits::LINES_OF_A_LOCATION;
use crate::model::{Position, StationName};
use rusqlite::params;
use std::collections::{BTreeSet, HashMap, HashSet};

/// How far to look.
#[derive(Clone, Copy, PartialEq, Eq)]
enum SearchScope {
    /// In one mailbox, for nobody may have a target for another that a ledger names; and where no ledger calls it
    /// damage, for what looks like that may be left out there.
    Mailbox,
    /// In all of the station's.
    Station,
}

/// What left a location, by its content.
type DeparturesByContent<'a> = HashMap<ContentRowId, Vec<&'a DepartureLine>>;

impl Catalogue {
    /// Goes through everything that a restore gives back, in order of the locations.
    pub fn each_to_restore(
        &self,
        station: &StationName,
        with_removed: bool,
        mut each: impl FnMut(RestoreItem) -> Result<(), JobError>,
    ) -> Result<(), JobError> {
        self.merge(station, with_removed)?.each_in(None, |decision| match decision {
            Decision::Give(wanted) => each(wanted),
            Decision::Withhold(_) => Ok(()),
        })
    }
}

impl Merge<'_> {
    /// Goes through every content at every location that the drives have lines about, or in one mailbox, in order of
    /// the locations.
    pub fn each_in(
        &mut self,
        mailbox: Option<MailboxRowId>,
        mut each: impl FnMut(Decision) -> Result<(), JobError>,
    ) -> Result<(), JobError> {
        let db = &self.catalogue.db;
        let of = params![self.station.as_str(), mailbox];
        let mut departures = db.prepare_cached(DEPARTURES)?;
        let mut departures = departures.query_map(of, read::<DepartureLine>)?;
        let mut next = departures.next().transpose()?;
        let mut query = db.prepare_cached(ASSERTIONS)?;
        let mut rows = query.query(of)?;
        let mut location = LocationLines::default();
        loop {
            let line = rows.next()?.map(read::<AssertionLine>).transpose()?;
            let goes_on = |first: &AssertionLine| {
                line.as_ref().is_some_and(|l| (l.mailbox, &l.key) == (first.mailbox, &first.key))
            };
            if let Some(first) = location.lines.first()
                && !goes_on(first)
            {
                let mut left = Vec::new();
                while let Some(departure) =
                    next.take_if(|d| (d.mailbox, &d.key) <= (first.mailbox, &first.key))
                {
                    let is_here =
                        (departure.mailbox, &departure.key) == (first.mailbox, &first.key);
                    // A departure beyond that limit withholds nothing.
                    if is_here && left.len() < LINES_OF_A_LOCATION {
                        left.push(departure);
                    }
                    next = departures.next().transpose()?;
                }
                self.decide(&location, &left, &mut each)?;
                location = LocationLines::default();
            }
            match line {
                Some(line) => location.add(line),
                None => return Ok(()),
            }
        }
    }

    /// Decides about one location by what all known drives that count say of it, one replica whether it counts or not,
    /// and what this card itself saw go there.
    pub(in crate::job::catalogue) fn decide_at(
        &mut self,
        replica: Option<ReplicaRowId>,
        (mailbox, key): (MailboxRowId, &[u8]),
        each: &mut impl FnMut(Decision) -> Result<(), JobError>,
    ) -> Result<(), JobError> {
        let at = params![self.station.as_str(), mailbox, key, replica];
        let mut query = self.catalogue.db.prepare_cached(ASSERTIONS_AT)?;
        let mut location = LocationLines::default();
        for line in query.query_map(at, read)? {
            location.add(line?);
        }
        let mut query = self.catalogue.db.prepare_cached(DEPARTURES_AT)?;
        let left = query.query_map(at, read::<DepartureLine>)?.take(LINES_OF_A_LOCATION);
        let mut left = left.collect::<Result<Vec<_>, _>>()?;
        let replicas: BTreeSet<_> = location.lines.iter().map(|line| line.replica).collect();
        left.extend(self.catalogue.own_departures((mailbox, key), &replicas)?);
        self.decide(&location, &left, each)
    }

    fn decide(
        &mut self,
        location: &LocationLines,
        left: &[DepartureLine],
        each: &mut impl FnMut(Decision) -> Result<(), JobError>,
    ) -> Result<(), JobError> {
        let LocationLines { lines, .. } = location;
        let Some(first) = lines.first() else { return Ok(()) };
        let at = (first.mailbox, first.key.as_slice());
        // One content that nobody saw go needs no positions.
        let plain =
            left.is_empty() && lines.iter().all(|l| l.version.content == first.version.content);
        let mut candidates = candidates(self.catalogue, &mut self.lineage, location, plain)?;
        let mut by_content = DeparturesByContent::new();
        for departure in left {
            by_content.entry(departure.content).or_default().push(departure);
        }
        for candidate in &mut candidates {
            candidate.missing = self.is_missing(candidate);
            let content = candidate.version.content;
            if let Some((why, by)) = self.withheld(candidate, &by_content) {
                match self.is_asserted_again(candidate, &by_content)
                    || self.is_given_elsewhere(at, content, SearchScope::Mailbox)?
                {
                    true => candidate.withheld = Some((why, Some(by))),
                    false => candidate.in_doubt = Some((why, by)),
                }
            }
            if candidate.withheld.is_none() && self.is_not_wanted(at, content) {
                candidate.withheld = Some((Departed::Acknowledged, None));
            }
            if candidate.withheld.is_some() {
                candidate.elsewhere = self.is_given_elsewhere(at, content, SearchScope::Station)?;
            }
        }
        let (withheld, rest): (Vec<_>, Vec<_>) =
            candidates.into_iter().partition(|candidate| candidate.withheld.is_some());
        let (in_doubt, mut given): (Vec<_>, Vec<_>) =
            rest.into_iter().partition(|candidate| candidate.in_doubt.is_some());
        let in_doubt: Vec<_> = in_doubt
            .into_iter()
            .map(|candidate| (candidate.is_damage_with_substitute(&given), candidate))
            .collect();
        let conflict = self.sort(&mut given);
        self.give_back(at, given, &withheld, conflict, each)?;
        role_by_doubt(at, in_doubt, each)?;
        self.leave_out(at, withheld, each)
    }

    /// Whether a person does not want a content at a location here.
    fn is_not_wanted(&self, (mailbox, key): (MailboxRowId, &[u8]), content: ContentRowId) -> bool {
        let all = &self.not_wanted;
        !all.is_empty() && all.contains(&(mailbox, key.to_vec(), content))
    }

    /// Whether the latest lines on a content say that it is missing.
    fn is_missing(&mut self, candidate: &Candidate) -> bool {
        let Candidate { positions, present, .. } = candidate;
        let there: HashSet<Position> = present.iter().collect();
        let mut absent = positions.iter().filter(|position| !there.contains(position));
        present.is_empty()
            || absent.any(|absent| present.all_are(|(_, there)| self.covers(absent, there)))
    }

    /// By whose ledger a content is left out, if departures cover every one of its positions.
    fn withheld(
        &mut self,
        candidate: &Candidate,
        left: &DeparturesByContent<'_>,
    ) -> Option<(Departed, ReplicaRowId)> {
        let left = left.get(&candidate.version.content)?;
        let mut source = None;
        let all = candidate.positions.all_are(|(of, position)| {
            let mut by = left.iter().rev();
            let by =
                by.find(|d| self.may_withhold(d.replica, of) && self.covers(d.position, position));
            source = by.map(|departure| (departure.why, departure.replica));
            by.is_some()
        });
        source.filter(|_| all)
    }

    /// Whether each ledger takes back by itself all that it says of a content, or this card does.
    fn is_asserted_again(&mut self, candidate: &Candidate, left: &DeparturesByContent<'_>) -> bool {
        let Some(left) = left.get(&candidate.version.content) else { return false };
        candidate.positions.all_are(|(of, position)| {
            left.iter().any(|d| d.replica == of && self.covers(d.position, position))
        })
    }

    /// Whether a restore gives a content at another location, and no other content has that place.
    fn is_alone_elsewhere(
        &mut self,
        at: (MailboxRowId, &[u8]),
        content: ContentRowId,
    ) -> Result<bool, JobError> {
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
    fn is_given_elsewhere(
        &mut self,
        at: (MailboxRowId, &[u8]),
        content: ContentRowId,
        within: SearchScope,
    ) -> Result<bool, JobError> {
        for (mailbox, key) in self.catalogue.other_locations(self.station, at, content)? {
            let near = match within {
                SearchScope::Station => true,
                SearchScope::Mailbox => {
                    mailbox == at.0
                        && !self.catalogue.is_ignored(&key)
                        && !self.catalogue.is_suspected_at(mailbox, &key, content)?
                }
            };
            if near && self.is_given_at((mailbox, &key), content)? {
                return Ok(true);
            }
        }
        Ok(false)
    }

    /// Whether one content was asserted to be there later than another: by a position that covers all of the other's. A
    /// line that says it is missing does not count.
    fn is_later(&mut self, one: &Candidate, other: &Candidate) -> bool {
        let (ones, others) = (one.effective_positions(), other.effective_positions());
        ones.iter().any(|a| others.all_are(|(_, b)| self.covers(a, b)))
    }

    /// What belongs in place first: what looks like damage last, then nothing at all, then what is missing, then the
    /// one asserted last. Whether no line says which that is.
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
        let is_latest = others.into_iter().all(|index| self.is_later(&among[last], &among[index]));
        among.swap(0, last);
        !is_latest
    }

    fn give_back(
        &mut self,
        (mailbox, key): (MailboxRowId, &[u8]),
        given: Vec<Candidate>,
        withheld: &[Candidate],
        conflict: bool,
        each: &mut impl FnMut(Decision) -> Result<(), JobError>,
    ) -> Result<(), JobError> {
        let suspect: BTreeSet<ContentRowId> = given
            .iter()
            .filter(|candidate| candidate.is_damage_with_substitute(&given))
            .map(|candidate| candidate.version.content)
            .collect();
        let is_suspect = |c: &Candidate| suspect.contains(&c.version.content);
        let suspect: Vec<ContentVersion> =
            given.iter().filter(|c| is_suspect(c)).map(|c| c.version.clone()).collect();
        // The last version that was replaced is the newest of the older ones.
        let older =
            withheld.iter().rev().filter(|c| matches!(c.withheld, Some((Departed::Replaced, _))));
        let older: Vec<ContentVersion> =
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
                0 if suspect.is_empty() => RestoreReason::InPlace,
                0 => RestoreReason::InsteadOfSuspect,
                _ => RestoreReason::Beside,
            };
            each(Decision::Give(RestoreItem {
                mailbox,
                key: key.to_vec(),
                role,
                missing: candidate.missing,
                conflict,
                instead,
                latest: candidate.positions.highest(),
                version: candidate.version,
            }))?;
        }
        Ok(())
    }

    fn leave_out(
        &mut self,
        (mailbox, key): (MailboxRowId, &[u8]),
        withheld: Vec<Candidate>,
        each: &mut impl FnMut(Decision) -> Result<(), JobError>,
    ) -> Result<(), JobError> {
        for Candidate { version, withheld, positions, elsewhere, .. } in withheld {
            let Some((why, replica)) = withheld else { continue };
            let removed = matches!(why, Departed::Deleted | Departed::Acknowledged) && !elsewhere;
            let key = key.to_vec();
            each(match removed && self.with_removed {
                true => Decision::Give(RestoreItem {
                    mailbox,
                    key,
                    version,
                    role: RestoreReason::Removed,
                    missing: false,
                    conflict: false,
                    instead: Vec::new(),
                    latest: positions.highest(),
                }),
                // What is elsewhere is given there.
                false if elsewhere => continue,
                false => Decision::Withhold(Withheld { mailbox, key, version, why, replica }),
            })?;
        }
        Ok(())
    }
}

/// Gives what only other drives' ledgers leave out; not what is bettered by what is given.
fn role_by_doubt(
    (mailbox, key): (MailboxRowId, &[u8]),
    in_doubt: Vec<(bool, Candidate)>,
    each: &mut impl FnMut(Decision) -> Result<(), JobError>,
) -> Result<(), JobError> {
    for (is_bettered, Candidate { version, in_doubt, positions, .. }) in in_doubt {
        let (Some((why, replica)), key) = (in_doubt, key.to_vec()) else { continue };
        each(match is_bettered {
            true => {
                Decision::Withhold(Withheld { mailbox, key, version, why, replica: Some(replica) })
            }
            false => Decision::Give(RestoreItem {
                mailbox,
                key,
                version,
                role: RestoreReason::InDoubt { why, replica },
                missing: false,
                conflict: false,
                instead: Vec::new(),
                latest: positions.highest(),
            }),
        })?;
    }
    Ok(())
}
