//! Which of the stations on the drives is meant, where nobody said.
//! Asks only a person at a terminal, and only where there is a choice.

use crate::cli::notices::CliError;
use crate::cli::output::Output;
use crate::cli::report;
use crate::cli::resolved::Resolved;
use crate::daemon::clock::SystemClock;
use crate::disk::Access;
use crate::job::report::inventory::{Inventory, inventories};
use crate::job::{DriveRef, replica};
use crate::model::StationName;

/// The station named; else the only one the drives hold; else this one's own, if they hold it; else the one that
/// is chosen.
pub(super) fn station(
    resolved: &Resolved,
    named: bool,
    drives: &[DriveRef],
    may_ask: bool,
    output: &Output,
) -> Result<StationName, CliError> {
    if named {
        return Ok(resolved.station.clone());
    }
    match stations_on(drives).as_slice() {
        [] => Err(CliError::failed(format!(
            "no copies of any station are on {}: is the right drive mounted?",
            drives.iter().map(|d| d.volume_source.shown()).collect::<Vec<_>>().join(", ")
        ))),
        [only] => Ok(only.clone()),
        many if many.contains(&resolved.station) => Ok(resolved.station.clone()),
        many => {
            let stations = inventories(drives, &SystemClock::new())?;
            let chosen = if may_ask { ask(&stations, output) } else { None };
            chosen.ok_or_else(|| several_stations_error(many, &stations))
        }
    }
}

/// The stations on the drives.
pub(super) fn stations_on(drives: &[DriveRef]) -> Vec<StationName> {
    let mut found = Vec::new();
    for place in drives {
        let volume = place.volume_source.open(Access::Read);
        if let Ok(stations) = volume.map_err(Into::into).and_then(|v| replica::stations(&*v)) {
            found.extend(stations);
        }
    }
    found.sort();
    found.dedup();
    found
}

fn several_stations_error(names: &[StationName], stations: &[Inventory]) -> CliError {
    let list: Vec<_> = names.iter().map(StationName::as_str).collect();
    let more: Vec<_> = stations.iter().flat_map(report::inventory::station).collect();
    CliError::usage(format!(
        "the drives hold several stations ({}): give --station NAME\n{}",
        list.join(", "),
        more.join("\n")
    ))
}

/// Asks a person. `None`: nobody is there, or nothing that could be meant was typed.
fn ask(stations: &[Inventory], output: &Output) -> Option<StationName> {
    for (number, inventory) in (1..).zip(stations) {
        let lines = report::inventory::station(inventory);
        let mut lines = lines.iter();
        output.notice(format!("{number}: {}", lines.next()?));
        lines.for_each(|line| output.notice(line));
    }
    let typed = output.ask(&format!("Which station, 1 to {}? ", stations.len()))?;
    let by_name = stations.iter().find(|inventory| inventory.station.as_str() == typed);
    let by_number = || stations.get(typed.parse::<usize>().ok()?.checked_sub(1)?);
    by_name.or_else(by_number).map(|inventory| inventory.station.clone())
}
