//! `drives`: the drives known, and making one.

use super::state::{State, looked_at};
use super::survey::{Depth, Survey};
use super::whereabouts::{self, Whereabouts};
use crate::cli::Exit;
use crate::cli::args::{DriveAction, Drives};
use crate::cli::notices::Problem;
use crate::cli::output::Output;
use crate::cli::report;
use crate::cli::setup::Setup;
use crate::daemon::clock::SystemClock;
use crate::daemon::control::{Request, ask};
use crate::disk::Access;
use crate::job::catalogue::FoundDrive;
use crate::job::drive::make_drive;
use crate::job::{JobError, round};
use crate::model::Clock as _;
use crate::model::limits::ANSWER_PATIENCE;
use serde_json::json;
use std::path::Path;

pub(in crate::cli) fn run(
    config: Option<&Path>,
    args: &Drives,
    output: &Output,
) -> Result<Exit, Problem> {
    match &args.action {
        None => list(&Setup::load(config, &args.scope)?, args.scope.json, output),
        Some(DriveAction::Add { dir, scope }) => {
            let scope = scope.over(&args.scope);
            add(&Setup::load(config, &scope)?, dir, scope.json, output)
        }
        Some(DriveAction::Away { name, scope }) => {
            let scope = scope.over(&args.scope);
            let setup = Setup::load(config, &scope)?;
            whereabouts::run(&setup, name, Whereabouts::Away, scope.json, output)
        }
        Some(DriveAction::Here { name, scope }) => {
            let scope = scope.over(&args.scope);
            let setup = Setup::load(config, &scope)?;
            whereabouts::run(&setup, name, Whereabouts::Here, scope.json, output)
        }
        Some(DriveAction::Release { name, scope }) => {
            let scope = scope.over(&args.scope);
            super::release::run(&Setup::load(config, &scope)?, name, scope.json, output)
        }
    }
}

fn list(setup: &Setup, as_json: bool, output: &Output) -> Result<Exit, Problem> {
    let survey = Survey::take(setup, Depth::Brief, output)?;
    if as_json {
        let drives: Vec<_> = survey.drives.iter().map(report::drives::json).collect();
        output.json(&json!({"schema": 1, "drives": drives}));
    } else {
        report::drives::list(output, &survey.drives);
    }
    Ok(Exit::Safe)
}

/// Beside a running daemon too: that one has the catalogue, and is told to look again.
fn add(setup: &Setup, dir: &Path, as_json: bool, output: &Output) -> Result<Exit, Problem> {
    let clock = SystemClock::new();
    let path = std::path::absolute(dir).unwrap_or_else(|_| dir.to_owned());
    let drive = setup.drive_at(&path);
    let volume = drive.door.open(Access::Write)?;
    if round::is_skipped(&*volume) {
        return Err(JobError::SkipFile { at: drive.door.shown() }.into());
    }
    let id = make_drive(&*volume, &clock)?;
    let medium = volume.facts().medium;
    drop(volume);
    match ask(&looked_at(setup).0, &Request::Afresh(id.to_string()), ANSWER_PATIENCE)? {
        Some(_) => {}
        None => {
            let state = State::open(setup, output)?;
            let catalogue = &state.catalogue;
            let found = FoundDrive { label: &drive.label, at: &drive.at, medium };
            let row = catalogue.drive_seen(id, &found, clock.stamp().time)?;
            catalogue.begin_afresh(row)?;
        }
    }
    match as_json {
        true => output.json(&json!({"schema": 1, "id": id.to_string(), "label": drive.label})),
        false => output.say(format!("{} is drive {id} now.", drive.door.shown())),
    }
    Ok(Exit::Safe)
}
