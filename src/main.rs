//! The program: parse, run, exit code.
#![forbid(unsafe_code)]

use clap::Parser as _;
use counterfoil::cli::{self, args::Args};

fn main() -> cli::Exit {
    cli::run(Args::parse())
}
