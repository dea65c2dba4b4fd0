//! What a copy that is proven costs next to one that is not, in about a minute: time of the processor and by the
//! clock, system calls, bytes written to the state folder. Never compares two runs of different times: all of it is
//! measured in turn, and each ratio is of the best of three.

use crate::backlog::restore;
use crate::data::{command, mailbox, path, place, scope};
use crate::mail::long_mail;
use crate::run::{Cost, PROGRAM, Row, program, shell_cost};
use std::ffi::OsString;
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

const MESSAGES: usize = 10_000;
const BYTES: usize = 4_096;
const KNOWN: usize = 50_000;
const ROUNDS: usize = 3;
/// Messages of which each is delivered after the one before is on the drive.
const SINGLE: usize = 10;

pub(crate) fn everything() -> Vec<Row> {
    let mut rows = copies();
    rows.push(nothing_new());
    match Command::new("strace").arg("-V").stdout(Stdio::null()).status() {
        Ok(_) => rows.extend([calls(), one_by_one(Writer::Command), one_by_one(Writer::Service)]),
        Err(_) => rows.push(Row::figure("calls and bytes written: strace is not here", "-", "")),
    }
    rows
}

fn copies() -> Vec<Row> {
    let place = place();
    let mail = place.path().join("mail");
    mailbox(&mail, MESSAGES, BYTES);
    let sums = place.path().join("sums");
    let sum = "cd \"$1\"; find . -type f -print0 | xargs -0 sha256sum > \"$2\"";
    shell_cost(sum, &[&mail, &sums]);
    let (mut copied, mut mirrored, mut put_back, mut restored) =
        (Cost::MAX, Cost::MAX, Cost::MAX, Cost::MAX);
    for round in 0..ROUNDS {
        let at = |name: &str| place.path().join(format!("{name}-{round}"));
        let (plain, drive, state) = (at("plain"), at("drive"), at("state"));
        std::fs::create_dir(&drive).unwrap();
        shell_cost("sync -f \"$1\"", &[&drive]);
        let copy = "cp -a \"$1\" \"$2\"; sync -f \"$2\"; cd \"$2\"; sha256sum --quiet -c \"$3\"";
        copied = copied.least(shell_cost(copy, &[&mail, &plain, &sums]));
        mirrored = mirrored.least(program(command("mirror", &mail, &drive, &state)));
        let (by_copy, by_restore) = (at("by-copy"), at("by-restore"));
        put_back =
            put_back.least(shell_cost("cp -a \"$1\" \"$2\"; sync -f \"$2\"", &[&plain, &by_copy]));
        restored = restored.least(restore(&drive, &state, &by_restore));
        shell_cost("diff -r \"$1\" \"$2\"", &[&mail, &by_restore]);
    }
    vec![
        Row::ratio(
            "mirror 10,000 of 4 kB / cp, sync, sha256sum -c: processor",
            mirrored.cpu,
            copied.cpu,
            Some(1.1),
        ),
        Row::ratio("  by the clock", mirrored.wall, copied.wall, Some(0.8)),
        Row::ratio(
            "restore 10,000 / cp, sync: by the clock",
            restored.wall,
            put_back.wall,
            Some(1.0),
        ),
        Row::ratio("  processor", restored.cpu, put_back.cpu, None),
    ]
}

fn nothing_new() -> Row {
    let place = place();
    let at = |name: &str| place.path().join(name);
    let (mail, drive, state) = (at("mail"), at("drive"), at("state"));
    mailbox(&mail, KNOWN, 1_024);
    std::fs::create_dir(&drive).unwrap();
    program(command("mirror", &mail, &drive, &state));
    program(command("mirror", &mail, &drive, &state));
    let (mut found, mut passed) = (Cost::MAX, Cost::MAX);
    for _ in 0..ROUNDS {
        found = found.least(shell_cost("find \"$1\" -printf '%s %T@ %p\\n'", &[&mail]));
        passed = passed.least(program(command("mirror", &mail, &drive, &state)));
    }
    Row::ratio("a pass with nothing new, 50,000 / find", passed.wall, found.wall, Some(1.0))
}

/// System calls of a message, without those that wait for another thread.
fn calls() -> Row {
    let place = place();
    let at = |name: &str| place.path().join(name);
    mailbox(&at("mail"), MESSAGES, BYTES);
    std::fs::create_dir(at("drive")).unwrap();
    let table = at("calls");
    let strace = Command::new("strace")
        .args(["-f", "-c", "-U", "calls,name", "-e", "trace=!futex", "-o"])
        .arg(&table)
        .args([PROGRAM, "--quiet"])
        .args(command("mirror", &at("mail"), &at("drive"), &at("state")))
        .env("COUNTERFOIL_PROGRAMS", "/nowhere")
        .status();
    assert!(strace.unwrap().success());
    let table = std::fs::read_to_string(table).unwrap();
    let calls = |line: &str| line.split_whitespace().next()?.parse::<u64>().ok();
    let total = table.lines().find(|line| line.ends_with("total")).and_then(calls).expect(&table);
    let each = format!("{:.1}", total as f64 / MESSAGES as f64);
    Row::figure("system calls a message, futex aside", each, "16")
}

/// Who copies the messages that arrive one by one.
#[derive(PartialEq)]
enum Writer {
    /// `mirror`, given anew for each.
    Command,
    /// The service, which has a folder in memory from the service manager.
    Service,
}

/// Bytes written to files of the state folder for a message of 4 kB, by the calls that write.
fn one_by_one(writer: Writer) -> Row {
    let place = place();
    let at = |name: &str| place.path().join(name);
    let (mail, drive, state, trace) = (at("mail"), at("drive"), at("state"), at("trace"));
    let known = 1_000;
    mailbox(&mail, known, BYTES);
    for folder in [&drive, &at("run")] {
        std::fs::create_dir(folder).unwrap();
    }
    program(command("mirror", &mail, &drive, &state));
    let strace = |arguments: Vec<OsString>| {
        let calls = "trace=write,pwrite64,writev,pwritev,pwritev2";
        let mut strace = Command::new("strace");
        strace.args(["-f", "-q", "-y", "-A", "-s", "0", "-e", calls, "-o"]).arg(&trace);
        strace.args([PROGRAM, "--quiet"]).args(arguments).env("COUNTERFOIL_PROGRAMS", "/nowhere");
        strace.env("RUNTIME_DIRECTORY", at("run")).stdout(Stdio::null()).stderr(Stdio::null());
        strace
    };
    let deliver = |number: usize| {
        std::fs::write(mail.join(path(number)), long_mail(number, BYTES)).unwrap();
    };
    let bytes = match writer {
        Writer::Command => {
            for number in known..known + SINGLE {
                deliver(number);
                let done = strace(command("mirror", &mail, &drive, &state)).status().unwrap();
                assert!(done.success());
            }
            written(&trace, &state)
        }
        Writer::Service => {
            let mut arguments: Vec<OsString> = vec!["watch".into()];
            arguments.extend(scope(&mail, &drive, &state));
            let service = Service(strace(arguments).spawn().unwrap());
            // What its start writes, and the first message after it, are not a message's.
            deliver(known);
            until_copied(&drive, known + 1);
            let before = written(&trace, &state);
            for number in known + 1..=known + SINGLE {
                deliver(number);
                until_copied(&drive, number + 1);
            }
            // What is written after a message is one of the things looked for.
            std::thread::sleep(Duration::from_secs(2));
            let after = written(&trace, &state);
            drop(service);
            after - before
        }
    };
    let each = bytes / SINGLE as u64;
    match writer {
        Writer::Command => Row::figure("bytes to the state folder a message: mirror", each, ""),
        Writer::Service => Row::figure("  by the service, which also copies it", each, "0"),
    }
}

/// The service under strace, which ends with it; it ends with the value.
struct Service(Child);

impl Drop for Service {
    fn drop(&mut self) {
        let strace = self.0.id();
        let traced = std::fs::read_to_string(format!("/proc/{strace}/task/{strace}/children"));
        let traced = traced.unwrap().trim().parse().ok().and_then(rustix::process::Pid::from_raw);
        let term = rustix::process::Signal::TERM;
        rustix::process::kill_process(traced.unwrap(), term).unwrap();
        self.0.wait().unwrap();
    }
}

/// Waits until the ledger places so many messages.
fn until_copied(drive: &Path, messages: usize) {
    let begun = Instant::now();
    let ledger = drive.join("counterfoil/pier-4/ledger.jsonl");
    let placed = |text: String| text.lines().filter(|l| l.contains("\"mirrored\"")).count();
    while std::fs::read_to_string(&ledger).map_or(0, placed) < messages {
        assert!(begun.elapsed() < Duration::from_secs(120), "message {messages} is not copied");
        std::thread::sleep(Duration::from_millis(20));
    }
}

/// Bytes that calls wrote, or were to write, to files below a folder. What another thread's call interrupts has two
/// lines, the first of which has the path and the length.
fn written(trace: &Path, below: &Path) -> u64 {
    let below = format!("<{}/", below.to_str().unwrap());
    let trace = String::from_utf8_lossy(&std::fs::read(trace).unwrap()).into_owned();
    let number = |text: &str| text.split([',', ')', ' ']).next()?.parse::<u64>().ok();
    let bytes = |line: &str| match line.split_once("\"\"..., ") {
        Some((_, length)) => number(length),
        None => number(line.rsplit("= ").next()?),
    };
    trace.lines().filter(|line| line.contains(&below)).filter_map(bytes).sum()
}
