//! A mailbox of 100,000 messages: what a pass with nothing to do costs, what an audit costs, and how
//! much memory each command takes at most.
//! Never lets a pass with nothing to do write: that is checked, not measured.

use crate::data::{command, mailbox, place};
use crate::run::{Cost, PROGRAM, Row, program, shell, shown};
use counterfoil::model::Digest;
use std::path::Path;
use std::time::{Duration, SystemTime};

const MESSAGES: usize = 100_000;
const BYTES: usize = 1_024;
const ROUNDS: usize = 3;

pub(crate) fn everything() -> Vec<Row> {
    let place = place();
    let at = |name: &str| place.path().join(name);
    let (mail, drive, state) = (at("mail"), at("drive"), at("state"));
    mailbox(&mail, MESSAGES, BYTES);
    std::fs::create_dir(&drive).unwrap();
    shell("sync -f \"$1\"", &[&drive]);
    let mirror = program(command("mirror", &mail, &drive, &state));

    let mut found = Duration::MAX;
    let (mut idle, mut audit): (Option<Cost>, Option<Cost>) = (None, None);
    program(command("mirror", &mail, &drive, &state));
    let before = (listing(&drive), listing(&state), kept(&drive, &state));
    for _ in 0..ROUNDS {
        found = found.min(shell("find \"$1\" -printf '%s %T@ %p\\n'", &[&mail]));
        idle = Some(program(command("mirror", &mail, &drive, &state)).best(idle));
    }
    let after = (listing(&drive), listing(&state), kept(&drive, &state));
    assert!(before == after, "a pass with nothing to do changed something");
    for _ in 0..ROUNDS {
        audit = Some(program(command("audit", &mail, &drive, &state)).best(audit));
    }
    let left = listing(&state).len().abs_diff(before.1.len());
    let after = (listing(&drive), kept(&drive, &state));
    assert!((before.0, before.2) == after, "an audit changed something");
    let (idle, audit) = (idle.unwrap(), audit.unwrap());

    let mut args = command("restore", &mail, &drive, &state);
    let into = at("into");
    args.extend(["--into".into(), into.clone().into()]);
    let restore = program(args);
    let catalogue = std::fs::metadata(state.join("catalogue.sqlite")).unwrap().len();

    let mib = |cost: Cost| format!("{:.1} MiB", cost.peak_kib as f64 / 1024.0);
    vec![
        Row::ratio("a pass with nothing new, 100,000 messages / find", idle.wall, found, Some(1.5)),
        Row::figure("  blocks written by it, as the kernel counts", idle.blocks_out, "0"),
        Row::figure("  octets asked to be written by it", written(&mail, &drive, &state), "0"),
        Row::figure("audit of 100,000 messages", shown(audit.wall), "1 s"),
        Row::figure("  files it left in the state folder", left, "0"),
        Row::figure("  first mirror of them", shown(mirror.wall), ""),
        Row::figure("  restore of them", shown(restore.wall), ""),
        Row::figure("peak memory of mirror, 100,000 messages", mib(mirror), "64 MiB"),
        Row::figure("  of a pass with nothing new", mib(idle), "64 MiB"),
        Row::figure("  of audit", mib(audit), "64 MiB"),
        Row::figure("  of restore", mib(restore), ""),
        Row::figure("  size of the catalogue", format!("{} MiB", catalogue >> 20), ""),
    ]
}

/// Every name below a folder with its length and time.
fn listing(root: &Path) -> Vec<(std::path::PathBuf, u64, SystemTime)> {
    let walk = walkdir::WalkDir::new(root).sort_by_file_name().into_iter().map(Result::unwrap);
    let files = walk.filter(|entry| entry.file_type().is_file());
    let facts = files.map(|entry| (entry.metadata().unwrap(), entry.into_path()));
    facts.map(|(m, path)| (path, m.len(), m.modified().unwrap())).collect()
}

/// What the catalogue and the logs hold.
fn kept(drive: &Path, state: &Path) -> [Digest; 3] {
    let bag = drive.join("counterfoil/pier-4");
    [state.join("catalogue.sqlite"), bag.join("ledger.jsonl"), bag.join("manifest-sha256.txt")]
        .map(|path| Digest::of(&std::fs::read(path).unwrap()))
}

/// Bytes in the write calls on regular files that an idle pass makes, by strace where it is there.
fn written(mail: &Path, drive: &Path, state: &Path) -> String {
    let calls = "trace=write,pwrite64,writev,pwritev,pwritev2,fallocate,ftruncate,truncate";
    let traced = std::process::Command::new("strace")
        .args(["-f", "-q", "-y", "-e", calls, "-o", "/dev/stdout", PROGRAM, "--quiet"])
        .args(command("mirror", mail, drive, state))
        .output();
    let Ok(traced) = traced else { return "no strace".to_owned() };
    let text = String::from_utf8_lossy(&traced.stdout).into_owned();
    let on_files = text.lines().filter(|line| line.contains("</") && !line.contains("</dev/"));
    let bytes = |line: &str| line.rsplit("= ").next().and_then(|n| n.trim().parse::<u64>().ok());
    on_files.filter_map(bytes).sum::<u64>().to_string()
}
