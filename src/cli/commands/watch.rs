//! `watch`: the daemon, in the foreground.

use crate::cli::Exit;
use crate::cli::args::Scope;
use crate::cli::notices::Problem;
use crate::cli::output::Output;
use std::path::Path;

pub(in crate::cli) fn run(_: Option<&Path>, _: &Scope, _: &Output) -> Result<Exit, Problem> {
    Err(Problem::failed("not yet"))
}
