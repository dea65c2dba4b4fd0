//! `audit` of drives alone, on a computer that has no mailbox of theirs: which stations they hold, how much, how new,
//! how proven. Nothing is read again; that is what `verify` is for.

use crate::cli::Exit;
use crate::cli::notices::CliError;
use crate::cli::output::{Output, Tone};
use crate::cli::report;
use crate::cli::resolved::Resolved;
use crate::daemon::clock::SystemClock;
use crate::job::restore::{Inventory, offers};
use serde_json::json;

pub(super) fn run(resolved: &Resolved, as_json: bool, output: &Output) -> Result<Exit, CliError> {
    let drives = resolved.need_drives()?;
    let mut offers = offers(&drives, &SystemClock::new())?;
    if let Some(station) = &resolved.asked_for {
        offers.retain(|inventory| inventory.station == *station);
    }
    if offers.is_empty() {
        return Err(CliError::failed("no copies of any station asked for are on these drives"));
    }
    let is_whole = offers.iter().all(is_whole);
    match as_json {
        true => {
            let stations: Vec<_> = offers.iter().map(report::inventory::json).collect();
            output.json(&json!({"schema": 1, "whole": is_whole, "stations": stations}));
        }
        false => {
            offers.iter().for_each(|inventory| tell(inventory, output));
            output.wrapped(
                "That is what the ledgers tell. counterfoil verify reads every copy again; counterfoil restore \
                 --station NAME --into DIR takes a station over.",
            );
        }
    }
    Ok(Exit::safe(is_whole))
}

fn is_whole(inventory: &Inventory) -> bool {
    inventory.ledgers_whole
        && !inventory.drives.is_empty()
        && inventory.drives.iter().all(|(_, standing)| report::inventory::standing(standing).0)
}

fn tell(inventory: &Inventory, output: &Output) {
    for line in report::inventory::station(inventory) {
        output.wrapped(&line);
    }
    for (at, standing) in &inventory.drives {
        output.wrapped(&format!("  {at}: {}", report::inventory::standing(standing).1));
    }
    output.line(match (is_whole(inventory), inventory.ledgers_whole) {
        (true, _) => output.tone(Tone::Good, "  whole, as far as the ledger tells"),
        (false, true) => output.tone(Tone::Bad, "  not whole: some copies are not right"),
        (false, false) => output.tone(Tone::Bad, "  not whole: the ledger is broken or lost"),
    });
}
