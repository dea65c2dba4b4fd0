//! Paths as long as any system allows, and longer: what can be copied comes back exactly, what cannot is said, and
//! neither stops anything else.

use crate::station::{Station, mail};
use rustix::fd::OwnedFd;
use rustix::fs::{AtFlags, Mode, OFlags};
use std::ffi::OsStr;
use std::os::unix::ffi::OsStrExt as _;
use std::path::Path;

/// Longest path that a call of the system takes: PATH_MAX without the NUL at its end.
const LONGEST: usize = 4_095;

/// A path of so many bytes, its parts filled with one byte, each as long as a part may be.
fn path_of(bytes: usize, fill: u8) -> Vec<Vec<u8>> {
    let mut parts = Vec::new();
    let mut left = bytes;
    // The last part has at least a few bytes.
    while left > 262 {
        parts.push(vec![fill; 255]);
        left -= 256;
    }
    if left > 255 {
        parts.push(vec![fill; 100]);
        left -= 101;
    }
    let mut last = vec![fill; left];
    last[left - 4..].copy_from_slice(b".eml");
    parts.push(last);
    assert_eq!(parts.iter().map(Vec::len).sum::<usize>() + parts.len() - 1, bytes);
    parts
}

fn text_of(parts: &[Vec<u8>]) -> Vec<u8> {
    parts.join(&b'/')
}

/// Opens the folder of a path part by part, as the only way to one that is longer than a call takes; makes it.
fn folder(root: &Path, parts: &[Vec<u8>]) -> OwnedFd {
    let flags = OFlags::RDONLY | OFlags::DIRECTORY | OFlags::CLOEXEC;
    let mut dir = rustix::fs::open(root, flags, Mode::empty()).unwrap();
    for part in &parts[..parts.len() - 1] {
        let name = OsStr::from_bytes(part);
        match rustix::fs::mkdirat(&dir, name, Mode::from(0o755)) {
            Ok(()) | Err(rustix::io::Errno::EXIST) => {}
            Err(errno) => panic!("{errno}"),
        }
        dir = rustix::fs::openat(&dir, name, flags, Mode::empty()).unwrap();
    }
    dir
}

fn name(parts: &[Vec<u8>]) -> &OsStr {
    OsStr::from_bytes(parts.last().unwrap())
}

fn deliver(station: &Station, parts: &[Vec<u8>], text: &str) {
    let flags = OFlags::WRONLY | OFlags::CREATE | OFlags::EXCL | OFlags::CLOEXEC;
    let dir = folder(&station.inbox(), parts);
    let file = rustix::fs::openat(&dir, name(parts), flags, Mode::from(0o644)).unwrap();
    std::io::Write::write_all(&mut std::fs::File::from(file), text.as_bytes()).unwrap();
}

fn read(root: &Path, parts: &[Vec<u8>]) -> String {
    let dir = folder(root, parts);
    let file = rustix::fs::openat(&dir, name(parts), OFlags::RDONLY, Mode::empty()).unwrap();
    std::io::read_to_string(std::fs::File::from(file)).unwrap()
}

/// Bytes that the ledger writes as three characters each, as one, or as two.
const FILLS: [u8; 5] = [0xff, b'%', 0x01, b'n', b'"'];

#[test]
fn paths_as_long_as_the_system_allows_are_copied_moved_and_come_back_exactly() {
    for fill in FILLS {
        let (station, red) = Station::in_memory();
        let (first, second) = (path_of(LONGEST, fill), path_of(LONGEST - 1, fill));
        deliver(&station, &first, &mail("the longest"));
        deliver(&station, &second, &mail("one byte shorter"));
        station.deliver("short.eml", mail("water level"));
        station.mirror().expect_verdict("safe").expect_counts(&[("copied", 3)]);
        red.expect_bag_valid();
        // A move names both paths in one line.
        let mut moved = first.clone();
        moved.last_mut().unwrap()[0] = b'M';
        let dir = folder(&station.inbox(), &first);
        rustix::fs::renameat(&dir, name(&first), &dir, name(&moved)).unwrap();
        station.mirror().expect_verdict("safe").expect_counts(&[("copied", 0)]);
        // Whoever reads the ledger for the first time believes it whole.
        std::fs::remove_dir_all(station.state()).unwrap();
        station.mirror().expect_verdict("safe").expect_no_warning().expect_counts(&[("copied", 0)]);
        station.restore().expect_safe().expect_counts(&[("restored", 3)]);
        assert_eq!(read(&station.restored(), &moved), mail("the longest"), "{fill:#x}");
        assert_eq!(read(&station.restored(), &second), mail("one byte shorter"), "{fill:#x}");
    }
}

/// One byte more, many more, and a folder that is too long itself.
#[test]
fn a_path_that_is_too_long_is_said_with_its_folder_and_stops_nothing_else() {
    for bytes in [LONGEST + 1, LONGEST + 100, LONGEST + 600] {
        let (station, red) = Station::in_memory();
        station.deliver("short.eml", mail("water level"));
        station.deliver("zz/last.eml", mail("behind it in every order"));
        let parts = path_of(bytes, b'n');
        deliver(&station, &parts, &mail("too deep"));
        let output = station.mirror().expect_verdict("not-safe").expect_counts(&[("copied", 2)]);
        output.expect_words(&["cannot be copied, since the path would be longer than 4095 bytes"]);
        red.expect_bag_valid();
        let audit = station.audit().expect_verdict("not-safe");
        let listed = audit.listed("unmirrored", "reason");
        assert_eq!(listed.len(), 1, "{listed:?}");
        assert_eq!(listed[0].1, "path-too-long");
        let whole = text_of(&parts);
        assert!(whole.starts_with(listed[0].0.as_bytes()), "its folder is named");
        let text = station.command(&["audit"]).expect_unsafe();
        text.expect_words(&["path-too-long: move it to a folder with a shorter path"]);
        // What is missing elsewhere is found all the same.
        station.delete("short.eml");
        let output = station.mirror().expect_verdict("damaged-or-missing");
        output.expect_counts(&[("messages.vanished", 1)]);
        // Moved to a shorter path it is mail like any other.
        let dir = folder(&station.inbox(), &parts);
        let short = rustix::fs::open(station.inbox(), OFlags::DIRECTORY, Mode::empty()).unwrap();
        rustix::fs::renameat(&dir, name(&parts), &short, "found.eml").unwrap();
        drop((dir, short));
        std::fs::remove_dir_all(station.inbox().join(OsStr::from_bytes(&parts[0]))).unwrap();
        let output = station.mirror();
        output.expect_counts(&[("copied", 1), ("messages.on_no_drive", 0)]);
    }
}

/// One that is too long for a second name beside another message stops only itself in a restore.
#[test]
fn a_longest_path_that_is_taken_stops_only_itself_in_a_restore() {
    let (station, _red) = Station::in_memory();
    let parts = path_of(LONGEST, b'n');
    deliver(&station, &parts, &mail("the longest"));
    station.deliver("short.eml", mail("water level"));
    station.mirror().expect_verdict("safe");
    let dir = folder(&station.inbox(), &parts);
    rustix::fs::unlinkat(&dir, name(&parts), AtFlags::empty()).unwrap();
    deliver(&station, &parts, "another message altogether");
    station.delete("short.eml");
    let inbox = station.inbox();
    let output = station.restore_with(&["--mailbox", inbox.to_str().unwrap()]);
    assert_eq!(read(&inbox, &parts), "another message altogether", "never written over");
    assert!(inbox.join("short.eml").exists(), "{}{}", output.text(), output.warnings());
}
