//! `watch`: the daemon, in the foreground, until stopped.

use super::mirror::open_state;
use crate::cli::Exit;
use crate::cli::args::Scope;
use crate::cli::notices::{self, Problem};
use crate::cli::output::Output;
use crate::cli::setup::Setup;
use crate::daemon::clock::SystemClock;
use crate::daemon::{self, DriveState, News, Settings, Voice};
use crate::job::catalogue::Catalogue;
use std::path::Path;
use std::sync::Arc;

pub(in crate::cli) fn run(
    config: Option<&Path>,
    scope: &Scope,
    output: &Output,
) -> Result<Exit, Problem> {
    let setup = Setup::with_mailbox(config, scope)?;
    // The daemon opens its own catalogue; here it is only made sure that it can, under the lock.
    let (catalogue, _lock) = open_state(&setup, output)?;
    drop(catalogue);
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()
        .map_err(|e| Problem::failed(format!("the event loop cannot be started: {e}")))?;
    let state = setup.state.clone();
    let mut reload = || {
        let new = Setup::with_mailbox(config, scope).map_err(|problem| problem.to_string())?;
        match new.state == state {
            true => Ok(settings(&new)),
            false => Err("the state folder cannot be changed while the daemon runs".to_owned()),
        }
    };
    let clock = Arc::new(SystemClock::new());
    let voice = Journal;
    let ended = runtime.block_on(async {
        let calls = daemon::calls_from_signals()
            .map_err(|e| Problem::failed(format!("signals cannot be received: {e}")))?;
        let settings = settings(&setup);
        Ok::<_, Problem>(daemon::run(settings, &mut reload, &voice, clock, calls).await)
    });
    // A drive that never answers must not keep the program from ending.
    runtime.shutdown_background();
    match ended? {
        // The service manager starts it again, and then with a new one.
        Err(error) if error.is_damaged_catalogue() => {
            let aside = Catalogue::set_aside(&setup.state, &error)?;
            Err(Problem::failed(notices::set_aside(aside.as_ref())))
        }
        ended => Ok(ended.map(|()| Exit::Safe)?),
    }
}

pub(super) fn settings(setup: &Setup) -> Settings {
    Settings {
        station: setup.station(),
        folders: setup.folders.clone(),
        drives: setup.folder_refs(),
        find: setup.find(),
        state: setup.state.clone(),
        ignore: setup.ignore.clone(),
        settle: setup.settle,
        churn: setup.churn,
        scan_every: setup.scan_every,
        reread: setup.reread,
        prune: setup.prunes(),
    }
}

/// The daemon's words, for a log.
struct Journal;

impl Voice for Journal {
    fn tell(&self, news: &News<'_>) {
        match news {
            News::Mirrored { .. }
            | News::Reloaded
            | News::Came { .. }
            | News::Went(_)
            | News::Drive { error: None, .. } => {
                tracing::info!("{}", notices::news(news));
            }
            _ => tracing::warn!("{}", notices::news(news)),
        }
    }

    fn status(&self, drives: &[(&str, DriveState)]) -> String {
        let words = drives
            .iter()
            .map(|(label, s)| format!("{label}: {}", notices::drive_state(s.as_str())));
        words.collect::<Vec<_>>().join("; ")
    }
}
