//! `watch`: the daemon, in the foreground, until stopped.

use super::carry::extras;
use super::state::State;
use crate::cli::Exit;
use crate::cli::args::Scope;
use crate::cli::notices::{self, CliError};
use crate::cli::output::Output;
use crate::cli::resolved::Resolved;
use crate::daemon::clock::SystemClock;
use crate::daemon::{self, EventSink, Notice, NotifyCommand, ReportRequest, Settings};
use crate::job::catalogue::Catalogue;
use crate::job::scan::mailboxes::check;
use std::cell::RefCell;
use std::ffi::{OsStr, OsString};
use std::path::Path;
use std::sync::Arc;

pub(in crate::cli) fn run(
    config: Option<&Path>,
    scope: &Scope,
    output: &Output,
) -> Result<Exit, CliError> {
    let resolved = Resolved::with_mailbox(config, scope)?;
    let mut state = State::open(&resolved, output)?;
    check(&state.catalogue, &resolved.station())?;
    // The daemon has its own.
    state.catalogue.release_memory()?;
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()
        .map_err(|e| CliError::failed(format!("the event loop cannot be started: {e}")))?;
    let mut calls = runtime
        .block_on(async { daemon::commands_from_signals() })
        .map_err(|e| CliError::failed(format!("signals cannot be received: {e}")))?;
    // Read anew at each beginning: a config may have been taken since.
    let resolved = RefCell::new(resolved);
    let ended = loop {
        let folder = state.folder().to_owned();
        let in_folder = |resolved: &Resolved| Settings {
            report: Some(report(config, scope, &resolved.state, &folder)),
            state: folder.clone(),
            ..settings(resolved)
        };
        let mut reload = || {
            let new =
                Resolved::with_mailbox(config, scope).map_err(|problem| problem.to_string())?;
            may_take_over(&resolved.borrow(), &new, &folder)?;
            let settings = in_folder(&new);
            resolved.replace(new);
            Ok(settings)
        };
        let settings = in_folder(&resolved.borrow());
        let clock = Arc::new(SystemClock::new());
        let run = daemon::run(settings, &mut reload, &LogSink, clock, &mut calls);
        match runtime.block_on(run) {
            // Mail goes on being copied, with what is known kept in memory from here on.
            Err(error) if error.state_trouble().is_some() => {
                state = state.after(error, &resolved.borrow(), output)?;
            }
            ended => break ended,
        }
    };
    // A drive that never answers must not keep the program from ending.
    runtime.shutdown_background();
    match ended {
        // The service manager starts it again, and then with a new one.
        Err(error) if error.is_damaged_catalogue() => {
            let aside = state.set_aside(&error)?;
            Err(CliError::failed(notices::set_aside(aside.as_ref())))
        }
        ended => Ok(ended.map(|()| Exit::Safe)?),
    }
}

/// Whether a daemon may go on with a new config.
fn may_take_over(old: &Resolved, new: &Resolved, folder: &Path) -> Result<(), String> {
    if new.state != old.state {
        return Err("the state folder cannot be changed while the daemon runs".to_owned());
    }
    let known = Catalogue::read_only(folder);
    let checked = known.map_or(Ok(()), |known| check(&known, &new.station()));
    checked.map_err(|error| error.to_string())
}

pub(super) fn settings(resolved: &Resolved) -> Settings {
    Settings {
        station: resolved.station(),
        folders: resolved.folders.clone(),
        drives: resolved.folder_refs(),
        find: resolved.find(),
        state: resolved.state.clone(),
        ignore: resolved.ignore.clone(),
        settle: resolved.config.settle,
        churn: resolved.config.churn,
        scan_every: resolved.config.scan_every,
        wanted_copies: resolved.config.drives.wanted_copies,
        count_same_device: resolved.config.drives.count_same_device,
        extras: extras(resolved),
        report: None,
        notify: notify(resolved),
        scrub: resolved.scrub_rules(),
        prune: resolved.prunes(),
    }
}

fn notify(resolved: &Resolved) -> Option<NotifyCommand> {
    let (program, arguments) = resolved.config.notify.command.split_first()?;
    let arguments = arguments.iter().map(OsString::from).collect();
    Some(NotifyCommand {
        request: ReportRequest { program: program.into(), arguments },
        after: resolved.config.notify.after,
        mailbox: resolved.mailboxes.first().map(|m| m.path.clone()).unwrap_or_default(),
    })
}

/// This program itself, asked for an audit with the same options; also where its file was replaced by a later
/// version meanwhile.
fn report(config: Option<&Path>, scope: &Scope, state: &Path, folder: &Path) -> ReportRequest {
    let mut arguments = vec![OsString::from("--quiet")];
    let mut add = |option: &str, value: &OsStr| arguments.extend([option.into(), value.to_owned()]);
    config.iter().for_each(|path| add("--config", path.as_os_str()));
    scope.mailbox.iter().for_each(|dir| add("--mailbox", dir.as_os_str()));
    scope.drive.iter().for_each(|dir| add("--drive", dir.as_os_str()));
    scope.station.iter().for_each(|name| add("--station", name.as_ref()));
    add("--state", state.as_os_str());
    add("--save", folder.as_os_str());
    if scope.count_same_device {
        arguments.push("--count-same-device".into());
    }
    arguments.insert(0, "audit".into());
    ReportRequest { program: "/proc/self/exe".into(), arguments }
}

/// The daemon's notices, for a log.
struct LogSink;

impl EventSink for LogSink {
    fn emit(&self, news: &Notice<'_>) {
        match news {
            Notice::Mirrored { .. }
            | Notice::Reloaded
            | Notice::Mounted { .. }
            | Notice::Unmounted(_)
            | Notice::Drive { error: None, .. } => {
                tracing::info!("{}", notices::daemon_notice(news));
            }
            Notice::MailboxFinding(_, found) if found.is_notice() => {
                tracing::info!("{}", notices::daemon_notice(news));
            }
            _ => tracing::warn!("{}", notices::daemon_notice(news)),
        }
    }

    fn status(&self, drives: &[(&str, &str)]) -> String {
        let words =
            drives.iter().map(|(label, state)| format!("{label}: {}", notices::drive_state(state)));
        words.collect::<Vec<_>>().join("; ")
    }
}
