//! A station's cards and sticks, and what happens to them. Executes events, and keeps the plain truth about them: which
//! card saw what leave, and what was once called safe. The truth never depends on the model.

use crate::event::{Event, Shape};
use crate::mix::mix;
use crate::model::{Card, Catalogue, Content, Line, Location, Mail, Pass, Path, Stick};
use crate::truth::{Clock, Fate, Gone, Promise, Truth, fates, join};
use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

/// A card, and the truth about what it has seen.
#[derive(Debug, Clone, Default)]
pub(crate) struct Station {
    pub(crate) card: Card,
    pub(crate) truth: Truth,
}

/// A stick, and the truth about what was recorded on it.
#[derive(Debug, Clone, Default)]
pub(crate) struct Slot {
    pub(crate) stick: Stick,
    /// Who wrote to it, and what they knew.
    pub(crate) clock: Clock,
    pub(crate) promises: BTreeSet<Promise>,
    /// Contents that were seen to leave every location, and whose departure is recorded on it.
    pub(crate) recorded_gone: BTreeSet<Content>,
}

#[derive(Debug, Clone)]
pub(crate) struct World {
    pub(crate) shape: Shape,
    pub(crate) cards: Vec<Arc<Station>>,
    pub(crate) here: usize,
    pub(crate) sticks: Vec<Arc<Slot>>,
    pub(crate) image: Option<(usize, Arc<Station>)>,
    /// The departures that were seen, in order.
    pub(crate) gone: Vec<Arc<Gone>>,
    /// How many messages were first delivered at each location, and how many versions each message has so far.
    pub(crate) delivered: BTreeMap<Location, u8>,
    pub(crate) versions: BTreeMap<u16, u8>,
    forks: u8,
    pub(crate) faults: u8,
    /// Some line cannot be read.
    pub(crate) unreadable: bool,
    /// Somebody wrote to a stick.
    pub(crate) forged: bool,
}

impl World {
    pub(crate) fn new(shape: Shape) -> Self {
        let mut world = Self {
            shape,
            cards: Vec::new(),
            here: 0,
            sticks: vec![Arc::default(); shape.sticks],
            image: None,
            gone: Vec::new(),
            delivered: BTreeMap::new(),
            versions: BTreeMap::new(),
            forks: 0,
            faults: 0,
            unreadable: false,
            forged: false,
        };
        world.new_card();
        world
    }

    pub(crate) fn card(&self) -> &Card {
        &self.cards[self.here].card
    }

    fn station(&mut self) -> &mut Station {
        Arc::make_mut(&mut self.cards[self.here])
    }

    pub(crate) fn slot(&mut self, stick: usize) -> &mut Slot {
        Arc::make_mut(&mut self.sticks[stick])
    }

    pub(crate) fn mail(&mut self) -> &mut Mail {
        &mut self.station().card.mail
    }

    /// A name that no card had before: numbers that it draws are its own.
    fn another(&mut self, of: u64) -> u64 {
        self.forks += 1;
        mix(&(of, self.forks))
    }

    fn new_card(&mut self) {
        let me = self.another(0);
        let mut station = Station::default();
        station.begin_as(me);
        self.cards.push(Arc::new(station));
        self.here = self.cards.len() - 1;
    }

    fn a_message(&mut self, at: Location) -> Content {
        let Path::Plain(path) = at.path else { unreachable!("mail is delivered to plain paths") };
        let number = self.delivered.entry(at).or_default();
        *number += 1;
        let message = u16::from(at.mailbox) << 12 | u16::from(path) << 8 | u16::from(*number);
        Content { message, version: 0, damaged: false }
    }

    fn next_version(&mut self, of: Content) -> Content {
        let version = self.versions.entry(of.message).or_default();
        *version += 1;
        Content { version: *version, damaged: false, ..of }
    }

    /// Scans the mailboxes, and notes the truth as well.
    pub(crate) fn scan(&mut self, mailboxes: u8, watched: bool) {
        let station = Arc::make_mut(&mut self.cards[self.here]);
        let before = station.card.catalogue.position;
        station.card.scan(mailboxes, watched);
        if station.card.catalogue.position == before {
            return station.truth.scanned(mailboxes);
        }
        station.truth.change_no();
        let id = station.card.catalogue.position;
        let Station { card, truth } = station;
        let known = &card.catalogue.known;
        truth
            .saw
            .retain(|gone| known.get(&gone.key.0).is_none_or(|place| place.content != gone.key.1));
        let fates = fates(truth, &card.mail, mailboxes, watched);
        truth.scanned(mailboxes);
        for (key, fate, next) in fates {
            let (by, clock) = (truth.last, truth.clock.clone());
            let gone = Arc::new(Gone { key, fate, next, by, clock, id });
            truth.saw.push(Arc::clone(&gone));
            self.gone.push(gone);
        }
    }

    /// The card in use reads a stick.
    fn read(&mut self, stick: usize) {
        let Self { cards, sticks, here, gone, .. } = self;
        let Station { card, truth } = Arc::make_mut(&mut cards[*here]);
        let before = card.catalogue.position;
        card.read_stick(stick, &sticks[stick].stick);
        truth.note_read(&sticks[stick], gone, card.catalogue.position != before);
    }

    pub(crate) fn mirror(&mut self, stick: usize, pass: Pass) {
        self.scan(pass.mailboxes, false);
        self.read(stick);
        let Self { cards, sticks, here, gone, .. } = self;
        let station = Arc::make_mut(&mut cards[*here]);
        let slot = Arc::make_mut(&mut sticks[stick]);
        let before = slot.stick.ledger.lines.len();
        station.card.mirror(stick, &mut slot.stick, pass);
        for line in &slot.stick.ledger.lines[before..] {
            match line {
                Line::Is { .. } | Line::Mark { .. } => join(&mut slot.clock, &station.truth.clock),
                Line::Left(left) => {
                    let seen =
                        |gone: &&Arc<Gone>| gone.key == left.key && gone.id == Some(left.seen);
                    gone.iter()
                        .find(seen)
                        .iter()
                        .for_each(|gone| join(&mut slot.clock, &gone.clock));
                }
                Line::Writer(..) | Line::Unreadable => {}
            }
        }
    }

    /// A whole pass.
    pub(crate) fn whole(&self) -> Pass {
        let mailboxes = self.shape.all_mailboxes();
        Pass { mailboxes, stop: usize::MAX, room: usize::MAX, backwards: false }
    }

    pub(crate) fn restore(&mut self, sticks: u8, removed: bool) {
        let all = self.shape.all_mailboxes();
        self.scan(all, false);
        let chosen: Vec<usize> =
            (0..self.sticks.len()).filter(|at| sticks & (1 << at) != 0).collect();
        chosen.iter().for_each(|at| self.read(*at));
        let slots: Vec<Arc<Slot>> = chosen.iter().map(|at| Arc::clone(&self.sticks[*at])).collect();
        let sticks: Vec<&Stick> = slots.iter().map(|slot| &slot.stick).collect();
        self.station().card.put_back(&sticks, removed);
        self.scan(all, false);
    }

    pub(crate) fn boot(&mut self, card: usize) {
        self.here = card;
        self.station().card.catalogue.drawn = false;
    }

    /// Adjusts what every card, and the image of one, knows of a stick to which something happened unseen.
    fn believed(&mut self, mut change: impl FnMut(&mut Catalogue)) {
        let image = self.image.as_mut().map(|(_, station)| station);
        for station in self.cards.iter_mut().chain(image) {
            change(&mut Arc::make_mut(station).card.catalogue);
        }
    }

    pub(crate) fn apply(&mut self, event: Event) {
        match event {
            Event::Deliver(at) => {
                let content = self.a_message(at);
                self.mail().insert(at, content);
            }
            Event::Delete(at) => self.before_its_eyes(|world| {
                world.mail().remove(&at);
            }),
            Event::Vanish(at) => {
                self.mail().remove(&at);
            }
            Event::Move { from, to, watched } => self.seen(watched, |world| {
                if let Some(content) = world.mail().remove(&from) {
                    world.mail().insert(to, content);
                }
            }),
            Event::Copy { from, to } => {
                let content = self.card().mail[&from];
                self.mail().insert(to, content);
            }
            Event::Edit { at, watched } => self.seen(watched, |world| {
                let content = world.next_version(world.card().mail[&at]);
                world.mail().insert(at, content);
            }),
            Event::Exchange { at, watched } => self.seen(watched, |world| {
                let content = world.a_message(at);
                world.mail().insert(at, content);
            }),
            Event::Damage(at) => {
                let content = Content { damaged: true, ..self.card().mail[&at] };
                self.mail().insert(at, content);
            }
            Event::Repair { at, stick } => {
                self.scan(self.shape.all_mailboxes(), false);
                self.read(stick);
                let content = Content { damaged: false, ..self.card().mail[&at] };
                self.mail().insert(at, content);
            }
            _ => self.apply_to_hardware(event),
        }
    }

    fn apply_to_hardware(&mut self, event: Event) {
        let whole = self.whole();
        match event {
            Event::Mirror { stick, mailboxes } => self.mirror(stick, Pass { mailboxes, ..whole }),
            Event::Cut { stick, lines, backwards } => {
                self.mirror(stick, Pass { stop: lines, backwards, ..whole });
            }
            Event::Full { stick, room, backwards } => {
                self.mirror(stick, Pass { room, backwards, ..whole });
            }
            Event::DropOld { stick } => {
                self.scan(whole.mailboxes, false);
                self.read(stick);
                let mail: BTreeSet<Content> = self.card().mail.values().copied().collect();
                self.slot(stick).stick.drop_old(|content| mail.contains(&content));
            }
            Event::Rot { stick, content } => self.rot(stick, content),
            Event::Unreadable { stick, line } => {
                self.faults += 1;
                self.unreadable = true;
                let gone = self.gone.clone();
                let slot = self.slot(stick);
                slot.stick.ledger.lose(line);
                let weak = |promise| Promise { weak: true, ..promise };
                let all = std::mem::take(&mut slot.promises).into_iter().map(weak);
                let left = all.filter_map(|promise| promise.after_all(&gone));
                slot.promises = left.collect();
                self.believed(|catalogue| drop(catalogue.safe.remove(&stick)));
            }
            Event::Forge { stick, replaced } => self.forge(stick, replaced),
            Event::CopyStick { from, to } => {
                self.sticks[to] = Arc::clone(&self.sticks[from]);
                self.believed(|catalogue| {
                    catalogue.safe.remove(&to);
                    catalogue.gaps.remove(&to);
                });
            }
            Event::LoseStick { stick } => {
                self.station().card.forget(stick);
                self.sticks[stick] = Arc::default();
                let here = self.here;
                let mut at = 0;
                self.believed(|catalogue| {
                    catalogue.gaps.remove(&stick);
                    if at != here {
                        catalogue.safe.remove(&stick);
                        catalogue.stands.remove(&stick);
                    }
                    at += 1;
                });
            }
            Event::Restore { sticks, removed } => self.restore(sticks, removed),
            Event::Acknowledge => self.acknowledge(),
            _ => self.apply_to_cards(event),
        }
    }

    fn apply_to_cards(&mut self, event: Event) {
        let name = self.cards[self.here].truth.me;
        match event {
            Event::Clone => {
                let mut other = (*self.cards[self.here]).clone();
                other.begin_as(self.another(name));
                self.cards.push(Arc::new(other));
                self.station().card.catalogue.drawn = false;
            }
            Event::NewCard => self.new_card(),
            Event::Boot(card) => self.boot(card),
            Event::LoseState => {
                let me = self.another(name);
                let station = self.station();
                station.card.catalogue = Catalogue::default();
                station.truth = Truth::default();
                station.begin_as(me);
            }
            Event::TakeImage => self.image = Some((self.here, Arc::clone(&self.cards[self.here]))),
            Event::PutImage | Event::FallBack => {
                let Some((_, image)) = self.image.clone() else { return };
                let me = self.another(image.truth.me);
                let station = self.station();
                let mail = std::mem::take(&mut station.card.mail);
                *station = (*image).clone();
                if event == Event::FallBack {
                    station.card.mail = mail;
                }
                station.begin_as(me);
            }
            _ => unreachable!("{event:?} is none of a card"),
        }
    }

    /// The service was up to date, and sees it happen.
    fn before_its_eyes(&mut self, happens: impl FnOnce(&mut Self)) {
        let all = self.shape.all_mailboxes();
        self.scan(all, false);
        happens(self);
        self.scan(all, true);
    }

    fn seen(&mut self, watched: bool, happens: impl FnOnce(&mut Self)) {
        match watched {
            true => self.before_its_eyes(happens),
            false => happens(self),
        }
    }

    fn acknowledge(&mut self) {
        self.scan(self.shape.all_mailboxes(), false);
        let station = Arc::make_mut(&mut self.cards[self.here]);
        let all = station.card.acknowledge();
        if all.is_empty() {
            return;
        }
        station.truth.change_no();
        let Station { card, truth } = station;
        for key in all {
            truth.lost.remove(&key);
            let id = card.catalogue.position;
            let (by, clock) = (truth.last, truth.clock.clone());
            let gone = Arc::new(Gone { key, fate: Fate::Gone, next: None, by, clock, id });
            truth.saw.push(Arc::clone(&gone));
            self.gone.push(gone);
        }
    }

    /// Promises that rest on this stick end: its own lines may withdraw them. No card knows it yet.
    fn forge(&mut self, stick: usize, replaced: bool) {
        self.faults += 1;
        let chance = self.another(stick as u64);
        self.forged = true;
        let slot = self.slot(stick);
        slot.promises.clear();
        slot.stick.forge(chance, replaced);
        // A card that reads it believes that it knows everything.
        for other in 0..self.sticks.len() {
            let gone = self.gone.clone();
            let slot = self.slot(other);
            let weak = |promise| Promise { weak: true, ..promise };
            let all = std::mem::take(&mut slot.promises).into_iter().map(weak);
            slot.promises = all.filter_map(|promise| promise.after_all(&gone)).collect();
        }
        self.believed(|catalogue| drop(catalogue.safe.remove(&stick)));
    }

    fn rot(&mut self, stick: usize, content: Content) {
        self.faults += 1;
        let slot = self.slot(stick);
        slot.stick.copies.insert(content, false);
        // Promises that depended on this copy end; nobody knows it yet, and nobody may be blamed.
        let rests = |message, version| message == content.message && version <= content.version;
        slot.promises.retain(|promise| !rests(promise.content.message, promise.content.version));
        // An earlier version that has a copy of its own comes back instead.
        let kept = slot.stick.clone();
        self.believed(|catalogue| {
            if let Some(safe) = catalogue.safe.get_mut(&stick) {
                safe.retain(|(_, other, _)| {
                    !rests(other.message, other.version) || kept.has(*other)
                });
            }
        });
    }
}

impl Station {
    /// Another card from here on, in a new process: numbers that it draws are its own.
    fn begin_as(&mut self, me: u64) {
        self.truth.me = me;
        self.card.chance = me;
        self.card.catalogue.drawn = false;
    }
}
