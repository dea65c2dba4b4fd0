//! Owns the causal order of changes: who wrote, and what each writer had read when it began.
//! Never compares numbers of two writers: a position is covered only through links that were written down.

use super::ids::WriterId;
use super::limits::COUNT_MAX;
use std::collections::{HashMap, HashSet};
use std::fmt;
use std::str::FromStr;

/// A point in the history of one writer.
///
/// A writer is one run of a program that changes something. A copied or restored card draws a new one when it begins,
/// so that two cards never write as the same (Bieniusa et al. 2012, "An optimized conflict-free replicated set").
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct Position {
    /// Who.
    pub writer: WriterId,
    /// The number of its last change; it grows within a writer, and from a parent to its child.
    pub n: u64,
}

impl fmt::Display for Position {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}:{}", self.writer, self.n)
    }
}

impl FromStr for Position {
    type Err = ();

    fn from_str(text: &str) -> Result<Self, ()> {
        let (writer, n) = text.split_once(':').ok_or(())?;
        let n = n.parse().ok().filter(|n| *n <= COUNT_MAX).ok_or(())?;
        Ok(Self { writer: writer.parse().map_err(|_| ())?, n })
    }
}

impl serde::Serialize for Position {
    fn serialize<S: serde::Serializer>(&self, to: S) -> Result<S::Ok, S::Error> {
        to.collect_str(self)
    }
}

impl<'de> serde::Deserialize<'de> for Position {
    fn deserialize<D: serde::Deserializer<'de>>(from: D) -> Result<Self, D::Error> {
        let text = String::deserialize(from)?;
        text.parse().map_err(|()| serde::de::Error::custom("a writer and a number are needed"))
    }
}

/// What each writer had before it: the position it went on from, and those it had read in ledgers.
#[derive(Debug, Clone, Default)]
pub struct Writers {
    links: HashMap<WriterId, Vec<Position>>,
    /// Writers about whose beginning two ledgers disagree: nothing is concluded through them.
    disputed: HashSet<WriterId>,
}

/// All that one position covers, as the highest number of each writer.
#[derive(Debug, Clone, Default)]
pub struct Reach(HashMap<WriterId, u64>);

impl Reach {
    /// Whether a position is covered.
    pub fn covers(&self, position: Position) -> bool {
        self.0.get(&position.writer).is_some_and(|n| *n >= position.n)
    }

    /// The highest number that is covered of each writer.
    pub fn iter(&self) -> impl Iterator<Item = (WriterId, u64)> + '_ {
        self.0.iter().map(|(writer, n)| (*writer, *n))
    }
}

impl Writers {
    /// Takes in what a ledger or the state says of a writer's beginning.
    pub fn define(&mut self, writer: WriterId, links: &[Position]) {
        match self.links.get(&writer) {
            Some(known) if known != links => drop(self.disputed.insert(writer)),
            Some(_) => {}
            None => drop(self.links.insert(writer, links.to_vec())),
        }
    }

    /// Nothing is concluded through a writer from here on.
    pub fn dispute(&mut self, writer: WriterId) {
        self.disputed.insert(writer);
    }

    /// Everything that `from` covers: itself, and what its writers had before them.
    ///
    /// A link that is not known ends the way there: then less is covered, and more is given back.
    pub fn reach(&self, from: Position) -> Reach {
        let mut reach = HashMap::new();
        let mut ahead = vec![from];
        while let Some(Position { writer, n }) = ahead.pop() {
            match reach.get_mut(&writer) {
                // Its links were followed when it was first met: they are the same for every number.
                Some(known) => *known = n.max(*known),
                None => {
                    reach.insert(writer, n);
                    if !self.disputed.contains(&writer) {
                        ahead.extend(self.links.get(&writer).into_iter().flatten());
                    }
                }
            }
        }
        Reach(reach)
    }

    /// Whether `one` may cover `other`, for all that is known: what a writer had that is not known, or that two ledgers
    /// disagree about, may be anything but what `other` itself covers.
    pub fn may_cover(&self, one: Position, other: Position) -> bool {
        let mut before = None;
        let (mut seen, mut ahead) = (HashSet::new(), vec![one]);
        while let Some(at) = ahead.pop() {
            if at.writer == other.writer {
                if at.n >= other.n {
                    return true;
                }
                continue;
            }
            let before = before.get_or_insert_with(|| self.reach(other));
            if before.covers(at) || !seen.insert(at) {
                continue;
            }
            match self.links.get(&at.writer).filter(|_| !self.disputed.contains(&at.writer)) {
                Some(links) => ahead.extend(links),
                None => return true,
            }
        }
        false
    }

    /// The links of a writer, if it is known.
    pub fn links(&self, writer: WriterId) -> Option<&[Position]> {
        self.links.get(&writer).map(Vec::as_slice)
    }

    /// Those of some positions that none of the others covers.
    pub fn latest(&self, positions: &[Position]) -> Vec<Position> {
        let reaches: Vec<Reach> = positions.iter().map(|at| self.reach(*at)).collect();
        let is_covered = |index: usize| {
            let (at, mut others) = (positions[index], reaches.iter().enumerate());
            others.any(|(other, reach)| {
                other != index && reach.covers(at) && (other < index || positions[other] != at)
            })
        };
        (0..positions.len()).filter(|at| !is_covered(*at)).map(|at| positions[at]).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(writer: u64, n: u64) -> Position {
        Position { writer: WriterId::from_bits(writer), n }
    }

    #[test]
    fn a_copied_card_covers_what_it_had_and_nothing_of_its_twin() {
        let mut writers = Writers::default();
        writers.define(WriterId::from_bits(1), &[]);
        writers.define(WriterId::from_bits(2), &[at(1, 5)]);
        writers.define(WriterId::from_bits(3), &[at(1, 5)]);
        writers.define(WriterId::from_bits(4), &[at(2, 8), at(3, 7)]);
        let covers = |one, other| writers.reach(one).covers(other);
        assert!(covers(at(2, 6), at(1, 5)));
        assert!(!covers(at(2, 6), at(1, 6)), "the parent went no further");
        assert!(!covers(at(2, 9), at(3, 6)) && !covers(at(3, 9), at(2, 6)));
        assert!(covers(at(4, 9), at(3, 7)) && covers(at(4, 9), at(1, 1)));
        assert_eq!(writers.latest(&[at(1, 5), at(2, 8), at(3, 7)]), [at(2, 8), at(3, 7)]);
        assert_eq!(writers.latest(&[at(2, 8), at(2, 8)]), [at(2, 8)]);
    }

    #[test]
    fn two_words_about_one_beginning_are_none() {
        let mut writers = Writers::default();
        writers.define(WriterId::from_bits(2), &[at(1, 5)]);
        writers.define(WriterId::from_bits(2), &[at(1, 9)]);
        assert!(!writers.reach(at(2, 9)).covers(at(1, 1)));
        assert!(writers.reach(at(2, 9)).covers(at(2, 9)));
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
        writers.dispute(WriterId::from_bits(4));
        assert!(writers.may_cover(at(4, 9), at(1, 3)));
    }

    #[test]
    fn a_circle_ends() {
        let mut writers = Writers::default();
        writers.define(WriterId::from_bits(1), &[at(2, 1)]);
        writers.define(WriterId::from_bits(2), &[at(1, 9)]);
        assert!(writers.reach(at(1, 1)).covers(at(2, 1)));
    }

    #[test]
    fn positions_read_back() {
        assert_eq!(at(10, 42).to_string(), "000000000000000a:42");
        assert_eq!("000000000000000a:42".parse(), Ok(at(10, 42)));
        for wrong in
            ["", ":", "000000000000000a", "000000000000000a:-1", "a:1", "x:9007199254740993"]
        {
            assert_eq!(wrong.parse::<Position>(), Err(()), "{wrong}");
        }
    }
}
