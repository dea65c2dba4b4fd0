//! `drives`: the drives known, and making one.

use super::drive_location::{self, DriveLocation};
use super::inspect::{Depth, Inspection};
use super::state::{State, state_to_read};
use super::{forget, let_in, wipe};
use crate::cli::args::{DrivesArgs, DrivesCommand};
use crate::cli::config::Accept;
use crate::cli::notices::{self, CliError};
use crate::cli::output::Output;
use crate::cli::report::{self, drives::DriveJson};
use crate::cli::resolved::Resolved;
use crate::cli::whose::TouchedPaths;
use crate::cli::{Exit, which_drive};
use crate::daemon::clock::SystemClock;
use crate::daemon::control::{Request, ask};
use crate::disk::Access;
use crate::job::catalogue::{Catalogue, SameDevice};
use crate::job::replica::{self, NewDrivePolicy};
use crate::job::{JobError, sync_drive};
use crate::model::limits::ANSWER_PATIENCE;
use crate::model::{Clock as _, DriveId, DriveLoss};
use serde::Serialize;
use std::path::Path;

pub(in crate::cli) fn run(
    config: Option<&Path>,
    args: &DrivesArgs,
    output: &Output,
) -> Result<Exit, CliError> {
    match &args.action {
        None => list(&Resolved::load(config, &args.scope)?, args.scope.json, output),
        Some(DrivesCommand::Add { dir, next, scope }) => {
            let scope = scope.overriding(&args.scope);
            let resolved = Resolved::load(config, &scope)?;
            match (dir, next) {
                (Some(dir), _) => add(&resolved, dir, scope.json, output),
                (None, next) => {
                    let_in::run(&resolved, next.unwrap_or_default(), scope.json, output)
                }
            }
        }
        Some(DrivesCommand::Refuse { name, scope }) => {
            let scope = scope.overriding(&args.scope);
            let resolved = Resolved::load(config, &scope)?;
            forget::run(&resolved, name, DriveLoss::Refused, None, scope.json, output)
        }
        Some(DrivesCommand::Away { name, scope }) => {
            let scope = scope.overriding(&args.scope);
            let resolved = Resolved::load(config, &scope)?;
            drive_location::run(&resolved, name, DriveLocation::Away, scope.json, output)
        }
        Some(DrivesCommand::Here { name, scope }) => {
            let scope = scope.overriding(&args.scope);
            let resolved = Resolved::load(config, &scope)?;
            drive_location::run(&resolved, name, DriveLocation::Here, scope.json, output)
        }
        Some(DrivesCommand::Forget { name, why, place, scope }) => {
            let scope = scope.overriding(&args.scope);
            let resolved = Resolved::load(config, &scope)?;
            forget::run(&resolved, name, why.as_loss(), place.as_deref(), scope.json, output)
        }
        Some(DrivesCommand::Wipe { name, confirm, lose_last_copies, scope }) => {
            let scope = scope.overriding(&args.scope);
            let resolved = Resolved::load(config, &scope)?;
            let asked = wipe::WipeRequest {
                name,
                confirmed: confirm.as_deref(),
                lose_last_copies: *lose_last_copies,
            };
            wipe::run(&resolved, &asked, scope.json, output)
        }
        Some(DrivesCommand::Release { name, scope }) => {
            let scope = scope.overriding(&args.scope);
            // To unmount takes more than to write.
            let touches = TouchedPaths { keeps_root: true, ..TouchedPaths::default() };
            let resolved = Resolved::load_for(config, &scope, &touches)?;
            super::release::run(&resolved, name, scope.json, output)
        }
    }
}

/// The JSON of `drives`.
#[derive(Serialize)]
struct DrivesJson<'a> {
    next_stick_seconds: Option<u64>,
    drives: Vec<DriveJson<'a>>,
}

/// The JSON of `drives add`.
#[derive(Serialize)]
struct AddedJson<'a> {
    id: DriveId,
    label: &'a str,
    taken_back: bool,
}

fn list(resolved: &Resolved, as_json: bool, output: &Output) -> Result<Exit, CliError> {
    let inspection = Inspection::inspect(resolved, Depth::Counts, output)?;
    if as_json {
        output.json(&DrivesJson {
            next_stick_seconds: inspection.next_let_in.map(|left| left.as_secs()),
            drives: inspection.drives.iter().map(DriveJson::of).collect(),
        });
    } else {
        report::drives::list(output, &inspection.drives);
        report::drives::next_let_in(output, inspection.next_let_in);
    }
    Ok(Exit::Safe)
}

/// Works while a daemon runs too: it is asked to look at the drive again.
fn add(resolved: &Resolved, dir: &Path, as_json: bool, output: &Output) -> Result<Exit, CliError> {
    let clock = SystemClock::new();
    let path = std::path::absolute(dir).unwrap_or_else(|_| dir.to_owned());
    let place = resolved.drive_at(&path);
    let volume = place.volume_source.open(Access::Write)?;
    if sync_drive::is_skipped(&*volume) {
        return Err(JobError::SkipFile { path: place.volume_source.shown() }.into());
    }
    let is_stick = place.begin == NewDrivePolicy::OnDevice;
    // It would not be used, and its operator would find out when mail is only on the card.
    if resolved.config.drives.accept == Accept::Known && is_stick && volume.facts().serial.is_none()
    {
        return Err(CliError::usage(
            JobError::NoSerial { path: place.volume_source.shown() }.to_string(),
        ));
    }
    let (catalogue, _) = Catalogue::open(&resolved.state)?;
    let added = replica::add(&catalogue, &*volume, &place.label, &place.path, &clock)?;
    drop((volume, catalogue));
    let (id, taken_back) = (added.id, added.was_forgotten);
    if ask(&state_to_read(resolved).0, &Request::Trust(id.to_string()), ANSWER_PATIENCE)?.is_none()
    {
        let state = State::open(resolved, output)?;
        state.catalogue.restore_trust(added.row, clock.event_time().time)?;
    }
    for finding in &added.findings {
        output.warn(format!("{}: {}", place.label, notices::finding(finding)));
    }
    if let SameDevice::As(mailbox) = &added.same_device {
        let text = which_drive::on_same_device(mailbox, resolved.config.drives.count_same_device);
        output.warn(format!("{} is {text}", place.label));
    }
    let at = place.volume_source.shown();
    match as_json {
        true => output.json(&AddedJson {
            id,
            label: &place.label,
            taken_back: taken_back.is_some(),
        }),
        false if let Some(why) = taken_back => output.say(format!(
            "{at} is drive {id}, taken back: it was {} until now. It takes mail, and its copies count again. To \
             have all of them read: counterfoil verify",
            why.given_up()
        )),
        false => output.say(format!("{at} is drive {id} now.")),
    }
    Ok(Exit::Safe)
}
