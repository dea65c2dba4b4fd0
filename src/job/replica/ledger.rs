//! Reads a station's ledger into the catalogue, and appends to it. Holds little of it in memory, and does not read
//! again what is known to be unchanged.

use super::append_log::{check_answers, write_proven};
use super::ledger_admission::LedgerAdmission;
use super::ledger_reader::{LedgerReader, LineGroup, ReadLine};
use super::line_reader::LineReader;
use super::station_bag::StationBag;
use crate::disk::{DiskError, ErrorKind, ReadFrom, Volume, host};
use crate::job::JobError;
use crate::job::catalogue::{Catalogue, KnownLines, LedgerImport, Log, LogDamage, ReplicaState};
use crate::model::bag::LEDGER;
use crate::model::ledger::{ChainBreak, ChainReader, Event, Line, LineTrust, claimed_hash};
use crate::model::limits::{LEDGER_AHEAD_BYTES, LEDGER_LINE_BYTES, RUN_NUMBERS, WRITERS_READ};
use crate::model::{Digest, EventTime, Finding, PayloadName, Position, RelName};
use rustix::io::Errno;
use std::collections::HashMap;

/// The result of loading a ledger.
#[derive(Debug, Default)]
pub(super) struct Loaded {
    /// The ledger is as it was known; nothing was read.
    pub unchanged: bool,
    /// The ledger was read from its beginning: what was known of it is void.
    pub reloaded: bool,
    /// The ledger does not continue from where it was known to end.
    pub diverged: bool,
    /// It was reloaded, and still ends as it was known to end: lines of it rotted, and the copies are the known ones.
    pub same_medium: bool,
    /// It is shorter than it was known to be.
    pub shrunk: bool,
    /// A break that no `recovered` line has settled yet.
    pub broken: Option<ChainBreak>,
    /// The last line has no line feed.
    pub no_final_newline: bool,
    /// Pieces of junk at the end that were never committed.
    pub torn: u64,
    /// The later format at which reading stopped, if there is one.
    pub newer_format: Option<u32>,
    /// Junk continues for longer than any power failure can leave; reading stopped there.
    pub oversized_garbage: bool,
    /// Length of the file in bytes.
    pub length: u64,
    /// Why the end could not be read, if the caller accepts a part.
    pub unreadable: Option<DiskError>,
}

impl Loaded {
    /// Whether it exists and is sound to its end.
    pub(super) fn is_whole(&self) -> bool {
        self.length > 0
            && self.broken.is_none()
            && self.newer_format.is_none()
            && self.unreadable.is_none()
    }
}

/// How much of a ledger to read.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum ReadExtent {
    /// What is new.
    New,
    /// What is new, up to where it can be read: a power failure may leave a file that claims to be longer than its
    /// clusters.
    Partly,
    /// All of it: known lines have rotted.
    All,
}

/// Brings the catalogue up to date with the ledger.
pub(super) fn load(
    bag: StationBag<'_>,
    replica: &mut ReplicaState,
    extent: ReadExtent,
    findings: &mut Vec<Finding>,
) -> Result<Loaded, JobError> {
    let StationBag { catalogue, volume, dir } = bag;
    let at = bag.file(LEDGER);
    let length = volume.length(&at)?.unwrap_or(0);
    let known = replica.ledger_bytes;
    let goes_on = continues_from(volume, &at, replica)?;
    let intact = known == 0 || goes_on;
    if intact && length == known && extent != ReadExtent::All {
        return Ok(Loaded { unchanged: true, length, ..Loaded::default() });
    }
    if length < known {
        check_answers(volume)?;
        findings.push(Finding::LedgerShorter { known, found: length });
    } else if !intact {
        findings.push(Finding::LedgerOther { known, found: length });
    }
    let reloaded = !intact || known == 0 || extent == ReadExtent::All;
    let shrunk = length < known;
    let mut loaded = Loaded { length, reloaded, shrunk, diverged: !goes_on, ..Loaded::default() };
    let before = catalogue.known_lines(replica.row)?;
    let (gaps, gaps_since, seq) = (replica.gaps, replica.gaps_since, replica.chain.seq);
    let admission =
        LedgerAdmission { volume, dir, from: if reloaded { 0 } else { known }, length, before };
    let room = admission.check(catalogue, replica, extent == ReadExtent::Partly)?;
    if known == 0 {
        catalogue.drop_partial(replica)?;
    }
    let mut taking = catalogue.import_ledger(room)?;
    let mut take = || -> Result<(), JobError> {
        if !intact {
            catalogue.remember_end(replica)?;
        }
        if reloaded {
            catalogue.retire_replica(replica, intact)?;
        }
        read_lines(bag, replica, extent, &mut loaded, &mut taking)?;
        let same = replica.gaps <= gaps && (intact || replica.gaps == 0);
        replica.gaps_since = if same { gaps_since } else { catalogue.change_no()? };
        catalogue.discount_departures(replica)?;
        catalogue.compare_changes(replica, if reloaded { 0 } else { seq })?;
        catalogue.save_replica(replica)?;
        if reloaded {
            loaded.same_medium = carry_over(catalogue, replica)?;
            note_lost_lines(catalogue, replica, &before, &loaded, findings)?;
        }
        Ok(())
    };
    match take() {
        Ok(()) => taking.done(replica)?,
        Err(error) => {
            let error = admission.no_room(room, error);
            // A program that is stopping does not spend time on deleting. What was known of a drive before is still
            // true.
            let forget = match &error {
                JobError::NoRoomForLedger { .. } => true,
                JobError::Disk(error) if error.trouble == ErrorKind::Stopped => false,
                _ => known == 0,
            };
            taking.give_up(replica, forget)?;
            return Err(error);
        }
    }
    if reloaded {
        catalogue.make_durable()?;
    }
    Ok(loaded)
}

/// Keeps what this card itself knows of the copies if they are those of the ledger known before. Not if the ledger ends
/// otherwise: that may be another medium, or an older state of this one.
fn carry_over(catalogue: &Catalogue, replica: &ReplicaState) -> Result<bool, JobError> {
    match catalogue.retired(replica)?.filter(|retired| retired.same_medium) {
        Some(retired) => catalogue.carry_over(retired.row, replica.row).map(|()| true),
        None => Ok(false),
    }
}

/// Marks as damaged a ledger that has fewer lines than when it was last read, until they are written again.
fn note_lost_lines(
    catalogue: &Catalogue,
    replica: &ReplicaState,
    before: &KnownLines,
    loaded: &Loaded,
    findings: &mut Vec<Finding>,
) -> Result<(), JobError> {
    let lines = before.lines.saturating_sub(catalogue.known_lines(replica.row)?.lines);
    let mut damaged = catalogue.log_damage(replica.row)?;
    if lines == 0 || damaged.iter().any(|damage| damage.log == Log::Ledger) {
        return Ok(());
    }
    let at = loaded.broken.map_or(loaded.length, |broken| broken.offset);
    findings.push(Finding::LedgerLinesLost { offset: at, lines });
    damaged.insert(0, LogDamage { log: Log::Ledger, offset: at, lines, unreadable: false });
    catalogue.set_log_damage(replica.row, &damaged)
}

/// Whether a ledger continues from where it is known to end: the known part still ends in the same line. By the hash
/// chain, nobody has then changed anything before it without intent. An unknown ledger has nothing to continue from.
pub(super) fn continues_from(
    volume: &dyn Volume,
    at: &RelName,
    replica: &ReplicaState,
) -> Result<bool, JobError> {
    if replica.ledger_bytes == 0 || volume.length(at)?.unwrap_or(0) < replica.ledger_bytes {
        return Ok(false);
    }
    let from = replica.ledger_bytes.saturating_sub(LEDGER_LINE_BYTES as u64);
    let mut tail = vec![0; (replica.ledger_bytes - from) as usize];
    let mut source = volume.read(at, from, ReadFrom::Medium)?;
    let got = crate::disk::read_full(&mut *source, &mut tail)?;
    let Some(text) = tail[..got].strip_suffix(b"\n") else { return Ok(false) };
    let line = text.rsplit(|&b| b == b'\n').next().unwrap_or(text);
    Ok(claimed_hash(line) == Some(replica.chain.head))
}

fn read_lines(
    bag: StationBag<'_>,
    replica: &mut ReplicaState,
    extent: ReadExtent,
    loaded: &mut Loaded,
    taking: &mut LedgerImport<'_>,
) -> Result<(), JobError> {
    let catalogue = bag.catalogue;
    let (row, partly) = (replica.row, extent == ReadExtent::Partly);
    let known = match loaded.reloaded {
        true => KnownLines::default(),
        false => catalogue.known_lines(row)?,
    };
    if loaded.length == 0 {
        return catalogue.set_known_lines(row, &known);
    }
    let lines = LineReader::new(bag.volume.read(
        &bag.file(LEDGER),
        replica.ledger_bytes,
        ReadFrom::Medium,
    )?);
    let reader = ChainReader::resume(replica.chain, replica.ledger_bytes, replica.gaps);
    let mut ledger_reader = LedgerReader::new(reader, lines, known, partly);
    ledger_reader.known_through = match loaded.reloaded {
        true => catalogue.retired(replica)?.map_or(0, |retired| retired.ledger_bytes),
        false => replica.ledger_bytes,
    };
    let long = loaded.length.saturating_sub(replica.ledger_bytes) >= LEDGER_AHEAD_BYTES;
    catalogue.begin_reading()?;
    let before = replica.chain.seq;
    let mut positions = HashMap::new();
    let (mut first_copy, mut all_own) = (None, true);
    let take = |group: LineGroup| {
        let lines = group.iter().map(|read| read.line.event.entries()).sum();
        for ReadLine { line, trust, gaps } in group {
            let event = &line.event;
            if let Some(PayloadName { number, .. }) = event.new_copy() {
                first_copy = Some(first_copy.map_or(number, |n: u32| n.min(number)));
            }
            if let Some(Position { writer, n }) = event.position() {
                if let Some(latest) = positions.get_mut(&writer) {
                    *latest = n.max(*latest);
                } else if positions.len() < WRITERS_READ {
                    positions.insert(writer, n);
                }
            }
            if let Some(author) = event.author() {
                all_own = all_own && catalogue.is_own(author)?;
            }
            catalogue.apply(replica, &line, trust, gaps)?;
        }
        match taking.count_lines(lines, row)? {
            true => Ok(()),
            false => Err(DiskError::new("keep", "what a ledger tells", Errno::NOSPC).into()),
        }
    };
    let read = if long { ledger_reader.read_ahead_of(take) } else { ledger_reader.read_with(take) };
    catalogue.end_reading();
    let read = read?;
    catalogue.note_read(&positions)?;
    catalogue.note_departures_read(row, before)?;
    after_reading(replica, loaded, &read, all_own);
    catalogue.set_known_lines(row, &read.known)?;
    // A restore reads every copy anyway, and its catalogue is thrown away.
    if let Some(first) = first_copy.filter(|_| !partly) {
        catalogue.known_from_lines(row, first)?;
    }
    catalogue.save_replica(replica)
}

/// Updates what is known of a ledger after reading it; `all_own`: this card alone wrote what was read.
fn after_reading(
    replica: &mut ReplicaState,
    loaded: &mut Loaded,
    read: &LedgerReader,
    all_own: bool,
) {
    loaded.newer_format = read.newer;
    loaded.unreadable.clone_from(&read.unreadable);
    loaded.oversized_garbage = read.oversized_garbage;
    loaded.broken = read.reader.broken();
    loaded.no_final_newline = read.lines.no_final_newline;
    let gaps = read.reader.gaps();
    // Junk after all that this card knew, among lines of this card alone, is from this card's own power failure: any
    // other writer begins with several lines. A line without its line feed was never committed either.
    loaded.torn = match !loaded.reloaded && all_own {
        true => gaps - replica.gaps,
        false => u64::from(read.ends_in_gap && read.lines.no_final_newline),
    };
    replica.chain = read.reader.chain();
    replica.gaps = gaps - loaded.torn;
    replica.gaps_unknown += replica.gaps.saturating_sub(read.gaps_known);
    // Another card wrote, or this one before it lost its state: every message is compared with the ledger again.
    replica.recorded_through = 0;
    replica.ledger_bytes =
        if loaded.oversized_garbage { read.last_line_ends } else { read.reader.offset() };
    // Whoever wrote these lines may have ended before syncing them.
    replica.unsynced_lines = true;
}

/// Draws how many line numbers a new run of lines skips.
pub(super) fn drawn_number() -> Result<u64, JobError> {
    // Hashed, so that a replayed run whose random bits are consecutive gets numbers that are just as far apart.
    let drawn = Digest::of(&host::random_bits()?.to_le_bytes());
    let bits = drawn.as_bytes()[..8].iter().fold(0, |bits, byte| bits << 8 | u64::from(*byte));
    Ok(bits % RUN_NUMBERS)
}

/// Appends events as chained lines, makes them durable, and applies them to the catalogue. This is the commit point:
/// what the lines say is true from the moment this returns. No line number is used twice, whatever lines a drive lost
/// without anybody's knowledge: the first line written after a drive was opened skips as many numbers as were drawn. So
/// no honest line has the number of another one that a card or a drive may remember.
pub(super) fn append(
    bag: StationBag<'_>,
    replica: &mut ReplicaState,
    stamp: &EventTime,
    events: Vec<Event>,
    end_line_before: bool,
) -> Result<(), JobError> {
    let catalogue = bag.catalogue;
    let mut chain = replica.chain_to_write();
    let mut text = String::new();
    if end_line_before {
        text.push('\n');
    }
    let mut known = catalogue.known_lines(replica.row)?;
    let mut lines = Vec::with_capacity(events.len());
    let has_loss = events.iter().any(Event::is_copy_loss);
    for event in events {
        text.push_str(&chain.write(stamp, event.clone()));
        known.add(&chain.head);
        lines.push(Line { seq: chain.seq, stamp: stamp.clone(), event });
    }
    write_proven(bag.volume, &bag.file(LEDGER), replica.ledger_bytes, text.as_bytes())?;
    catalogue.write_transaction(|| {
        replica.chain = chain;
        replica.ledger_bytes += text.len() as u64;
        replica.left_out = 0;
        replica.unsynced_lines = false;
        let gaps = replica.gaps;
        lines.iter().try_for_each(|line| catalogue.apply(replica, line, LineTrust::Sound, gaps))?;
        if let Some(first) = lines.first() {
            catalogue.note_own_lines(replica, first.seq)?;
        }
        catalogue.set_known_lines(replica.row, &known)?;
        catalogue.save_replica(replica)
    })?;
    if has_loss { catalogue.make_durable() } else { Ok(()) }
}
