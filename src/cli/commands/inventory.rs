//! `audit` of drives alone, on a computer that has no mailbox of theirs: which stations they hold, how much, how new,
//! how proven. Nothing is read again; that is what `verify` is for.

use crate::cli::Exit;
use crate::cli::notices::CliError;
use crate::cli::output::{Output, Style};
use crate::cli::report;
use crate::cli::resolved::Resolved;
use crate::daemon::clock::SystemClock;
use crate::job::report::inventory::{Inventory, inventories};
use serde::Serialize;

pub(super) fn run(resolved: &Resolved, as_json: bool, output: &Output) -> Result<Exit, CliError> {
    let drives = resolved.need_drives()?;
    let mut stations = inventories(&drives, &SystemClock::new())?;
    if let Some(station) = &resolved.asked_for {
        stations.retain(|inventory| inventory.station == *station);
    }
    if stations.is_empty() {
        return Err(CliError::failed("no copies of any station asked for are on these drives"));
    }
    let is_whole = stations.iter().all(Inventory::is_whole);
    match as_json {
        true => output.json(&Stations { whole: is_whole, stations }),
        false => {
            stations.iter().for_each(|station| report(station, output));
            output.wrapped(
                "That is what the ledgers say. counterfoil verify reads every copy again; counterfoil restore \
                 --station NAME --into DIR takes a station over.",
            );
        }
    }
    Ok(Exit::safe(is_whole))
}

/// The JSON of the command.
#[derive(Serialize)]
struct Stations {
    whole: bool,
    stations: Vec<Inventory>,
}

fn report(station: &Inventory, output: &Output) {
    for line in report::inventory::station(station) {
        output.wrapped(&line);
    }
    for drive in &station.drives {
        output.wrapped(&format!("  {}: {}", drive.at, report::inventory::drive(drive)));
    }
    output.line(match (station.is_whole(), station.ledgers_whole) {
        (true, _) => output.styled(Style::Good, "  whole, as far as the ledger says"),
        (false, true) => output.styled(Style::Bad, "  not whole: some copies are not right"),
        (false, false) => output.styled(Style::Bad, "  not whole: the ledger is broken or lost"),
    });
}
