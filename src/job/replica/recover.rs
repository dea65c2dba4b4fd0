//! Repairs a station's bag after a power failure: reads the last commits again, gives copies without a line one,
//! settles breaks in the ledger. Can be interrupted anywhere and run again.

use super::append_log;
use super::copy::{self, CopyCheck};
use super::ledger::{self, Loaded};
use super::lengths::{self, LengthCheck};
use super::lost_lines::LostLines;
use super::manifest::{self, ManifestRepair};
use super::remove_pruned::finish_pruning;
use super::station_bag::StationBag;
use crate::disk::EntryKind;
use crate::job::JobError;
use crate::job::catalogue::{CopyRow, ReplicaState};
use crate::model::ledger::{ChainBreak, Event};
use crate::model::limits::{
    BATCH_MESSAGES_MAX, DRIVE_FOLDER_ENTRIES, NUMBER_MAX, RECHECK_BYTES, RECHECK_MESSAGES,
    SEGMENT_MESSAGES, SEGMENT_PER_SESSION_MAX,
};
use crate::model::{Clock, Finding, Identity, PayloadName, bag};
use std::collections::BTreeMap;

/// The context of a recovery.
pub(super) struct Recovery<'a> {
    pub bag: StationBag<'a>,
    pub clock: &'a dyn Clock,
    /// The last segment known before the ledger's new lines were read: copies without a line may be in any later one.
    pub since: u32,
    /// The manifest has wrong lines before its end.
    pub wrong_lines: bool,
    /// A sync failed in this mount: what the system shows of files made since may be on no medium.
    pub lost_pages: bool,
}

impl Recovery<'_> {
    /// All of recovery, in an order that may be interrupted at each step. Debris goes into the ledger before it is
    /// listed: a copy that is listed and has no line was read back before the power failure, and is adopted. For the
    /// same reason an adopted copy is listed first.
    pub(super) fn run(
        &self,
        state: &mut ReplicaState,
        loaded: &Loaded,
        findings: &mut Vec<Finding>,
    ) -> Result<(), JobError> {
        let StationBag { catalogue, volume, dir } = self.bag;
        // A power failure may have left room that was reserved for lines that never came.
        append_log::reserve(volume, dir, 0, 0)?;
        // An earlier writer may have been ended in the middle: what it left in memory goes to the device first, so that
        // nothing is read here that a power failure would still take away.
        volume.sync_all().map_err(JobError::NotSynced)?;
        let doubtful = self.lost_pages || state.unsynced_lines;
        let lost_lines = LostLines::of(self.bag, state)?;
        let mut end_line_before = loaded.no_final_newline && loaded.length > 0;
        let broken = loaded.broken.map(|broken| {
            let to = loaded.length + u64::from(end_line_before);
            let (from, whole_lines, torn) = (broken.offset, broken.whole_lines, loaded.torn);
            Event::Recovered { from, to, whole_lines, torn }
        });
        let mut events = self.recheck(state, loaded.reloaded, findings)?;
        if let Some(lost_lines) = lost_lines.as_ref().filter(|_| loaded.same_medium) {
            // Before the search for copies without a line, which these are not.
            self.append(state, std::mem::take(&mut events), std::mem::take(&mut end_line_before))?;
            self.append(state, lost_lines.copies()?, false)?;
        }
        let mut orphans = self.orphans(state)?;
        if self.lost_pages {
            // They may have names in memory only. The next mount shows what exists.
            state.unlisted_anywhere = true;
            orphans.clear();
        }
        let proven = manifest::listed_with_their_hash(volume, dir, &orphans)?;
        let mut adopted = Vec::new();
        for (payload, identity) in orphans {
            if proven.contains(&payload.number) || catalogue.is_message(state.row, &identity)? {
                Finding::Adopted { payload }.note(findings);
                adopted.push((payload, identity));
            } else {
                Finding::Debris { payload }.note(findings);
                events.push(Event::Debris { payload, identity });
            }
        }
        findings.extend(loaded.broken.as_ref().map(finding));
        events.extend(broken);
        if events.iter().any(Event::is_copy_loss) {
            // Every message is compared with this drive again, so that what was lost is copied again.
            state.recorded_through = 0;
        }
        self.append(state, events, end_line_before)?;
        if self.wrong_lines {
            manifest::comment_out_wrong_lines(self.bag, state.row)?;
        }
        let mend = ManifestRepair { bag: self.bag, doubtful };
        mend.run(state, &adopted, findings)?;
        let adopt = |(payload, identity)| Event::Adopted { payload, identity };
        let mut events: Vec<_> = adopted.into_iter().map(adopt).collect();
        if state.unsynced_lines && events.is_empty() {
            // A line after those that were read makes them as durable as itself.
            events.push(Event::opened());
        }
        self.append(state, events, false)?;
        if let Some(lost_lines) = lost_lines {
            self.rewrite_lost_lines(&lost_lines, state)?;
        }
        // Nothing is removed while the system's view may be wrong.
        if !self.lost_pages {
            finish_pruning(self.bag, state)?;
        }
        catalogue.log_damage_mended(state.row)?;
        self.begin_segment(state);
        Ok(())
    }

    /// Writes again what the ledger once said of locations. What was known before is forgotten only after that.
    fn rewrite_lost_lines(
        &self,
        lost_lines: &LostLines<'_>,
        state: &mut ReplicaState,
    ) -> Result<(), JobError> {
        self.append(state, lost_lines.roots()?, false)?;
        let mut after = None;
        loop {
            let (events, last) = lost_lines.assertions(after.as_ref())?;
            if last.is_none() {
                break;
            }
            self.append(state, events, false)?;
            after = last;
        }
        // Departures come last, after everything that a restore needs instead. If an unreadable line was never known
        // here, nobody here can say what it said.
        let mut after = None;
        while state.gaps_unknown == 0 {
            let (events, last) = lost_lines.departures(after.as_ref(), state.gaps)?;
            if last.is_none() {
                break;
            }
            self.append(state, events, false)?;
            after = last;
        }
        self.bag.catalogue.drop_retired(lost_lines.retired)
    }

    fn append(
        &self,
        state: &mut ReplicaState,
        events: Vec<Event>,
        end_line_before: bool,
    ) -> Result<(), JobError> {
        let stamp = self.clock.event_time();
        let mut end = end_line_before;
        let mut events = events.into_iter().peekable();
        // A few at a time: a ruined drive may need as many as it has copies.
        while end || events.peek().is_some() {
            let some: Vec<_> = events.by_ref().take(BATCH_MESSAGES_MAX).collect();
            let mut lines = self.bag.catalogue.writer_lines_missing(state, &some)?;
            lines.extend(some);
            ledger::append(self.bag, state, &stamp, lines, end)?;
            end = false;
        }
        Ok(())
    }

    /// Reads again the last commits, which a lying device may have lost; whatever lines past a break claim; and copies
    /// of a wrong length. If copies are bad, those before them are read too: a ledger of another drive, or a folder
    /// that is gone, makes all of them bad.
    fn recheck(
        &self,
        state: &ReplicaState,
        reloaded: bool,
        findings: &mut Vec<Finding>,
    ) -> Result<Vec<Event>, JobError> {
        let mut events = Vec::new();
        let now = self.clock.event_time().time;
        for copy in self.bag.catalogue.claimed_copies(state.row)? {
            events.extend(self.check(state, reloaded, &copy, findings)?);
        }
        let within = LengthCheck { clock: self.clock, kept: true };
        let wrong = lengths::wrong(self.bag, state.row, &within)?;
        let mut looked_at = BTreeMap::new();
        for copy in wrong {
            looked_at.insert(copy.name.number, self.check(state, reloaded, &copy, findings)?);
        }
        let mut before = NUMBER_MAX + 1;
        loop {
            let page = self.bag.catalogue.payloads_before(state.row, before, RECHECK_MESSAGES)?;
            let Some(last) = page.last() else { break };
            before = last.name.number;
            let (sound_until, mut bytes) = (events.len(), 0_u64);
            let mut sound = Vec::new();
            for copy in page {
                bytes = bytes.saturating_add(copy.identity.bytes);
                if bytes > RECHECK_BYTES && events.len() == sound_until {
                    break;
                }
                if copy.state.is_whole() {
                    let found = match looked_at.remove(&copy.name.number) {
                        Some(found) => found,
                        None => self.check(state, reloaded, &copy, findings)?,
                    };
                    match found {
                        None => sound.push(copy.name.number),
                        bad => events.extend(bad),
                    }
                }
            }
            self.bag.catalogue.write_transaction(|| {
                sound.into_iter().try_for_each(|n: u32| {
                    self.bag.catalogue.read_here(state.row, n..=n)?;
                    self.bag.catalogue.copies_reread(state.row, n..=n, now)
                })
            })?;
            if events.len() == sound_until {
                break;
            }
        }
        events.extend(looked_at.into_values().flatten());
        Ok(events)
    }

    /// Copies without a line, as a power failure between copy and commit leaves them. They can only be in the last
    /// segments, unless the ledger had to be reloaded or some were passed over before.
    fn orphans(&self, state: &mut ReplicaState) -> Result<Vec<(PayloadName, Identity)>, JobError> {
        let data = self.bag.file(bag::PAYLOAD);
        let folders = self.bag.volume.list(&data, DRIVE_FOLDER_ENTRIES)?;
        let mut segments: Vec<u32> = folders
            .iter()
            .filter(|entry| entry.kind == EntryKind::Folder)
            .filter_map(|entry| PayloadName::segment_of(&entry.name))
            .filter(|segment| state.unlisted_anywhere || *segment >= state.segment.min(self.since))
            .collect();
        segments.sort_unstable();
        let mut orphans = Vec::new();
        let mut unseen = false;
        for segment in segments {
            let Some(entries) = copy::list(self.bag.volume, self.bag.dir, segment)? else {
                // Nobody knows what the folder holds, so nothing is written to it, and as many numbers as it may hold
                // are skipped: none may be used for two copies.
                unseen = true;
                state.next_number = (state.next_number + SEGMENT_MESSAGES).min(NUMBER_MAX + 1);
                if segment >= state.segment {
                    (state.segment, state.segment_used) = (segment, SEGMENT_MESSAGES);
                }
                continue;
            };
            let mut used = 0;
            for entry in entries {
                used += 1;
                let Some(name) = PayloadName::from_file(segment, &entry.name) else { continue };
                state.next_number =
                    state.next_number.max(name.number.saturating_add(1)).min(NUMBER_MAX + 1);
                if entry.kind != EntryKind::File
                    || self.bag.catalogue.knows_number(state.row, name.number)?
                {
                    continue;
                }
                // A file that cannot be read stays without a line; its number is used all the same.
                let longest = self.bag.volume.facts().longest_file;
                match self.bag.hash(name, longest)? {
                    CopyCheck::Is(identity) => orphans.push((name, identity)),
                    _ => unseen = true,
                }
            }
            if segment >= state.segment {
                state.segment = segment;
                state.segment_used = used;
            }
        }
        state.unlisted_anywhere = unseen;
        orphans.sort_by_key(|(name, _)| name.number);
        Ok(orphans)
    }

    /// Reads one copy back, and returns what is wrong with it as an event for the ledger. If the ledger was reloaded,
    /// it may be another drive's, or of another day: wrong copies then count against nobody.
    fn check(
        &self,
        state: &ReplicaState,
        reloaded: bool,
        copy: &CopyRow,
        findings: &mut Vec<Finding>,
    ) -> Result<Option<Event>, JobError> {
        let read = self.bag.hash(copy.name, copy.identity.bytes)?;
        let verdict = read.judge(copy);
        match reloaded {
            true => verdict.note_wear(self.bag.catalogue, state)?,
            false => verdict.note_drive(self.bag.catalogue, state)?,
        }
        let Some(finding) = verdict.finding() else { return Ok(None) };
        finding.note(findings);
        Ok(verdict.event())
    }

    /// Begins a new segment: a folder that a power failure may have damaged is not written to again.
    fn begin_segment(&self, state: &mut ReplicaState) {
        if state.segment > 0 && state.segment < SEGMENT_PER_SESSION_MAX {
            state.segment_used = SEGMENT_MESSAGES;
        }
    }
}

/// The finding about a break.
pub(super) fn finding(broken: &ChainBreak) -> Finding {
    match broken.whole_lines {
        0 => Finding::LedgerTorn { offset: broken.offset, bytes: broken.junk },
        whole_lines => Finding::LedgerAltered { offset: broken.offset, whole_lines },
    }
}
