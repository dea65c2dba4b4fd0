//! Runs the parts of the model. Owns everything that is printed.

use crate::against::{self, Apart, What};
use crate::engine::Program;
use crate::event::Event;
use crate::explore::{Explorer, Finding, replay};
use crate::random::{self, LARGE};
use crate::sabotage::{Break, NOT_NEEDED, leave_out};
use crate::starts::{Start, starts};
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::{Mutex, PoisonError};
use std::time::{Duration, Instant};

/// Number of events from each start in the quick part.
const QUICK: usize = 3;
/// Number of random histories in the quick part.
const QUICK_SEEDS: u64 = 1_000;
/// Number of events from each start within which most rules turn out to be needed.
const NEAR: usize = 4;
/// Findings of one kind that are printed.
const ENOUGH: usize = 4;
const SEEDS: u64 = 200_000;
/// Number of events from each start to try a rule that is known not to be needed.
const UNNEEDED: usize = 4;

/// Every short history from every start, up to a length, the shortest first. A broken promise ends it.
fn explore(all: &[Start], rule: Option<Break>, longest: usize) -> (Vec<String>, Option<Finding>) {
    let mut explorers = Vec::new();
    for start in all {
        match Explorer::begin(start, rule) {
            Ok(explorer) => explorers.push((start, explorer, Duration::ZERO)),
            Err(finding) => return (Vec::new(), Some(finding)),
        }
    }
    for depth in 1..=longest {
        for (start, explorer, took) in &mut explorers {
            let last = start.depth.min(longest);
            if depth > last {
                continue;
            }
            let begun = Instant::now();
            if let Some(finding) = explorer.deeper(depth == last) {
                return (Vec::new(), Some(finding));
            }
            *took += begun.elapsed();
        }
    }
    let summaries = explorers.iter().map(|(start, explorer, took)| {
        let (events, states) = (explorer.tried.events, explorer.tried.states);
        let depth = start.depth.min(longest);
        let took = took.as_secs_f64();
        format!(
            "  {}: {depth} more, {events} histories, {states} states before the last, {took:.1} s",
            start.name
        )
    });
    (summaries.collect(), None)
}

fn say(what: &str, history: &[Event]) {
    println!("  {what}");
    history.iter().for_each(|event| println!("    {event:?}"));
}

/// Every short history: none breaks a promise.
fn short(longest: usize) -> bool {
    let begun = Instant::now();
    let (summaries, finding) = explore(&starts(), None, longest);
    println!("every short history:");
    summaries.iter().for_each(|line| println!("{line}"));
    if let Some(Finding { start, history, broken }) = &finding {
        say(&format!("FOUND from {start}: {}: {}", broken.promise, broken.how), history);
    }
    println!("  {:.0} s", begun.elapsed().as_secs_f64());
    finding.is_none()
}

/// Each rule is one that some short history needs, except those that none is known to need.
fn sabotages(all: &[Break], longest: usize) -> bool {
    let begun = Instant::now();
    let starts = starts();
    let mut fine = true;
    for rule in all {
        // A rule that nothing needs is tried to a small depth, so that it does not take as long as all the rest.
        let longest = if NOT_NEEDED.contains(rule) { longest.min(UNNEEDED) } else { longest };
        let (_, finding) = explore(&starts, Some(*rule), longest);
        match finding {
            Some(Finding { start, history, broken }) => {
                println!("sabotage found: {}, from {start}: {}", rule.words(), broken.promise);
                say("by", &history);
                fine &= !NOT_NEEDED.contains(rule);
            }
            None if NOT_NEEDED.contains(rule) => println!("needed by none: {}", rule.words()),
            None => {
                println!("NOT FOUND: {}", rule.words());
                fine = false;
            }
        }
    }
    println!("sabotages: {}, {:.0} s", all.len(), begun.elapsed().as_secs_f64());
    fine
}

/// Long random histories, on as many threads as there are cores.
fn chance(from: u64, seeds: u64, until: Option<Instant>) -> bool {
    let begun = Instant::now();
    let (next, events) = (AtomicU64::new(from), AtomicU64::new(0));
    let found = AtomicBool::new(false);
    let printing = Mutex::new(());
    let lanes = std::thread::available_parallelism().map_or(1, std::num::NonZero::get);
    let lane = || {
        while !found.load(Ordering::Relaxed) && until.is_none_or(|end| Instant::now() < end) {
            let seed = next.fetch_add(1, Ordering::Relaxed);
            if seed >= from + seeds {
                return;
            }
            let (history, result) = random::history(seed);
            events.fetch_add(history.len() as u64, Ordering::Relaxed);
            if result.is_err() {
                found.store(true, Ordering::Relaxed);
                let _printing = printing.lock().unwrap_or_else(PoisonError::into_inner);
                print_history(seed, None);
            }
        }
    };
    std::thread::scope(|scope| (0..lanes).for_each(|_| drop(scope.spawn(lane))));
    let (tried, took) = (events.load(Ordering::Relaxed), begun.elapsed().as_secs_f64());
    let last = next.load(Ordering::Relaxed).min(from + seeds) - 1;
    println!("by chance: seeds {from} to {last}, {tried} events, {took:.0} s");
    !found.load(Ordering::Relaxed)
}

/// Runs and prints the history with a number; returns whether it broke nothing.
pub(crate) fn print_history(seed: u64, rule: Option<Break>) -> bool {
    println!("seed {seed}");
    leave_out(rule);
    let (history, result) = random::history(seed);
    let Err(broken) = result else {
        say("nothing found:", &history);
        return true;
    };
    let history = random::shorten(LARGE, history, broken.promise);
    let how = replay(LARGE, &history).map_or_else(|broken| broken.how, |_| broken.how);
    say(&format!("FOUND: {}: {how}", broken.promise), &history);
    false
}

/// Everything that belongs to the tests.
pub(crate) fn whole(from: u64) -> bool {
    println!("seeds from {from}");
    let deepest = starts().iter().map(|start| start.depth).max().unwrap_or(0);
    let parts = [short(deepest), sabotages(Break::ALL, deepest), chance(from, SEEDS, None)];
    close(parts.iter().all(|fine| *fine))
}

/// A little of everything.
pub(crate) fn quick(from: u64) -> bool {
    println!("seeds from {from}");
    let some = [Break::DepartureFirst, Break::UnseenIsSeen, Break::WriterKept, Break::GapsPass];
    let parts = [short(QUICK), sabotages(&some, QUICK), chance(from, QUICK_SEEDS, None)];
    close(parts.iter().all(|fine| *fine))
}

/// One rule left out.
pub(crate) fn one(rule: Break) -> bool {
    let deepest = starts().iter().map(|start| start.depth).max().unwrap_or(0);
    close(sabotages(&[rule], deepest))
}

/// Ever new random histories.
pub(crate) fn nights(from: u64, hours: f64) -> bool {
    println!("seeds from {from}");
    close(chance(
        from,
        u64::MAX - from,
        Some(Instant::now() + Duration::from_secs_f64(hours * 3_600.0)),
    ))
}

/// Histories in which the program differed, by what was wrong.
type Differences = BTreeMap<What, Vec<(u64, Vec<Event>, Apart)>>;

/// Compares the program with the model in as many histories.
pub(crate) fn engine(from: u64, seeds: u64, place: &str) -> bool {
    println!("seeds from {from}");
    let begun = Instant::now();
    let (next, events) = (AtomicU64::new(from), AtomicU64::new(0));
    let differences: Mutex<Differences> = Mutex::default();
    let lanes = std::thread::available_parallelism().map_or(1, std::num::NonZero::get);
    let lane = |place: PathBuf| {
        loop {
            let seed = next.fetch_add(1, Ordering::Relaxed);
            if seed >= from + seeds {
                return;
            }
            events.fetch_add(run_both(seed, &place, &differences), Ordering::Relaxed);
        }
    };
    needed(&Path::new(place).join("needed"), &differences);
    std::thread::scope(|scope| {
        for number in 0..lanes {
            let (lane, place) = (&lane, Path::new(place).join(number.to_string()));
            scope.spawn(move || lane(place));
        }
    });
    let differences = differences.into_inner().unwrap_or_else(PoisonError::into_inner);
    for (seed, history, Apart { what, how }) in differences.values().flatten() {
        let word = if what.is_broken() { "FOUND" } else { "other" };
        say(&format!("{word}, seed {seed}: {what:?}: {how}"), history);
    }
    let (events, took) = (events.load(Ordering::Relaxed), begun.elapsed().as_secs_f64());
    println!("the program by chance: {seeds} histories, {events} events, {took:.0} s");
    close(!differences.keys().any(|what| what.is_broken()))
}

/// The histories that show the need for some rule of the model, with number 0.
fn needed(place: &Path, differences: &Mutex<Differences>) {
    let starts = starts();
    for rule in Break::ALL.iter().filter(|rule| !NOT_NEEDED.contains(rule)) {
        let (_, finding) = explore(&starts, Some(*rule), NEAR);
        let Some(Finding { history, .. }) = finding else { continue };
        match try_one(place, &history) {
            // With the rule in force, or in the program, one of its events is impossible.
            Err(Apart { what: What::Impossible, .. }) => println!("  not tried: {}", rule.words()),
            tried => note_one(rule.words(), history, tried, differences),
        }
    }
    for (what, history) in against::thought_of() {
        let tried = try_one(place, &history);
        note_one(what, history, tried, differences);
    }
}

fn try_one(place: &Path, history: &[Event]) -> Result<usize, Apart> {
    against::compare(&mut Program::new(place, 0, 3), 3, history)
}

fn note_one(
    words: &str,
    history: Vec<Event>,
    tried: Result<usize, Apart>,
    differences: &Mutex<Differences>,
) {
    match tried {
        Ok(done) if done == history.len() => println!("  as it should be: {words}"),
        Ok(done) => println!("  as it should be, for {done} of {} events: {words}", history.len()),
        Err(apart) => {
            println!("  {:?}: {words}", apart.what);
            let mut differences = differences.lock().unwrap_or_else(PoisonError::into_inner);
            differences.entry(apart.what).or_default().push((0, history, apart));
        }
    }
}

/// Runs one history on both. Returns how many of its events were done.
fn run_both(seed: u64, place: &Path, differences: &Mutex<Differences>) -> u64 {
    let history = against::history(seed);
    let sticks = against::sticks_of(seed);
    let run = |history: &[Event]| {
        against::compare(&mut Program::new(place, seed, sticks), sticks, history)
    };
    let apart = match run(&history) {
        Ok(done) => return done as u64,
        Err(apart) => apart,
    };
    let differences = || differences.lock().unwrap_or_else(PoisonError::into_inner);
    let by_chance = |all: &Vec<(u64, _, _)>| all.iter().filter(|one| one.0 > 0).count();
    if differences().get(&apart.what).is_none_or(|all| by_chance(all) < ENOUGH) {
        let same = |other: &[Event]| run(other).err().filter(|other| other.what == apart.what);
        let short = random::shortest(history.clone(), |history| same(history).is_some());
        let last = same(&short).unwrap_or(apart);
        differences().entry(last.what).or_default().push((seed, short, last));
    }
    history.len() as u64
}

fn close(fine: bool) -> bool {
    println!("{} passed, {} failed", u64::from(fine), u64::from(!fine));
    fine
}
