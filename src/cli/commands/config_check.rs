//! `config check`: validate the config, print the values in force.

use crate::cli::Exit;
use crate::cli::args::{ConfigAction, ConfigArgs, LogTime};
use crate::cli::notices::CliError;
use crate::cli::output::Output;
use crate::cli::setup::Resolved;
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
    let setup = Resolved::load_for(config, scope, &Touches::state_only())?;
    let file = setup.config_file.as_ref().map(|path| shown_path(path));
    if scope.json {
        let mailboxes: Vec<_> = setup
            .mailboxes
            .iter()
            .map(|m| json!({"name": m.name.as_str(), "path": m.path.to_string_lossy()}))
            .collect();
        output.json(&json!({
            "schema": 1,
            "config": file,
            "station": setup.station.as_str(),
            "state": setup.state.to_string_lossy(),
            "settle": span::written(setup.settle),
            "churn": span::written(setup.churn),
            "scan_every": span::written(setup.scan_every),
            "ignore": setup.ignore_texts,
            "mailbox": mailboxes,
            "drives": {
                "accept": setup.accept.as_str(),
                "folders": setup.folders.iter().map(|d| d.to_string_lossy()).collect::<Vec<_>>(),
                "wanted_copies": setup.wanted_copies,
                "count_same_device": setup.count_same_device,
                "prune": setup.prune,
                "prune_after": span::written(setup.prune_after),
                "carry": setup.carry.iter().map(|what| what.as_str()).collect::<Vec<_>>(),
            },
            "verify": {
                "every": span::written(setup.reread.every),
                "max_rate": rate(setup.reread.max_rate),
            },
            "log": {
                "incident": setup.log.incident,
                "activation": setup.log.activation,
                "operator": setup.log.operator,
                "prepared_by": setup.log.prepared_by,
                "time": zone(&setup),
                "received": setup.log.received,
                "sent": setup.log.sent,
            },
            "link": {
                "bits_per_second": setup.link.bits_per_second,
                "efficiency": setup.link.efficiency,
                "burst_seconds": setup.link.burst,
                "turnaround_seconds": setup.link.turnaround,
                "loss": setup.link.loss,
            },
            "power": {
                "receive_amps": setup.power.receive_amps,
                "transmit_amps": setup.power.transmit_amps,
                "duty": setup.power.duty,
                "battery_amp_hours": setup.power.battery_amp_hours,
                "usable_depth": setup.power.usable_depth,
                "daily_amp_hours": setup.power.daily_amp_hours,
            },
            "notify": {
                "command": setup.notify_command,
                "after": span::written(setup.notify_after),
            },
        }));
        return Ok(Exit::Safe);
    }
    output.line(in_force(&setup).trim_end());
    Ok(Exit::Safe)
}

/// The values in force as a config that means the same.
pub(in crate::cli) fn in_force(setup: &Resolved) -> String {
    in_force_but_for_commands(setup) + &notify_in_force(setup)
}

/// The same without what runs a command, as a stick carries it.
pub(in crate::cli) fn in_force_but_for_commands(setup: &Resolved) -> String {
    let file = setup.config_file.as_ref().map(|path| shown_path(path));
    let mut text = String::new();
    let mut line = |line: String| {
        text.push_str(&line);
        text.push('\n');
    };
    line(format!("# {}", file.unwrap_or("no config file; defaults".into())));
    line(format!("station = {}", in_toml(setup.station.as_str())));
    line(format!("state = {}", path(&setup.state)));
    line(format!("settle = {}", in_toml(&span::written(setup.settle))));
    line(format!("churn = {}", in_toml(&span::written(setup.churn))));
    line(format!("scan_every = {}", in_toml(&span::written(setup.scan_every))));
    line(
        "# Left out too: a folder tmp beside cur and new, a Maildir's unfinished deliveries."
            .into(),
    );
    line(format!("ignore = {}", list(setup.ignore_texts.iter().map(|text| in_toml(text)))));
    for mailbox in &setup.mailboxes {
        line("\n[[mailbox]]".into());
        line(format!("name = {}", in_toml(mailbox.name.as_str())));
        line(format!("path = {}", path(&mailbox.path)));
    }
    line("\n[drives]".into());
    line(format!("accept = {}", in_toml(setup.accept.as_str())));
    line(format!("folders = {}", list(setup.folders.iter().map(|folder| path(folder)))));
    line(format!("wanted_copies = {}", setup.wanted_copies));
    line(format!("count_same_device = {}", setup.count_same_device));
    line(format!("prune = {}", setup.prune));
    line(format!("prune_after = {}", in_toml(&span::written(setup.prune_after))));
    line(format!("carry = {}", list(setup.carry.iter().map(|what| in_toml(what.as_str())))));
    line("\n[verify]".into());
    line(format!("every = {}", in_toml(&span::written(setup.reread.every))));
    line(format!("max_rate = {}", in_toml(&rate(setup.reread.max_rate))));
    line("\n[log]".into());
    let log = &setup.log;
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
    line(format!("time = {}", in_toml(zone(setup))));
    line(format!("received = {}", list(log.received.iter().map(|text| in_toml(text)))));
    line(format!("sent = {}", list(log.sent.iter().map(|text| in_toml(text)))));
    link_config::in_force(&setup.link, &setup.power).into_iter().for_each(&mut line);
    text
}

/// The part that runs a command: it stays on the card.
pub(in crate::cli) fn notify_in_force(setup: &Resolved) -> String {
    let command = list(setup.notify_command.iter().map(|text| in_toml(text)));
    format!(
        "\n[notify]\ncommand = {command}\nafter = {}\n",
        in_toml(&span::written(setup.notify_after))
    )
}

fn zone(setup: &Resolved) -> &'static str {
    match setup.log.time {
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
