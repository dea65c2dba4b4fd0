//! The units as systemd sees them: what it complains of, and how exposed the service is by its measure.
//! Never asks the machine's own units: what is read is the repository's.

use crate::tools::{ours, run, text};
use std::fs;
use std::path::Path;

const SERVICE: &str = "counterfoil@.service";
/// What `systemd-analyze security` may say of the service at most.
const EXPOSURE: f64 = 0.4;
/// Of the mount of a stick, which cannot have what hides files: its mount would be hidden too.
const EXPOSURE_OF_A_MOUNT: f64 = 3.4;
/// Of the check of a stick's file system, which must open a device.
const EXPOSURE_OF_A_CHECK: f64 = 0.6;

/// A root of its own, so that no program and no unit has to be installed here.
fn planted(units: &[(&str, String)]) -> tempfile::TempDir {
    let root = tempfile::tempdir().unwrap();
    for (program, folder) in [
        ("counterfoil", "usr/bin"),
        ("kill", "bin"),
        ("automount", "usr/libexec/counterfoil"),
        ("fsck.vfat", "usr/sbin"),
    ] {
        let folder = root.path().join(folder);
        fs::create_dir_all(&folder).unwrap();
        fs::copy("/bin/true", folder.join(program)).unwrap();
    }
    // What the units hang on by default.
    let system = root.path().join("usr/lib/systemd/system");
    fs::create_dir_all(&system).unwrap();
    for target in ["sysinit", "basic", "shutdown", "umount", "local-fs", "multi-user", "-"] {
        let (name, text) = match target {
            "-" => ("-.slice".to_owned(), "[Slice]\n"),
            target => (format!("{target}.target"), "[Unit]\nDefaultDependencies=no\n"),
        };
        fs::write(system.join(name), text).unwrap();
    }
    for (name, text) in units {
        fs::write(system.join(name), text).unwrap();
    }
    root
}

fn complaints(root: &Path, unit: &str) -> (Option<i32>, String) {
    let at = root.join("usr/lib/systemd/system").join(unit);
    let at = at.to_str().unwrap();
    let root = format!("--root={}", root.display());
    let said = run("systemd-analyze", &["verify", "--man=no", "--generators=no", &root, at]);
    (said.code, said.out + &said.err)
}

/// The unit, with an instance where it is a template.
fn shipped() -> Vec<(&'static str, String)> {
    vec![
        ("counterfoil@op.service", text("packaging/counterfoil@.service")),
        (
            "counterfoil-automount.service",
            text("packaging/automount/counterfoil-automount.service"),
        ),
        (
            "counterfoil-automount@sda1.service",
            text("packaging/automount/counterfoil-automount@.service"),
        ),
        ("counterfoil-fsck@sda1.service", text("packaging/automount/counterfoil-fsck@.service")),
    ]
}

#[test]
fn the_service_manager_has_no_complaint() {
    let units = shipped();
    let root = planted(&units);
    for (unit, _) in &units {
        let (code, said) = complaints(root.path(), unit);
        assert_eq!((code, said.as_str()), (Some(0), ""), "{unit}");
    }
}

/// So that a check gone blind is noticed.
#[test]
fn a_planted_mistake_is_seen() {
    let good = text("packaging/counterfoil@.service");
    for (from, to) in [
        ("ProtectClock=yes", "ProtectCloque=yes"),
        ("ExecStart=/usr/bin/counterfoil", "ExecStart=/usr/bin/absent"),
        ("WatchdogSec=60", "WatchdogSec=often"),
    ] {
        let bad = good.replace(from, to);
        assert_ne!(good, bad);
        let root = planted(&[("counterfoil@op.service", bad)]);
        let (_, said) = complaints(root.path(), "counterfoil@op.service");
        assert!(!said.is_empty(), "{to} was not seen");
    }
}

#[test]
fn the_units_are_hardly_exposed() {
    assert!(exposure(&ours("packaging").join(SERVICE)) <= EXPOSURE);
    let automount = ours("packaging/automount");
    let mount = automount.join("counterfoil-automount@.service");
    assert!(exposure(&mount) <= EXPOSURE_OF_A_MOUNT);
    assert!(exposure(&automount.join("counterfoil-fsck@.service")) <= EXPOSURE_OF_A_CHECK);
    let folder = tempfile::tempdir().unwrap();
    let open = folder.path().join(SERVICE);
    fs::write(&open, "[Service]\nExecStart=/usr/bin/counterfoil watch\n").unwrap();
    assert!(exposure(&open) > 9.0, "a service without any limit must look bad");
}

/// What the measure does not weigh, or weighs without looking close.
#[test]
fn the_service_is_denied_what_it_never_asks_for() {
    let unit = text("packaging/counterfoil@.service");
    let lines: Vec<&str> = unit.lines().collect();
    for line in ["LimitCORE=0", "NoExecPaths=-/media -/run/media -/mnt", "NoNewPrivileges=yes"] {
        assert!(lines.contains(&line), "{line} is not there");
    }
    let refused: Vec<&str> = lines
        .iter()
        .filter_map(|line| line.strip_prefix("SystemCallFilter=~"))
        .flat_map(str::split_whitespace)
        .collect();
    for call in
        ["@resources", "@privileged", "@keyring", "@memlock", "io_uring_setup", "io_uring_enter"]
    {
        assert!(refused.contains(&call), "{call} is not refused: {refused:?}");
    }
    // One list of what is allowed, and nothing given back behind it.
    let allowed = lines.iter().filter_map(|line| line.strip_prefix("SystemCallFilter="));
    let allowed: Vec<_> = allowed.filter(|calls| !calls.starts_with('~')).collect();
    assert_eq!(allowed, ["@system-service"]);
}

/// What reads a file system that somebody prepared.
#[test]
fn the_check_of_a_stick_may_do_nothing_else_and_ends() {
    let unit = text("packaging/automount/counterfoil-fsck@.service");
    let lines: Vec<&str> = unit.lines().collect();
    for line in [
        "DynamicUser=yes",
        "CapabilityBoundingSet=",
        "NoNewPrivileges=yes",
        "DevicePolicy=closed",
        "DeviceAllow=/dev/%I rw",
        "PrivateNetwork=yes",
        "RestrictAddressFamilies=none",
        "MemoryMax=256M",
        "TasksMax=4",
        "TimeoutStartSec=120",
        "TimeoutStopSec=10",
        "LimitCORE=0",
        // What it prints are names from the stick.
        "StandardOutput=null",
        "StandardError=null",
        // It ends with the stick.
        "BindsTo=dev-%i.device",
    ] {
        assert!(lines.contains(&line), "{line} is not there");
    }
    let devices = lines.iter().filter(|line| line.starts_with("DeviceAllow="));
    assert_eq!(devices.count(), 1);
}

/// The overall figure, read from the last line: the tool's JSON has none.
fn exposure(unit: &Path) -> f64 {
    let args = ["security", "--offline=true", "--no-pager", unit.to_str().unwrap()];
    let said = run("systemd-analyze", &args);
    let (_, figure) = said
        .out
        .rsplit_once("exposure level for ")
        .unwrap_or_else(|| panic!("no figure for {}: {}{}", unit.display(), said.out, said.err));
    let figure = figure.split_whitespace().nth(1).unwrap();
    figure.parse().unwrap_or_else(|_| panic!("{figure:?} is no figure"))
}

/// Each of these gives a unit a mount namespace of its own (systemd.exec(5)), and no stick would be seen outside.
#[test]
fn the_mount_of_a_stick_reaches_the_host() {
    let unit = text("packaging/automount/counterfoil-automount@.service");
    let hides = [
        "Private",
        "ProtectSystem",
        "ProtectHome",
        "ProtectProc",
        "ProtectKernel",
        "ProtectControlGroups",
        "ProtectHostname",
        "ProcSubset",
        "RootDirectory",
        "RootImage",
        "Read",
        "Inaccessible",
        "Exec",
        "NoExecPaths",
        "Bind",
        "Temporary",
        "MountFlags",
        "DynamicUser",
        "StateDirectory",
        "LogNamespace",
    ];
    for line in unit.lines().filter(|line| !line.starts_with(['#', '['])) {
        let allowed = ["ExecSt", "BindsTo="].iter().any(|begin| line.starts_with(begin));
        let hidden = hides.iter().find(|begin| line.starts_with(*begin));
        assert!(allowed || hidden.is_none(), "{line}");
    }
    // The one check of a stick that is a program of its own is not run by what may mount.
    assert!(!unit.contains("fsck"));
    let script = text("packaging/automount/automount");
    assert!(script.contains("systemctl start \"counterfoil-fsck@$1.service\""));
    assert!(!script.lines().any(|line| line.trim_start().starts_with("\"fsck")), "run by itself");
}

/// What the daemon needs and a tighter line would take away.
#[test]
fn the_service_leaves_what_the_program_needs() {
    let unit = text("packaging/counterfoil@.service");
    let lines: Vec<&str> = unit.lines().collect();
    for line in [
        "Type=notify",
        "User=%i",
        "SupplementaryGroups=plugdev",
        "StateDirectory=counterfoil/%i",
        "RestartPreventExitStatus=2",
        "RequiresMountsFor=/home/%i",
        "ProtectHome=tmpfs",
        "TemporaryFileSystem=/home:ro,mode=0755 /root:ro,mode=0700 /run/user:ro,mode=0755",
        "BindReadOnlyPaths=-/home/%i",
        "ReadWritePaths=-/media -/run/media -/mnt",
        "RestrictAddressFamilies=AF_UNIX",
    ] {
        assert!(lines.contains(&line), "{line} is not there");
    }
    // Each cuts sticks mounted later off, hides the id of the boot, or refuses openat2.
    for word in
        ["RestrictSUIDSGID=", "MountFlags=", "ProcSubset=", "RootDirectory=", "InaccessiblePaths="]
    {
        assert!(!lines.iter().any(|line| line.starts_with(word)), "{word} is there");
    }
}
