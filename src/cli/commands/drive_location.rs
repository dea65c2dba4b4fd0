//! `drives away` and `drives here`: the operator says where a drive is kept. Nothing on a drive changes;
//! the catalogue keeps it until the drive is seen here.

use super::inspect::{Depth, Inspection};
use super::state::state_to_read;
use crate::cli::notices::{self, CliError};
use crate::cli::output::Output;
use crate::cli::report::drives::DriveView;
use crate::cli::report::shown_time;
use crate::cli::resolved::Resolved;
use crate::cli::{Exit, which_drive};
use crate::daemon::clock::SystemClock;
use crate::job::catalogue::{Catalogue, DriveRowId};
use crate::model::{Clock as _, DriveId, Timestamp, escape};
use serde::Serialize;

/// Where a drive is said to be.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum DriveLocation {
    Away,
    Here,
}

/// The JSON of `drives away` and `drives here`.
#[derive(Serialize)]
struct LocationJson<'a> {
    id: DriveId,
    label: &'a str,
    away_since: Option<Timestamp>,
}

pub(super) fn run(
    resolved: &Resolved,
    name: &str,
    said: DriveLocation,
    as_json: bool,
    output: &Output,
) -> Result<Exit, CliError> {
    let inspection = Inspection::inspect(resolved, Depth::Counts, output)?;
    let (row, id, drive) = one_of(&inspection.drives, name)?;
    let label = escape::shown(drive.row.label.as_bytes());
    if let Some(gone) = &drive.row.forgotten {
        return Err(CliError::usage(format!(
            "{label} is forgotten: {}. If you have it again, plug it in. Type: counterfoil drives add {}",
            which_drive::loss(gone.why, gone.place.as_deref()),
            escape::in_shell(&escape::shown(&drive.row.path))
        )));
    }
    if said == DriveLocation::Away && drive.mounted {
        return Err(CliError::usage(format!(
            "{label} is plugged in here: pull it out before you say that it is elsewhere"
        )));
    }
    let since = (said == DriveLocation::Away).then(|| SystemClock::new().event_time().time);
    // While a daemon runs too: one entry in the catalogue, by which nothing is decided.
    let (catalogue, _) = Catalogue::open(&state_to_read(resolved).0)?;
    catalogue.declare_away(row, since)?;
    match as_json {
        true => output.json(&LocationJson { id, label: &drive.row.label, away_since: since }),
        false => output.say(match since {
            Some(since) => {
                format!("{label} is elsewhere since {}, as you say.", shown_time(Some(since)))
            }
            None => format!("{label} is not elsewhere."),
        }),
    }
    Ok(Exit::Safe)
}

/// The drive known by a name or an id: its row, its id, and what is shown of it.
pub(super) fn one_of<'d>(
    drives: &'d [DriveView],
    name: &str,
) -> Result<(DriveRowId, DriveId, &'d DriveView), CliError> {
    let typed = escape::shown(name.as_bytes());
    let ids = |drive: &'d DriveView| drive.ids.map(|(row, id)| (row, id, drive));
    let known = || drives.iter().filter_map(ids).filter(|(_, id, _)| *id != DriveId::NIL);
    let named: Vec<_> = known()
        .filter(|(_, id, drive)| drive.row.label == name || id.to_string() == name)
        .collect();
    match named.as_slice() {
        [drive] => Ok(*drive),
        [] => {
            let all: Vec<_> = known().map(|(.., drive)| drive.row.label.as_str()).collect();
            let all = match all.is_empty() {
                true => "none is".to_owned(),
                false => format!("there are: {}", all.join(", ")),
            };
            Err(CliError::usage(format!("no drive {typed} is known here; {all}")))
        }
        several => {
            let list: Vec<_> = several.iter().map(|(_, id, drive)| which_one(*id, drive)).collect();
            Err(CliError::usage(format!(
                "several drives are called {typed}: name one of them by its id\n{}",
                list.join("\n")
            )))
        }
    }
}

/// What distinguishes one of several drives of one name from the others.
fn which_one(id: DriveId, drive: &DriveView) -> String {
    format!(
        "  {id}  {}, last seen {} at {}",
        notices::drive_state(&drive.state),
        shown_time(drive.row.last_seen),
        escape::shown(&drive.row.path)
    )
}
