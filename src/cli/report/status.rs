//! What is safe now, on one screen.

use super::drives::{self, Shown};
use super::size;
use super::verdict::Summary;
use crate::cli::notices;
use crate::cli::output::Output;
use crate::cli::setup::Setup;
use crate::job::audit::Audit;
use crate::model::escape;
use serde_json::{Value, json};

pub(in crate::cli) fn json(summary: &Summary<'_>, daemon: bool, drives: &[Shown]) -> Value {
    let mut object = summary.json();
    object.insert("schema".into(), json!(1));
    object.insert("station".into(), json!(summary.station.as_str()));
    object.insert("daemon".into(), json!(daemon));
    object.insert("drives".into(), drives.iter().map(drives::json).collect());
    Value::Object(object)
}

pub(in crate::cli) fn text(
    output: &Output,
    setup: &Setup,
    audit: &Audit,
    summary: &Summary<'_>,
    daemon: bool,
    drives: &[Shown],
) {
    summary.say(output);
    output.line("");
    for mailbox in &setup.mailboxes {
        output.line(format!("  mailbox  {}: {}", mailbox.name, escape::shown_path(&mailbox.path)));
    }
    let daemon = match daemon {
        true => "running: new messages are copied by themselves",
        false => "not running: nothing is copied until you run counterfoil mirror",
    };
    output.line(format!("  daemon   {daemon}"));
    output.line("");
    drives::table(output, drives);
    let mut reasons = audit.unmirrored.by_reason().peekable();
    if reasons.peek().is_some() {
        output.line("");
    }
    for (reason, count, bytes) in reasons {
        let next = notices::next_step(reason);
        output.line(format!("  {count} {reason} ({}): {next}", size(bytes)));
    }
}
