//! What is safe now, on one screen.

use super::drives::{self, Shown};
use super::{audit, size};
use crate::cli::notices;
use crate::cli::output::Output;
use crate::cli::setup::Setup;
use crate::job::audit::{Audit, SameDeviceCopies};
use crate::model::escape;
use serde_json::{Value, json};

pub(in crate::cli) fn json(setup: &Setup, audit: &Audit, daemon: bool, drives: &[Shown]) -> Value {
    let bytes = audit.unmirrored.bytes();
    json!({
        "schema": 1,
        "station": setup.station.as_str(),
        "daemon": daemon,
        "messages": {
            "total": audit.messages,
            "mirrored": audit.mirrored,
            "unmirrored": audit.unmirrored.count(),
            "unmirrored_bytes": bytes,
        },
        "same_device_counted": audit.on_same_device(SameDeviceCopies::Counted)
            .map(|(label, _)| label).collect::<Vec<_>>(),
        "same_device_left_out": audit.on_same_device(SameDeviceCopies::LeftOut)
            .map(|(label, _)| label).collect::<Vec<_>>(),
        "drives": drives.iter().map(drives::json).collect::<Vec<_>>(),
    })
}

pub(in crate::cli) fn text(
    output: &Output,
    setup: &Setup,
    audit: &Audit,
    daemon: bool,
    drives: &[Shown],
) {
    audit::headline(output, audit, &setup.station);
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
