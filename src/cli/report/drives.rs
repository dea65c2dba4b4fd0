//! The drives: what each holds, in what state, when seen and proven.

use super::{clipped, contradictions, count, size, when};
use crate::cli::notices;
use crate::cli::output::{Output, Tone};
use crate::cli::which_drive::{self, Advice};
use crate::job::catalogue::{
    Contradiction, DriveEvent, DriveFacts, DriveRow, DriveRowId, KnownAs, Log, LogDamage, Replaced,
};
use crate::job::statistics::Proven;
use crate::model::bag::CarriedProgram;
use crate::model::{DriveId, DriveLoss};
use serde_json::{Value, json};
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
    /// Bytes of them.
    pub bytes: u64,
    /// In how many days it is full at the present rate, as far as can be told.
    pub days_left: Option<u64>,
    /// Good copies for the station that this card has never read, having them from the drive's ledger alone; and how
    /// many good copies there are.
    pub unread: (u64, u64),
    /// What of its ledger and its manifest was found damaged and is not written again yet.
    pub logs: Vec<LogDamage>,
    /// Bytes of what it carries beside them, as this card last left it.
    pub carried: Option<u64>,
    /// What was said of it and found out about it, the latest first.
    pub history: Vec<DriveEvent>,
    /// It is one of ours, also where only those are used.
    pub known: Option<KnownAs>,
    /// What is said of it as long as it is new.
    pub announced: Option<String>,
    /// What it contradicts.
    pub contradicts: Vec<Contradiction>,
}

impl DriveView {
    /// A drive that is here, and that nothing was ever written to.
    pub(in crate::cli) fn never_used(label: &str, at: &[u8], state: String) -> Self {
        let row = DriveFacts {
            label: label.to_owned(),
            at: at.to_vec(),
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
    fn id(&self) -> Option<String> {
        self.ids.map(|(_, id)| id.to_string())
    }
}

pub(in crate::cli) fn json(drive: &DriveView) -> Value {
    let time =
        |moment: Option<crate::model::Timestamp>| moment.map(crate::model::Timestamp::to_rfc3339);
    let forgotten = drive.row.forgotten.as_ref().map(|gone| {
        json!({
            "since": gone.since.to_rfc3339(),
            "why": gone.why.as_str(),
            "where": gone.place,
        })
    });
    let replaced = drive.row.replaced.as_ref().map(|replaced| {
        json!({
            "since": replaced.since.to_rfc3339(),
            "by": replaced.by.map(|id| id.to_string()),
            "known_by": replaced.how.as_str(),
            "sure": replaced.how.is_sure(),
        })
    });
    let history = drive.history.iter().map(|event| {
        json!({
            "at": event.at.to_rfc3339(),
            "what": event.what,
            "why": event.why,
            "where": event.place,
        })
    });
    let known = drive.known.as_ref().map(|known| {
        json!({
            "since": known.since.to_rfc3339(),
            "how": known.how.as_str(),
            "serial": known.serial,
        })
    });
    json!({
        "id": drive.id(),
        "label": drive.row.label,
        "mounted": drive.mounted,
        "state": drive.state,
        "counts": drive.row.counts,
        "messages": drive.messages,
        "bytes": drive.bytes,
        "carried_bytes": drive.carried,
        "known_since": time(drive.row.known_since),
        "last_seen": time(drive.row.last_seen),
        "last_verified": time(drive.row.last_verified),
        "medium": drive.row.medium.as_str(),
        "away_since": time(drive.row.away),
        "replace_soon": drive.row.worn,
        "untrusted": drive.row.distrust,
        "forgotten": forgotten,
        "replaced": replaced,
        "same_device_as": drive.row.same_device,
        "contradicts": drive.contradicts.iter().map(contradictions::json).collect::<Vec<_>>(),
        "history": history.collect::<Vec<_>>(),
        "known": known,
        "announced": drive.announced,
        "days_left": drive.days_left,
        "copies_unread": drive.unread.0,
        "ledger_damaged": damaged(drive, Log::Ledger),
        "manifest_damaged": damaged(drive, Log::Manifest),
    })
}

/// What of a log is damaged; null if nothing is known to be.
fn damaged(drive: &DriveView, log: Log) -> Value {
    match drive.logs.iter().find(|damage| damage.log == log) {
        Some(LogDamage { at, lines, unreadable, .. }) => {
            json!({"at": at, "lines": lines, "unreadable": unreadable})
        }
        None => Value::Null,
    }
}

pub(in crate::cli) fn table(output: &Output, drives: &[DriveView]) {
    if drives.is_empty() {
        output.line("No drive is here, and none has been used yet.");
        return;
    }
    output.line(
        output.tone(
            Tone::Strong,
            "  drive               copies       size  all re-read        state",
        ),
    );
    for drive in drives {
        let state = notices::drive_state(&drive.state);
        let tone = match drive.state.as_str() {
            "safe" => Tone::Good,
            "failed" | "full" | "untrusted" | "forgotten" | "refused" | "replaced" => Tone::Bad,
            _ => Tone::Plain,
        };
        let line = format!(
            "  {:<16} {:>9} {:>10}  {:<17}  {}",
            clipped(&drive.row.label, 16),
            drive.messages,
            size(drive.bytes),
            when(drive.row.last_verified),
            output.tone(tone, state)
        );
        output.line(line);
        if let Some(announced) = &drive.announced {
            output.line(format!("    {announced}"));
        }
        for Advice { text, command } in standing(drive) {
            output.wrapped(&format!("    {text}"));
            command.iter().for_each(|command| output.line(format!("      {command}")));
        }
        for note in notes(drive) {
            output.line(format!("    {note}"));
        }
    }
}

/// When a drive's copies were proven, those read back when they were made told apart from those read again.
pub(in crate::cli) fn proof(proven: &Proven) -> String {
    let made = proven.copies - proven.reread;
    let oldest = when(Some(proven.oldest));
    match (proven.reread, made) {
        (0, made) => {
            format!("all {made} read back when they were made, none since; oldest {oldest}")
        }
        (reread, 0) => format!("all {reread} read again after they were made; oldest {oldest}"),
        (reread, made) => format!(
            "{reread} read again after they were made, {made} only when they were made; oldest {oldest}"
        ),
    }
}

/// What the operator said of where a drive is.
pub(in crate::cli) fn away(drive: &DriveView) -> Option<String> {
    let since = drive.row.away?;
    Some(format!("elsewhere since {}, as declared", when(Some(since))))
}

/// What of a drive's copies rests on its ledger's word alone, and what of the ledger is damaged.
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
pub(in crate::cli) fn standing(drive: &DriveView) -> Vec<Advice> {
    let row = &drive.row;
    if let Some(gone) = row.forgotten.as_ref().filter(|gone| gone.why == DriveLoss::Refused) {
        let since = when(Some(gone.since));
        let text = format!("refused since {since}; its copies count for nothing");
        return vec![Advice::text(text)];
    }
    if let Some(gone) = &row.forgotten {
        let since = when(Some(gone.since));
        let why = which_drive::loss(gone.why, gone.place.as_deref());
        let text = format!("forgotten since {since}: {why}; its copies count for nothing");
        return vec![Advice::text(text)];
    }
    if let (Some(Replaced { since, by, how }), Some((_, id))) = (&row.replaced, drive.ids) {
        let since = when(Some(*since));
        let (text, settle) = match how.is_sure() {
            true => (
                format!("reformatted or replaced, seen {since}: its copies count for nothing."),
                which_drive::settle_replaced(id),
            ),
            false => (
                match by {
                    Some(by) => format!("since {since} drive {by} is where it was last."),
                    None => {
                        format!("since {since} nothing of it is left where it was last.")
                    }
                },
                which_drive::settle_reformatted("it", id),
            ),
        };
        return std::iter::once(Advice::text(text)).chain(settle).collect();
    }
    if !drive.contradicts.is_empty() {
        let told = drive.contradicts.iter().map(|found| Advice::text(contradictions::alone(found)));
        return told.chain(drive.contradicts.first().map(contradictions::advice)).collect();
    }
    let on_card = |mailbox: &String| which_drive::on_same_device(mailbox, row.counts);
    row.same_device.iter().map(on_card).map(Advice::text).collect()
}

/// What to know of a drive beside its state.
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

pub(in crate::cli) fn programs_json(programs: &[CarriedProgram]) -> Value {
    let json = |program: &CarriedProgram| {
        let CarriedProgram { name, identity } = program;
        json!({"name": name, "bytes": identity.bytes, "sha256": identity.digest.to_string()})
    };
    programs.iter().map(json).collect()
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
            drive.id().unwrap_or_else(|| "none".to_owned()),
            when(drive.row.known_since),
            when(drive.row.last_seen),
            crate::model::escape::shown(&drive.row.at)
        ));
        if let Some(carried) = drive.carried {
            let carried = size(carried);
            output.line(format!("    carries {carried} beside the copies: see README.TXT on it"));
        }
    }
}
