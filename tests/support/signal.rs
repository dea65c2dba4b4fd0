//! Sends signals to a program that was started, by the system call, since not every machine has a program `kill`. Never
//! waits for the signal's effect.

use rustix::process::{Pid, Signal, kill_process};
use std::process::Child;

/// Sends the signal with this name, given without its `SIG`.
pub(crate) fn signal(child: &Child, name: &str) {
    let signal = match name {
        "CONT" => Signal::CONT,
        "HUP" => Signal::HUP,
        "INT" => Signal::INT,
        "KILL" => Signal::KILL,
        "QUIT" => Signal::QUIT,
        "STOP" => Signal::STOP,
        "TERM" => Signal::TERM,
        other => panic!("no test sends {other} yet"),
    };
    kill_process(Pid::from_child(child), signal).unwrap();
}
