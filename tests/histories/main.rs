//! Histories of a station's cards and sticks, and a check of what reports and restores promise. The rules themselves
//! are tried first: a model of what ledgers say, through every short history and through long random ones.
//!
//! `model` has the rules, `world` the cards and sticks with the operations on them, `event` what can happen, `truth`
//! who truly saw what, `check` the promises. `explore` goes through every short history, `starts` is where they begin,
//! `fingerprint` decides which states are alike, `random` makes the long histories, `sabotage` leaves out rules,
//! `engine` and `against` compare the program with the model. `work` runs all of it.
#![allow(clippy::unwrap_used, clippy::expect_used, missing_docs)]

mod against;
mod check;
mod engine;
mod event;
mod explore;
mod files;
mod fingerprint;
mod gone;
mod mix;
mod model;
mod random;
mod sabotage;
mod starts;
// The test programs share one set of helpers; those that only others use are dead code here.
#[allow(dead_code, unused_macros)]
#[macro_use]
#[path = "../support/mod.rs"]
mod support;
mod truth;
mod work;
mod world;

use std::process::ExitCode;
use support::chance;

/// The folder of the program's cards.
const PLACE: &str = "/dev/shm/histories";

const HELP: &str = "\
Checks what ledgers say in every short history, and in long random ones.

tests/history                  all that belongs to the tests
tests/history --seed N         the history of this number, printed
tests/history --sabotage NAME  with this rule left out (with --seed), or found by short histories
tests/history --nights [HOURS] ever new histories (10 hours)
tests/history --engine         the program compared with the model, in --seeds N histories (20,000)
tests/history --from N         the first number
tests/history --quick          a little of everything, in seconds";

fn main() -> ExitCode {
    let mut arguments = std::env::args().skip(1).peekable();
    let (mut seed, mut from, mut rule, mut seeds) = (None, 1, None, 20_000);
    let mut how = "--quick".to_owned();
    let mut hours = 10.0;
    while let Some(argument) = arguments.next() {
        let number = |text: Option<String>| text.and_then(|text| text.parse::<u64>().ok());
        match argument.as_str() {
            "--help" => {
                println!("{HELP}");
                return ExitCode::SUCCESS;
            }
            "--seed" => seed = Some(number(arguments.next()).expect("--seed takes a number")),
            "--from" => from = number(arguments.next()).expect("--from takes a number"),
            "--sabotage" => rule = Some(sabotage::named(&arguments.next().unwrap_or_default())),
            "--seeds" => seeds = number(arguments.next()).expect("--seeds takes a number"),
            "--whole" | "--quick" | "--engine" => how = argument,
            "--nights" => {
                let given = arguments.peek().and_then(|text| text.parse().ok());
                hours = given.inspect(|_| drop(arguments.next())).unwrap_or(hours);
                how = argument;
            }
            // Names of tests, as cargo passes them on.
            name if !name.starts_with('-') && !"histories".contains(name) => {
                return ExitCode::SUCCESS;
            }
            name if !name.starts_with('-') => {}
            other => {
                println!("{other} is no option\n{HELP}");
                return ExitCode::FAILURE;
            }
        }
    }
    chance::check();
    let fine = match (seed, rule, how.as_str()) {
        (Some(seed), rule, _) => work::print_history(seed, rule),
        (None, Some(rule), _) => work::one(rule),
        (None, None, "--engine") => {
            work::engine(from, seeds, &format!("{PLACE}-{}", std::process::id()))
        }
        (None, None, "--whole") => work::whole(from),
        (None, None, "--nights") => work::nights(from, hours),
        _ => work::quick(from),
    };
    match fine {
        true => ExitCode::SUCCESS,
        false => ExitCode::FAILURE,
    }
}
