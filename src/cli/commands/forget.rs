//! `drives forget`: the operator says that a drive is gone for good. `drives refuse`: that a stick is not his. From
//! then on its copies count for nothing, and it takes no mail, until `drives add` takes it back. Nothing on the drive
//! changes.

use super::drive_location::one_of;
use super::inspect::{Depth, Inspection};
use crate::cli::notices::{self, CliError};
use crate::cli::output::Output;
use crate::cli::report::shown_time;
use crate::cli::resolved::Resolved;
use crate::cli::{Exit, which_drive};
use crate::daemon::clock::SystemClock;
use crate::daemon::control::{Answer, Request, ask};
use crate::job::catalogue::Catalogue;
use crate::model::limits::{ANSWER_PATIENCE, DRIVE_PLACE_CHARS};
use crate::model::{Clock as _, DriveId, DriveLoss, Timestamp, escape};
use serde::Serialize;

/// The JSON of `drives forget` and `drives refuse`.
#[derive(Serialize)]
struct ForgetJson<'a> {
    id: DriveId,
    label: &'a str,
    forgotten_since: Option<Timestamp>,
    why: DriveLoss,
    #[serde(rename = "where")]
    place: Option<&'a str>,
}

pub(super) fn run(
    resolved: &Resolved,
    name: &str,
    why: DriveLoss,
    place: Option<&str>,
    as_json: bool,
    output: &Output,
) -> Result<Exit, CliError> {
    let place = place.map(str::trim).filter(|place| !place.is_empty());
    if place.is_some_and(|place| place.chars().count() > DRIVE_PLACE_CHARS) {
        return Err(CliError::usage(format!(
            "--where: use at most {DRIVE_PLACE_CHARS} characters to say where it went"
        )));
    }
    notices::must_be_remembered(&resolved.state)?;
    let inspection = Inspection::inspect(resolved, Depth::Counts, output)?;
    let (row, id, drive) = one_of(&inspection.drives, name)?;
    let label = escape::shown(drive.row.label.as_bytes());
    let request = Request::Forget {
        id: id.to_string(),
        why: why.as_str().to_owned(),
        place: place.map(str::to_owned),
    };
    match ask(&resolved.state, &request, ANSWER_PATIENCE)? {
        Some(Answer::Refused(refused)) => {
            return Err(CliError::failed(format!("{label} was not {}: {refused}", why.given_up())));
        }
        Some(_) => {}
        // While another command runs too: one entry in the catalogue, which whoever counts copies reads.
        None => {
            let (catalogue, _) = Catalogue::open(&resolved.state)?;
            catalogue.forget_drive(row, why, place, SystemClock::new().event_time().time)?;
        }
    }
    let (catalogue, _) = Catalogue::open(&resolved.state)?;
    let known = catalogue.drive(id)?.and_then(|row| row.facts.forgotten);
    let since = known.map(|forgotten| forgotten.since);
    if as_json {
        output.json(&ForgetJson {
            id,
            label: &drive.row.label,
            forgotten_since: since,
            why,
            place,
        });
        return Ok(Exit::Safe);
    }
    let at = escape::in_shell(&escape::shown(&drive.row.path));
    if why == DriveLoss::Refused {
        output.say(format!(
            "{label} ({id}) is refused since {}: from now on nothing is written to it, and its copies count for \
             nothing. What is on it already stays there.",
            shown_time(since)
        ));
        output.say("What that means for the mail: counterfoil audit");
        output.say(format!(
            "If it is yours after all, plug it in. Type: counterfoil drives add {at}"
        ));
        return Ok(Exit::Safe);
    }
    output.say(format!(
        "{label} ({id}) is forgotten since {}: {}. Its copies count for nothing any more, and it takes no mail.",
        shown_time(since),
        which_drive::loss(why, place)
    ));
    output.say("What that means for the mail: counterfoil audit");
    output.say(format!("If you have it again, plug it in. Type: counterfoil drives add {at}"));
    Ok(Exit::Safe)
}
