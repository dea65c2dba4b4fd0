//! `demo`

use crate::cli::Exit;
use crate::cli::args::Demo;
use crate::cli::notices::Problem;
use crate::cli::output::Output;

pub(in crate::cli) fn run(_: &Demo, _: &Output) -> Result<Exit, Problem> {
    Err(Problem::failed("not yet"))
}
