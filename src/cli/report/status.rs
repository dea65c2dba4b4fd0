//! What is safe now, on one screen.

use super::drives;
use super::size;
use super::verdict::Summary;
use crate::cli::commands::inspect::Inspection;
use crate::cli::notices;
use crate::cli::output::Output;
use crate::cli::resolved::Resolved;
use crate::model::bag::CarriedProgram;
use crate::model::escape;
use serde_json::{Value, json};

pub(in crate::cli) fn json(
    summary: &Summary<'_>,
    inspection: &Inspection,
    programs: &[CarriedProgram],
) -> Value {
    let mut object = summary.json();
    object.insert("schema".into(), json!(1));
    object.insert("station".into(), json!(summary.station.as_str()));
    object.insert("daemon".into(), json!(inspection.daemon));
    let left = inspection.next_let_in.map(|left| left.as_secs());
    object.insert("next_stick_seconds".into(), json!(left));
    object.insert("programs".into(), drives::programs_json(programs));
    object.insert("drives".into(), inspection.drives.iter().map(drives::json).collect());
    Value::Object(object)
}

pub(in crate::cli) fn text(
    output: &Output,
    resolved: &Resolved,
    summary: &Summary<'_>,
    inspection: &Inspection,
    programs: &[CarriedProgram],
) {
    summary.say(output);
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
