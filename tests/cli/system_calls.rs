//! How often the program asks the system for something, a message: what a slow board spends its time on. Counted between
//! a small mailbox and a larger one, so that what is done once a run does not count.

use crate::station::{Station, expect_same};
use std::ffi::{OsStr, OsString};
use std::fs;
use std::path::Path;

/// System calls a message of a first mirror, at most; the goal is 16.
const MIRROR_MOST: f64 = 36.0;
/// The same of a restore, where a device may lie under the name of a copy.
const RESTORE_MOST: f64 = 13.5;
const FOLDERS: usize = 20;
/// Messages of the small mailbox, and how many more the larger one has.
const FEW: usize = 100;
const MORE: usize = 1_000;

/// Calls in the output of strace, without waiting for other threads, and without what the standard library asks for
/// each handle in a build with debug assertions.
fn calls_in(trace: &Path) -> usize {
    let text = fs::read_to_string(trace).unwrap();
    let is_counted = |line: &&str| {
        let call = line.split_once(' ').map_or("", |(_, call)| call.trim_start());
        !["<...", "+++", "---", "futex("].iter().any(|other| call.starts_with(other))
            && !call.contains("F_GETFD")
    };
    text.lines().filter(is_counted).count()
}

/// Runs a command of the station; how many system calls it makes.
fn counted(station: &mut Station, args: &[OsString]) -> usize {
    let trace = station.path("trace");
    let words = ["strace", "-f", "-qq", "-o", trace.to_str().unwrap()];
    station.run_prefixed(&words.map(OsStr::new));
    station.run(args).expect_safe();
    station.run_prefixed(&[]);
    calls_in(&trace)
}

/// System calls of a first mirror and of a restore of so many messages.
fn calls_of(messages: usize) -> [usize; 2] {
    let (mut station, _red) = Station::in_memory();
    for number in 0..messages {
        let text = format!("Subject: {number}\n\n{}\n", "x".repeat(4_000));
        station.deliver(format!("f{:02}/m{number:05}.eml", number % FOLDERS), text);
    }
    let into = station.restored();
    let restore = station.restore_arguments(&["--into", into.to_str().unwrap()]);
    let mirror = station.arguments(&["mirror"]);
    let (mirror, restore) = (counted(&mut station, &mirror), counted(&mut station, &restore));
    expect_same(&station.inbox(), &into);
    [mirror, restore]
}

#[test]
fn a_message_takes_few_system_calls() {
    let (few, more) = (calls_of(FEW), calls_of(FEW + MORE));
    let a_message = |at: usize| (more[at] - few[at]) as f64 / MORE as f64;
    let (mirror, restore) = (a_message(0), a_message(1));
    println!("system calls a message: mirror {mirror:.1}, restore {restore:.1}");
    assert!(mirror > 1.0 && restore > 1.0, "strace has counted: {mirror}, {restore}");
    assert!(mirror <= MIRROR_MOST, "mirror: {mirror:.1} system calls a message");
    assert!(restore <= RESTORE_MOST, "restore: {restore:.1} system calls a message");
}
