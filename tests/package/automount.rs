//! The automount script where it can be asked without a stick: names, mount options, its own cleanness.
//! Never mounts: that is for an emulated machine.

use crate::tools::{Said, ours, run, text};
use proptest::prelude::*;
use std::fs;
use std::os::unix::fs::symlink;

const SCRIPT: &str = "packaging/automount/automount";
const RULE: &str = "packaging/automount/99-counterfoil-automount.rules";

fn ask(args: &[&str]) -> Said {
    run(ours(SCRIPT), args)
}

fn name(label: &str, uuid: &str) -> String {
    let said = ask(&["name", label, uuid]);
    assert_eq!((said.code, said.err.as_str()), (Some(0), ""), "{label:?}");
    said.out.strip_suffix('\n').unwrap().to_owned()
}

#[test]
fn a_label_becomes_a_harmless_name() {
    let long = "a".repeat(200);
    for (label, wanted) in [
        ("AMBER", "AMBER"),
        ("pier-4_b.2", "pier-4_b.2"),
        ("two words", "two_words"),
        ("../../etc", "etc"),
        ("..", "12AB-34CD"),
        (".hidden", "hidden"),
        ("-rf", "rf"),
        ("/", "12AB-34CD"),
        ("a\nb", "a_b"),
        ("\n", "12AB-34CD"),
        ("$(reboot)`id`;x", "reboot_id_x"),
        ("%s%n\\n", "s_n_n"),
        ("Gr\u{fc}\u{df}e", "Gr_e"),
        ("\u{6771}\u{4eac}", "12AB-34CD"),
        ("", "12AB-34CD"),
        (long.as_str(), &long[..32]),
    ] {
        assert_eq!(name(label, "12AB-34CD"), wanted, "{label:?}");
    }
    assert_eq!(name("", ""), "stick");
    assert_eq!(name("..", "/../"), "stick");
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]
    #[test]
    fn no_label_escapes(label in "[^\0]{0,40}", uuid in "[^\0]{0,10}") {
        let name = name(&label, &uuid);
        prop_assert!((1..=32).contains(&name.len()));
        prop_assert!(name.starts_with(|c: char| c.is_ascii_alphanumeric()));
        prop_assert!(name.chars().all(|c| c.is_ascii_alphanumeric() || "._-".contains(c)));
    }
}

#[test]
fn every_mount_is_without_devices_and_programs() {
    // An administrator's types too.
    let others = ["ntfs3", "ext2", "ext3", "f2fs", "btrfs", "xfs", "hfsplus"].map(str::to_owned);
    for kind in allowed().into_iter().chain(others) {
        let said = ask(&["options", &kind]);
        let options: Vec<&str> = said.out.trim_end().split(',').collect();
        let always = ["nosuid", "nodev", "noexec", "nosymfollow", "noatime"];
        assert_eq!(options[..5], always, "{kind}");
        // Without owners: root's and the group's, and nobody else's.
        let group = ["vfat", "exfat", "ntfs3"].contains(&kind.as_str());
        assert_eq!(options.contains(&"gid=plugdev"), group, "{kind}");
        assert_eq!(options.contains(&"umask=007"), group, "{kind}");
        assert_eq!(options.iter().any(|option| option.contains("mask=")), group, "{kind}");
        let output = ["vfat", "exfat", "ext2", "ext3", "ext4"].contains(&kind.as_str());
        assert_eq!(options.contains(&"errors=remount-ro"), output, "{kind}");
    }
    assert!(ask(&["options", "vfat"]).out.trim_end().ends_with("utf8,tz=UTC"));
    assert!(ask(&["options", "exfat"]).out.trim_end().ends_with("iocharset=utf8"));
}

#[test]
fn three_types_are_shipped_and_others_are_the_administrators() {
    assert_eq!(allowed(), ["vfat", "exfat", "ext4"]);
    let rule = text(RULE);
    let asked = rule.find("ENV{COUNTERFOIL_AUTOMOUNT}==\"yes\"").unwrap();
    assert!(asked < rule.find("ENV{ID_FS_TYPE}!=").unwrap());
    // What the page says to write is what the rule asks for.
    let page = text("packaging/man/counterfoil.8").replace("\\(dq", "\"");
    assert!(page.contains("ENV{ID_FS_TYPE}==\"ntfs\", ENV{COUNTERFOIL_AUTOMOUNT}=\"yes\""));
}

/// The file systems of the rule.
fn allowed() -> Vec<String> {
    let rule = text(RULE);
    let (_, list) = rule.split_once("ENV{ID_FS_TYPE}!=\"").unwrap();
    list.split_once('"').unwrap().0.split('|').map(str::to_owned).collect()
}

/// A tree like /sys: sda with two partitions, of which the second holds LUKS and in it LVM, as an installer makes it;
/// sdb with one; md0 of one partition of each of two further disks.
fn sys() -> tempfile::TempDir {
    let root = tempfile::tempdir().unwrap();
    let class = root.path().join("class/block");
    fs::create_dir_all(&class).unwrap();
    for (name, place, is_partition, below) in [
        ("sda", "pci0/sda", false, &[][..]),
        ("sda1", "pci0/sda/sda1", true, &[]),
        ("sda2", "pci0/sda/sda2", true, &[]),
        ("sdb", "usb1/sdb", false, &[]),
        ("sdb1", "usb1/sdb/sdb1", true, &[]),
        ("sdc1", "usb1/sdc/sdc1", true, &[]),
        ("nvme0n1p3", "pci1/nvme0n1/nvme0n1p3", true, &[]),
        ("dm-0", "virtual/dm-0", false, &["sda2"]),
        ("dm-1", "virtual/dm-1", false, &["dm-0"]),
        ("md0", "virtual/md0", false, &["nvme0n1p3", "sdc1"]),
        ("dm-2", "virtual/dm-2", false, &["dm-1", "md0"]),
    ] {
        let at = root.path().join("devices").join(place);
        fs::create_dir_all(at.join("slaves")).unwrap();
        if is_partition {
            fs::write(at.join("partition"), "1\n").unwrap();
        }
        for one in below {
            symlink(class.join(one), at.join("slaves").join(one)).unwrap();
        }
        symlink(&at, class.join(name)).unwrap();
    }
    root
}

#[test]
fn the_systems_disk_is_seen_through_luks_lvm_and_raid() {
    let root = sys();
    let sys = root.path().canonicalize().unwrap();
    for (name, wanted) in [
        ("sda", &["pci0/sda"][..]),
        ("sda1", &["pci0/sda"]),
        ("sdb1", &["usb1/sdb"]),
        ("dm-0", &["pci0/sda"]),
        ("dm-1", &["pci0/sda"]),
        ("md0", &["pci1/nvme0n1", "usb1/sdc"]),
        ("dm-2", &["pci0/sda", "pci1/nvme0n1", "usb1/sdc"]),
    ] {
        let said = ask(&["disks", sys.to_str().unwrap(), name]);
        assert_eq!((said.code, said.err.as_str()), (Some(0), ""), "{name}");
        let wanted: Vec<_> = wanted.iter().map(|place| sys.join("devices").join(place)).collect();
        let found: Vec<_> = said.out.lines().map(std::path::PathBuf::from).collect();
        assert_eq!(found, wanted, "{name}");
    }
}

#[test]
fn what_fstab_names_in_any_way_is_left_to_it() {
    let folder = tempfile::tempdir().unwrap();
    let table = folder.path().join("fstab");
    let table = table.to_str().unwrap();
    let names = "/dev/sda1\n/dev/disk/by-id/usb-Q_1-part1\nUUID=12AB-34CD\nLABEL=Two\\x20words\n\
                 PARTUUID=0815-01";
    for (line, wanted) in [
        ("/dev/sda1 /mnt vfat defaults 0 0", true),
        ("  /dev/disk/by-id/usb-Q_1-part1\t/mnt auto noauto 0 0", true),
        ("UUID=12AB-34CD /mnt vfat", true),
        ("UUID=\"12ab-34cd\" /mnt vfat", true),
        ("LABEL=Two\\040words /mnt vfat", true),
        ("PARTUUID=0815-01 /mnt vfat", true),
        ("# /dev/sda1 /mnt vfat", false),
        ("#UUID=12AB-34CD /mnt vfat", false),
        ("/dev/sda10 /mnt vfat", false),
        ("/dev/sda /mnt vfat", false),
        ("UUID=12AB-34C. /mnt vfat", false),
        ("LABEL=Two /mnt vfat", false),
        ("tmpfs /dev/sda1 tmpfs", false),
        ("", false),
    ] {
        fs::write(table, format!("# static\nproc /proc proc\n{line}\n")).unwrap();
        let said = ask(&["taken", table, names]);
        let wanted = (Some(i32::from(!wanted)), String::new());
        assert_eq!((said.code, said.out + &said.err), wanted, "{line}");
    }
    assert_eq!(ask(&["taken", "/nowhere/fstab", names]).code, Some(1));
}

/// Whatever may wait for a stick comes after the lock was let go of.
#[test]
fn nothing_waits_for_a_stick_under_the_lock() {
    let script = text(SCRIPT);
    let (_, held) = script.split_once("    flock 9\n").unwrap();
    let (held, after) = held.split_once("    exec 9>&-\n").unwrap();
    let lines: Vec<&str> = held.lines().map(str::trim).filter(|l| !l.starts_with('#')).collect();
    assert_eq!(
        lines,
        [
            "found=$(place_for \"$wanted\" \"$1\")",
            "place=${found% *}",
            "printf '%s\\n' \"$found $(sequence \"$1\")\" >\"$notes/$1\""
        ]
    );
    assert!(after.find("    mend ").unwrap() < after.find("    if ! mount -t").unwrap());
    assert_eq!(script.matches("flock").count(), 1);
}

#[test]
fn what_is_no_device_is_refused() {
    for device in ["", "../etc/passwd", "sda1/x", "sda1 x", "SDA1", "sda1\n"] {
        for args in [&["mount", device][..], &["unmount", device], &["mend", device, "vfat"]] {
            let said = ask(args);
            assert_eq!(said.code, Some(1), "{args:?}: {}", said.out);
            assert!(said.err.contains("no device name"), "{args:?}: {}", said.err);
        }
    }
    for args in [&[][..], &["mount"], &["on", "x"], &["name", "a"], &["off", ""]] {
        let said = ask(args);
        assert_eq!((said.code, said.out.as_str()), (Some(2), ""), "{args:?}");
        assert!(said.err.contains("automount mount sda1"), "{args:?}: {}", said.err);
    }
}

/// The rule, the script and the units speak of the same files.
#[test]
fn the_parts_find_each_other() {
    let (rule, script) = (text(RULE), text(SCRIPT));
    assert!(rule.contains("ENV{SYSTEMD_WANTS}+=\"counterfoil-automount@%k.service\""));
    assert!(
        script.contains("shipped=/usr/share/counterfoil/automount/99-counterfoil-automount.rules")
    );
    for unit in ["counterfoil-automount.service", "counterfoil-automount@.service"] {
        let unit = text(&format!("packaging/automount/{unit}"));
        assert_eq!(unit.matches("=/usr/libexec/counterfoil/automount ").count(), 2);
    }
    // Every jump has its mark, and the other way round.
    let words = |before: &str| -> Vec<String> {
        let code = rule.lines().filter(|line| !line.starts_with('#'));
        let found = code.filter_map(|line| line.split_once(before)).map(|(_, rest)| rest);
        let mut found: Vec<_> = found.map(|rest| rest.split('"').next().unwrap().into()).collect();
        found.sort_unstable();
        found.dedup();
        found
    };
    assert_eq!(words("GOTO=\""), words("LABEL=\""));
}

#[test]
fn scripts_are_clean() {
    let paths = [
        SCRIPT,
        "packaging/build-deb",
        "packaging/check-deb",
        "packaging/deny",
        "tests/package/twice",
        "packaging/notices",
        "packaging/debian/postinst",
        "packaging/debian/prerm",
        "packaging/debian/postrm",
        "tests/all",
        "tests/runner",
    ];
    for path in paths {
        let path = ours(path);
        let said = run("shellcheck", &[&path]);
        assert_eq!((said.code, said.out.as_str()), (Some(0), ""), "{}", path.display());
    }
}
