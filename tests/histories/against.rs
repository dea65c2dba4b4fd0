//! The program in random histories, together with the model. Its answers are compared with its own earlier promises,
//! and with the model's answers as long as both went through the same.

use crate::chance::Chance;
use crate::check::{back, comes_back, sets, settle};
use crate::engine::{BEYOND, Program};
use crate::event::{Event, Shape, kinds, possible};
use crate::files::Found;
use crate::model::{Card, Content, Location, Path};
use crate::random::draw_from;
use crate::truth::Promise;
use crate::world::World;
use std::collections::BTreeSet;

/// A station so small that its parts interact.
const SHAPE: Shape = Shape {
    mailboxes: 2,
    paths: 2,
    sticks: 2,
    cards: 2,
    kinds: kinds::EVERY | kinds::STRANGERS,
    faults: 1,
};

const P: Location = Location { mailbox: 0, path: Path::Plain(0) };
const Q: Location = Location { mailbox: 0, path: Path::Plain(1) };

fn mirror(stick: usize) -> Event {
    Event::Mirror { stick, mailboxes: 3 }
}

/// Histories that a person devised, on three sticks.
pub(crate) fn thought_of() -> Vec<(&'static str, Vec<Event>)> {
    use Event::{Acknowledge, Boot, Clone, Delete, Deliver, Edit, Move, NewCard, Rot};
    let v1 = Content { message: 1, version: 1, damaged: false };
    let edit = Edit { at: P, watched: true };
    let to_q = Move { from: P, to: Q, watched: true };
    let recorded = [Deliver(P), mirror(0), mirror(1), mirror(2)];
    let then = |more: &[Event]| [&recorded[..], more].concat();
    vec![
        (
            "another card's departure is on two sticks, and one of them was read",
            then(&[NewCard, mirror(0), Acknowledge, mirror(0), mirror(2), Boot(0), mirror(0)]),
        ),
        (
            "a clone's departure is on two sticks, and one of them was read",
            then(&[Clone, Delete(P), mirror(0), mirror(2), Boot(1), mirror(0)]),
        ),
        (
            "a version that was edited and moved rots",
            then(&[edit, to_q, mirror(0), Rot { stick: 0, content: v1 }]),
        ),
        (
            "a version that was moved and edited rots",
            then(&[to_q, Edit { at: Q, watched: true }, mirror(0), Rot { stick: 0, content: v1 }]),
        ),
    ]
}

/// What was wrong, or only different from the model.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Apart {
    pub(crate) what: What,
    pub(crate) how: String,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub(crate) enum What {
    /// An event ended in an error.
    Fails,
    /// A message called safe, and never seen to leave, does not come back.
    Loses,
    /// A message seen to leave comes back from sticks that recorded that.
    Revives,
    /// The program calls something safe that the model does not.
    SafeBeyond,
    /// The program calls something unsafe that the model calls safe.
    SafeShort,
    /// A restore gives less than the model.
    GivesLess,
    /// A restore gives more than the model.
    GivesMore,
    /// The history is not possible.
    Impossible,
}

impl What {
    /// Whether a promise is broken, or nothing was tried; otherwise the model may just be stricter.
    pub(crate) fn is_broken(self) -> bool {
        matches!(self, Self::Fails | Self::Loses | Self::Revives | Self::Impossible)
    }
}

fn apart<T>(what: What, how: String) -> Result<T, Apart> {
    Err(Apart { what, how })
}

/// Whether an event can be done to the program as to the model.
fn can_be_done(event: &Event) -> bool {
    !matches!(event, Event::DropOld { .. } | Event::Full { room: 1.., .. })
}

/// How many sticks the history with this number has.
pub(crate) fn sticks_of(seed: u64) -> usize {
    if seed.is_multiple_of(4) { 3 } else { 2 }
}

/// A random history.
pub(crate) fn history(seed: u64) -> Vec<Event> {
    let mut chance = Chance::new(seed);
    let length = 5 + chance.index(14);
    // After some events the two may differ: most histories have none of them.
    let apart = kinds::CUTS | kinds::STICKS | kinds::LINES | kinds::STRANGERS;
    let kinds = SHAPE.kinds & !apart;
    let kinds = match chance.index(8) {
        0 => kinds | kinds::CUTS,
        1 => kinds | kinds::STICKS,
        2 => kinds | kinds::LINES,
        3 => kinds | apart,
        4 => kinds | kinds::STRANGERS,
        _ => kinds,
    };
    let mut world = World::new(Shape { kinds, sticks: sticks_of(seed), ..SHAPE });
    let mut history = Vec::new();
    for _ in 0..length {
        let all: Vec<Event> = possible(&world).into_iter().filter(can_be_done).collect();
        let event = draw_from(&all, &mut chance);
        world.apply(event);
        history.push(event);
    }
    history
}

/// Runs a history on both. Returns how many events were done; fewer if the two cannot be compared any further.
pub(crate) fn compare(
    engine: &mut Program,
    sticks: usize,
    history: &[Event],
) -> Result<usize, Apart> {
    let world = World::new(Shape { sticks, ..SHAPE });
    let mut both = Both { world, engine, strict: true, other: None, rotten: BTreeSet::new() };
    for (done, event) in history.iter().enumerate() {
        if !possible(&both.world).contains(event) || !can_be_done(event) {
            return apart(What::Impossible, format!("{event:?}"));
        }
        if !both.do_event(*event)? {
            return both.other.map_or(Ok(done), Err);
        }
        both.ask()?;
    }
    both.restore()?;
    Ok(history.len())
}

struct Both<'a> {
    world: World,
    engine: &'a mut Program,
    /// Both went through the same so far.
    strict: bool,
    /// The first difference, with no promise broken.
    other: Option<Apart>,
    /// Copies that have rotted, which nobody may know yet.
    rotten: BTreeSet<(usize, Content)>,
}

impl Both<'_> {
    /// Whether they can still be compared.
    fn do_event(&mut self, event: Event) -> Result<bool, Apart> {
        let before = self.world.clone();
        let world = &mut self.world;
        world.apply(event);
        settle(world, before.gone.len());
        match self.engine.apply(&before, world, event) {
            Err(error) if error == BEYOND => return Ok(false),
            Err(error) => return apart(What::Fails, format!("{event:?}: {error}")),
            Ok(()) => {}
        }
        back(world);
        if let Event::Mirror { stick, mailboxes } = event
            && mailboxes == world.shape.all_mailboxes()
        {
            let recorded = world.recorded_gone(&before.sticks[stick]);
            world.slot(stick).recorded_gone.extend(recorded);
        }
        self.come_apart(&before, event);
        let (mail, ours) = (self.engine.mail(), Found::of(&self.world.card().mail));
        // Which of two contents of one location is in place may be decided differently; then everything that follows
        // differs too.
        Ok(mail == ours)
    }

    /// Some events do not have the same effect on both.
    fn come_apart(&mut self, before: &World, event: Event) {
        use Event::{Boot, CopyStick, Cut, Damage, FallBack, LoseState, PutImage, Rot, Unreadable};
        // The program reads on sticks what a card without its state has of a damaged message.
        let damage = before.sticks.iter().any(|slot| slot.stick.copies.keys().any(|c| c.damaged))
            || before.card().mail.values().any(|content| content.damaged);
        let anew = matches!(event, LoseState | FallBack | PutImage | Boot(_));
        let apart = matches!(event, Cut { .. } | CopyStick { .. } | Unreadable { .. });
        // Nor did it know what was damaged before its scan.
        let card = before.card();
        let known = |at| card.catalogue.known.get(&at).map(|place| place.content);
        let unknown = matches!(event, Damage(at) if known(at) != card.mail.get(&at).copied());
        self.strict &= !(apart || damage && anew || unknown);
        if anew {
            // It knows from a stick what the message was, and sees it leave together with the rest of it: the truth
            // does not.
            let rests: BTreeSet<u16> =
                before.card().mail.values().filter(|c| c.damaged).map(|c| c.message).collect();
            for stick in 0..self.world.sticks.len() {
                let promises = &mut self.world.slot(stick).promises;
                promises.retain(|promise| !rests.contains(&promise.content.message));
            }
        }
        match event {
            Rot { stick, content } => drop(self.rotten.insert((stick, content))),
            CopyStick { from, to } => {
                let of: Vec<Content> = self
                    .rotten
                    .iter()
                    .filter(|(stick, _)| *stick == from)
                    .map(|one| one.1)
                    .collect();
                self.rotten.extend(of.into_iter().map(|content| (to, content)));
            }
            _ => {}
        }
    }

    /// Compares what both call safe.
    fn ask(&mut self) -> Result<(), Apart> {
        let safe = self.engine.safe().or_else(|error| apart(What::Fails, error))?;
        let unsure = self.engine.unsure().or_else(|error| apart(What::Fails, error))?;
        let sound = |(stick, at, content): &(usize, Location, Content)| {
            let known = !unsure.contains(stick) && !self.rotten.contains(&(*stick, *content));
            known && !content.damaged && matches!(at.path, Path::Plain(_))
        };
        let safe: BTreeSet<_> = safe.into_iter().filter(sound).collect();
        let ours: BTreeSet<_> = self.world.card().audit().into_iter().filter(sound).collect();
        self.promise(&safe);
        if self.strict && safe != ours {
            let less = safe.is_subset(&ours);
            let what = if less { What::SafeShort } else { What::SafeBeyond };
            let how = format!("the program {safe:?}, the model {ours:?}");
            self.other.get_or_insert(Apart { what, how });
        }
        Ok(())
    }

    /// Everything that the program calls safe now is promised from now on.
    fn promise(&mut self, safe: &BTreeSet<(usize, Location, Content)>) {
        let truth = self.world.cards[self.world.here].truth.clone();
        for (stick, at, content) in safe {
            let Some((_, since)) = truth.found.get(at) else { continue };
            let known = truth.left.iter().filter(|(key, _)| *key == (*at, *content) && self.strict);
            let promise = Promise {
                from: *at,
                at: BTreeSet::from([*at]),
                content: *content,
                since: *since,
                knows: known.map(|(_, id)| *id).collect(),
                weak: self.world.forged,
            };
            if let Some(promise) = promise.after_all(&self.world.gone) {
                self.world.slot(*stick).promises.insert(promise);
            }
        }
    }

    /// Everything that was called safe comes back from every set of sticks, nothing that was seen to leave does, and
    /// all is as the model says.
    fn restore(&mut self) -> Result<(), Apart> {
        let here = self.world.everywhere();
        for (bits, slots) in sets(&self.world) {
            let found = self.engine.restore(bits).or_else(|error| apart(What::Fails, error))?;
            let good = |all: Found| -> BTreeSet<Content> {
                all.contents().into_iter().filter(|content| !content.damaged).collect()
            };
            let theirs = good(found);
            let sticks: Vec<_> = slots.iter().map(|slot| &slot.stick).collect();
            let mut card = Card::default();
            card.put_back(&sticks, false);
            let ours = good(Found::of(&card.mail));
            let how = format!("from {bits:#b} the program gives {theirs:?}, the model {ours:?}");
            comes_back(bits, &slots, theirs.iter().copied())
                .or_else(|broken| apart(What::Loses, format!("{}: {how}", broken.how)))?;
            let recorded =
                |content: &&Content| slots.iter().all(|slot| slot.recorded_gone.contains(content));
            let new = |content: &&Content| !here.contains(content) && !ours.contains(content);
            let mut revived = theirs.iter().filter(recorded).filter(new);
            if let Some(content) = revived.next().filter(|_| self.strict) {
                return apart(What::Revives, format!("{content:?} {how}"));
            }
            if self.strict && theirs != ours {
                let less = theirs.is_subset(&ours);
                let what = if less { What::GivesLess } else { What::GivesMore };
                self.other.get_or_insert(Apart { what, how });
            }
        }
        self.other.take().map_or(Ok(()), Err)
    }
}
