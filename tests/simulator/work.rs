//! Runs the parts of the simulator, on as many threads as there are cores. Owns everything that is printed.

use crate::oracle::Broken;
use crate::random::{self, Counts};
use crate::sabotage::Sabotage;
use crate::seeds::{FOUND, SABOTAGE_SEEDS};
use crate::small::{self, Seen, Tried};
use crate::stories;
use crate::sweep;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::{Mutex, PoisonError};
use std::time::{Duration, Instant};

/// Number of seeds within which each sabotage must be found.
const TEETH: u64 = 4_000;
/// Events of the longest of the short histories.
const LONGEST: usize = 3;
/// Histories that are run twice, to compare the replay with the first run.
const TWICE: u64 = 50;
/// Number of findings after which a run ends: more are mostly the same.
const ENOUGH: u64 = 10;

/// Findings so far, by any thread.
#[derive(Default)]
struct Findings(AtomicU64);

impl Findings {
    fn say(&self, what: &str, broken: &Broken) {
        self.0.fetch_add(1, Ordering::Relaxed);
        println!("FOUND  {what}\n       broken: {}\n       {}", broken.promise, broken.how);
    }

    fn count(&self) -> u64 {
        self.0.load(Ordering::Relaxed)
    }
}

/// Distributes the numbers below `end` over all cores, and passes each to `work` with the number of the thread.
fn by_turns<T: Default + Send>(
    begin: u64,
    end: u64,
    stop: impl Fn() -> bool + Sync,
    work: impl Fn(u64, &mut T) + Sync,
) -> Vec<T> {
    let next = AtomicU64::new(begin);
    let lanes = std::thread::available_parallelism().map_or(1, std::num::NonZero::get);
    let lane = || {
        let mut of_lane = T::default();
        loop {
            let number = next.fetch_add(1, Ordering::Relaxed);
            if number >= end || stop() {
                return of_lane;
            }
            work(number, &mut of_lane);
        }
    };
    std::thread::scope(|scope| {
        let lanes: Vec<_> = (0..lanes).map(|_| scope.spawn(lane)).collect();
        lanes
            .into_iter()
            .map(|lane| lane.join().expect("a lane ended in a fault of the simulator"))
            .collect()
    })
}

/// Prints one history.
pub(crate) fn replay(seed: u64, sabotage: Option<&str>) -> bool {
    let sabotage = sabotage.map(named);
    println!("seed {seed}");
    match random::history(&format!("seed-{seed}"), seed, sabotage, true) {
        Ok(counts) => {
            println!("nothing found: {counts:?}");
            true
        }
        Err(broken) => {
            Findings::default().say(&format!("tests/sim --seed {seed}"), &broken);
            false
        }
    }
}

/// Prints one story.
pub(crate) fn print_story(name: &str, sabotage: Option<&str>) -> bool {
    let story = stories::ALL.iter().find(|story| story.name == name);
    let story = story.unwrap_or_else(|| panic!("no story {name}"));
    match story.run(sabotage.map(named), true) {
        Ok(()) => {
            println!("nothing found");
            true
        }
        Err(broken) => {
            Findings::default().say(&format!("tests/sim --story {name}"), &broken);
            false
        }
    }
}

fn named(sabotage: &str) -> Sabotage {
    let found = Sabotage::ALL.into_iter().find(|how| format!("{how:?}") == sabotage);
    found.unwrap_or_else(|| panic!("no sabotage {sabotage}; there are {:?}", Sabotage::ALL))
}

/// Parts of the tests.
#[derive(Debug, Clone, Copy, PartialEq, Eq, clap::ValueEnum)]
pub(crate) enum Part {
    /// Seeds that found something, and replays.
    Seeds,
    /// Sabotages.
    Teeth,
    /// The purpose of each rule of the ledger.
    Stories,
    /// Every call failing.
    Calls,
    /// Every short history.
    Short,
    /// Long random histories.
    Chance,
}

/// Everything that belongs to the tests, or one part of it.
pub(crate) fn part(only: Option<Part>, from: u64, seeds: u64) -> bool {
    println!("seeds {from} to {}", from + seeds - 1);
    let findings = Findings::default();
    let runs = |part| only.is_none_or(|only| only == part);
    if runs(Part::Seeds) {
        found_before(&findings);
        same_again(from, &findings);
    }
    if runs(Part::Stories) {
        every_story(&findings);
    }
    let teeth = !runs(Part::Teeth) || teeth(&Sabotage::ALL, TEETH);
    if runs(Part::Calls) {
        every_call(1, &findings);
    }
    if runs(Part::Short) {
        every_short_history(LONGEST, &findings);
    }
    if runs(Part::Chance) {
        histories(from, from + seeds, &findings);
    }
    close(&findings, teeth)
}

/// A little of everything.
pub(crate) fn quick(from: u64) -> bool {
    println!("seeds {from} to {}", from + 199);
    let findings = Findings::default();
    found_before(&findings);
    every_story(&findings);
    every_call(29, &findings);
    every_short_history(1, &findings);
    histories(from, from + 200, &findings);
    let teeth = teeth(&[Sabotage::LedgerBeforeSync, Sabotage::OrphanDeleted], TEETH);
    close(&findings, teeth)
}

/// Ever new seeds.
pub(crate) fn nights(from: u64, hours: f64) -> bool {
    let findings = Findings::default();
    let end = Instant::now() + Duration::from_secs_f64(hours * 3_600.0);
    let mut from = from;
    let mut total = Counts::default();
    while Instant::now() < end && findings.count() < ENOUGH {
        println!("seeds {from} to {}", from + 9_999);
        total.add(some(from, from + 10_000, &findings, || Instant::now() >= end));
        from += 10_000;
    }
    println!("in all: {}", words(&total));
    close(&findings, true)
}

fn close(findings: &Findings, teeth: bool) -> bool {
    let fine = findings.count() == 0 && teeth;
    println!("{} passed, {} failed", u64::from(fine), u64::from(!fine));
    fine
}

fn found_before(findings: &Findings) {
    for (harm, seed) in FOUND {
        if let Err(broken) = random::history(&format!("seed-{seed}"), seed, None, false) {
            findings.say(&format!("once more, {harm}: tests/sim --seed {seed}"), &broken);
        }
    }
    println!("found before: {} seeds", FOUND.len());
}

fn every_story(findings: &Findings) {
    for story in &stories::ALL {
        if let Err(broken) = story.run(None, false) {
            findings.say(&format!("tests/sim --story {}", story.name), &broken);
        }
        if let Some(how) = story.shows.filter(|how| story.run(Some(*how), false).is_ok()) {
            let broken = Broken {
                promise: "a story ends badly with its rule broken",
                how: format!("{} does not, though {}", story.name, how.words()),
            };
            findings.say(&format!("tests/sim --story {} --sabotage {how:?}", story.name), &broken);
        }
    }
    println!("stories: {}", stories::ALL.len());
}

/// A seed replays a history exactly: the same calls in the same order with the same outcome.
fn same_again(from: u64, findings: &Findings) {
    let run = |seed| {
        random::history(&format!("seed-{seed}"), seed, None, false).map(|c| (c.calls, c.trace))
    };
    for seed in from..from + TWICE {
        if run(seed) != run(seed) {
            let broken = Broken { promise: "a seed replays a history exactly", how: String::new() };
            findings.say(&format!("tests/sim --seed {seed}"), &broken);
        }
    }
    println!("replayed: {TWICE} seeds, call by call the same");
}

fn histories(from: u64, end: u64, findings: &Findings) {
    let begun = Instant::now();
    let total = some(from, end, findings, || findings.count() >= ENOUGH);
    println!("by chance: {}, {:.0} s", words(&total), begun.elapsed().as_secs_f64());
}

fn some(from: u64, end: u64, findings: &Findings, stop: impl Fn() -> bool + Sync) -> Counts {
    let lanes = by_turns(from, end, stop, |seed, total: &mut Counts| {
        match random::history(&format!("seed-{seed}"), seed, None, false) {
            Ok(counts) => total.add(counts),
            Err(broken) => findings.say(&format!("tests/sim --seed {seed}"), &broken),
        }
    });
    let mut total = Counts::default();
    lanes.into_iter().for_each(|lane| total.add(lane));
    total
}

fn words(counts: &Counts) -> String {
    format!(
        "{} histories, {} steps, {} cuts and pulls, {} other faults, {} calls to sticks",
        counts.histories, counts.steps, counts.power_failures, counts.faults, counts.calls
    )
}

/// Every call of a story failing in every way; only one attempt in `each` is made.
fn every_call(each: usize, findings: &Findings) {
    let begun = Instant::now();
    let calls = match sweep::calls("sweep") {
        Ok(calls) => calls,
        Err(broken) => {
            return findings.say("the story of the sweep, when nothing goes wrong", &broken);
        }
    };
    let tries: Vec<_> = sweep::all(calls).into_iter().step_by(each).collect();
    by_turns(
        0,
        tries.len() as u64,
        || findings.count() >= ENOUGH,
        |number, _: &mut ()| {
            let one = tries[number as usize];
            if let Err(broken) = one.run(&format!("sweep-{number}")) {
                findings.say(&format!("call {} of the sweep: {:?}", one.call, one.mishap), &broken);
            }
        },
    );
    let took = begun.elapsed().as_secs_f64();
    println!("every call: {} failures at {calls} calls, {took:.0} s", tries.len());
}

/// Every short history.
fn every_short_history(longest: usize, findings: &Findings) {
    let begun = Instant::now();
    let all = small::all(longest);
    let seen = Seen::default();
    let lanes = by_turns(
        0,
        all.len() as u64,
        || findings.count() >= ENOUGH,
        |number, total: &mut Tried| {
            let one = &all[number as usize];
            match one.run(&format!("small-{number}"), &seen) {
                Ok(tried) => total.add(tried),
                Err(broken) => findings.say(&format!("{one:?}"), &broken),
            }
        },
    );
    let mut total = Tried::default();
    lanes.into_iter().for_each(|lane| total.add(lane));
    println!(
        "every history of up to {longest} events: {} histories, {} cuts, {} states, {} of them distinct, {} of these \
         mended, {:.0} s",
        total.histories,
        total.power_failures,
        total.states,
        total.distinct,
        total.healed,
        begun.elapsed().as_secs_f64()
    );
}

/// Every sabotage is found.
fn teeth(all: &[Sabotage], within: u64) -> bool {
    let begun = Instant::now();
    let mut bites = true;
    // Those that found one before come first; if they find nothing any more, all are searched.
    let order: Vec<u64> = SABOTAGE_SEEDS.into_iter().chain(1..=within).collect();
    for how in all {
        let found = stories::ALL
            .iter()
            .find_map(|story| Some((story, story.run(Some(*how), false).err()?)));
        if let Some((story, broken)) = found {
            println!("sabotage found: {}: story {}: {}", how.words(), story.name, broken.promise);
            continue;
        }
        let first: Mutex<Option<(u64, Broken)>> = Mutex::new(None);
        let found = AtomicBool::new(false);
        by_turns(
            0,
            order.len() as u64,
            || found.load(Ordering::Relaxed),
            |at, _: &mut ()| {
                let seed = order[at as usize];
                let run = format!("seed-{seed}");
                if let Err(broken) = random::history(&run, seed, Some(*how), false) {
                    found.store(true, Ordering::Relaxed);
                    let mut first = first.lock().unwrap_or_else(PoisonError::into_inner);
                    if first.as_ref().is_none_or(|(other, _)| seed < *other) {
                        *first = Some((seed, broken));
                    }
                }
            },
        );
        match first.into_inner().unwrap_or_else(PoisonError::into_inner) {
            Some((seed, broken)) => {
                println!("sabotage found: {}: seed {seed}: {}", how.words(), broken.promise);
            }
            None => {
                bites = false;
                println!("NOT FOUND within {within} seeds: {}", how.words());
            }
        }
    }
    println!("sabotages: {}, {:.0} s", all.len(), begun.elapsed().as_secs_f64());
    bites
}
