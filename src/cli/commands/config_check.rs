//! `config check`: validate the config, print the values in force.

use crate::cli::Exit;
use crate::cli::args::{ConfigAction, ConfigArgs};
use crate::cli::notices::Problem;
use crate::cli::output::Output;
use crate::cli::setup::Setup;
use crate::model::escape::{in_toml, shown_path};
use serde_json::json;
use std::path::Path;
use std::time::Duration;

pub(in crate::cli) fn run(
    config: Option<&Path>,
    args: &ConfigArgs,
    output: &Output,
) -> Result<Exit, Problem> {
    let ConfigAction::Check(scope) = &args.action;
    let setup = Setup::load(config, scope)?;
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
            "settle": span(setup.settle),
            "churn": span(setup.churn),
            "scan_every": span(setup.scan_every),
            "ignore": setup.ignore_texts,
            "mailbox": mailboxes,
            "drives": {
                "accept": setup.accept.as_str(),
                "folders": setup.folders.iter().map(|d| d.to_string_lossy()).collect::<Vec<_>>(),
                "wanted_copies": setup.wanted_copies,
                "prune": setup.prune,
                "prune_after": span(setup.prune_after),
            },
            "verify": {
                "every": span(setup.reread.every),
                "max_rate": rate(setup.reread.max_rate),
            },
        }));
        return Ok(Exit::Safe);
    }
    output.line(in_force(&setup).trim_end());
    Ok(Exit::Safe)
}

/// The values in force as a config that means the same.
pub(in crate::cli) fn in_force(setup: &Setup) -> String {
    let file = setup.config_file.as_ref().map(|path| shown_path(path));
    let mut text = String::new();
    let mut line = |line: String| {
        text.push_str(&line);
        text.push('\n');
    };
    line(format!("# {}", file.unwrap_or("no config file; defaults".into())));
    line(format!("station = {}", in_toml(setup.station.as_str())));
    line(format!("state = {}", path(&setup.state)));
    line(format!("settle = {}", in_toml(&span(setup.settle))));
    line(format!("churn = {}", in_toml(&span(setup.churn))));
    line(format!("scan_every = {}", in_toml(&span(setup.scan_every))));
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
    line(format!("prune = {}", setup.prune));
    line(format!("prune_after = {}", in_toml(&span(setup.prune_after))));
    line("\n[verify]".into());
    line(format!("every = {}", in_toml(&span(setup.reread.every))));
    line(format!("max_rate = {}", in_toml(&rate(setup.reread.max_rate))));
    text
}

/// A config is UTF-8: of a path typed as an argument, octets that are not are lost here.
fn path(path: &Path) -> String {
    in_toml(&path.to_string_lossy())
}

fn list(items: impl Iterator<Item = String>) -> String {
    format!("[{}]", items.collect::<Vec<_>>().join(", "))
}

fn rate(octets: u64) -> String {
    for (unit, name) in [(1 << 20, "MiB/s"), (1 << 10, "KiB/s")] {
        if octets.is_multiple_of(unit) {
            return format!("{} {name}", octets / unit);
        }
    }
    format!("{octets} B/s")
}

fn span(span: Duration) -> String {
    const DAY: u64 = 86_400;
    if span.subsec_nanos() == 0 && span.as_secs() >= DAY && span.as_secs().is_multiple_of(DAY) {
        return format!("{}d", span.as_secs() / DAY);
    }
    match jiff::SignedDuration::try_from(span) {
        Ok(span) => format!("{span:#}"),
        Err(_) => format!("{}s", span.as_secs()),
    }
}
