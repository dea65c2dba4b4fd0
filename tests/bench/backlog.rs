//! A backlog worked off: 10,000 messages copied and proven, and put back; and hashing by itself.
//! Never compares with less work: the plain tools copy, sync and check too.

use crate::data::{command, mailbox, place};
use crate::mail::long_mail;
use crate::run::{Cost, Row, program, shell};
use counterfoil::model::Hasher;
use std::io::Read as _;
use std::path::Path;
use std::time::{Duration, Instant};

const MESSAGES: usize = 10_000;
const BYTES: usize = 4_096;
const ROUNDS: usize = 3;

pub(crate) fn mirror_and_restore() -> Vec<Row> {
    let place = place();
    let mail = place.path().join("mail");
    mailbox(&mail, MESSAGES, BYTES);
    let sums = place.path().join("sums");
    shell("cd \"$1\"; find . -type f -print0 | xargs -0 sha256sum > \"$2\"", &[&mail, &sums]);
    let (mut copied, mut mirrored) = (Duration::MAX, Duration::MAX);
    let (mut put_back, mut restored) = (Duration::MAX, Duration::MAX);
    for round in 0..ROUNDS {
        let at = |name: &str| place.path().join(format!("{name}-{round}"));
        let (plain, drive, state) = (at("plain"), at("drive"), at("state"));
        std::fs::create_dir(&drive).unwrap();
        shell("sync -f \"$1\"", &[&drive]);
        copied = copied.min(shell(
            "cp -a \"$1\" \"$2\"; sync -f \"$2\"; cd \"$2\"; sha256sum --quiet -c \"$3\"",
            &[&mail, &plain, &sums],
        ));
        mirrored = mirrored.min(program(command("mirror", &mail, &drive, &state)).wall);
        let (by_copy, by_restore) = (at("by-copy"), at("by-restore"));
        put_back = put_back.min(shell("cp -a \"$1\" \"$2\"; sync -f \"$2\"", &[&plain, &by_copy]));
        restored = restored.min(restore(&drive, &state, &by_restore).wall);
        shell("diff -r \"$1\" \"$2\"", &[&mail, &by_restore]);
        // Nothing is deleted until the end, for the reason that `place` gives.
    }
    vec![
        Row::ratio(
            "mirror 10,000 messages of 4 kB / cp, sync, sha256sum -c",
            mirrored,
            copied,
            Some(1.2),
        ),
        Row::ratio("restore 10,000 messages / cp, sync", restored, put_back, Some(1.3)),
    ]
}

pub(crate) fn restore(drive: &Path, state: &Path, into: &Path) -> Cost {
    let mut args = vec!["restore".into(), "--station".into(), "pier-4".into()];
    for (option, path) in [("--drive", drive), ("--state", state), ("--into", into)] {
        args.extend([std::ffi::OsString::from(option), path.into()]);
    }
    program(args)
}

/// SHA-256 as the program takes it, against coreutils, over one file in memory.
pub(crate) fn hash() -> Vec<Row> {
    let place = place();
    let file = place.path().join("large");
    let block = long_mail(1, 1 << 20);
    let mut out = std::fs::File::create(&file).unwrap();
    for _ in 0..512 {
        std::io::Write::write_all(&mut out, &block).unwrap();
    }
    drop(out);
    let (mut ours, mut theirs) = (Duration::MAX, Duration::MAX);
    for _ in 0..ROUNDS {
        theirs = theirs.min(shell("sha256sum \"$1\"", &[&file]));
        let begun = Instant::now();
        let mut from = std::fs::File::open(&file).unwrap();
        let mut hasher = Hasher::default();
        let mut buffer = vec![0; counterfoil::model::limits::COPY_BUFFER_BYTES];
        loop {
            match from.read(&mut buffer).unwrap() {
                0 => break,
                got => hasher.update(&buffer[..got]),
            }
        }
        let identity = std::hint::black_box(hasher.finish());
        ours = ours.min(begun.elapsed());
        assert_eq!(identity.bytes, 512 * block.len() as u64);
    }
    vec![Row::ratio("hash 512 MiB / sha256sum", ours, theirs, Some(1.1))]
}
