//! Short stories, each of which shows the purpose of a rule of the ledger: with the rule broken on purpose it ends
//! badly, except where two rules protect the same. Leaves nothing to chance.

use crate::extras::whole_or_says_so;
use crate::medium::{Junk, Kept};
use crate::oracle::{Checked, HOME};
use crate::sabotage::Sabotage;
use crate::stick::Mishap;
use crate::support::mail::message;
use crate::world::{Ended, World};

/// A story: its name, and its course in worlds made for it.
pub(crate) struct Story {
    pub(crate) name: &'static str,
    /// The rule without which it ends badly.
    pub(crate) shows: Option<Sabotage>,
    tell: fn(&dyn Fn() -> World) -> Checked,
}

pub(crate) const ALL: [Story; 6] = [
    Story {
        name: "a-cut-between-two-lines",
        shows: Some(Sabotage::DepartureBeforeTheArrival),
        tell: a_power_failure_between_two_lines,
    },
    Story {
        name: "a-stick-that-was-not-told",
        shows: Some(Sabotage::MarkOverWhatLeft),
        tell: a_stick_without_a_record,
    },
    Story {
        name: "a-lost-line-of-another-card",
        shows: Some(Sabotage::GapsNotCounted),
        tell: a_lost_line_of_another_card,
    },
    Story { name: "a-lost-sector", shows: None, tell: a_lost_sector },
    Story {
        name: "a-card-and-its-copy",
        shows: Some(Sabotage::WriterKeptAfterACopy),
        tell: a_card_and_its_copy,
    },
    Story {
        name: "a-cut-while-the-list-is-written",
        shows: Some(Sabotage::ListNotFlushedBetweenSteps),
        tell: a_power_failure_while_the_list_is_written,
    },
];

impl Story {
    pub(crate) fn run(&self, sabotage: Option<Sabotage>, verbose: bool) -> Checked {
        let world = || {
            let mut world = World::new(&format!("story-{}", self.name), 1);
            (world.sabotage, world.verbose) = (sabotage, verbose);
            world
        };
        (self.tell)(&world)
    }
}

/// The power fails while later versions are recorded in a ledger, and any number of the last sectors do not arrive:
/// every message is at its path, in its old or new version.
fn a_power_failure_between_two_lines(world: &dyn Fn() -> World) -> Checked {
    let begin = || -> Result<(World, usize), crate::oracle::Broken> {
        let mut world = world();
        let slot = world.add_stick(false);
        world.slots[slot].stick.plug();
        for number in 1..4 {
            deliver(&mut world, &format!("inbox/{number}.eml"), &format!("first {number}"));
        }
        world.pass()?;
        for number in 1..4 {
            deliver(&mut world, &format!("inbox/{number}.eml"), &format!("second {number}"));
        }
        Ok((world, slot))
    };
    let calls = {
        let (mut world, slot) = begin()?;
        world.slots[slot].stick.state().writing = Some(Vec::new());
        world.pass()?;
        let calls = world.slots[slot].stick.state().writing.take().unwrap_or_default();
        // Without a power failure the earlier versions are gone: a departure counts only after its successor.
        let given = world.restored(&[slot], false, "back")?;
        let promised = &world.slots[slot].promised;
        world.oracle.same(promised, &world.card.messages(), &given.files, true)?;
        calls
    };
    // The last calls that change anything are those to the ledger.
    for call in calls.into_iter().rev().take(4) {
        for lost in 0..12 {
            let (mut world, slot) = begin()?;
            world.slots[slot].stick.state().mishap = Some((call, Mishap::PowerOff));
            if let Ended::PowerFailed = world.pass()? {
                // The very last change is the file's length.
                let last = !(((1 << lost) - 1) << 1);
                let kept = Kept { last, count: 64, earlier: true, junk: Junk::Zeros };
                world.power_off(|_| kept)?;
                world.give_back_plain(&[slot])?;
            }
        }
    }
    Ok(())
}

/// A message is deleted while one of two sticks is away; then the catalogue is lost, and the other stick comes: what is
/// there is recorded on it again, and what is no longer there is not.
fn a_stick_without_a_record(world: &dyn Fn() -> World) -> Checked {
    let mut world = world();
    let (there, away) = (world.add_stick(false), world.add_stick(false));
    world.slots.iter().for_each(|slot| slot.stick.plug());
    deliver(&mut world, "inbox/1.eml", "stays");
    deliver(&mut world, "inbox/2.eml", "is deleted");
    world.pass()?;
    world.slots[away].stick.pull();
    delete(&mut world, "inbox/2.eml");
    world.pass()?;
    world.slots[there].stick.pull();
    world.lose_catalogue();
    world.slots[away].stick.plug();
    world.pass()?;
    world.give_back_plain(&[there, away])
}

/// One card deletes a message that came back on its copy. The line by which the copy recorded that on a stick is lost:
/// nobody knows any more what the deletion is later than.
fn a_lost_line_of_another_card(world: &dyn Fn() -> World) -> Checked {
    let mut world = world();
    let slot = world.add_stick(false);
    world.slots[slot].stick.plug();
    deliver(&mut world, "inbox/1.eml", "comes and goes");
    world.pass()?;
    world.copy_card();
    world.slots[slot].stick.pull();
    delete(&mut world, "inbox/1.eml");
    world.pass()?;
    world.change_cards(0)?;
    vanish(&mut world, "inbox/1.eml");
    world.pass()?;
    deliver(&mut world, "inbox/1.eml", "comes and goes");
    world.slots[slot].stick.plug();
    world.pass()?;
    world.change_cards(0)?;
    world.pass()?;
    world.give_back_plain(&[slot])?;
    let last = |text: &str| text.rfind("\"kind\":\"placed\"");
    spoil(&mut world, slot, |text| last(text).map(|at| at..at + 1));
    world.give_back_plain(&[slot])
}

/// A stick has lost a line in a power failure, and its daemon knows that. A message moves. Then a sector rots that has
/// the torn line and the one that records the message's new location. Each of two rules alone gives it back: a line
/// that nobody can read, and a departure whose arrival nobody can read.
fn a_lost_sector(world: &dyn Fn() -> World) -> Checked {
    let mut world = world();
    let slot = world.add_stick(false);
    world.slots[slot].stick.plug();
    deliver(&mut world, "inbox/1.eml", "moves");
    world.pass()?;
    world.slots[slot].stick.pull();
    let torn = b"{\"v\":1,\"seq\":";
    let ledger = format!("{HOME}ledger.jsonl");
    world.slots[slot].stick.state().medium.tamper(&ledger, |bytes| bytes.extend(torn));
    world.slots[slot].stick.plug();
    move_to(&mut world, "inbox/1.eml", "archive/1.eml");
    world.pass()?;
    world.give_back_plain(&[slot])?;
    spoil(&mut world, slot, |text| {
        let begin = text.find("{\"v\":1,\"seq\":\n")? + 1;
        let placed = text.rfind("\"kind\":\"placed\"")?;
        // The end of that line, to which the next one is chained, is in the next sector.
        Some(begin..placed + text[placed..].find(",\"hash\":")?)
    });
    world.give_back_plain(&[slot])
}

/// A card and its copy, each with a stick of its own: what is deleted on one is still there on the other.
fn a_card_and_its_copy(world: &dyn Fn() -> World) -> Checked {
    let mut world = world();
    let (first, second) = (world.add_stick(false), world.add_stick(false));
    world.slots.iter().for_each(|slot| slot.stick.plug());
    deliver(&mut world, "inbox/1.eml", "on both cards");
    world.pass()?;
    world.copy_card();
    world.restart()?;
    world.slots[second].stick.pull();
    deliver(&mut world, "inbox/2.eml", "on one card");
    deliver(&mut world, "inbox/3.eml", "on one card too");
    world.pass()?;
    delete(&mut world, "inbox/1.eml");
    world.pass()?;
    world.slots[first].stick.pull();
    world.change_cards(0)?;
    vanish(&mut world, "inbox/1.eml");
    world.pass()?;
    deliver(&mut world, "inbox/1.eml", "on both cards");
    world.slots[second].stick.plug();
    world.pass()?;
    world.give_back_plain(&[first, second])
}

/// The power fails at any write of the list of messages and the config, and of what is on its way any one change is
/// lost, or any one arrives alone, or all from one on: each file is the old one, says that it is being written, or is
/// the new one.
fn a_power_failure_while_the_list_is_written(world: &dyn Fn() -> World) -> Checked {
    let begin = |carries: bool| -> Result<(World, usize), crate::oracle::Broken> {
        let mut world = world();
        let slot = world.add_stick(false);
        world.slots[slot].stick.plug();
        world.carries = true;
        for number in 1..4 {
            deliver(&mut world, &format!("inbox/{number}.eml"), &format!("first {number}"));
        }
        world.pass()?;
        world.carries = carries;
        deliver(&mut world, "inbox/4.eml", "the last");
        Ok((world, slot))
    };
    let calls = |carries: bool| -> Result<Vec<u64>, crate::oracle::Broken> {
        let (mut world, slot) = begin(carries)?;
        world.slots[slot].stick.state().writing = Some(Vec::new());
        world.pass()?;
        Ok(world.slots[slot].stick.state().writing.take().unwrap_or_default())
    };
    let of_the_messages = calls(false)?.len();
    for call in calls(true)?.into_iter().skip(of_the_messages) {
        for change in 0..12 {
            for last in [1 << change, !(1 << change), (1 << change) - 1, !((1 << change) - 1)] {
                let (mut world, slot) = begin(true)?;
                world.slots[slot].stick.state().mishap = Some((call, Mishap::PowerOff));
                if let Ended::PowerFailed = world.pass()? {
                    let kept = Kept { last, count: 64, earlier: true, junk: Junk::Stale };
                    world.power_off(|_| kept)?;
                    whole_or_says_so(world.slots[slot].stick.state().medium.durable())?;
                }
            }
        }
    }
    Ok(())
}

fn deliver(world: &mut World, path: &str, what: &str) {
    world.oracle.step += 1;
    world.say(format_args!("{path} is delivered: {what}"));
    world.deliver(path, message(what, &what.repeat(20)).as_bytes());
}

fn delete(world: &mut World, path: &str) {
    world.say(format_args!("{path} is deleted"));
    world.remove(path, true);
}

fn vanish(world: &mut World, path: &str) {
    world.say(format_args!("{path} vanishes"));
    world.remove(path, false);
}

fn move_to(world: &mut World, from: &str, to: &str) {
    world.say(format_args!("{from} is moved to {to}"));
    let text = world.card.messages()[from].clone();
    world.rename(from, to, &text);
}

/// Changes a part of a stick's ledger.
fn spoil(world: &mut World, slot: usize, part: impl Fn(&str) -> Option<std::ops::Range<usize>>) {
    world.slots[slot].stick.pull();
    world.slots[slot].promised.ledger_spoilt = true;
    let ledger = format!("{HOME}ledger.jsonl");
    let sabotaged = world.sabotage.is_some();
    world.slots[slot].stick.state().medium.tamper(&ledger, |bytes| {
        let text = String::from_utf8_lossy(bytes).into_owned();
        match part(&text) {
            Some(part) => bytes[part].fill(0),
            // With another rule left out the line may not have been written.
            None => assert!(sabotaged, "there is no such line: {text}"),
        }
    });
}
