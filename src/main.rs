//! The program: parse, run, exit code.
#![forbid(unsafe_code)]

mod fault;

use clap::Parser as _;
use counterfoil::cli::{self, args::Args};

fn main() -> cli::Exit {
    fault::say_only_where();
    cli::run(Args::parse())
}
