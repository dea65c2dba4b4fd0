//! The kernel's table of mounts, line by line (proc_pid_mountinfo(5)), and the file systems that sticks have. Partly
//! hostile: names of mount points may come from a stick. Never fails: an odd line is skipped.

/// One mount.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Mount {
    /// Number of the mount; the kernel uses it again after the mount is gone.
    pub id: u64,
    /// Device, major and minor number; the major is 0 if the file system has no device of its own.
    pub device: (u32, u32),
    /// The folder of the file system that is mounted, in raw bytes; `/` for all of it.
    pub root: Vec<u8>,
    /// The mount point, in raw bytes.
    pub mount_point: Vec<u8>,
    /// Type of the file system.
    pub fs_type: String,
    /// What is mounted, in raw bytes: for most, a device's path.
    pub source: Vec<u8>,
}

/// File systems found on sticks and cards. The others are not for us to write to unless named: memory, network, and the
/// kernel's own.
const ON_STICKS: [&str; 12] = [
    "vfat", "exfat", "ntfs", "ntfs3", "fuseblk", "ext2", "ext3", "ext4", "f2fs", "btrfs", "xfs",
    "hfsplus",
];

impl Mount {
    /// Reads one line; `None` if it makes no sense.
    pub fn parse(line: &[u8]) -> Option<Self> {
        let mut fields = line.split(|&b| b == b' ');
        let id = number(fields.next()?)?;
        let _parent = fields.next()?;
        let device = fields.next()?;
        let colon = device.iter().position(|&b| b == b':')?;
        let device = (number(&device[..colon])?, number(&device[colon + 1..])?);
        let root = unescaped(fields.next()?);
        let at = unescaped(fields.next()?);
        // Options and any number of optional fields, up to a lone dash.
        fields.by_ref().find(|field| *field == b"-")?;
        let fs_type = String::from_utf8(unescaped(fields.next()?)).ok()?;
        let source = unescaped(fields.next()?);
        // The kernel writes neither; no system call would take such a path.
        let no_path = |name: &[u8]| name.contains(&0);
        if no_path(&root) || no_path(&at) || no_path(&source) || !at.starts_with(b"/") {
            return None;
        }
        Some(Self { id, device, root, mount_point: at, fs_type, source })
    }

    /// Whether a stick may have this file system.
    pub fn may_be_a_stick(&self) -> bool {
        // A part of a file system that is mounted elsewhere is not the stick itself; on btrfs it is the rule.
        ON_STICKS.contains(&self.fs_type.as_str()) && (self.root == b"/" || self.fs_type == "btrfs")
    }
}

/// Reads a whole table.
pub fn parse(table: &[u8]) -> Vec<Mount> {
    table.split(|&b| b == b'\n').filter_map(Mount::parse).collect()
}

fn number<T: std::str::FromStr>(digits: &[u8]) -> Option<T> {
    std::str::from_utf8(digits).ok()?.parse().ok()
}

/// Decodes blank, tab, line feed and backslash, which are written as a backslash and three octal digits.
fn unescaped(field: &[u8]) -> Vec<u8> {
    let mut out = Vec::with_capacity(field.len());
    let mut rest = field;
    while let Some((&first, behind)) = rest.split_first() {
        let digits = behind.get(..3).filter(|d| d.iter().all(|b| matches!(b, b'0'..=b'7')));
        match digits {
            Some(digits) if first == b'\\' => {
                let value = digits.iter().fold(0u32, |sum, b| sum * 8 + u32::from(b - b'0'));
                // Three octal digits may exceed a byte; the kernel never writes that.
                out.push((value & 0xff) as u8);
                rest = &behind[3..];
            }
            _ => {
                out.push(first);
                rest = behind;
            }
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Source of the form: proc_pid_mountinfo(5), the example there in its fields, with our own names.
    #[test]
    fn a_line_is_read_with_its_optional_fields_and_escapes() {
        let line = b"97 26 8:17 / /media/AMBER\\040TWO rw,nosuid shared:3 master:1 - vfat /dev/sdb1 rw,utf8";
        let mount = Mount::parse(line).unwrap();
        assert_eq!((mount.id, mount.device), (97, (8, 17)));
        assert_eq!(
            (mount.mount_point.as_slice(), mount.root.as_slice()),
            (&b"/media/AMBER TWO"[..], &b"/"[..])
        );
        assert_eq!((mount.fs_type.as_str(), mount.source.as_slice()), ("vfat", &b"/dev/sdb1"[..]));
        assert!(mount.may_be_a_stick());
    }

    #[test]
    fn odd_lines_are_passed_over_and_the_others_read() {
        let table = b"\n1\n1 2 8:1\nx y z\n1 2 8:x / /a rw - vfat /dev/sda1 rw\n\
                      5 2 8:1 / /a rw shared:1\n7 2 8:1 /\\\\1 /\\777\\04 rw - ext4 none rw\n";
        let mounts = parse(table);
        assert_eq!(mounts.len(), 1);
        assert_eq!(mounts[0].mount_point, b"/\xff\\04");
    }

    /// Source of the form: as above. Found by the fuzzer: no call could open such a path, and each would fail again.
    #[test]
    fn a_mount_at_no_possible_path_is_passed_over() {
        for at in ["/a\\000b", "/a\\400b", "/a\0b", "", "media/a"] {
            let line = format!("9 1 8:1 / {at} rw - vfat /dev/sda1 rw");
            assert_eq!(Mount::parse(line.as_bytes()), None, "{at:?}");
        }
    }

    #[test]
    fn memory_network_and_parts_of_file_systems_are_no_sticks() {
        for (root, fs, expected) in [
            ("/", "exfat", true),
            ("/", "tmpfs", false),
            ("/", "nfs4", false),
            ("/", "fuse.portal", false),
            ("/mail", "ext4", false),
            ("/@", "btrfs", true),
        ] {
            let line = format!("9 1 8:1 {root} /media/a rw - {fs} /dev/sda1 rw");
            assert_eq!(Mount::parse(line.as_bytes()).unwrap().may_be_a_stick(), expected, "{fs}");
        }
    }

    proptest::proptest! {
        #[test]
        fn nothing_makes_it_panic(line: Vec<u8>) {
            drop(parse(&line));
        }
    }
}
