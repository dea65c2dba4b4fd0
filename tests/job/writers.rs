//! Which positions cover which, compared with a plain walk from link to link that computes the same; and how many links
//! are followed for it.

use crate::support::chance::Chance;
use counterfoil::model::{Position, WriterId, Writers};
use std::collections::HashMap;

fn at(writer: u64, n: u64) -> Position {
    Position { writer: WriterId::from_bits(writer), n }
}

/// The rule as written: everything that a position has before it, as the highest number of each writer.
#[derive(Default)]
struct Plain {
    links: HashMap<WriterId, Vec<Position>>,
    disputed: Vec<WriterId>,
}

impl Plain {
    fn reach(&self, from: Position) -> HashMap<WriterId, u64> {
        let (mut reach, mut ahead) = (HashMap::new(), vec![from]);
        while let Some(Position { writer, n }) = ahead.pop() {
            if let Some(known) = reach.get_mut(&writer) {
                *known = n.max(*known);
                continue;
            }
            reach.insert(writer, n);
            if !self.disputed.contains(&writer) {
                ahead.extend(self.links.get(&writer).into_iter().flatten());
            }
        }
        reach
    }

    fn covers(&self, one: Position, other: Position) -> bool {
        match one.writer == other.writer {
            true => one.n >= other.n,
            false => self.reach(one).get(&other.writer).is_some_and(|n| *n >= other.n),
        }
    }
}

/// Histories of a dozen writers: chains, cards that read each other, forks, beginnings that no line defines or that two
/// define differently, in any order; some with cycles.
#[test]
fn what_covers_what_is_the_same_as_by_a_plain_walk() {
    let mut answers = [0; 2];
    for seed in 0..500 {
        let mut random = Chance::new(seed);
        let (mut writers, mut plain) = (Writers::default(), Plain::default());
        let (own, circles) = (random.below(12), seed % 4 == 0);
        let mut order: Vec<u64> = (0..12).collect();
        if seed % 2 == 0 {
            order.sort_by_key(|_| random.below(1 << 30));
        }
        let mut last_own = None;
        for writer in order {
            let before = if circles { 12 } else { writer };
            let count = if before == 0 { 0 } else { [1, 1, 1, 0, 2, 3][random.below(6) as usize] };
            let near = |random: &mut Chance| match random.below(3) {
                0 => random.below(before),
                _ => before - 1,
            };
            let links: Vec<_> =
                (0..count).map(|_| at(near(&mut random), random.below(9))).collect();
            if random.below(8) == 0 {
                continue;
            }
            writers.define(WriterId::from_bits(writer), &links);
            plain.links.insert(WriterId::from_bits(writer), links);
            if random.below(10) == 0 {
                writers.mark_disputed(WriterId::from_bits(writer));
                plain.disputed.push(WriterId::from_bits(writer));
            }
            if writer == own {
                writers.set_own(WriterId::from_bits(own), 5);
                last_own = Some(5);
            }
            // Queried in between, as while a ledger is read.
            let asked = at(random.below(12), random.below(9));
            expect_as_of(&mut writers, &plain, (own, last_own), asked, circles);
        }
        let all: Vec<_> = (0..30).map(|_| at(random.below(12), random.below(9))).collect();
        for one in &all {
            for other in &all {
                let covers = plain.covers(*one, *other);
                assert_eq!(writers.covers(*one, *other), covers, "seed {seed}: {one}, {other}");
                answers[usize::from(covers)] += 1;
            }
            expect_as_of(&mut writers, &plain, (own, last_own), *one, circles);
        }
        expect_latest(&mut writers, &plain, &all, circles, seed);
    }
    assert!(answers.iter().all(|count| *count > 50_000), "{answers:?}");
}

fn expect_as_of(
    writers: &mut Writers,
    plain: &Plain,
    (own, last): (u64, Option<u64>),
    position: Position,
    circles: bool,
) {
    let Some(last) = last.filter(|_| !circles) else { return };
    let own = WriterId::from_bits(own);
    let expected = match position.writer == own {
        true => position.n.min(last),
        false => plain.reach(position).get(&own).map_or(0, |n| last.min(*n)),
    };
    assert_eq!(writers.as_of(position), expected, "{position}");
}

/// One position of each writer, as the catalogue has them.
fn expect_latest(writers: &mut Writers, plain: &Plain, all: &[Position], circles: bool, seed: u64) {
    let of_each: HashMap<_, _> = all.iter().map(|at| (at.writer, *at)).collect();
    let mut latest: Vec<_> = of_each.into_values().collect();
    latest.sort_by_key(|at| at.writer);
    for known in [None, Some(all[0])] {
        let is_new = |at: &&Position| known.is_none_or(|known| !plain.covers(known, **at));
        let news: Vec<_> = latest.iter().filter(is_new).copied().collect();
        let stands = |at: &&Position| !news.iter().any(|o| o != *at && plain.covers(*o, **at));
        let expected: Vec<_> = news.iter().filter(stands).copied().collect();
        if !circles {
            assert_eq!(writers.latest(known, &latest), expected, "seed {seed}");
        }
    }
}

/// Ten thousand runs of one card, each of which removes a message that any earlier one had recorded.
#[test]
fn what_ten_thousand_runs_cover_is_found_without_walking_through_them() {
    let mut writers = Writers::default();
    for run in 0..10_000 {
        let before: Vec<_> = (run > 0).then(|| at(run - 1, run)).into_iter().collect();
        writers.define(WriterId::from_bits(run), &before);
        assert_eq!(writers.as_of(at(run, run + 1)), 0);
    }
    assert!(writers.steps() < 50_000, "{}", writers.steps());
    for run in 0..10_000 {
        let other = run * 7_919 % 10_000;
        assert_eq!(writers.covers(at(run, run + 1), at(other, other + 1)), other <= run);
    }
    assert!(writers.steps() < 150_000, "{}", writers.steps());
}

/// The same with two cards in turn, each of which reads what the other wrote: a walk goes no further than to what it
/// searches for.
#[test]
fn what_two_cards_in_turn_cover_is_found_as_near_as_it_is() {
    let mut writers = Writers::default();
    for run in 2..10_000 {
        let before = [at(run - 2, run - 1), at(run - 1, run)];
        writers.define(WriterId::from_bits(run), &before);
    }
    writers.covers(at(9_999, 10_000), at(9_998, 9_999));
    let settled = writers.steps();
    for run in 10..10_000 {
        assert!(writers.covers(at(run, run + 1), at(run - 5, run - 4)));
        assert!(!writers.covers(at(run - 5, run), at(run, run + 1)));
    }
    let steps = writers.steps() - settled;
    assert!(steps < 30 * 10_000, "{steps}");
}

#[test]
fn a_copied_card_covers_what_it_had_and_nothing_of_its_twin() {
    let mut writers = Writers::default();
    writers.define(WriterId::from_bits(1), &[]);
    writers.define(WriterId::from_bits(2), &[at(1, 5)]);
    writers.define(WriterId::from_bits(3), &[at(1, 5)]);
    writers.define(WriterId::from_bits(4), &[at(2, 8), at(3, 7)]);
    let mut covers = |one, other| writers.covers(one, other);
    assert!(covers(at(2, 6), at(1, 5)));
    assert!(!covers(at(2, 6), at(1, 6)), "the parent went no further");
    assert!(!covers(at(2, 9), at(3, 6)) && !covers(at(3, 9), at(2, 6)));
    assert!(covers(at(4, 9), at(3, 7)) && covers(at(4, 9), at(1, 1)));
    assert_eq!(writers.latest(None, &[at(1, 5), at(2, 8), at(3, 7)]), [at(2, 8), at(3, 7)]);
    assert_eq!(writers.latest(None, &[at(2, 8), at(2, 8)]), [at(2, 8)]);
}

#[test]
fn two_words_about_one_beginning_are_none() {
    let mut writers = Writers::default();
    writers.define(WriterId::from_bits(2), &[at(1, 5)]);
    writers.define(WriterId::from_bits(2), &[at(1, 9)]);
    assert!(!writers.covers(at(2, 9), at(1, 1)));
    assert!(writers.covers(at(2, 9), at(2, 9)));
}

#[test]
fn what_is_not_known_of_a_writer_may_be_anything() {
    let mut writers = Writers::default();
    writers.define(WriterId::from_bits(1), &[]);
    writers.define(WriterId::from_bits(3), &[at(2, 7), at(1, 5)]);
    writers.define(WriterId::from_bits(4), &[at(1, 2)]);
    assert!(writers.may_cover(at(2, 7), at(1, 5)), "nobody knows what it had");
    assert!(!writers.may_cover(at(2, 7), at(3, 8)), "that one had read it");
    assert!(writers.may_cover(at(2, 9), at(3, 8)), "but no more than that");
    assert!(writers.may_cover(at(4, 9), at(1, 2)) && !writers.may_cover(at(4, 9), at(1, 3)));
    writers.mark_disputed(WriterId::from_bits(4));
    assert!(writers.may_cover(at(4, 9), at(1, 3)));
}

#[test]
fn a_circle_ends() {
    let mut writers = Writers::default();
    writers.define(WriterId::from_bits(1), &[at(2, 1)]);
    writers.define(WriterId::from_bits(2), &[at(1, 9)]);
    assert!(writers.covers(at(1, 1), at(2, 1)));
    writers.define(WriterId::from_bits(3), &[at(1, 4)]);
    assert!(writers.covers(at(3, 1), at(2, 1)) && writers.covers(at(3, 1), at(1, 9)));
    assert!(!writers.covers(at(2, 1), at(3, 1)));
    assert_eq!(writers.as_of(at(3, 1)), 0);
    writers.set_own(WriterId::from_bits(2), 7);
    assert_eq!(writers.as_of(at(3, 1)), 1);
}
