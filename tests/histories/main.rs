//! Histories of a station's cards and sticks, held against what its reports and restores promise.
#![allow(clippy::unwrap_used, clippy::expect_used, missing_docs)]

mod chance;
mod check;
mod event;
mod explore;
mod model;
mod print;
mod sabotage;
mod starts;
mod truth;
mod world;

fn tell(found: &explore::Finding) {
            println!("{}: {:?}", found.start, found.broken);
            for e in &found.history { println!("   {e:?}"); }
}

fn run(rule: Option<sabotage::Break>, upto: usize) -> bool {
    let all = starts::starts();
    let mut explorers = Vec::new();
    for start in &all {
        match explore::Explorer::begin(start, rule) {
            Ok(e) => explorers.push((start, e, 0.0)),
            Err(f) => { tell(&f); return true }
        };
    }
    for depth in 1..=upto {
        for (start, e, t) in explorers.iter_mut().filter(|(start, ..)| start.depth >= depth) {
            let begun = std::time::Instant::now();
            if let Some(found) = e.deeper(depth == start.depth) { tell(&found); return true }
            *t += begun.elapsed().as_secs_f64();
        }
    }
    if rule.is_none() {
    for (start, e, t) in &explorers { println!("{} {}: {:?} {t:.1} s", start.name, start.depth, e.tried); }
    }
    false
}

fn main() {
    let args: Vec<String> = std::env::args().collect();
    let upto = args.get(2).map_or(9, |a| a.parse().unwrap());
    if args.get(1).is_some_and(|a| a == "sabotage") {
        for rule in sabotage::ALL {
            if args.get(3).is_some_and(|a| *a != format!("{rule:?}")) { continue }
            let begun = std::time::Instant::now();
            println!("== {rule:?}");
            if !run(Some(rule), upto) { println!("NOT FOUND {rule:?}") }
            println!("     {:.1} s", begun.elapsed().as_secs_f64());
        }
        return;
    }
    println!("{}", run(None, upto));
}
