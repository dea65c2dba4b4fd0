//! Runs programs and measures what they took; the rows of the table.
//! Never measures a run that failed.

use std::ffi::OsStr;
use std::fmt;
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

/// The binary under measurement.
pub(crate) const PROGRAM: &str = env!("CARGO_BIN_EXE_counterfoil");

/// What one run took.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Cost {
    pub(crate) wall: Duration,
    /// Time on a processor, its own and the kernel's for it.
    pub(crate) cpu: Duration,
    /// Largest resident set, in KiB.
    pub(crate) peak_kib: u64,
    /// Blocks of 512 bytes written to file systems.
    pub(crate) blocks_out: u64,
}

impl Cost {
    pub(crate) const MAX: Self =
        Self { wall: Duration::MAX, cpu: Duration::MAX, peak_kib: u64::MAX, blocks_out: u64::MAX };

    /// The least of each figure.
    pub(crate) fn least(self, other: Self) -> Self {
        Self {
            wall: self.wall.min(other.wall),
            cpu: self.cpu.min(other.cpu),
            peak_kib: self.peak_kib.min(other.peak_kib),
            blocks_out: self.blocks_out.min(other.blocks_out),
        }
    }

    /// The one that took less time.
    pub(crate) fn best(self, other: Option<Self>) -> Self {
        other.filter(|other| other.wall < self.wall).unwrap_or(self)
    }
}

/// Runs the program under measurement; any exit code but 0 ends the benchmark.
pub(crate) fn program<S: AsRef<OsStr>>(args: impl IntoIterator<Item = S>) -> Cost {
    let mut command = timed();
    command.args([PROGRAM, "--quiet"]).args(args);
    // What is measured is the copying of messages; a plain copy carries nothing else either.
    command.env("COUNTERFOIL_PROGRAMS", "/nowhere");
    cost(command)
}

/// Runs a line of shell as `shell` does.
pub(crate) fn shell_cost(script: &str, args: &[&Path]) -> Cost {
    let mut command = timed();
    command.args(["sh", "-euc", script, "sh"]).args(args);
    cost(command)
}

fn timed() -> Command {
    let mut command = Command::new("/usr/bin/time");
    command.args(["--format", "%M %O %U %S", "--output", "/dev/stderr"]);
    command
}

fn cost(mut command: Command) -> Cost {
    let begun = Instant::now();
    let output = command.stdout(Stdio::null()).output().expect("/usr/bin/time is needed");
    let wall = begun.elapsed();
    let said = String::from_utf8_lossy(&output.stderr).into_owned();
    assert!(output.status.success(), "{command:?}: {said}");
    let last = said.lines().next_back().expect(&said);
    let [peak_kib, blocks_out, user, system] =
        last.split(' ').collect::<Vec<_>>().try_into().expect(&said);
    let seconds = |text: &str| Duration::from_secs_f64(text.parse().expect(&said));
    let number = |text: &str| text.parse().expect(&said);
    let cpu = seconds(user) + seconds(system);
    Cost { wall, cpu, peak_kib: number(peak_kib), blocks_out: number(blocks_out) }
}

/// Runs a line of shell in a folder, with `$1` and so on; it must succeed.
pub(crate) fn shell(script: &str, args: &[&Path]) -> Duration {
    let mut command = Command::new("sh");
    command.args(["-euc", script, "sh"]).args(args).stdout(Stdio::null());
    let begun = Instant::now();
    let status = command.status().unwrap();
    let took = begun.elapsed();
    assert!(status.success(), "{script}");
    took
}

/// A line of the table.
pub(crate) struct Row {
    what: String,
    this: String,
    against: String,
    ratio: Option<f64>,
    goal: String,
}

impl Row {
    /// Two times, as a ratio that should not be above `goal`.
    pub(crate) fn ratio(what: &str, this: Duration, against: Duration, goal: Option<f64>) -> Self {
        Self {
            what: what.to_owned(),
            this: shown(this),
            against: shown(against),
            ratio: Some(this.as_secs_f64() / against.as_secs_f64()),
            goal: goal.map(|goal| format!("{goal}")).unwrap_or_default(),
        }
    }

    /// A figure that stands alone.
    pub(crate) fn figure(what: &str, this: impl fmt::Display, goal: &str) -> Self {
        let (what, this) = (what.to_owned(), this.to_string());
        Self { what, this, against: String::new(), ratio: None, goal: goal.to_owned() }
    }
}

pub(crate) fn shown(time: Duration) -> String {
    match time.as_secs_f64() {
        seconds if seconds < 0.1 => format!("{:.3} ms", seconds * 1e3),
        seconds => format!("{seconds:.3} s"),
    }
}

impl fmt::Display for Row {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let ratio = self.ratio.map(|ratio| format!("{ratio:.2}")).unwrap_or_default();
        write!(
            f,
            "{:<58} {:>12} {:>12} {:>7} {:>7}",
            self.what, self.this, self.against, ratio, self.goal
        )
    }
}
