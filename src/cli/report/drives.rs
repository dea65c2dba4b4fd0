//! The drives: what each holds, in what state, when seen and proven.

use super::contradictions::{self, ContradictionJson};
use super::{clipped, count, shown_time, size};
use crate::cli::notices;
use crate::cli::output::{Output, Style};
use crate::cli::which_drive::{self, Advice};
use crate::job::catalogue::{
    Contradiction, DriveFacts, DriveRow, DriveRowId, HistoryEntry, Log, LogDamage, Recognition,
    Replaced,
};
use crate::job::report::statistics::ProofDates;
use crate::model::bag::CarriedProgram;
use crate::model::{Digest, DriveId, DriveLoss, Medium, Timestamp};
use serde::Serialize;
use std::time::Duration;

/// A drive as shown.
#[derive(Debug, Clone)]
pub(in crate::cli) struct DriveView {
    /// Its row in the catalogue and its id; none of one that nothing was ever written to.
    pub ids: Option<(DriveRowId, DriveId)>,
    /// What is known of it.
    pub row: DriveFacts,
    /// Whether it is there now.
    pub mounted: bool,
    /// Its state now.
    pub state: String,
    /// Messages it holds for the station.
    pub messages: u64,
    /// Sum of their lengths, in bytes.
    pub bytes: u64,
    /// In how many days it is full at the present rate; `None`: not known.
    pub days_left: Option<u64>,
    /// Good copies for the station that this card has never read, having them from the drive's ledger alone; and how
    /// many good copies there are.
    pub unread: (u64, u64),
    /// What of its ledger and its manifest was found damaged and is not written again yet.
    pub logs: Vec<LogDamage>,
    /// Bytes of what it carries in addition to them, as this card last left it.
    pub carried: Option<u64>,
    /// Its history, the latest first.
    pub history: Vec<HistoryEntry>,
    /// It is one of ours, also where only those are used.
    pub known: Option<Recognition>,
    /// The announcement while it is new.
    pub announced: Option<String>,
    /// What it contradicts.
    pub contradicts: Vec<Contradiction>,
}

impl DriveView {
    /// A drive that is here, and that nothing was ever written to.
    pub(in crate::cli) fn never_used(label: &str, path: &[u8], state: String) -> Self {
        let row = DriveFacts {
            label: label.to_owned(),
            path: path.to_vec(),
            state: state.clone(),
            ..DriveFacts::default()
        };
        Self::with(None, row, true, state, (0, 0))
    }

    /// A drive of which no more is known yet than its row and what it holds: messages, and bytes of them.
    pub(in crate::cli) fn new(
        row: DriveRow,
        mounted: bool,
        state: String,
        held: (u64, u64),
    ) -> Self {
        Self::with(Some((row.row, row.id)), row.facts, mounted, state, held)
    }

    fn with(
        ids: Option<(DriveRowId, DriveId)>,
        row: DriveFacts,
        mounted: bool,
        state: String,
        held: (u64, u64),
    ) -> Self {
        let (messages, bytes) = held;
        let (days_left, carried, unread, logs) = (None, None, (0, 0), Vec::new());
        let (history, known, announced, contradicts) = (Vec::new(), None, None, Vec::new());
        Self {
            ids,
            row,
            mounted,
            state,
            messages,
            bytes,
            days_left,
            unread,
            logs,
            carried,
            history,
            known,
            announced,
            contradicts,
        }
    }

    /// Its id; one that was never written to has none.
    fn id(&self) -> Option<DriveId> {
        self.ids.map(|(_, id)| id)
    }
}

/// The JSON of a drive.
#[derive(Serialize)]
pub(in crate::cli) struct DriveJson<'a> {
    id: Option<DriveId>,
    label: &'a str,
    mounted: bool,
    state: &'a str,
    counts: bool,
    messages: u64,
    bytes: u64,
    carried_bytes: Option<u64>,
    known_since: Option<Timestamp>,
    last_seen: Option<Timestamp>,
    last_verified: Option<Timestamp>,
    medium: Medium,
    away_since: Option<Timestamp>,
    replace_soon: Option<&'a str>,
    untrusted: Option<&'a str>,
    forgotten: Option<ForgottenJson<'a>>,
    replaced: Option<ReplacedJson>,
    same_device_as: Option<&'a str>,
    contradicts: Vec<ContradictionJson<'a>>,
    history: Vec<EventJson<'a>>,
    known: Option<KnownJson<'a>>,
    announced: Option<&'a str>,
    days_left: Option<u64>,
    copies_unread: u64,
    ledger_damaged: Option<LogDamageJson>,
    manifest_damaged: Option<LogDamageJson>,
}

#[derive(Serialize)]
struct ForgottenJson<'a> {
    since: Timestamp,
    why: DriveLoss,
    #[serde(rename = "where")]
    place: Option<&'a str>,
}

#[derive(Serialize)]
struct ReplacedJson {
    since: Timestamp,
    by: Option<DriveId>,
    known_by: &'static str,
    sure: bool,
}

#[derive(Serialize)]
struct EventJson<'a> {
    at: Timestamp,
    what: &'a str,
    why: Option<&'a str>,
    #[serde(rename = "where")]
    place: Option<&'a str>,
}

#[derive(Serialize)]
struct KnownJson<'a> {
    since: Timestamp,
    how: &'static str,
    serial: Option<&'a str>,
}

/// What of a log is damaged; null if nothing is known to be.
#[derive(Serialize)]
struct LogDamageJson {
    at: u64,
    lines: u64,
    unreadable: bool,
}

impl<'a> DriveJson<'a> {
    pub(in crate::cli) fn of(drive: &'a DriveView) -> Self {
        let row = &drive.row;
        let damaged = |log: Log| {
            let LogDamage { offset, lines, unreadable, .. } =
                *drive.logs.iter().find(|damage| damage.log == log)?;
            Some(LogDamageJson { at: offset, lines, unreadable })
        };
        Self {
            id: drive.id(),
            label: &row.label,
            mounted: drive.mounted,
            state: &drive.state,
            counts: row.counts,
            messages: drive.messages,
            bytes: drive.bytes,
            carried_bytes: drive.carried,
            known_since: row.known_since,
            last_seen: row.last_seen,
            last_verified: row.last_verified,
            medium: row.medium,
            away_since: row.away,
            replace_soon: row.worn.as_deref(),
            untrusted: row.distrust.as_deref(),
            forgotten: row.forgotten.as_ref().map(|gone| ForgottenJson {
                since: gone.since,
                why: gone.why,
                place: gone.place.as_deref(),
            }),
            replaced: row.replaced.as_ref().map(|replaced| ReplacedJson {
                since: replaced.since,
                by: replaced.by,
                known_by: replaced.how.as_str(),
                sure: replaced.how.is_sure(),
            }),
            same_device_as: row.same_device.as_deref(),
            contradicts: contradictions::json(&drive.contradicts),
            history: drive.history.iter().map(EventJson::of).collect(),
            known: drive.known.as_ref().map(|known| KnownJson {
                since: known.since,
                how: known.how.as_str(),
                serial: known.serial.as_deref(),
            }),
            announced: drive.announced.as_deref(),
            days_left: drive.days_left,
            copies_unread: drive.unread.0,
            ledger_damaged: damaged(Log::Ledger),
            manifest_damaged: damaged(Log::Manifest),
        }
    }
}

impl<'a> EventJson<'a> {
    fn of(event: &'a HistoryEntry) -> Self {
        let (why, place) = (event.why.as_deref(), event.place.as_deref());
        Self { at: event.time, what: &event.what, why, place }
    }
}

pub(in crate::cli) fn table(output: &Output, drives: &[DriveView]) {
    if drives.is_empty() {
        output.line("No drive is here, and none has been used yet.");
        return;
    }
    output.line(output.styled(
        Style::Strong,
        "  drive               copies       size  all re-read        state",
    ));
    for drive in drives {
        let state = notices::drive_state(&drive.state);
        let style = match drive.state.as_str() {
            "safe" => Style::Good,
            "failed" | "full" | "untrusted" | "forgotten" | "refused" | "replaced" => Style::Bad,
            _ => Style::Plain,
        };
        let line = format!(
            "  {:<16} {:>9} {:>10}  {:<17}  {}",
            clipped(&drive.row.label, 16),
            drive.messages,
            size(drive.bytes),
            shown_time(drive.row.last_verified),
            output.styled(style, state)
        );
        output.line(line);
        if let Some(announced) = &drive.announced {
            output.line(format!("    {announced}"));
        }
        for Advice { text, command } in remarks(drive) {
            output.wrapped(&format!("    {text}"));
            command.iter().for_each(|command| output.line(format!("      {command}")));
        }
        for note in notes(drive) {
            output.line(format!("    {note}"));
        }
    }
}

/// When a drive's copies were proven, those only read back when they were made apart from those read again.
pub(in crate::cli) fn proof(proven: &ProofDates) -> String {
    let made = proven.copies - proven.read_again;
    let oldest = shown_time(Some(proven.oldest));
    match (proven.read_again, made) {
        (0, made) => {
            format!("all {made} read back when they were made, none since; oldest {oldest}")
        }
        (read_again, 0) => {
            format!("all {read_again} read again after they were made; oldest {oldest}")
        }
        (read_again, made) => format!(
            "{read_again} read again after they were made, {made} only when they were made; oldest {oldest}"
        ),
    }
}

/// What the operator said of where a drive is.
pub(in crate::cli) fn away(drive: &DriveView) -> Option<String> {
    let since = drive.row.away?;
    Some(format!("elsewhere since {}, as declared", shown_time(Some(since))))
}

/// What of a drive's copies rests on its ledger alone, and what of the ledger is damaged.
pub(in crate::cli) fn records(drive: &DriveView) -> Vec<String> {
    let mut lines = Vec::new();
    let (unread, copies) = drive.unread;
    if unread > 0 {
        lines.push(format!(
            "{unread} of {} not read since this card took over",
            count(copies, "copy").replace("copys", "copies")
        ));
    }
    lines.extend(drive.logs.iter().map(|damage| {
        let finding = crate::job::replica::log_finding(damage);
        notices::finding(&finding)
    }));
    lines
}

/// Why a drive's copies do not count, or count though they are lost with the card; what its operator is to decide.
pub(in crate::cli) fn remarks(drive: &DriveView) -> Vec<Advice> {
    let row = &drive.row;
    if let Some(gone) = row.forgotten.as_ref().filter(|gone| gone.why == DriveLoss::Refused) {
        let since = shown_time(Some(gone.since));
        let text = format!("refused since {since}; its copies count for nothing");
        return vec![Advice::text(text)];
    }
    if let Some(gone) = &row.forgotten {
        let since = shown_time(Some(gone.since));
        let why = which_drive::loss(gone.why, gone.place.as_deref());
        let text = format!("forgotten since {since}: {why}; its copies count for nothing");
        return vec![Advice::text(text)];
    }
    if let (Some(Replaced { since, by, how }), Some((_, id))) = (&row.replaced, drive.ids) {
        let since = shown_time(Some(*since));
        let (text, settle) = match how.is_sure() {
            true => (
                format!("reformatted or replaced, seen {since}: its copies count for nothing."),
                which_drive::advise_replaced(id),
            ),
            false => (
                match by {
                    Some(by) => format!("since {since} drive {by} is where it was last."),
                    None => {
                        format!("since {since} nothing of it is left where it was last.")
                    }
                },
                which_drive::advise_reformatted("it", id),
            ),
        };
        return std::iter::once(Advice::text(text)).chain(settle).collect();
    }
    if !drive.contradicts.is_empty() {
        let found = drive
            .contradicts
            .iter()
            .map(|found| Advice::text(contradictions::sentence_for_drive(found)));
        return found.chain(drive.contradicts.first().map(contradictions::advice)).collect();
    }
    let on_card = |mailbox: &String| which_drive::on_same_device(mailbox, row.counts);
    row.same_device.iter().map(on_card).map(Advice::text).collect()
}

/// What to know of a drive in addition to its state.
fn notes(drive: &DriveView) -> Vec<String> {
    let mut notes = Vec::new();
    let row = &drive.row;
    if row.forgotten.is_some() {
        return notes;
    }
    if let Some(why) = &row.distrust {
        notes.push(format!("not trusted: {why}; nothing counts as mirrored on it alone"));
    } else if !row.detail.is_empty() && drive.state != "safe" && drive.mounted {
        notes.push(row.detail.clone());
    }
    if let Some(why) = &row.worn {
        notes.push(format!("replace soon: {why}"));
    }
    notes.extend(records(drive));
    if let Some(days) = drive.days_left {
        notes.push(format!("room for about {} at the present rate", count(days, "day")));
    }
    notes
}

/// What the hashes of the programs are for.
pub(in crate::cli) const PROGRAMS: &str = "The program on a stick must have this SHA-256. Note it: README.TXT on the \
                                           stick names it too, and a stick proves nothing of itself.";

/// The programs that drives carry, and what each must be.
pub(in crate::cli) fn programs(output: &Output, programs: &[CarriedProgram]) {
    if programs.is_empty() {
        return;
    }
    output.line("");
    output.wrapped(&format!("  {PROGRAMS}"));
    for CarriedProgram { name, identity } in programs {
        output.line(format!("    {} {name}", identity.digest));
    }
}

/// The JSON of a program.
#[derive(Serialize)]
pub(in crate::cli) struct ProgramJson<'a> {
    name: &'a str,
    bytes: u64,
    sha256: Digest,
}

impl<'a> ProgramJson<'a> {
    pub(in crate::cli) fn of(program: &'a CarriedProgram) -> Self {
        let CarriedProgram { name, identity } = program;
        Self { name, bytes: identity.bytes, sha256: identity.digest }
    }
}

/// That the next new stick is let in.
pub(in crate::cli) fn next_let_in(output: &Output, left: Option<Duration>) {
    if let Some(left) = left {
        let minutes = count(left.as_secs().div_ceil(60), "minute");
        output.line(format!("The next new stick is let in, if it comes within {minutes}."));
    }
}

pub(in crate::cli) fn list(output: &Output, drives: &[DriveView]) {
    table(output, drives);
    for drive in drives {
        output.line(format!(
            "  {}: id {}, known since {}, last seen {} at {}",
            drive.row.label,
            drive.id().map_or("none".to_owned(), |id| id.to_string()),
            shown_time(drive.row.known_since),
            shown_time(drive.row.last_seen),
            crate::model::escape::shown(&drive.row.path)
        ));
        if let Some(carried) = drive.carried {
            let carried = size(carried);
            output.line(format!(
                "    carries {carried} in addition to the copies: see README.TXT on it"
            ));
        }
    }
}
