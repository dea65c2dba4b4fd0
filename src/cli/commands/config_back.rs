//! The station's config on its way to a stick and back: without what runs a command, both ways.
//! Never puts a config back that nobody was shown, and never over one that is there.

use super::config_check::{in_force_but_for_commands, notify_in_force};
use super::sources::{Sources, is_yes, may_ask};
use super::targets::{is_reserved, is_usual};
use super::typed_again::typed_again;
use crate::cli::args::{RestoreArgs, Scope};
use crate::cli::config::{self, Config};
use crate::cli::notices::CliError;
use crate::cli::output::Output;
use crate::cli::resolved::{Resolved, place_for_config};
use crate::disk::host;
use crate::job::MailboxRef;
use crate::job::extras::carried_config;
use crate::job::restore::RestoreSources;
use crate::model::escape;
use std::path::PathBuf;

/// The config in force as a stick carries it. A stick is read by whoever has it, and written by them too: so it
/// carries no command, and none comes back from it.
pub(super) fn for_a_stick(resolved: &Resolved) -> String {
    let kept_back = match resolved.config.notify.command.is_empty() {
        true => "",
        false => {
            "\n# [notify] is set at the station. Sticks do not carry it: write it again by hand.\n"
        }
    };
    in_force_but_for_commands(resolved) + kept_back
}

/// The config that the drives carry for the station, and the drive: of several that of the longest ledger.
pub(super) fn config_on_sticks(restore_sources: &RestoreSources) -> Option<(String, String)> {
    let mut drives: Vec<_> = restore_sources.drives.iter().collect();
    drives.sort_by_key(|drive| std::cmp::Reverse(drive.state.chain.seq));
    // One that cannot be read is one that is not there: the messages are what counts.
    drives.into_iter().find_map(|drive| {
        let text = carried_config(&*drive.volume, &restore_sources.station).ok().flatten()?;
        Some((drive.volume.facts().shown.clone(), text))
    })
}

/// A config of a stick that a person has seen and wants.
pub(super) struct AcceptedConfig {
    text: String,
    pub mailboxes: Vec<MailboxRef>,
}

impl AcceptedConfig {
    /// Shows the config and asks. `None`: none is to be put back, and a warning says why.
    pub(super) fn to(
        carried: Option<&(String, String)>,
        resolved: &Resolved,
        args: &RestoreArgs,
        sources: &mut Sources,
        output: &Output,
    ) -> Result<Option<Self>, CliError> {
        let Some((drive, text)) = carried else {
            output.warn("no drive here carries a whole config of this station: none was put back");
            return Ok(None);
        };
        let Some(at) = place(resolved, output) else { return Ok(None) };
        // What cannot be read would be refused at the next command, for all that is right in it.
        let meant = config::parse(text, &at).and_then(|config| {
            Resolved::of(None, config, &Scope::default(), None).map_err(|error| error.to_string())
        });
        let meant = match meant {
            Ok(meant) => meant,
            Err(error) => {
                output.warn(format!(
                    "the config on {drive} cannot be used, and was left there: {error}"
                ));
                return Ok(None);
            }
        };
        // Root works as the operator where the mail goes into the operator's folders, which is known only later.
        let or_users = match host::is_root() {
            true => ", or among the settings of the user whose mailboxes they are",
            false => "",
        };
        let shown_at = escape::shown_path(&at);
        output.notice(format!("the config on {drive} would go to {shown_at}{or_users}:"));
        shown(&meant)?.into_iter().for_each(|line| output.notice(line));
        if !meant.config.notify.command.is_empty() {
            output.warn(
                "it has a command to be run ([notify]), and no command comes from a stick: it is put back as a \
                 comment only. Look at it before you use it, and write it there again by hand",
            );
        }
        let agrees = match (args.config_seen, may_ask(args, output)) {
            (true, _) => true,
            (false, true) => is_yes(output.ask("Put this config back? Type yes: ").as_deref()),
            (false, false) => {
                let command =
                    typed_again(resolved, args, &format!("{} --config-seen", sources.options()));
                return Err(CliError::usage(format!(
                    "a config from a stick is put back only when somebody has seen it. Nothing was written. If it is \
                     right, type:\n  {command}"
                )));
            }
        };
        if !agrees {
            output.notice("the config stays on the stick");
            return Ok(None);
        }
        if !args.config_seen {
            sources.are_confirmed();
        }
        Ok(Some(Self { text: put_back(&meant, drive), mailboxes: meant.mailboxes }))
    }

    /// Writes it to where the present user's config lies: root may have become the operator.
    pub(super) fn write(
        &self,
        resolved: &Resolved,
        output: &Output,
    ) -> Result<Option<PathBuf>, CliError> {
        let Some(at) = place(resolved, output) else { return Ok(None) };
        if let Some(folder) = at.parent() {
            crate::disk::make_dirs(folder)?;
        }
        host::write_new(&at, self.text.as_bytes())?;
        output.notice(format!("the config is back in {}", escape::shown_path(&at)));
        Ok(Some(at))
    }
}

/// Where it goes, if it may.
fn place(resolved: &Resolved, output: &Output) -> Option<PathBuf> {
    if let Some(there) = &resolved.config_file {
        let there = escape::shown_path(there);
        output.warn(format!("there is a config already, {there}: it is left as it is"));
        return None;
    }
    let place = place_for_config();
    if place.is_none() {
        output.warn("there is a config already, or no place for one: none was put back");
    }
    place
}

/// What a person has to see of it: where mail is read and written, what is left out, and whatever is not as usual.
fn shown(meant: &Resolved) -> Result<Vec<String>, CliError> {
    let mut lines = vec![format!("  station: {}", meant.station)];
    for mailbox in &meant.mailboxes {
        let odd = match is_usual(&mailbox.path) && !is_reserved(meant, &mailbox.path) {
            true => "",
            false => "   <- NOT A USUAL PLACE FOR MAIL: all that is in it is copied to the sticks",
        };
        let at = escape::shown_path(&mailbox.path);
        lines.push(format!("  mailbox {}: {at}{odd}", mailbox.name));
    }
    let folders = meant.folders.iter();
    lines.extend(folders.map(|folder| {
        format!("  all mail is copied into the folder {}", escape::shown_path(folder))
    }));
    let ignored = meant.config.ignore.iter();
    lines.extend(ignored.map(|glob| format!("  not copied: {}", escape::shown(glob.as_bytes()))));
    if ["0001.eml", "inbox/cur/0001.eml"].iter().all(|path| meant.ignore.is_match(path)) {
        lines.push("  WARNING: with this config NO MAIL IS COPIED AT ALL".to_owned());
    }
    let odd = match Resolved::of(None, Config::default(), &Scope::default(), None) {
        Ok(usual) if usual.state != meant.state => "   <- NOT THE USUAL PLACE FOR IT",
        _ => "",
    };
    lines.push(format!("  state folder: {}{odd}", escape::shown_path(&meant.state)));
    let usual = in_force_but_for_commands(&Resolved::of(
        None,
        Config::default(),
        &Scope {
            // Neither is compared: whatever they are, they were shown.
            station: Some(meant.station.to_string()),
            state: Some(meant.state.clone()),
            ..Scope::default()
        },
        None,
    )?);
    let usual: Vec<_> = usual.lines().collect();
    let is_shown = |line: &str| {
        let key = line.split(" = ").next().unwrap_or_default();
        line.is_empty()
            || line.starts_with(['#', '['])
            || ["name", "path", "folders", "ignore"].contains(&key)
            || usual.contains(&line)
    };
    let text = in_force_but_for_commands(meant);
    let others = text.lines().filter(|line| !is_shown(line));
    lines.extend(others.map(|line| format!("  {}", escape::shown(line.as_bytes()))));
    Ok(lines)
}

/// The text that is put back: made from what it means, so that nothing is in force that was not shown.
fn put_back(meant: &Resolved, drive: &str) -> String {
    let text = in_force_but_for_commands(meant);
    let body = text.split_once('\n').map_or("", |(_, body)| body);
    let mut text = format!("# Put back from {drive}.\n{body}");
    text.push_str(
        "\n# [notify] runs a command, and no command comes from a stick. Write it here again by hand.\n",
    );
    if !meant.config.notify.command.is_empty() {
        text.push_str("# This stood on the stick. Look at it before you use it:\n");
        notify_in_force(meant).trim().lines().for_each(|line| {
            text.push_str(&format!("#   {line}\n"));
        });
    }
    text
}
