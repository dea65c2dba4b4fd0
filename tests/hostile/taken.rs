//! Owns the memory and processor time that a run of the built program uses, as the kernel counts them
//! (proc_pid_stat(5), proc_pid_status(5)). Never judges the output.

use std::fs;
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

/// A command that takes longer hangs.
const PATIENCE: Duration = Duration::from_secs(300);
/// The most memory that any run may use, whatever is on a stick.
pub(crate) const MEMORY: u64 = 64 << 20;

/// A run that has ended.
pub(crate) struct Taken {
    /// `None` if a signal ended it.
    pub(crate) code: Option<i32>,
    pub(crate) said: String,
    /// The most memory that it used, in bytes.
    pub(crate) memory: u64,
    /// Processor time, in hundredths of a second.
    pub(crate) ticks: u64,
}

/// Runs a command to its end.
pub(crate) fn run(command: &mut Command) -> Taken {
    let said = tempfile::NamedTempFile::new().unwrap();
    let (out, err) = (said.reopen().unwrap(), said.reopen().unwrap());
    let mut child = command.stdin(Stdio::null()).stdout(out).stderr(err).spawn().unwrap();
    let (memory, ticks) = watched(&mut child);
    let code = child.wait().unwrap().code();
    let said = String::from_utf8_lossy(&fs::read(said.path()).unwrap()).into_owned();
    Taken { code, said, memory, ticks }
}

/// Polls the process until it has ended; it still has to be waited for.
fn watched(child: &mut Child) -> (u64, u64) {
    let begun = Instant::now();
    let mut memory = 0;
    loop {
        memory = memory.max(memory_of(child.id()).unwrap_or(0));
        let stat = fs::read_to_string(format!("/proc/{}/stat", child.id())).unwrap();
        let fields: Vec<&str> = stat.rsplit_once(") ").unwrap().1.split(' ').collect();
        if fields[0] == "Z" {
            return (
                memory,
                fields[11].parse::<u64>().unwrap() + fields[12].parse::<u64>().unwrap(),
            );
        }
        if begun.elapsed() > PATIENCE {
            drop(child.kill());
            panic!("it does not end");
        }
        std::thread::sleep(Duration::from_millis(1));
    }
}

/// The most memory that a running process has used so far, in bytes.
pub(crate) fn memory_of(pid: u32) -> Option<u64> {
    let output = fs::read_to_string(format!("/proc/{pid}/status")).ok()?;
    let line = output.lines().find(|line| line.starts_with("VmHWM:"))?;
    Some(line.split_whitespace().nth(1)?.parse::<u64>().ok()? * 1024)
}
