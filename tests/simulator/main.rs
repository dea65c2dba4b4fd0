//! The fault simulator: the program's own work on sticks and cards that do the worst ever seen, in histories
//! that a seed makes, held against a plain list of promises. One thread a history, no sleep, no real time.
//!
//! `medium` is what a stick holds and may lose, `stick` how the program meets it, `card` the station's own side,
//! `world` all of it with what can be done, `oracle` the promises, `random` the long histories, `small` every
//! short one, `sweep` every call failing in every way, `sabotage` what it must be able to find, `seeds` what it
//! has found.
#![allow(clippy::unwrap_used, clippy::expect_used, missing_docs)]

mod card;
mod chance;
mod medium;
mod oracle;
mod random;
mod sabotage;
mod stick;
mod world;

fn main() {
    let mut args = std::env::args().skip(1);
    let seed: u64 = args.next().unwrap().parse().unwrap();
    let count: u64 = args.next().unwrap().parse().unwrap();
    let mut total = random::Counts::default();
    for seed in seed..seed + count {
        match random::history(&format!("seed-{seed}"), seed, None, count == 1) {
            Ok(counts) => total.add(counts),
            Err(broken) => println!("seed {seed}: {broken:?}"),
        }
    }
    println!("{total:?}");
}
