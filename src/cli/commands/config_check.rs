//! `config check`: validate the config, print the values in force.

use crate::cli::Exit;
use crate::cli::args::{ConfigAction, ConfigArgs, LogTime};
use crate::cli::notices::CliError;
use crate::cli::output::Output;
use crate::cli::resolved::Resolved;
use crate::cli::whose::Touches;
use crate::cli::{link_config, span};
use crate::model::escape::{in_toml, shown_path};
use serde_json::json;
use std::path::Path;

pub(in crate::cli) fn run(
    config: Option<&Path>,
    args: &ConfigArgs,
    output: &Output,
) -> Result<Exit, CliError> {
    let ConfigAction::Check(scope) = &args.action;
    let resolved = Resolved::load_for(config, scope, &Touches::state_only())?;
    let file = resolved.config_file.as_ref().map(|path| shown_path(path));
    if scope.json {
        let mailboxes: Vec<_> = resolved
            .mailboxes
            .iter()
            .map(|m| json!({"name": m.name.as_str(), "path": m.path.to_string_lossy()}))
            .collect();
        output.json(&json!({
            "schema": 1,
            "config": file,
            "station": resolved.station.as_str(),
            "state": resolved.state.to_string_lossy(),
            "settle": span::written(resolved.settle),
            "churn": span::written(resolved.churn),
            "scan_every": span::written(resolved.scan_every),
            "ignore": resolved.ignore_texts,
            "mailbox": mailboxes,
            "drives": {
                "accept": resolved.accept.as_str(),
                "folders": resolved.folders.iter().map(|d| d.to_string_lossy()).collect::<Vec<_>>(),
                "wanted_copies": resolved.wanted_copies,
                "count_same_device": resolved.count_same_device,
                "prune": resolved.prune,
                "prune_after": span::written(resolved.prune_after),
                "carry": resolved.carry.iter().map(|what| what.as_str()).collect::<Vec<_>>(),
            },
            "verify": {
                "every": span::written(resolved.reread.every),
                "max_rate": rate(resolved.reread.max_rate),
            },
            "log": {
                "incident": resolved.log.incident,
                "activation": resolved.log.activation,
                "operator": resolved.log.operator,
                "prepared_by": resolved.log.prepared_by,
                "time": zone(&resolved),
                "received": resolved.log.received,
                "sent": resolved.log.sent,
            },
            "link": {
                "bits_per_second": resolved.link.bits_per_second,
                "efficiency": resolved.link.efficiency,
                "burst_seconds": resolved.link.burst,
                "turnaround_seconds": resolved.link.turnaround,
                "loss": resolved.link.loss,
            },
            "power": {
                "receive_amps": resolved.power.receive_amps,
                "transmit_amps": resolved.power.transmit_amps,
                "duty": resolved.power.duty,
                "battery_amp_hours": resolved.power.battery_amp_hours,
                "usable_depth": resolved.power.usable_depth,
                "daily_amp_hours": resolved.power.daily_amp_hours,
            },
            "notify": {
                "command": resolved.notify_command,
                "after": span::written(resolved.notify_after),
            },
        }));
        return Ok(Exit::Safe);
    }
    output.line(in_force(&resolved).trim_end());
    Ok(Exit::Safe)
}

/// The values in force as a config that means the same.
pub(in crate::cli) fn in_force(resolved: &Resolved) -> String {
    in_force_but_for_commands(resolved) + &notify_in_force(resolved)
}

/// The same without what runs a command, as a stick carries it.
pub(in crate::cli) fn in_force_but_for_commands(resolved: &Resolved) -> String {
    let file = resolved.config_file.as_ref().map(|path| shown_path(path));
    let mut text = String::new();
    let mut line = |line: String| {
        text.push_str(&line);
        text.push('\n');
    };
    line(format!("# {}", file.unwrap_or("no config file; defaults".into())));
    line(format!("station = {}", in_toml(resolved.station.as_str())));
    line(format!("state = {}", path(&resolved.state)));
    line(format!("settle = {}", in_toml(&span::written(resolved.settle))));
    line(format!("churn = {}", in_toml(&span::written(resolved.churn))));
    line(format!("scan_every = {}", in_toml(&span::written(resolved.scan_every))));
    line(
        "# Left out too: a folder tmp beside cur and new, a Maildir's unfinished deliveries."
            .into(),
    );
    line(format!("ignore = {}", list(resolved.ignore_texts.iter().map(|text| in_toml(text)))));
    for mailbox in &resolved.mailboxes {
        line("\n[[mailbox]]".into());
        line(format!("name = {}", in_toml(mailbox.name.as_str())));
        line(format!("path = {}", path(&mailbox.path)));
    }
    line("\n[drives]".into());
    line(format!("accept = {}", in_toml(resolved.accept.as_str())));
    line(format!("folders = {}", list(resolved.folders.iter().map(|folder| path(folder)))));
    line(format!("wanted_copies = {}", resolved.wanted_copies));
    line(format!("count_same_device = {}", resolved.count_same_device));
    line(format!("prune = {}", resolved.prune));
    line(format!("prune_after = {}", in_toml(&span::written(resolved.prune_after))));
    line(format!("carry = {}", list(resolved.carry.iter().map(|what| in_toml(what.as_str())))));
    line("\n[verify]".into());
    line(format!("every = {}", in_toml(&span::written(resolved.reread.every))));
    line(format!("max_rate = {}", in_toml(&rate(resolved.reread.max_rate))));
    line("\n[log]".into());
    let log = &resolved.log;
    for (key, value) in [
        ("incident", &log.incident),
        ("activation", &log.activation),
        ("operator", &log.operator),
        ("prepared_by", &log.prepared_by),
    ] {
        // What is not set has no default: an empty text would be one.
        if let Some(value) = value {
            line(format!("{key} = {}", in_toml(value)));
        }
    }
    line(format!("time = {}", in_toml(zone(resolved))));
    line(format!("received = {}", list(log.received.iter().map(|text| in_toml(text)))));
    line(format!("sent = {}", list(log.sent.iter().map(|text| in_toml(text)))));
    link_config::in_force(&resolved.link, &resolved.power).into_iter().for_each(&mut line);
    text
}

/// The part that runs a command: it stays on the card.
pub(in crate::cli) fn notify_in_force(resolved: &Resolved) -> String {
    let command = list(resolved.notify_command.iter().map(|text| in_toml(text)));
    format!(
        "\n[notify]\ncommand = {command}\nafter = {}\n",
        in_toml(&span::written(resolved.notify_after))
    )
}

fn zone(resolved: &Resolved) -> &'static str {
    match resolved.log.time {
        LogTime::Utc => "utc",
        LogTime::Local => "local",
    }
}

/// A config is UTF-8: of a path typed as an argument, bytes that are not are lost here.
fn path(path: &Path) -> String {
    in_toml(&path.to_string_lossy())
}

fn list(items: impl Iterator<Item = String>) -> String {
    format!("[{}]", items.collect::<Vec<_>>().join(", "))
}

fn rate(bytes: u64) -> String {
    for (unit, name) in [(1 << 20, "MiB/s"), (1 << 10, "KiB/s")] {
        if bytes.is_multiple_of(unit) {
            return format!("{} {name}", bytes / unit);
        }
    }
    format!("{bytes} B/s")
}
