//! `status`: what is safe now, drive by drive. Writes nothing; safe next to a running daemon.

use super::inspect::{Depth, Inspection};
use crate::cli::Exit;
use crate::cli::args::Scope;
use crate::cli::notices::CliError;
use crate::cli::output::Output;
use crate::cli::report::{self, verdict::Summary};
use crate::cli::resolved::Resolved;
use std::path::Path;

pub(in crate::cli) fn run(
    config: Option<&Path>,
    scope: &Scope,
    output: &Output,
) -> Result<Exit, CliError> {
    let resolved = Resolved::with_mailbox(config, scope)?;
    let inspection = Inspection::inspect(&resolved, Depth::Counts, output)?;
    let programs = super::carry::programs(&resolved);
    let summary = Summary::of(&resolved, &inspection.audit.counts, inspection.unkept);
    if scope.json {
        summary.warn(output);
        output.json(&report::status::json(&summary, &inspection, &programs));
    } else {
        report::status::text(output, &resolved, &summary, &inspection, &programs);
    }
    Ok(Exit::of(&inspection.audit.counts))
}
