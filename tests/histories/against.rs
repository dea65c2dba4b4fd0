//! The program in histories by chance, beside the model. Its answers are held against the promises that it made itself,
//! and against the model's answers where both were told the same.

use crate::chance::Chance;
use crate::check::{comes_back, settle};
use crate::engine::{BEYOND, Engine, Found};
use crate::event::{Event, Shape, kinds, possible};
use crate::model::{Card, Content, Location};
use crate::random::draw_from;
use crate::truth::Promise;
use crate::world::World;
use std::collections::BTreeSet;

/// A station small enough that its parts meet.
const SHAPE: Shape = Shape {
    mailboxes: 2,
    paths: 2,
    sticks: 2,
    cards: 2,
    kinds: kinds::EVERY & !kinds::LINES,
    faults: 1,
};

/// What was not as it should be.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Apart {
    pub(crate) what: &'static str,
    pub(crate) how: String,
}

fn apart<T>(what: &'static str, how: String) -> Result<T, Apart> {
    Err(Apart { what, how })
}

/// Events that cannot be done to the program as to the model.
fn can_be_done(event: &Event) -> bool {
    !matches!(event, Event::DropOld { .. } | Event::Full { room: 1.., .. })
}

/// A history by chance.
pub(crate) fn history(seed: u64) -> Vec<Event> {
    let mut chance = Chance::new(seed);
    let length = 5 + chance.below(14);
    // Some histories have cuts, after which the two may differ; most have none.
    let kinds = if chance.below(4) == 0 { SHAPE.kinds } else { SHAPE.kinds & !kinds::CUTS };
    let mut world = World::new(Shape { kinds, ..SHAPE });
    let mut history = Vec::new();
    for _ in 0..length {
        let all: Vec<Event> = possible(&world).into_iter().filter(can_be_done).collect();
        let event = draw_from(&all, &mut chance);
        world.apply(event);
        history.push(event);
    }
    history
}

/// Does a history to both. How many events were done; fewer where they cannot be compared any more.
pub(crate) fn compare(engine: &mut impl Engine, history: &[Event]) -> Result<usize, Apart> {
    let mut world = World::new(SHAPE);
    let mut strict = true;
    let mut rotten: BTreeSet<(usize, Content)> = BTreeSet::new();
    for (done, event) in history.iter().enumerate() {
        if !possible(&world).contains(event) {
            return apart("impossible", String::new());
        }
        let before = world.clone();
        world.apply(*event);
        settle(&mut world, before.gone.len());
        match engine.apply(&before, &world, *event) {
            Err(error) if error == BEYOND => return Ok(done),
            Err(error) => return apart("the program goes on", format!("{event:?}: {error}")),
            Ok(()) => {}
        }
        strict &= !matches!(event, Event::Cut { .. });
        // The program reads on sticks what a card without its state has of a message; the model leaves that to people.
        let damage = before.sticks.iter().any(|slot| slot.stick.copies.keys().any(|c| c.damaged))
            || before.card().mail.values().any(|content| content.damaged);
        let anew =
            matches!(event, Event::LoseState | Event::FallBack | Event::PutImage | Event::Boot(_));
        strict &= !(damage && anew);
        match event {
            Event::Rot { stick, content } => drop(rotten.insert((*stick, *content))),
            Event::CopyStick { from, to } => {
                let copied: Vec<_> =
                    rotten.iter().filter(|(stick, _)| stick == from).copied().collect();
                rotten.extend(copied.into_iter().map(|(_, content)| (*to, content)));
            }
            _ => {}
        }
        let (mail, ours) = (engine.mail(), Found::of(&world.card().mail));
        if mail != ours {
            return match strict && mail.contents() != ours.contents() {
                true => {
                    apart("both restore alike", format!("the program {mail:?}, the model {ours:?}"))
                }
                false => Ok(done),
            };
        }
        let safe = engine.safe().or_else(|error| apart("the program answers", error))?;
        let sound = |(stick, _, content): &(usize, Location, Content)| {
            !content.damaged && !rotten.contains(&(*stick, *content))
        };
        let safe: BTreeSet<_> = safe.into_iter().filter(sound).collect();
        let ours = world.card().audit().into_iter().filter(sound);
        let ours: BTreeSet<_> = ours.filter(|(_, at, _)| is_plain(at)).collect();
        if strict && safe != ours {
            let what = match safe.is_subset(&ours) {
                true => "the program calls safe what the model does",
                false => "the program calls safe only what the model does",
            };
            return apart(what, format!("the program {safe:?}, the model {ours:?}"));
        }
        promise(&mut world, &safe, strict);
    }
    at_the_end(engine, &world, strict)?;
    Ok(history.len())
}

fn is_plain(at: &Location) -> bool {
    matches!(at.path, crate::model::Path::Plain(_))
}

/// What the program calls safe now is promised from now on.
fn promise(world: &mut World, safe: &BTreeSet<(usize, Location, Content)>, strict: bool) {
    let truth = world.cards[world.here].truth.clone();
    for (stick, at, content) in safe {
        let Some((_, since)) = truth.looked.get(at) else { continue };
        let known = truth.left.iter().filter(|(key, _)| *key == (*at, *content) && strict);
        let knows = known.map(|(_, id)| *id).collect();
        let all = BTreeSet::from([*at]);
        let promise =
            Promise { from: *at, at: all, content: *content, since: *since, knows, weak: false };
        if let Some(promise) = promise.after_all(&world.gone) {
            world.slot(*stick).promises.insert(promise);
        }
    }
}

/// What was called safe comes back from every set of sticks, and what comes back is what the model gives.
fn at_the_end(engine: &mut impl Engine, world: &World, strict: bool) -> Result<(), Apart> {
    for (bits, slots) in crate::check::sets(world) {
        let found = engine.restore(bits).or_else(|error| apart("the program restores", error))?;
        let contents = found.contents();
        comes_back(bits, &slots, contents.iter().copied()).or_else(|broken| {
            apart(broken.promise, format!("{}, it gives {found:?}", broken.how))
        })?;
        let sticks: Vec<_> = slots.iter().map(|slot| &slot.stick).collect();
        let mut card = Card::default();
        card.put_back(&sticks, false);
        let ours = Found::of(&card.mail);
        let good = |all: BTreeSet<Content>| -> BTreeSet<Content> {
            all.into_iter().filter(|content| !content.damaged).collect()
        };
        let (theirs, ours_all) = (good(contents), good(ours.contents()));
        if strict && theirs != ours_all {
            let what = match theirs.is_subset(&ours_all) {
                true => "the program gives back what the model does",
                false => "the program gives back only what the model does",
            };
            return apart(
                what,
                format!("from {bits:#b} the program {found:?}, the model {ours:?}"),
            );
        }
    }
    Ok(())
}
