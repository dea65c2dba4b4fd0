//! What a restore from some sticks gives, and what it reports as left out.

use super::ledger::*;
use crate::sabotage::{Break, absent, broken};
use std::collections::{BTreeMap, BTreeSet};

#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub(crate) enum How {
    InPlace,
    /// In place, an older version: no copy of the last one is good.
    Older,
    /// In place, though somebody deleted it: it was asked for all the same.
    Removed,
    ConflictName,
    /// Under a conflict name, since sticks contradict each other about it.
    InDoubt,
    Numbered,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub(crate) struct Given {
    pub(crate) at: Location,
    pub(crate) content: Content,
    pub(crate) how: How,
}

/// What a restore gives, and what it reports as left out.
#[derive(Debug, Clone, Default)]
pub(crate) struct Restored {
    pub(crate) given: Vec<Given>,
    pub(crate) withheld: BTreeSet<Key>,
    pub(crate) without_copy: BTreeSet<Key>,
}

/// The positions as of which each content is asserted and not withdrawn.
type Assertions = BTreeMap<Key, Vec<Position>>;

pub(crate) fn restore(sticks: &[&Stick], with_removed: bool) -> Restored {
    let mut writers = Writers::default();
    sticks.iter().for_each(|stick| writers.merge(&stick.ledger.writers));
    let mut assertions = Assertions::new();
    let mut out = Restored::default();
    for stick in sticks {
        for (key, stamps) in &stick.ledger.asserted {
            let taken = |t| sticks.iter().any(|other| other.ledger.withholds(&writers, key, t));
            let left = stamps.iter().filter(|t| !taken(**t));
            let left: Vec<Position> = left.copied().collect();
            match left.is_empty() {
                true => drop(out.withheld.insert(*key)),
                false => assertions.entry(*key).or_default().extend(left),
            }
        }
    }
    let doubted = match broken(Break::StrangersPass) {
        true => Assertions::new(),
        false => only_of_others(sticks, &assertions),
    };
    if broken(Break::AbsenceWithholds) {
        assertions.retain(|key, stamps| !absent(sticks, &writers, key, stamps));
    }
    out.withheld.retain(|key| !assertions.contains_key(key) && !doubted.contains_key(key));
    let good = |content| sticks.iter().any(|stick| stick.has(content));
    let (whole, bad): (Assertions, Assertions) =
        assertions.into_iter().partition(|(key, _)| good(key.1));
    out.without_copy.extend(bad.into_keys());
    for (key, stamps) in &whole {
        let mut rivals = whole.iter().filter(|(other, _)| other.0 == key.0 && other.1 != key.1);
        let how = match rivals.any(|rival| is_before(&writers, rival, (key, stamps))) {
            true => How::ConflictName,
            false => How::InPlace,
        };
        out.given.push(Given { at: key.0, content: key.1, how });
    }
    for key in doubted.into_keys() {
        match good(key.1) {
            true => out.given.push(Given { at: key.0, content: key.1, how: How::InDoubt }),
            false => drop(out.without_copy.insert(key)),
        }
    }
    older_versions(sticks, &writers, &mut out, &good);
    let older = out.given.iter().filter(|given| given.how == How::Older && !given.content.damaged);
    let older: BTreeSet<Location> = older.map(|given| given.at).collect();
    for given in out.given.iter_mut().filter(|given| given.how == How::InPlace) {
        let better = given.content.damaged && older.contains(&given.at);
        if better && !broken(Break::DamageInPlace) {
            given.how = How::ConflictName;
        }
    }
    if with_removed {
        removed(sticks, &mut out, &good);
    }
    numbered(sticks, &mut out);
    out
}

/// Contents left out because of other sticks alone come back under a conflict name, unless they come back elsewhere in
/// their mailbox: anybody may have written to one of those sticks.
fn only_of_others(sticks: &[&Stick], assertions: &Assertions) -> Assertions {
    let mut more = Assertions::new();
    for stick in sticks {
        for key in stick.ledger.asserted.keys().filter(|key| !assertions.contains_key(key)) {
            let elsewhere =
                |other: &Key| other.1 == key.1 && other.0.mailbox == key.0.mailbox && other != key;
            if !assertions.keys().any(elsewhere) {
                more.entry(*key).or_default().extend(stick.ledger.in_force(key));
            }
        }
    }
    more.retain(|_, stamps| !stamps.is_empty());
    more
}

/// What somebody deleted, and is nowhere else.
fn removed(sticks: &[&Stick], out: &mut Restored, good: &impl Fn(Content) -> bool) {
    let all: Vec<&Departure> = sticks.iter().flat_map(|stick| &stick.ledger.left).collect();
    let elsewhere: BTreeSet<Content> = out.given.iter().map(|given| given.content).collect();
    for key in out.withheld.iter().filter(|key| good(key.1) && !elsewhere.contains(&key.1)) {
        if all.iter().any(|left| left.key == *key && left.to.is_none()) {
            out.given.push(Given { at: key.0, content: key.1, how: How::Removed });
        }
    }
}

/// Of two contents for one location, whether the first is the one in place: the one asserted last, by a position that
/// covers all of the other's; whatever looks like damage never before what does not.
fn is_before(writers: &Writers, a: (&Key, &Vec<Position>), b: (&Key, &Vec<Position>)) -> bool {
    let all = |t: &Position, of: &[Position]| of.iter().all(|other| writers.covers(*t, *other));
    let later = |a: &[Position], b: &[Position]| a.iter().any(|t| all(t, b));
    match (later(a.1, b.1), later(b.1, a.1)) {
        _ if a.0.1.damaged != b.0.1.damaged && !broken(Break::DamageInPlace) => b.0.1.damaged,
        (true, false) => true,
        (false, true) => false,
        _ => a.0 < b.0,
    }
}

/// If no copy of the current content is good, the last good one that was there, or that it replaced, comes back.
fn older_versions(
    sticks: &[&Stick],
    writers: &Writers,
    out: &mut Restored,
    good: &impl Fn(Content) -> bool,
) {
    let all: Vec<&Departure> = sticks.iter().flat_map(|stick| &stick.ledger.left).collect();
    for key in &out.without_copy {
        let mut keys = vec![*key];
        let mut before: Vec<&Departure> = Vec::new();
        while let Some(key) = keys.pop() {
            let came = all.iter().filter(|left| left.to == Some(key));
            let new = |left: &&&Departure| !before.iter().any(|other| other.key == left.key);
            let new: Vec<&Departure> = came.filter(new).copied().collect();
            keys.extend(new.iter().map(|left| left.key));
            before.extend(new);
        }
        before.retain(|left| out.withheld.contains(&left.key) && good(left.key.1));
        let later = |a: &Departure, b: &Departure| {
            (!a.key.1.damaged || b.key.1.damaged)
                && a.seen != b.seen
                && writers.covers(a.seen, b.seen)
        };
        let last = before.iter().filter(|left| !before.iter().any(|other| later(other, left)));
        out.given.extend(last.map(|left| Given {
            at: key.0,
            content: left.key.1,
            how: How::Older,
        }));
    }
}

/// Good copies that no line of their own ledger names, and that are given nowhere else: another ledger's statements
/// hide none of them.
fn numbered(sticks: &[&Stick], out: &mut Restored) {
    let names = |stick: &Stick, content| stick.ledger.asserted.keys().any(|key| key.1 == content);
    for stick in sticks {
        for content in stick.copies.keys().filter(|content| stick.has(**content)) {
            if !names(stick, *content) && !out.given.iter().any(|given| given.content == *content) {
                let at = Location { mailbox: 0, path: Path::Numbered(*content) };
                out.given.push(Given { at, content: *content, how: How::Numbered });
            }
        }
    }
}
