//! The program killed at any moment: what it acknowledged is there, and the next run ends the work.
//! The moments come from a seed that is printed first; `COUNTERFOIL_SEED` brings them back, as near as
//! a clock can.

use crate::station::{Station, expect_same, mail, sh, tree};
use crate::stick::Stick;
use crate::support::chance::Chance;
use std::collections::BTreeMap;
use std::ffi::OsString;
use std::fs;
use std::time::{Duration, Instant, SystemTime};

/// Kills of each kind; the run directories take several each.
const KILLS: usize = 100;
const KILLS_PER_RUN: usize = 5;

/// Moments and choices from one seed.
fn chance_from_seed() -> Chance {
    let seed = match std::env::var("COUNTERFOIL_SEED") {
        Ok(text) => text.parse().expect("COUNTERFOIL_SEED is a number"),
        Err(_) => counterfoil::disk::host::random_bits().unwrap(),
    };
    println!("COUNTERFOIL_SEED={seed}");
    Chance::new(seed)
}

fn moment_within(chance: &mut Chance, whole: Duration) -> Duration {
    Duration::from_micros(chance.index(whole.as_micros() as usize) as u64)
}

/// Starts a command and kills it after a while; whether it was still at work.
fn kill(station: &Station, args: &[OsString], after: Duration) -> bool {
    let mut running = station.begin(args);
    std::thread::sleep(after);
    let at_work = running.try_wait().unwrap().is_none();
    running.kill().unwrap();
    running.wait().unwrap();
    at_work
}

/// How long a run takes, learnt on the way, since others work on this machine too: a kill that came too
/// late makes it shorter, one in time a little longer, so that about one kill in four comes too late and
/// every moment of a run is as likely.
struct Reach(Duration);

impl Reach {
    fn learn(&mut self, at_work: bool) {
        self.0 = if at_work { self.0 * 21 / 20 } else { self.0 * 17 / 20 };
    }
}

fn time_of(run: impl FnOnce()) -> Duration {
    let begun = Instant::now();
    run();
    begun.elapsed()
}

/// Messages short and long, some with the same content, some moved: something of everything to do.
fn deliver_traffic(station: &Station, round: usize, count: usize, chance: &mut Chance) {
    for number in 0..count {
        let text = match chance.index(10) {
            0 => "the same text everywhere".to_owned(),
            1 => mail(&format!("{round} {number}")) + &"0123456789abcdef".repeat(1_500),
            _ => mail(&format!("{round} {number}")),
        };
        station.deliver(format!("new/{round:03}.{number:03}"), text);
    }
    if round > 0 {
        let before = round - 1;
        for number in 0..5 {
            let from = format!("new/{before:03}.{number:03}");
            station.move_to(&from, &format!("cur/{before:03}.{number:03}:2,S"));
        }
    }
}

fn expect_all_safe(station: &Station, red: &Stick) {
    station.mirror().expect_safe();
    red.expect_bag_valid();
    station.audit().expect_safe();
    station.restore().expect_safe();
    expect_same(&station.inbox(), &station.restored());
}

/// Faults 1, 2, 4, 5 and 6: cut while writing, between copy and record, in recovery, again and again.
#[test]
fn mirror_killed_at_any_moment_keeps_its_word() {
    let mut chance = chance_from_seed();
    let (station, _red) = Station::in_memory();
    deliver_traffic(&station, 0, 75, &mut chance);
    let mut reach = Reach(time_of(|| drop(station.mirror().expect_safe())));
    let (mut at_work, mut acknowledged_early) = (0, 0);
    for run in 0..KILLS / KILLS_PER_RUN {
        let (station, red) = Station::in_memory();
        let mirror = station.arguments(&["mirror", "--json"]);
        let mut acknowledged = 0;
        for round in 0..KILLS_PER_RUN {
            deliver_traffic(&station, round, 75, &mut chance);
            let after = moment_within(&mut chance, reach.0);
            println!("run {run}, round {round}: killed after {after:?} of {:?}", reach.0);
            let killed = kill(&station, &mirror, after);
            reach.learn(killed);
            let now = red.expect_acknowledged_intact();
            at_work += usize::from(killed);
            acknowledged_early += usize::from(killed && now > acknowledged);
            acknowledged = now;
            // Often the next run is killed as well, so that recovery itself is cut.
            if chance.index(3) == 0 {
                station.mirror().expect_safe();
                red.expect_bag_valid();
                acknowledged = red.lines_of("mirrored").len();
            }
        }
        expect_all_safe(&station, &red);
        assert_eq!(fs::read(red.ledger()).unwrap().last(), Some(&b'\n'));
    }
    println!("{at_work} of {KILLS} killed at work, {acknowledged_early} with a batch acknowledged");
    assert!(at_work > KILLS / 2, "{at_work} of {KILLS} kills met the program at work");
    assert!(acknowledged_early > 0, "no kill fell between two batches");
}

/// Every file under a final name is a whole message.
fn expect_no_half_file(station: &Station, whole: &BTreeMap<Vec<u8>, (Vec<u8>, SystemTime, u32)>) {
    for (name, (bytes, ..)) in tree(&station.restored()) {
        if !name.starts_with(b".counterfoil-restore/") {
            let shown = String::from_utf8_lossy(&name).into_owned();
            assert!(whole.get(&name).is_some_and(|w| w.0 == bytes), "{shown} is not the message");
        }
    }
}

/// Faults 1 and 41, of the card: a restore cut anywhere leaves no half message, and can be run again.
#[test]
fn restore_killed_at_any_moment_leaves_no_half_message() {
    let mut chance = chance_from_seed();
    let (station, red) = Station::in_memory();
    for round in 0..5 {
        deliver_traffic(&station, round, 80, &mut chance);
    }
    station.mirror().expect_safe();
    red.expect_bag_valid();
    let target = station.restored();
    let restore = station.restore_arguments(&["--into", target.to_str().unwrap()]);
    let mut reach = Reach(time_of(|| drop(station.restore().expect_safe())));
    let inbox = tree(&station.inbox());
    let (mut at_work, mut between) = (0, 0);
    for run in 0..KILLS / KILLS_PER_RUN {
        fs::remove_dir_all(&target).unwrap();
        for round in 0..KILLS_PER_RUN {
            let after = moment_within(&mut chance, reach.0);
            println!("run {run}, round {round}: killed after {after:?} of {:?}", reach.0);
            let killed = kill(&station, &restore, after);
            reach.learn(killed);
            at_work += usize::from(killed);
            if target.exists() {
                expect_no_half_file(&station, &inbox);
                let some = target.join("new").exists() || target.join("cur").exists();
                between += usize::from(some && target.join(".counterfoil-restore").exists());
                // A target with everything in it leaves nothing to kill.
                if chance.index(2) == 0 {
                    fs::remove_dir_all(&target).unwrap();
                }
            }
        }
        station.run(&restore).expect_safe();
        assert!(!target.join(".counterfoil-restore").exists());
        fs::remove_dir(target.join("tmp")).expect("a Maildir's tmp, empty");
        sh("diff", &["-r".as_ref(), station.inbox().as_os_str(), target.as_os_str()]);
        expect_same(&station.inbox(), &target);
    }
    println!("{at_work} of {KILLS} killed at work, {between} with some names given");
    assert!(at_work > KILLS / 2, "{at_work} of {KILLS} kills met the program at work");
}
