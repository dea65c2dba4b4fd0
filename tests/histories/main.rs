//! Histories of a station's cards and sticks, held against what its reports and restores promise.
#![allow(clippy::unwrap_used, clippy::expect_used, missing_docs)]

mod chance;
mod check;
mod event;
mod explore;
mod model;
mod print;
mod random;
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
    if std::env::args().nth(1).is_some_and(|a| a == "debug") { return debug(); }
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
    if args.get(1).is_some_and(|a| a == "random") {
        let n: u64 = args[2].parse().unwrap();
        let len: usize = args[3].parse().unwrap();
        let from: u64 = args.get(4).map_or(1, |a| a.parse().unwrap());
        let next = std::sync::atomic::AtomicU64::new(from);
        std::thread::scope(|s| { for _ in 0..2 { s.spawn(|| loop {
            let seed = next.fetch_add(1, std::sync::atomic::Ordering::Relaxed);
            if seed >= from + n { break }
            let r = std::panic::catch_unwind(|| random::history(seed, len));
            let Ok((h, r)) = r else { println!("PANIC seed {seed}"); break };
            if let Err(b) = r {
                next.store(u64::MAX/2, std::sync::atomic::Ordering::Relaxed);
                let h = random::shorten(random::LARGE, h, b.promise);
                let b2 = explore::replay(random::LARGE, &h).unwrap_err();
                println!("seed {seed}: {b2:?}");
                for e in h { println!("   {e:?}"); }
                break;
            }
        }); }});
        return;
    }
    println!("{}", run(None, upto));
}

#[allow(dead_code)]
fn debug() {
    use event::Event::*;
    use model::*;
    let i = Location { mailbox: 0, path: Path::Plain(0) };
    let j = Location { mailbox: 1, path: Path::Plain(0) };
    let k = Location { mailbox: 1, path: Path::Plain(1) };
    let _ = (i, j, k);
    let shape = random::LARGE;
    let mut w = world::World::new(shape);
    for e in [
   Deliver(i),
   Edit { at: i, watched: false },
   Deliver(j),
   NewCard,
   Boot(0),
   Mirror { stick: 0, mailboxes: 2 },
   Clone,
   Mirror { stick: 2, mailboxes: 2 },
   Move { from: j, to: k, watched: false },
   Delete(k),
   Mirror { stick: 0, mailboxes: 2 },
   Boot(2),
   Acknowledge,
   TakeImage,
   Delete(j),
   Full { stick: 2, room: 1, backwards: true },
   PutImage,
   Mirror { stick: 0, mailboxes: 3 },
    ] {
        let (x, r) = check::step(&w, e);
        w = x;
        println!("{e:?} {:?} {:?} read {:?} since {:?}", r.is_ok(), w.card().catalogue.position, w.card().catalogue.read, w.card().catalogue.known.get(&j).map(|p| p.since));
    }
    for s in &w.sticks { println!("{:#?}", s.stick.ledger.lines); }
}
