//! Every call of one long story fails in every way, once and from then on. Leaves nothing to chance.

use crate::medium::{Junk, Kept};
use crate::oracle::{Broken, Checked};
use crate::random::{ERRORS, kept};
use crate::stick::{Lasting, Mishap};
use crate::support::mail::message;
use crate::world::{Ended, World};

/// One attempt: which call, and how it fails.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Try {
    pub(crate) call: u64,
    pub(crate) mishap: Mishap,
}

/// All attempts, for a story of this many calls.
pub(crate) fn all(calls: u64) -> Vec<Try> {
    let lasting = [Lasting::Once, Lasting::ForEver];
    let errors = ERRORS.into_iter().flat_map(|errno| lasting.map(|l| Mishap::Error(errno, l)));
    let mishaps: Vec<_> = errors.chain([Mishap::PowerOff, Mishap::Kill, Mishap::Pull]).collect();
    (1..=calls).flat_map(|call| mishaps.iter().map(move |m| Try { call, mishap: *m })).collect()
}

/// Number of calls of the story without faults.
pub(crate) fn calls(place: &str) -> Result<u64, Broken> {
    let mut world = World::new(place, 1);
    story(&mut world, None)?;
    let calls = world.slots[0].stick.state().calls;
    Ok(calls)
}

impl Try {
    pub(crate) fn run(self, place: &str) -> Checked {
        let mut world = World::new(place, 1);
        story(&mut world, Some((self.call, self.mishap)))?;
        world.heal()
    }
}

/// A stick's first day: initialised, filled, pulled, put back, read again.
fn story(world: &mut World, mishap: Option<(u64, Mishap)>) -> Checked {
    let slot = world.add_stick(false);
    world.slots[slot].stick.state().mishap = mishap;
    for path in ["inbox/1.eml", "inbox/2.eml", "inbox/3.eml"] {
        put(world, path, path);
    }
    world.slots[slot].stick.plug_again();
    pass(world)?;
    let moved = world.card.messages()["inbox/1.eml"].clone();
    world.rename("inbox/1.eml", "archive/1.eml", &moved);
    put(world, "inbox/2.eml", "corrected");
    world.remove("inbox/3.eml", true);
    put(world, "inbox/4.eml", "later");
    pass(world)?;
    world.slots[slot].stick.lose_power(Kept {
        last: 0,
        count: 0,
        earlier: false,
        junk: Junk::Zeros,
    });
    world.seen(slot)?;
    world.slots[slot].stick.plug_again();
    put(world, "inbox/5.eml", "after the pull");
    pass(world)?;
    let ended = world.verify(slot)?;
    after(world, ended)?;
    put(world, "inbox/6.eml", "the last");
    pass(world)
}

fn put(world: &mut World, path: &str, what: &str) {
    world.oracle.step += 1;
    world.deliver(path, message(what, &what.repeat(40)).as_bytes());
}

/// A pass, and the power back on if it failed.
fn pass(world: &mut World) -> Checked {
    let ended = world.pass()?;
    after(world, ended)
}

/// The power, or the program, is back, and the interrupted work is done.
fn after(world: &mut World, ended: Ended<()>) -> Checked {
    match ended {
        Ended::Done(()) => return Ok(()),
        Ended::Killed => world.restart()?,
        Ended::PowerFailed => world.power_off(kept)?,
    }
    // No second fault occurs here.
    world.pass().map(drop)
}
