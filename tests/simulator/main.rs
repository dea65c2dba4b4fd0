//! The fault simulator: the program itself works on sticks and cards that fail in every way ever seen, in histories
//! drawn from a seed, and a plain list of promises is checked. One thread for each history, no sleep, no real time.
//!
//! `medium` models what a stick contains and may lose, `stick` is the volume that the program opens, `card` the
//! station's own side, `world` all of it with the operations on it. `oracle` has the promises, `random` the long
//! histories, `small` every short one, `sweep` fails every call in every way, `sabotage` has the faults of the program
//! that must be found, `seeds` those that were found before. `work` runs all of it.
#![allow(clippy::unwrap_used, clippy::expect_used, missing_docs)]

mod card;
mod drawer;
mod extras;
mod giving;
mod medium;
mod mending;
mod oracle;
mod random;
mod rewording;
mod sabotage;
mod seeds;
mod small;
mod stick;
mod stories;
// The test programs share one set of helpers; those that only others use are dead code here.
#[allow(dead_code, unused_macros)]
#[macro_use]
#[path = "../support/mod.rs"]
mod support;
mod sweep;
mod will;
mod work;
mod world;

use clap::Parser;
use support::{chance, clock};

/// Runs the program on sticks and cards that fail in every way ever seen. Without an option: a little of
/// everything, in seconds. A finding is printed with the command that replays it.
#[derive(Parser)]
#[command(name = "tests/sim")]
struct Options {
    /// Replay the history of this seed, and print it.
    #[arg(long)]
    seed: Option<u64>,
    /// Print this story.
    #[arg(long, conflicts_with = "seed")]
    story: Option<String>,
    /// Put the sabotage of this name into the program.
    #[arg(long)]
    sabotage: Option<String>,
    /// Everything that belongs to the tests: every short history, every call failing, every sabotage, many seeds.
    #[arg(long)]
    whole: bool,
    /// Only this part of the tests.
    #[arg(long)]
    part: Option<work::Part>,
    /// Run histories of ever new seeds, for this many hours.
    #[arg(long, value_name = "HOURS", num_args = 0..=1, default_missing_value = "10")]
    nights: Option<f64>,
    /// The first seed.
    #[arg(long, default_value_t = 1)]
    from: u64,
    /// Number of seeds.
    #[arg(long, default_value_t = 20_000)]
    seeds: u64,
    /// Names of tests, as cargo passes them on.
    #[arg(hide = true)]
    names: Vec<String>,
}

fn main() -> std::process::ExitCode {
    let options = Options::parse();
    if !options.names.is_empty() && !options.names.iter().any(|name| "sim".contains(name.as_str()))
    {
        return std::process::ExitCode::SUCCESS;
    }
    chance::check();
    let fine = match (options.seed, options.nights) {
        _ if let Some(story) = &options.story => {
            work::print_story(story, options.sabotage.as_deref())
        }
        (Some(seed), _) => work::replay(seed, options.sabotage.as_deref()),
        (None, Some(hours)) => work::nights(options.from, hours),
        (None, None) if options.part.is_some() => {
            work::part(options.part, options.from, options.seeds)
        }
        (None, None) if options.whole => work::part(None, options.from, options.seeds),
        (None, None) => work::quick(options.from),
    };
    match fine {
        true => std::process::ExitCode::SUCCESS,
        false => std::process::ExitCode::FAILURE,
    }
}
