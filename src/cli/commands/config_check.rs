//! `config check`: validate the config, print the values in force.

use crate::cli::Exit;
use crate::cli::args::{ConfigArgs, ConfigCommand};
use crate::cli::config::Config;
use crate::cli::notices::CliError;
use crate::cli::output::Output;
use crate::cli::resolved::Resolved;
use crate::cli::whose::TouchedPaths;
use crate::model::airtime::RadioLink;
use crate::model::escape::{in_toml, shown_path};
use serde::Serialize;
use std::path::Path;
use toml::{Table, Value};

/// The JSON of `config check`.
#[derive(Serialize)]
struct CheckJson<'a> {
    /// The file.
    config: Option<String>,
    #[serde(flatten)]
    in_force: &'a Config,
    /// In place of the config's own: spans in seconds.
    link: &'a RadioLink,
}

pub(in crate::cli) fn run(
    config: Option<&Path>,
    args: &ConfigArgs,
    output: &Output,
) -> Result<Exit, CliError> {
    let ConfigCommand::Check(scope) = &args.action;
    let resolved = Resolved::load_for(config, scope, &TouchedPaths::state_only())?;
    match scope.json {
        true => output.json(&CheckJson {
            config: resolved.config_file.as_ref().map(|path| shown_path(path)),
            in_force: &resolved.config,
            link: &resolved.link,
        }),
        false => output.line(in_force(&resolved).trim_end()),
    }
    Ok(Exit::Safe)
}

/// The values in force as a config that means the same.
pub(in crate::cli) fn in_force(resolved: &Resolved) -> String {
    in_force_but_for_commands(resolved) + &notify_in_force(resolved)
}

/// The same without what runs a command, as a stick carries it.
pub(in crate::cli) fn in_force_but_for_commands(resolved: &Resolved) -> String {
    let file = resolved.config_file.as_ref().map(|path| shown_path(path));
    format!(
        "# {}\n{}",
        file.unwrap_or("no config file; defaults".into()),
        as_toml(resolved, |key| key != NOTIFY)
    )
}

/// The part that runs a command: it stays on the card.
pub(in crate::cli) fn notify_in_force(resolved: &Resolved) -> String {
    as_toml(resolved, |key| key == NOTIFY)
}

const NOTIFY: &str = "notify";
const ALWAYS_IGNORED: &str = "# Left out in addition to ignore: a folder tmp next to cur and new, a Maildir's \
                              unfinished deliveries.\n";

fn as_toml(resolved: &Resolved, takes: impl Fn(&str) -> bool) -> String {
    // Text, numbers and lists always serialize.
    let mut table = Table::try_from(&resolved.config).unwrap_or_default();
    // An empty list could not be added to by `[[mailbox]]`.
    let is_empty = |value: &Value| value.as_array().is_some_and(Vec::is_empty);
    table.retain(|key, value| takes(key) && !(key == "mailbox" && is_empty(value)));
    text(&table)
}

/// A table as text: its values, then the tables in it. What steers a terminal is escaped, which the crate leaves as it
/// is.
fn text(table: &Table) -> String {
    let mut values = String::new();
    let mut tables = String::new();
    for (key, value) in table {
        match value {
            Value::Table(inner) => tables += &format!("\n[{key}]\n{}", text(inner)),
            Value::Array(all) if all.iter().any(Value::is_table) => {
                let inner = all.iter().filter_map(Value::as_table);
                inner.for_each(|inner| tables += &format!("\n[[{key}]]\n{}", text(inner)));
            }
            value => {
                if key == "ignore" {
                    values += ALWAYS_IGNORED;
                }
                values += &format!("{key} = {}\n", literal(value));
            }
        }
    }
    values + &tables
}

fn literal(value: &Value) -> String {
    match value {
        Value::String(text) => in_toml(text),
        Value::Array(all) => {
            format!("[{}]", all.iter().map(literal).collect::<Vec<_>>().join(", "))
        }
        number => number.to_string(),
    }
}
