//! A number that is equal for two worlds if nothing that may ever happen differs between them, except for the names of
//! sticks, mailboxes and paths. Owns what belongs to that; leaves out whatever no rule depends on.

use crate::chance::stir;
use crate::event::Shape;
use crate::model::{Catalogue, Content, Key, Line, Location, Path, Position, Stick};
use crate::truth::{Change, Clock, Fate, Gone, Promise, Truth};
use crate::world::{Slot, Station, World};

/// A renaming.
#[derive(Debug, Clone)]
pub(crate) struct Naming {
    sticks: Vec<usize>,
    mailboxes: Vec<u8>,
    paths: Vec<u8>,
}

/// Every way of naming the parts of a world of this shape.
pub(crate) fn namings(shape: Shape) -> Vec<Naming> {
    let sticks = orders(shape.sticks);
    let (mailboxes, paths) = (orders(shape.mailboxes.into()), orders(shape.paths.into()));
    let bytes = |order: &Vec<usize>| order.iter().map(|one| *one as u8).collect::<Vec<u8>>();
    let mut out = Vec::new();
    for sticks in &sticks {
        for mailboxes in &mailboxes {
            for paths in &paths {
                let (mailboxes, paths) = (bytes(mailboxes), bytes(paths));
                out.push(Naming { sticks: sticks.clone(), mailboxes, paths });
            }
        }
    }
    out
}

fn orders(of: usize) -> Vec<Vec<usize>> {
    if of == 0 {
        return vec![Vec::new()];
    }
    let mut out = Vec::new();
    for order in orders(of - 1) {
        for at in 0..of {
            let mut longer = order.clone();
            longer.insert(at, of - 1);
            out.push(longer);
        }
    }
    out
}

/// The same number for worlds that are alike under some naming.
pub(crate) fn fingerprint(world: &World, namings: &[Naming]) -> u64 {
    namings.iter().map(|naming| naming.world(world)).min().unwrap_or(0)
}

/// Several numbers in their order.
fn list(all: impl IntoIterator<Item = u64>) -> u64 {
    all.into_iter().fold(1, |sum, one| stir(sum.wrapping_mul(31).wrapping_add(one)))
}

/// Several numbers in any order.
fn set(all: impl IntoIterator<Item = u64>) -> u64 {
    stir(all.into_iter().fold(2, |sum, one| sum.wrapping_add(stir(one))))
}

fn position(position: Position) -> u64 {
    list([position.writer, position.n.into()])
}

fn change(change: Change) -> u64 {
    list([change.card, change.n.into()])
}

fn clock(clock: &Clock) -> u64 {
    list(clock.iter().map(|(card, n)| list([*card, (*n).into()])))
}

impl Naming {
    fn content(&self, content: Content) -> u64 {
        let (mailbox, path) = (content.message >> 12, content.message >> 8 & 15);
        let mailbox = self.mailboxes[usize::from(mailbox)];
        let path = self.paths[usize::from(path)];
        let number = content.message & 255;
        list([
            mailbox.into(),
            path.into(),
            number.into(),
            content.version.into(),
            content.damaged.into(),
        ])
    }

    fn location(&self, at: Location) -> u64 {
        let path = |p: u8| u64::from(self.paths[usize::from(p)]);
        let within = match at.path {
            Path::Plain(p) => path(p),
            Path::ConflictName(p, content) => list([path(p), self.content(content)]),
            Path::Numbered(content) => stir(self.content(content)),
        };
        list([self.mailboxes[usize::from(at.mailbox)].into(), within])
    }

    fn key(&self, key: &Key) -> u64 {
        list([self.location(key.0), self.content(key.1)])
    }

    fn line(&self, line: &Line) -> u64 {
        match line {
            Line::Writer(writer, parents) => {
                list([1, *writer, list(parents.iter().map(|parent| position(*parent)))])
            }
            Line::Is { key, as_of } => list([2, self.key(key), position(*as_of)]),
            Line::Left(left) => {
                let to = left.to.map_or(0, |to| self.key(&to));
                list([3, self.key(&left.key), position(left.seen), to, left.gaps.into()])
            }
            Line::Mark { as_of, mailboxes } => list([4, position(*as_of), self.bits(*mailboxes)]),
            Line::Unreadable => 5,
        }
    }

    fn bits(&self, mailboxes: u8) -> u64 {
        let all = self.mailboxes.iter().enumerate();
        all.filter(|(at, _)| mailboxes & (1 << at) != 0).map(|(_, to)| 1_u64 << to).sum()
    }

    fn stick(&self, stick: &Stick) -> u64 {
        // Lines that assert contents are in the order of the names.
        let mut lines = Vec::new();
        let mut run = Vec::new();
        for line in &stick.ledger.lines {
            if !matches!(line, Line::Is { .. }) {
                lines.push(set(run.drain(..)));
            }
            run.push(self.line(line));
        }
        lines.push(set(run));
        let copies = stick.copies.iter();
        let copies = copies.map(|(content, good)| list([self.content(*content), (*good).into()]));
        list([list(lines), set(copies)])
    }

    fn slot(&self, slot: &Slot) -> u64 {
        list([
            self.stick(&slot.stick),
            clock(&slot.clock),
            set(slot.promises.iter().map(|promise| self.promise(promise))),
            set(slot.recorded_gone.iter().map(|content| self.content(*content))),
        ])
    }

    fn promise(&self, promise: &Promise) -> u64 {
        list([
            self.location(promise.from),
            set(promise.at.iter().map(|at| self.location(*at))),
            self.content(promise.content),
            change(promise.since),
            set(promise.knows.iter().map(|id| position(*id))),
            promise.weak.into(),
        ])
    }

    fn station(&self, station: &Station) -> u64 {
        let mail = station.card.mail.iter();
        list([
            station.card.chance,
            set(mail.map(|(at, content)| list([self.location(*at), self.content(*content)]))),
            self.catalogue(&station.card.catalogue),
            self.truth(&station.truth),
        ])
    }

    fn catalogue(&self, catalogue: &Catalogue) -> u64 {
        let dated = |key: &Key, since: Position| list([self.key(key), position(since)]);
        let known = catalogue.known.iter();
        let gone = catalogue.gone.iter();
        let missing = catalogue.missing.iter();
        let safe = catalogue.safe.iter().map(|(stick, all)| {
            let all = set(all.iter().map(|(at, content, since)| dated(&(*at, *content), *since)));
            list([self.sticks[*stick] as u64, all])
        });
        let stands = catalogue.stands.iter().map(|(stick, all)| {
            let all = all.iter().map(|(key, stamps)| {
                list([self.key(key), set(stamps.iter().map(|t| position(*t)))])
            });
            list([self.sticks[*stick] as u64, set(all)])
        });
        let left = catalogue.left.iter().map(|(stick, all)| {
            let all = all.iter().map(|(key, seen)| dated(key, *seen));
            list([self.sticks[*stick] as u64, set(all)])
        });
        list([
            set(known.map(|(at, place)| {
                list([dated(&(*at, place.content), place.since), place.appeared.into()])
            })),
            set(catalogue.scanned.iter().map(|(mailbox, n)| {
                list([self.mailboxes[usize::from(*mailbox)].into(), (*n).into()])
            })),
            set(missing.map(|(key, (since, last))| list([dated(key, *since), (*last).into()]))),
            set(gone.map(|(key, gone)| {
                let next = gone.next.map_or(0, |next| self.key(&next));
                list([self.key(key), position(gone.seen), next])
            })),
            catalogue.position.map_or(0, position),
            catalogue.drawn.into(),
            list(catalogue.writers.0.keys().copied()),
            set(catalogue.read.iter().map(|read| position(*read))),
            set(catalogue.gaps.iter().map(|(stick, all)| {
                list([self.sticks[*stick] as u64, list(all.iter().map(|n| (*n).into()))])
            })),
            set(safe),
            set(stands),
            set(left),
            set(catalogue.own.iter().map(|(writer, n)| list([*writer, (*n).into()]))),
            set(catalogue.unwanted.iter().map(|key| self.key(key))),
        ])
    }

    fn truth(&self, truth: &Truth) -> u64 {
        let found = truth.found.iter();
        let lost = truth.lost.iter();
        list([
            truth.me,
            clock(&truth.clock),
            clock(&truth.read_clock),
            set(found
                .map(|(at, (content, since))| list([self.key(&(*at, *content)), change(*since)]))),
            set(lost
                .map(|(key, (since, last))| list([self.key(key), change(*since), (*last).into()]))),
            change(truth.last),
            truth.turn.into(),
            set(truth.came.iter().map(|(at, turn)| list([self.location(*at), (*turn).into()]))),
            set(truth.taken.iter().map(|(at, turn)| list([self.location(*at), (*turn).into()]))),
            set(truth.scanned.iter().map(|(mailbox, turn)| {
                list([self.mailboxes[usize::from(*mailbox)].into(), (*turn).into()])
            })),
            set(truth.left.iter().map(|(key, id)| list([self.key(key), position(*id)]))),
            set(truth.saw.iter().map(|gone| self.gone(gone))),
        ])
    }

    fn gone(&self, gone: &Gone) -> u64 {
        let fate = match gone.fate {
            Fate::Gone => 1,
            Fate::Replaced => 2,
            Fate::Moved(to) => self.location(to),
        };
        let next = gone.next.map_or(0, |next| self.key(&next));
        list([self.key(&gone.key), fate, next, clock(&gone.clock), gone.id.map_or(0, position)])
    }

    fn world(&self, world: &World) -> u64 {
        let mut sticks = vec![0; world.sticks.len()];
        for (at, slot) in world.sticks.iter().enumerate() {
            sticks[self.sticks[at]] = self.slot(slot);
        }
        let image = world.image.as_ref();
        // Of the departures, only those that may still affect something that is checked.
        let stations = || world.cards.iter().chain(image.map(|(_, station)| station));
        let matters = |gone: &&std::sync::Arc<Gone>| {
            stations().any(|station| {
                let found = station.truth.found.values();
                found.into_iter().any(|(content, _)| content.message == gone.key.1.message)
            })
        };
        list([
            list(sticks),
            list(world.cards.iter().map(|station| self.station(station))),
            world.here as u64,
            image.map_or(0, |(of, station)| list([*of as u64, self.station(station)])),
            list(world.gone.iter().filter(matters).map(|gone| self.gone(gone))),
            world.faults.into(),
            self.counters(world),
        ])
    }

    fn counters(&self, world: &World) -> u64 {
        let delivered = world.delivered.iter();
        let versions = world.versions.iter().map(|(message, number)| {
            let content = Content { message: *message, version: 0, damaged: false };
            list([self.content(content), (*number).into()])
        });
        list([
            set(delivered.map(|(at, number)| list([self.location(*at), (*number).into()]))),
            set(versions),
        ])
    }
}
