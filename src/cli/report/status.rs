//! What is safe now, on one screen.

use super::card_use;
use super::drives;
use super::drives::{DriveJson, ProgramJson};
use super::size;
use super::summary_json::SummaryJson;
use super::verdict::Summary;
use crate::cli::commands::inspect::Inspection;
use crate::cli::notices;
use crate::cli::output::{Output, Style};
use crate::cli::resolved::Resolved;
use crate::job::report::card_use::CardUse;
use crate::model::bag::CarriedProgram;
use crate::model::{StationName, escape};
use serde::Serialize;

/// The JSON of `status`.
#[derive(Serialize)]
struct StatusJson<'a> {
    #[serde(flatten)]
    summary: SummaryJson<'a>,
    station: &'a StationName,
    daemon: bool,
    next_stick_seconds: Option<u64>,
    card: &'a CardUse,
    programs: Vec<ProgramJson<'a>>,
    drives: Vec<DriveJson<'a>>,
}

pub(in crate::cli) fn json<'a>(
    summary: &Summary<'a>,
    inspection: &'a Inspection,
    programs: &'a [CarriedProgram],
) -> impl Serialize + 'a {
    StatusJson {
        summary: summary.json(),
        station: summary.station,
        daemon: inspection.daemon,
        next_stick_seconds: inspection.next_let_in.map(|left| left.as_secs()),
        card: &inspection.card,
        programs: programs.iter().map(ProgramJson::of).collect(),
        drives: inspection.drives.iter().map(DriveJson::of).collect(),
    }
}

pub(in crate::cli) fn text(
    output: &Output,
    resolved: &Resolved,
    summary: &Summary<'_>,
    inspection: &Inspection,
    programs: &[CarriedProgram],
) {
    summary.say(output);
    if let Some(worn) = card_use::warning(&inspection.card) {
        output.styled_lines(Style::Bad, &worn);
    }
    output.line("");
    for mailbox in &resolved.mailboxes {
        output.line(format!("  mailbox  {}: {}", mailbox.name, escape::shown_path(&mailbox.path)));
    }
    let daemon = match inspection.daemon {
        true => "running: new messages are copied by themselves",
        false => "not running: nothing is copied until you run counterfoil mirror",
    };
    output.line(format!("  daemon   {daemon}"));
    output.line("");
    drives::table(output, &inspection.drives);
    drives::next_let_in(output, inspection.next_let_in);
    let mut reasons = inspection.audit.unmirrored.by_reason().peekable();
    if reasons.peek().is_some() {
        output.line("");
    }
    for (reason, count, bytes) in reasons {
        let next = notices::next_step(reason);
        output.line(format!("  {count} {reason} ({}): {next}", size(bytes)));
    }
    drives::programs(output, programs);
}
