//! What must hold of the manifest's reader, whatever stands in the file.

use super::lines;
use super::medium::{self, Medium};
use super::taker::Taker;
use crate::support::memory::MemoryDrive;
use counterfoil::job::replica::read_manifest;
use counterfoil::model::bag::{MANIFEST, filler, manifest_line, read_manifest_line};
use counterfoil::model::{Digest, Extension, PayloadName, RelName};
use std::path::Component;

/// Holds the reader against one input: the first byte says what is made of the rest.
pub fn hold(input: &[u8]) {
    let mut taker = Taker(input);
    match taker.byte() % 2 {
        0 => drop(judged(taker.0)),
        _ => damaged(&mut taker),
    }
}

type Listed = (Digest, PayloadName, u64);

fn read(bytes: &[u8], piece: usize) -> (Vec<Listed>, u64, u64) {
    let drive = MemoryDrive::default();
    let dir = RelName::new("counterfoil/pier-4").expect("a path");
    drive.put(&format!("{dir}/{MANIFEST}"), bytes);
    let mut lines = Vec::new();
    let listed = read_manifest(&Medium::open(&drive, piece), &dir, |digest, payload, at| {
        lines.push((digest, payload, at.start));
        Ok(())
    });
    let listed = listed.expect("memory does not fail");
    (lines, listed.sound_bytes(), listed.length())
}

/// What holds of any file; what it lists.
fn judged(bytes: &[u8]) -> Vec<Listed> {
    let (lines, sound, length) = read(bytes, usize::MAX);
    for piece in medium::pieces(bytes) {
        assert_eq!(read(bytes, piece), (lines.clone(), sound, length), "in pieces of {piece}");
    }
    assert!(sound <= length && length == bytes.len() as u64, "{sound} of {length}");
    assert!(sound == 0 || bytes[sound as usize - 1] == b'\n', "sound lines are ended");
    let mut again = String::new();
    for (digest, payload, at) in &lines {
        let rest = &bytes[*at as usize..];
        let end = rest.iter().position(|&b| b == b'\n').expect("a line that counts is ended");
        assert_eq!(read_manifest_line(&rest[..end]), Some((*digest, *payload)), "where it is said");
        stays_below_data(payload);
        again.push_str(&manifest_line(digest, *payload));
    }
    let told = |lines: &[Listed]| lines.iter().map(|(d, p, _)| (*d, *p)).collect::<Vec<_>>();
    let (written, written_sound, _) = read(again.as_bytes(), usize::MAX);
    assert_eq!(told(&written), told(&lines), "written and read again");
    assert_eq!(written_sound, again.len() as u64);
    lines
}

fn stays_below_data(payload: &PayloadName) {
    let name = payload.to_rel();
    let parts: Vec<_> = name.as_path().components().collect();
    assert!(parts.iter().all(|part| matches!(part, Component::Normal(_))), "{payload}");
    assert!(parts.len() == 3 && name.as_bytes().starts_with(b"data/"), "{payload}");
    assert_eq!(payload.to_string().parse().as_ref(), Ok(payload));
}

/// A sound manifest, its end covered as a recovery covers it, then damaged: lines before the damage stand, and
/// no line is listed that was not written, but where a changed digit makes another one of it.
fn damaged(taker: &mut Taker<'_>) {
    let mut written = Vec::new();
    let mut bytes = Vec::new();
    for _ in 0..taker.below(20) {
        let extension: Extension = ["EML", "B2F", "0"][taker.below(3)].parse().expect("extension");
        let segment = taker.below(9_999) as u32 + 1;
        // Seldom a high one: the set of numbers seen takes a bit for each below it.
        let number = match taker.byte() {
            9 => taker.number(4) as u32 % 99_999_999 + 1,
            _ => taker.below(5_000) as u32 + 1,
        };
        let payload = PayloadName { segment, number, extension };
        let digest = Digest::of(taker.some(1));
        written.push((digest, payload, bytes.len() as u64));
        bytes.extend_from_slice(manifest_line(&digest, payload).as_bytes());
        if taker.byte().is_multiple_of(4) {
            bytes.extend_from_slice(&filler(taker.below(300) as u64));
        }
    }
    assert_eq!(judged(&bytes), written);
    let untouched = lines::damage(&mut bytes, taker) as u64;
    let listed = judged(&bytes);
    let end = |(_, _, at): &Listed| bytes[*at as usize..].iter().position(|&b| b == b'\n');
    let kept = written.iter().take_while(|line| {
        line.2 < untouched && end(line).is_some_and(|length| line.2 + (length as u64) < untouched)
    });
    let kept: Vec<_> = kept.copied().collect();
    assert_eq!(listed.get(..kept.len()), Some(&kept[..]), "lines before the damage");
}
