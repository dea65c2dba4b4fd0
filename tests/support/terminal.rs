//! A person at a terminal: a typed command, and the answers to its questions. Makes no assertions.

use super::station::Station;
use std::io::Write as _;
use std::process::{Command, Stdio};

/// The output that a person sees who types a command in the station's folder, and `typed` after it; and the exit code.
/// `PROGRAM` stands for the program.
pub(crate) fn at_a_terminal(
    station: &Station,
    command: &str,
    typed: &str,
) -> (Option<i32>, String) {
    let command = command.replace("PROGRAM", env!("CARGO_BIN_EXE_counterfoil"));
    let mut child = Command::new("script")
        .args(["-qec", &command, "/dev/null"])
        .env_clear()
        .env("PATH", std::env::var_os("PATH").unwrap())
        .env("HOME", station.path("."))
        .current_dir(station.path("."))
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn()
        .expect("script of bsdutils is needed for this test");
    child.stdin.take().unwrap().write_all(typed.as_bytes()).unwrap();
    let output = child.wait_with_output().unwrap();
    (output.status.code(), String::from_utf8_lossy(&output.stdout).into_owned())
}
