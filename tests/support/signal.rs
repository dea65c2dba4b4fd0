//! Signals to a program that was started. By the system call: not every machine has a program `kill`.
//! Never waits for what the signal does.

use rustix::process::{Pid, Signal, kill_process};
use std::process::Child;

/// Sends the signal of that name, without its `SIG`.
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
