//! The drives: what each holds, in what state, when seen and proven.

use super::{clipped, size, when};
use crate::cli::notices;
use crate::cli::output::{Output, Tone};
use crate::job::catalogue::DriveRow;
use serde_json::{Value, json};

/// A drive as shown.
#[derive(Debug, Clone)]
pub(in crate::cli) struct Shown {
    /// Its row.
    pub row: DriveRow,
    /// Whether it is there now.
    pub mounted: bool,
    /// Its state now.
    pub state: String,
    /// Messages it holds for the station.
    pub messages: u64,
    /// Octets of them.
    pub bytes: u64,
}

pub(in crate::cli) fn json(drive: &Shown) -> Value {
    let time = |moment: Option<crate::model::Moment>| moment.map(crate::model::Moment::to_rfc3339);
    json!({
        "id": drive.row.id.to_string(),
        "label": drive.row.label,
        "mounted": drive.mounted,
        "state": drive.state,
        "messages": drive.messages,
        "bytes": drive.bytes,
        "last_seen": time(drive.row.last_seen),
        "last_verified": time(drive.row.last_verified),
    })
}

pub(in crate::cli) fn table(output: &Output, drives: &[Shown]) {
    if drives.is_empty() {
        output.line("No drive has been used yet.");
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
            "failed" | "full" => Tone::Bad,
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
        if !drive.row.detail.is_empty() && drive.state != "safe" && drive.mounted {
            output.line(format!("    {}", drive.row.detail));
        }
    }
}

pub(in crate::cli) fn list(output: &Output, drives: &[Shown]) {
    table(output, drives);
    for drive in drives {
        output.line(format!(
            "  {}: id {}, last seen {} at {}",
            drive.row.label,
            drive.row.id,
            when(drive.row.last_seen),
            crate::model::escape::shown(&drive.row.at)
        ));
    }
}
