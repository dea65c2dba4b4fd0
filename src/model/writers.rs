//! The causal order of changes: who wrote, and what each writer had read when it began. Never compares numbers of two
//! writers: a position covers another only through links that were written down.

use super::ids::WriterId;
use super::limits::WRITER_STEPS_MAX;
use super::position::Position;
use std::collections::HashMap;

/// The known ancestors of a writer: a position of each.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Link {
    to: u32,
    n: u64,
}

#[derive(Debug, Clone)]
struct Node {
    links: Option<Box<[Link]>>,
    /// Two ledgers disagree about its ancestors: nothing is concluded through it.
    disputed: bool,
    /// Higher than that of every ancestor; the same for all writers that form a circle, or come after one.
    level: u32,
    /// The first writer of its row: a row is a chain of writers that each had only the one before as ancestor.
    row: u32,
    /// Number of writers before it in that row.
    index_in_row: u32,
    /// The number up to which the next writer of the row covers it, plus one; 0 if it is the last.
    covered: u64,
    /// The number of its last change, if it is one of this card's writers.
    own_last: Option<u64>,
    /// The last of this card's changes that it knew of when it began, once computed.
    known_at_start: Option<u64>,
}

/// The position of a writer among the others.
struct NodePosition {
    level: u32,
    row: u32,
    index_in_row: u32,
    covered: u64,
}

impl Node {
    fn position(&self) -> NodePosition {
        let Self { level, row, index_in_row: place, covered, .. } = *self;
        NodePosition { level, row, index_in_row: place, covered }
    }

    fn followed(&self) -> &[Link] {
        self.links.as_deref().filter(|_| !self.disputed).unwrap_or_default()
    }
}

/// The level of writers in a circle, which no card writes.
const CIRCLING: u32 = u32::MAX;

/// The ancestors of each writer: the position that it continued from, and those that it had read in ledgers.
///
/// Every question is a walk from link to link, which passes a row of writers in one step: one card's runs are such a
/// row. With several cards in turn it visits only those between the two. Whoever invents writers can make it longer, so
/// all walks together are bounded ([`WRITER_STEPS_MAX`]): beyond that nothing is covered, and more is given back.
#[derive(Debug, Clone, Default)]
pub struct Writers {
    index: HashMap<WriterId, u32>,
    nodes: Vec<Node>,
    /// Links were added since levels and rows were computed.
    is_stale: bool,
    /// The walk that visited each node last.
    last_walk: Vec<u32>,
    walk: u32,
    steps: u64,
    /// The position last asked about, with the highest numbers that it covers.
    last_query: Option<(Position, Vec<u64>)>,
    /// Whether `known_at_start` was computed for any node.
    has_known_at_start: bool,
}

impl Writers {
    fn index_of(&mut self, writer: WriterId) -> u32 {
        let next = self.nodes.len() as u32;
        let at = *self.index.entry(writer).or_insert(next);
        if at == next {
            self.nodes.push(Node {
                links: None,
                disputed: false,
                level: 0,
                row: next,
                index_in_row: 0,
                covered: 0,
                own_last: None,
                known_at_start: None,
            });
            self.last_walk.push(0);
        }
        at
    }

    fn node(&self, at: u32) -> &Node {
        &self.nodes[at as usize]
    }

    /// Adds what a ledger or the state says of a writer's ancestors.
    pub fn define(&mut self, writer: WriterId, links: &[Position]) {
        let was_known = self.index.contains_key(&writer);
        let at = self.index_of(writer);
        let links: Box<[Link]> =
            links.iter().map(|link| Link { to: self.index_of(link.writer), n: link.n }).collect();
        match &self.node(at).links {
            Some(known) if *known == links => return,
            Some(_) => return self.mark_disputed(writer),
            None => {}
        }
        self.nodes[at as usize].links = Some(links);
        self.is_stale = true;
        if was_known {
            self.forget_conclusions();
        }
    }

    /// Concludes nothing through a writer from here on.
    pub fn mark_disputed(&mut self, writer: WriterId) {
        let at = self.index_of(writer);
        if !std::mem::replace(&mut self.nodes[at as usize].disputed, true) {
            self.is_stale = true;
            self.forget_conclusions();
        }
    }

    /// Links that were followed so far.
    pub fn steps(&self) -> u64 {
        self.steps
    }

    fn is_worn_out(&self) -> bool {
        self.steps > WRITER_STEPS_MAX
    }

    fn begin_walk(&mut self) -> u32 {
        if self.walk == u32::MAX {
            self.last_walk.fill(0);
            self.walk = 0;
        }
        self.walk += 1;
        self.walk
    }

    /// Computes levels and rows: every writer above its ancestors, except for circles and what follows them.
    fn compute_levels(&mut self) {
        if !std::mem::take(&mut self.is_stale) {
            return;
        }
        let count = self.nodes.len();
        let (mut open, mut children) = (vec![0_u32; count], vec![Vec::new(); count]);
        for (at, node) in (0_u32..).zip(&mut self.nodes) {
            (node.level, node.row, node.index_in_row, node.covered) = (CIRCLING, at, 0, 0);
            for link in node.links.iter().flatten() {
                open[at as usize] += 1;
                children[link.to as usize].push(at);
            }
            self.steps += 1 + u64::from(open[at as usize]);
        }
        let mut ready: Vec<u32> = (0..count as u32).filter(|at| open[*at as usize] == 0).collect();
        while let Some(at) = ready.pop() {
            let links = self.node(at).links.iter().flatten();
            let above = links.map(|link| self.node(link.to).level.saturating_add(1)).max();
            self.nodes[at as usize].level = above.unwrap_or(0);
            self.join_row(at);
            for child in &children[at as usize] {
                open[*child as usize] -= 1;
                if open[*child as usize] == 0 {
                    ready.push(*child);
                }
            }
        }
    }

    /// Appends a writer that has a single ancestor to that one's row, if no other writer continues it.
    fn join_row(&mut self, at: u32) {
        let &[Link { to, n }] = self.node(at).followed() else { return };
        let before = &mut self.nodes[to as usize];
        if before.covered > 0 {
            return;
        }
        before.covered = n.saturating_add(1);
        let (row, place) = (before.row, before.index_in_row + 1);
        let node = &mut self.nodes[at as usize];
        (node.row, node.index_in_row) = (row, place);
    }

    /// Whether one position covers another: by itself, or through the ancestors of its writer.
    ///
    /// An unknown link ends the way there: then less is covered, and more is given back.
    pub fn covers(&mut self, one: Position, other: Position) -> bool {
        if one.writer == other.writer {
            return one.n >= other.n;
        }
        let (Some(from), Some(to)) =
            (self.index.get(&one.writer).copied(), self.index.get(&other.writer).copied())
        else {
            return false;
        };
        self.compute_levels();
        let (walk, sought) = (self.begin_walk(), self.node(to).position());
        let mut ahead = vec![from];
        while let Some(at) = ahead.pop() {
            self.steps += 1;
            if self.is_worn_out() {
                return false;
            }
            let node = self.node(at);
            if node.row == sought.row && node.index_in_row > sought.index_in_row {
                // From here only the next writer of that row leads to it.
                if sought.covered > other.n {
                    return true;
                }
                continue;
            }
            // Only the first writer of a row has links out of it.
            let first = node.row;
            if std::mem::replace(&mut self.last_walk[first as usize], walk) == walk {
                continue;
            }
            for link in self.nodes[first as usize].followed() {
                self.steps += 1;
                if link.to == to && link.n >= other.n {
                    return true;
                }
                let level = self.nodes[link.to as usize].level;
                if level > sought.level || level == CIRCLING {
                    ahead.push(link.to);
                }
            }
        }
        false
    }

    /// The highest number of each writer, plus one, that is reached by links from some writers; 0 for none.
    fn reached_from(&mut self, from: impl IntoIterator<Item = u32>) -> Vec<u64> {
        let mut highest = vec![0; self.nodes.len()];
        let walk = self.begin_walk();
        let mut ahead: Vec<u32> = from.into_iter().collect();
        while let Some(at) = ahead.pop() {
            if std::mem::replace(&mut self.last_walk[at as usize], walk) == walk {
                continue;
            }
            for link in self.nodes[at as usize].followed() {
                self.steps += 1;
                let known = &mut highest[link.to as usize];
                *known = (*known).max(link.n.saturating_add(1));
                ahead.push(link.to);
            }
        }
        highest
    }

    /// Whether `one` may cover `other` for all that is known: unknown or disputed ancestors of a writer may be anything
    /// except what `other` itself covers.
    pub fn may_cover(&mut self, one: Position, other: Position) -> bool {
        if one.writer == other.writer {
            return one.n >= other.n;
        }
        let (from, to) = (self.index_of(one.writer), self.index_of(other.writer));
        let known = self.last_query.take().filter(|(at, _)| *at == other);
        let mut before = known.map_or_else(|| self.reached_from([to]), |(_, before)| before);
        // A writer of whom nothing is known leads nowhere.
        before.resize(self.nodes.len(), 0);
        before[to as usize] = before[to as usize].max(other.n.saturating_add(1));
        let walk = self.begin_walk();
        let mut may = false;
        let mut ahead = vec![Link { to: from, n: one.n }];
        while let Some(at) = ahead.pop() {
            self.steps += 1;
            // A number above what `other` covers is followed once only: it leads to the same place whatever it is.
            if at.to == to {
                if at.n >= other.n {
                    may = true;
                    break;
                }
                continue;
            }
            if before[at.to as usize] > at.n
                || std::mem::replace(&mut self.last_walk[at.to as usize], walk) == walk
            {
                continue;
            }
            let node = &self.nodes[at.to as usize];
            if self.steps > WRITER_STEPS_MAX || node.disputed || node.links.is_none() {
                may = true;
                break;
            }
            ahead.extend(node.followed());
        }
        self.last_query = Some((other, before));
        may
    }

    /// Those positions that neither `known` nor any other of them covers.
    pub fn latest(&mut self, known: Option<Position>, positions: &[Position]) -> Vec<Position> {
        let at: Vec<u32> =
            positions.iter().map(|position| self.index_of(position.writer)).collect();
        let start = known.map(|known| (self.index_of(known.writer), known.n));
        let mut covered = self.reached_from(start.map(|(at, _)| at));
        if let Some((at, n)) = start {
            covered[at as usize] = covered[at as usize].max(n.saturating_add(1));
        }
        let news: Vec<usize> = (0..positions.len())
            .filter(|index| covered[at[*index] as usize] <= positions[*index].n)
            .collect();
        let mut covered = self.reached_from(news.iter().map(|index| at[*index]));
        let mut latest = Vec::new();
        for index in news {
            let Position { n, .. } = positions[index];
            let highest = &mut covered[at[index] as usize];
            if *highest <= n {
                *highest = n.saturating_add(1);
                latest.push(positions[index]);
            }
        }
        // Of two positions of one writer the higher one may have come later.
        latest.retain(|position| covered[self.index[&position.writer] as usize] == position.n + 1);
        latest
    }

    /// The last of this card's own changes that a writer at a position can have known; 0 if there is none.
    pub fn as_of(&mut self, position: Position) -> u64 {
        let Some(at) = self.index.get(&position.writer).copied() else { return 0 };
        match self.node(at).own_last {
            // Higher numbers are unknown here: they were lost with a later state of this card.
            Some(last) => position.n.min(last),
            None => self.known_at_start(at),
        }
    }

    /// The last of this card's changes that a writer knew when it began, computed from its ancestors, once for each
    /// writer.
    fn known_at_start(&mut self, writer: u32) -> u64 {
        let mut ahead = vec![(writer, 0)];
        while let Some((at, next)) = ahead.pop() {
            self.steps += 1;
            if self.is_worn_out() {
                return 0;
            }
            let node = &mut self.nodes[at as usize];
            if next == 0 {
                if node.known_at_start.is_some() {
                    continue;
                }
                // A circle adds nothing.
                node.known_at_start = Some(0);
                self.has_known_at_start = true;
            }
            if let Some(link) = self.node(at).followed().get(next) {
                ahead.push((at, next + 1));
                ahead.push((link.to, 0));
                continue;
            }
            let of = |link: &Link| {
                let Node { own_last, known_at_start: knew, .. } = self.node(link.to);
                own_last.map_or(0, |last| link.n.min(last)).max(knew.unwrap_or(0))
            };
            let highest = self.node(at).followed().iter().map(of).max();
            self.nodes[at as usize].known_at_start = highest.or(Some(0));
        }
        self.node(writer).known_at_start.unwrap_or(0)
    }

    fn forget_conclusions(&mut self) {
        self.last_query = None;
        if std::mem::take(&mut self.has_known_at_start) {
            self.steps += self.nodes.len() as u64;
            self.nodes.iter_mut().for_each(|node| node.known_at_start = None);
        }
    }

    /// Marks a writer as one of this card's, with changes up to this number.
    pub fn set_own(&mut self, writer: WriterId, last: u64) {
        let at = self.index_of(writer);
        self.nodes[at as usize].own_last = Some(last);
        self.forget_conclusions();
    }

    /// Whether a position is one of this card's own changes, as far as it knows them.
    pub fn is_own(&self, position: Position) -> bool {
        let at = self.index.get(&position.writer);
        let last = at.and_then(|at| self.node(*at).own_last);
        last.is_some_and(|last| position.n <= last)
    }

    /// Whether anything is known of a writer except its name.
    pub fn knows(&self, writer: WriterId) -> bool {
        let node = self.index.get(&writer).map(|at| self.node(*at));
        node.is_some_and(|node| node.links.is_some() || node.own_last.is_some())
    }
}
