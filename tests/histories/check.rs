//! The promises, which must be kept after every event. Knows of the model only its answers.

use crate::event::Event;
use crate::model::{Content, Given, How, Restored, Stick, restore};
use crate::truth::Promise;
use crate::world::{Slot, World};
use std::collections::BTreeSet;
use std::sync::Arc;

/// A promise that was not kept.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Broken {
    pub(crate) promise: &'static str,
    pub(crate) how: String,
}

fn broken(promise: &'static str, how: String) -> Result<(), Broken> {
    Err(Broken { promise, how })
}

/// Executes an event, and checks every promise afterwards.
pub(crate) fn step(before: &World, event: Event) -> (World, Result<(), Broken>) {
    let mut world = before.clone();
    world.apply(event);
    let result = hold(before, &mut world, event);
    (world, result)
}

fn hold(before: &World, world: &mut World, event: Event) -> Result<(), Broken> {
    settle(world, before.gone.len());
    back(world);
    let fresh = promise(world);
    let changed = |at: usize| !Arc::ptr_eq(&before.sticks[at], &world.sticks[at]);
    let changed: Vec<usize> = (0..world.sticks.len()).filter(|at| changed(*at)).collect();
    if fresh || !changed.is_empty() {
        restores(world)?;
    }
    if let Event::Mirror { stick, mailboxes } = event
        && mailboxes == world.shape.all_mailboxes()
    {
        whole_pass(before, world, stick)?;
    }
    if matches!(event, Event::Boot(_)) {
        in_turn(world, false)?;
        in_turn(world, true)?;
    }
    Ok(())
}

/// Ends the promises whose message was seen to leave by a card that knew of them.
pub(crate) fn settle(world: &mut World, known: usize) {
    let new = world.gone[known..].to_vec();
    for stick in 0..world.sticks.len() {
        if !new.is_empty() && !world.sticks[stick].promises.is_empty() {
            let slot = world.slot(stick);
            let all = std::mem::take(&mut slot.promises).into_iter();
            slot.promises = all.filter_map(|promise| promise.after_all(&new)).collect();
        }
    }
}

/// A content that is back is not gone any more.
pub(crate) fn back(world: &mut World) {
    let recorded = |slot: &Arc<Slot>| !slot.recorded_gone.is_empty();
    if world.sticks.iter().any(recorded) {
        let here = world.everywhere();
        for stick in 0..world.sticks.len() {
            if !world.sticks[stick].recorded_gone.is_disjoint(&here) {
                world.slot(stick).recorded_gone.retain(|content| !here.contains(content));
            }
        }
    }
}

/// Everything that any card's audit calls safe now is promised from now on. Returns whether anything is new.
fn promise(world: &mut World) -> bool {
    let mut fresh = false;
    for card in 0..world.cards.len() {
        let station = Arc::clone(&world.cards[card]);
        for (stick, at, content) in station.card.audit() {
            let Some((_, since)) = station.truth.found.get(&at).filter(|_| !content.damaged) else {
                continue;
            };
            let left = station.truth.left.iter();
            let left = left.filter(|(key, _)| *key == (at, content)).map(|(_, id)| *id);
            let knows = left.collect();
            let (from, at) = (at, BTreeSet::from([at]));
            let promise = Promise { from, at, content, since: *since, knows, weak: world.forged };
            let Some(promise) = promise.after_all(&world.gone) else { continue };
            if !world.sticks[stick].promises.contains(&promise) {
                fresh = true;
                world.slot(stick).promises.insert(promise);
            }
        }
    }
    fresh
}

/// Every set of sticks, as bits.
pub(crate) fn sets(world: &World) -> impl Iterator<Item = (u8, Vec<&Slot>)> {
    (1..1_u8 << world.sticks.len()).map(|bits| {
        let chosen = (0..world.sticks.len()).filter(|at| bits & (1 << at) != 0);
        (bits, chosen.map(|at| &*world.sticks[at]).collect())
    })
}

fn restores(world: &World) -> Result<(), Broken> {
    for (bits, slots) in sets(world) {
        let sticks: Vec<&Stick> = slots.iter().map(|slot| &slot.stick).collect();
        let restored = restore(&sticks, false);
        comes_back(bits, &slots, restored.given.iter().map(|given| given.content))?;
        reports_omissions(&sticks, &restored)?;
        stays_gone(world, bits, &slots, &restored)?;
        let good = |given: &Given| {
            let sure = restored.given.iter().filter(|other| other.how != How::InDoubt);
            sure.into_iter().any(|other| other.at == given.at && !other.content.damaged)
        };
        let in_place = restored.given.iter().filter(|given| given.how == How::InPlace);
        if let Some(given) = in_place.into_iter().find(|given| given.content.damaged && good(given))
        {
            return broken("nothing damaged comes in place of what is not", format!("{given:?}"));
        }
    }
    Ok(())
}

/// Everything that was called safe is among what some sticks give.
pub(crate) fn comes_back(
    bits: u8,
    slots: &[&Slot],
    given: impl Iterator<Item = Content> + Clone,
) -> Result<(), Broken> {
    let comes = |promise: &Promise| {
        given.clone().any(|content| {
            content.message == promise.content.message
                && content.version >= promise.content.version
                && !content.damaged
        })
    };
    for (name, slot) in slots.iter().enumerate() {
        let asked = |promise: &&Promise| !slot.has_lost_the_name_of(promise);
        if let Some(promise) = slot.promises.iter().filter(asked).find(|promise| !comes(promise)) {
            return broken(
                "what was called safe and never seen to go comes back",
                format!("not from the sticks {bits:#b}, the {name}. of them: {promise:?}"),
            );
        }
    }
    Ok(())
}

/// Lines that cannot be read may have recorded that it is gone; and a card that read a stranger's lines asserts more
/// again than it need.
fn stays_gone(world: &World, bits: u8, slots: &[&Slot], restored: &Restored) -> Result<(), Broken> {
    if world.unreadable || world.forged || slots.iter().any(|slot| slot.recorded_gone.is_empty()) {
        return Ok(());
    }
    let here = world.everywhere();
    let recorded =
        |given: &&Given| slots.iter().all(|slot| slot.recorded_gone.contains(&given.content));
    let mut back = restored.given.iter().filter(|given| given.how != How::Older).filter(recorded);
    match back.find(|given| !here.contains(&given.content)) {
        None => Ok(()),
        Some(given) => broken(
            "nothing that was seen to go comes back from sticks that were told",
            format!("{given:?} from the sticks {bits:#b}"),
        ),
    }
}

/// A restore reports whatever it leaves out.
fn reports_omissions(sticks: &[&Stick], restored: &Restored) -> Result<(), Broken> {
    let Restored { given, withheld, without_copy } = restored;
    for stick in sticks {
        for key in stick.ledger.asserted.keys() {
            let comes = given.iter().any(|given| (given.at, given.content) == *key);
            if !comes && !withheld.contains(key) && !without_copy.contains(key) {
                return broken("what a restore leaves out it tells", format!("{key:?}"));
            }
        }
        for content in stick.copies.keys().filter(|content| stick.has(**content)) {
            let comes = given.iter().any(|given| given.content == *content);
            if !comes && !withheld.iter().any(|key| key.1 == *content) {
                return broken("what a restore leaves out it tells", format!("{content:?}"));
            }
        }
    }
    Ok(())
}

fn lines(world: &World) -> usize {
    world.sticks.iter().map(|slot| slot.stick.ledger.lines.len()).sum()
}

/// After a whole pass everything is safe there, departures are recorded, and another pass has nothing to write.
fn whole_pass(before: &World, world: &mut World, stick: usize) -> Result<(), Broken> {
    let card = world.card();
    let safe = card.audit();
    if let Some((at, content)) =
        card.mail.iter().find(|(at, content)| !safe.contains(&(stick, **at, **content)))
    {
        return broken(
            "after a whole pass all is safe there",
            format!("not {content:?} at {at:?}"),
        );
    }
    lacking_is_reported(world, stick)?;
    let mut again = world.clone();
    again.mirror(stick, again.whole());
    if lines(&again) > lines(world) {
        let new =
            &again.sticks[stick].stick.ledger.lines[world.sticks[stick].stick.ledger.lines.len()..];
        return broken("a second pass has nothing to write", format!("{new:?}"));
    }
    let recorded = world.recorded_gone(&before.sticks[stick]);
    if !recorded.is_empty() {
        world.slot(stick).recorded_gone.extend(recorded);
        restores(world)?;
    }
    Ok(())
}

/// Everything that a stick would give and the mailbox lacks is reported first; if there is nothing, a rehearsal gives
/// the mailbox.
fn lacking_is_reported(world: &World, stick: usize) -> Result<(), Broken> {
    let card = world.card();
    let sticks = [&world.sticks[stick].stick];
    let lacking: BTreeSet<Content> = card.lacking().into_iter().map(|key| key.1).collect();
    let here: BTreeSet<Content> = card.mail.values().copied().collect();
    let given = restore(&sticks, false).given;
    // A departure that this card saw and cannot record there yet is waiting; what another stick records as gone is not
    // asked for.
    let settled = |given: &Given| card.is_settled(&(given.at, given.content));
    let waits = |given: &Given| card.catalogue.gone.contains_key(&(given.at, given.content));
    let unreported = |given: &&Given| {
        !here.contains(&given.content)
            && !lacking.contains(&given.content)
            && !waits(given)
            && !settled(given)
            && given.how < How::Older
    };
    if let Some(given) = given.iter().find(unreported) {
        return broken("what a stick has and the mailbox lacks is said", format!("{given:?}"));
    }
    let same = |given: &Given| card.mail.get(&given.at) == Some(&given.content);
    if given.iter().all(same) && !card.rehearse(&sticks) {
        return broken("a rehearsal says yes where all comes back", format!("{given:?}"));
    }
    Ok(())
}

/// Cards in turn, each mirrored to every stick, and restored onto: neither ledgers nor conflict names grow for ever.
fn in_turn(world: &World, restored: bool) -> Result<(), Broken> {
    let mut world = world.clone();
    let mut sizes = [(0, 0); 5];
    for size in &mut sizes {
        for card in 0..world.cards.len() {
            world.boot(card);
            if restored {
                world.restore((1 << world.sticks.len()) - 1, false);
            }
            (0..world.sticks.len()).for_each(|stick| world.mirror(stick, world.whole()));
        }
        *size = (lines(&world), world.cards.iter().map(|one| one.card.mail.len()).sum());
    }
    if sizes[3] != sizes[4] {
        return broken(
            "names and ledgers do not grow for ever when cards are used in turn",
            format!("lines and messages after each turn: {sizes:?}"),
        );
    }
    Ok(())
}
