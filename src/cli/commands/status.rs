//! `status`: what is safe now, drive by drive. Writes nothing; safe beside a running daemon.

use super::survey::{Depth, Survey};
use crate::cli::Exit;
use crate::cli::args::Scope;
use crate::cli::notices::Problem;
use crate::cli::output::Output;
use crate::cli::report;
use crate::cli::setup::Setup;
use std::path::Path;

pub(in crate::cli) fn run(
    config: Option<&Path>,
    scope: &Scope,
    output: &Output,
) -> Result<Exit, Problem> {
    let setup = Setup::with_mailbox(config, scope)?;
    let survey = Survey::take(&setup, Depth::Brief, output)?;
    if scope.json {
        output.json(&report::status::json(&setup, &survey.audit, survey.daemon, &survey.drives));
    } else {
        report::status::text(output, &setup, &survey.audit, survey.daemon, &survey.drives);
    }
    Ok(Exit::safe(survey.audit.is_safe()))
}
