//! `audit`: what is unmirrored, and why. Writes nothing; safe beside a running daemon.

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
    let survey = Survey::take(&setup, Depth::Whole, output)?;
    if scope.json {
        let drives = survey.drives.iter().map(report::drives::json).collect();
        output.json(&report::audit::json(&survey.audit, &setup.station, &survey.now, drives));
    } else {
        report::audit::text(output, &survey.audit, &setup.station, &survey.now, &survey.drives);
    }
    Ok(Exit::safe(survey.audit.is_safe()))
}
