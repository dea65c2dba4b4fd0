//! What must hold of the reader of the kernel's table of mounts, whatever names a stick brings into it.

use super::taker::Taker;
use counterfoil::model::mountinfo::{Mount, parse};

/// Holds the reader against one input: an even first byte: the rest is a table; an odd one: names are made of
/// it, written as the kernel writes them.
pub fn hold(input: &[u8]) {
    let mut taker = Taker(input);
    match taker.byte() % 2 {
        0 => table(taker.0),
        _ => names(&mut taker),
    }
}

fn table(bytes: &[u8]) {
    let mounts = parse(bytes);
    let lines = bytes.split(|&b| b == b'\n').filter_map(Mount::parse);
    assert!(lines.eq(mounts.iter().cloned()), "a line says the same alone and in a table");
    for mount in mounts {
        for name in [&mount.root, &mount.mount_point, &mount.source] {
            assert!(!name.contains(&0), "no path has a NUL: {mount:?}");
        }
        assert!(mount.mount_point.starts_with(b"/"), "a mount is somewhere: {mount:?}");
        assert_eq!(Mount::parse(&as_the_kernel_writes(&mount)).as_ref(), Some(&mount));
    }
}

fn names(taker: &mut Taker<'_>) {
    let path = |taker: &mut Taker<'_>| {
        let mut path = b"/".to_vec();
        path.extend(taker.piece(60).iter().filter(|&&b| b != 0));
        path
    };
    let mount = Mount {
        id: taker.number(8),
        device: (taker.number(4) as u32, taker.number(4) as u32),
        root: path(taker),
        mount_point: path(taker),
        fs_type: ["vfat", "exfat", "ext4", "fuse.x y"][taker.below(4)].into(),
        source: path(taker),
    };
    let line = as_the_kernel_writes(&mount);
    assert_eq!(Mount::parse(&line).as_ref(), Some(&mount), "{}", line.escape_ascii());
    assert!(parse(&line) == [mount], "and is one line of a table");
}

/// proc_pid_mountinfo(5): blank, tab, line end and backslash as a backslash and three octal digits.
fn as_the_kernel_writes(mount: &Mount) -> Vec<u8> {
    let mut line = format!("{} 1 {}:{} ", mount.id, mount.device.0, mount.device.1).into_bytes();
    escape(&mut line, &mount.root);
    escape(&mut line, &mount.mount_point);
    line.extend_from_slice(b"rw,nosuid shared:3 - ");
    escape(&mut line, mount.fs_type.as_bytes());
    escape(&mut line, &mount.source);
    line.extend_from_slice(b"rw");
    line
}

fn escape(line: &mut Vec<u8>, name: &[u8]) {
    for &byte in name {
        match byte {
            b' ' | b'\t' | b'\n' | b'\\' => line.extend(format!("\\{byte:03o}").bytes()),
            _ => line.push(byte),
        }
    }
    line.push(b' ');
}
