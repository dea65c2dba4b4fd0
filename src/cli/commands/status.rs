//! `status`: what is safe now, drive by drive. Writes nothing; safe beside a running daemon.

use super::inspect::{Depth, Inspection};
use crate::cli::Exit;
use crate::cli::args::Scope;
use crate::cli::notices::CliError;
use crate::cli::output::Output;
use crate::cli::report::{self, verdict::Summary};
use crate::cli::setup::Resolved;
use std::path::Path;

pub(in crate::cli) fn run(
    config: Option<&Path>,
    scope: &Scope,
    output: &Output,
) -> Result<Exit, CliError> {
    let setup = Resolved::with_mailbox(config, scope)?;
    let survey = Inspection::take(&setup, Depth::Brief, output)?;
    let programs = super::mirror::programs(&setup);
    let summary = Summary::of(&setup, &survey.audit.counts, survey.unkept);
    if scope.json {
        summary.warn(output);
        output.json(&report::status::json(&summary, &survey, &programs));
    } else {
        report::status::text(output, &setup, &summary, &survey, &programs);
    }
    Ok(Exit::of(&survey.audit.counts))
}
