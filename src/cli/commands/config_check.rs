//! `config check`: validate the config, print the values in force.

use crate::cli::Exit;
use crate::cli::args::{ConfigAction, ConfigArgs};
use crate::cli::notices::Problem;
use crate::cli::output::Output;
use crate::cli::setup::Setup;
use crate::model::escape;
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
    let file = setup.config_file.as_ref().map(|path| escape::shown_path(path));
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
            },
        }));
        return Ok(Exit::Safe);
    }
    output.line(format!("# {}", file.unwrap_or("no config file; defaults".into())));
    output.line(format!("station = {:?}", setup.station.as_str()));
    output.line(format!("state = {:?}", setup.state));
    output.line(format!("settle = {:?}", span(setup.settle)));
    output.line(format!("churn = {:?}", span(setup.churn)));
    output.line(format!("scan_every = {:?}", span(setup.scan_every)));
    output.line(format!("ignore = {:?}", setup.ignore_texts));
    for mailbox in &setup.mailboxes {
        output.line("\n[[mailbox]]");
        output.line(format!("name = {:?}", mailbox.name.as_str()));
        output.line(format!("path = {:?}", mailbox.path));
    }
    output.line("\n[drives]");
    output.line(format!("accept = {:?}", setup.accept.as_str()));
    output.line(format!("folders = {:?}", setup.folders));
    output.line(format!("wanted_copies = {}", setup.wanted_copies));
    Ok(Exit::Safe)
}

fn span(span: Duration) -> String {
    match jiff::SignedDuration::try_from(span) {
        Ok(span) => format!("{span:#}"),
        Err(_) => format!("{}s", span.as_secs()),
    }
}
