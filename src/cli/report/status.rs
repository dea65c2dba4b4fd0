//! What is safe now, on one screen.

use super::drives::{self, Shown};
use super::{audit, size};
use crate::cli::notices;
use crate::cli::output::Output;
use crate::cli::setup::Setup;
use crate::job::audit::Audit;
use crate::model::escape;
use serde_json::{Value, json};

pub(in crate::cli) fn json(setup: &Setup, audit: &Audit, daemon: bool, drives: &[Shown]) -> Value {
    let bytes: u64 = audit.unmirrored.iter().map(|m| m.bytes).sum();
    json!({
        "schema": 1,
        "station": setup.station.as_str(),
        "daemon": daemon,
        "messages": {
            "total": audit.messages,
            "mirrored": audit.mirrored,
            "unmirrored": audit.unmirrored.len(),
            "unmirrored_bytes": bytes,
        },
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
    let mut reasons: Vec<_> = audit.unmirrored.iter().filter_map(|m| m.reason).collect();
    reasons.sort_by_key(|r| r.as_str());
    if !reasons.is_empty() {
        output.line("");
    }
    for group in reasons.chunk_by(|a, b| a == b) {
        let Some(reason) = group.first() else { continue };
        let bytes =
            audit.unmirrored.iter().filter(|m| m.reason == Some(*reason)).map(|m| m.bytes).sum();
        output.line(format!(
            "  {} {} ({}): {}",
            group.len(),
            reason,
            size(bytes),
            notices::next_step(*reason)
        ));
    }
}
