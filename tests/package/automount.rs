//! The automount script where it can be asked without a stick: names, mount options, its own cleanness.
//! Never mounts: that is for an emulated machine.

use crate::tools::{Said, ours, run, text};
use proptest::prelude::*;

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
    for kind in allowed() {
        let kind = if kind == "ntfs" { "ntfs3" } else { kind.as_str() };
        let said = ask(&["options", kind]);
        let options: Vec<&str> = said.out.trim_end().split(',').collect();
        assert_eq!(options[..4], ["nosuid", "nodev", "noexec", "noatime"], "{kind}");
        let group = ["vfat", "exfat", "ntfs3"].contains(&kind);
        assert_eq!(options.contains(&"gid=plugdev"), group, "{kind}");
        assert_eq!(options.contains(&"umask=002"), group, "{kind}");
    }
    assert!(ask(&["options", "vfat"]).out.trim_end().ends_with("utf8,tz=UTC"));
    assert!(ask(&["options", "exfat"]).out.trim_end().ends_with("iocharset=utf8"));
}

/// The file systems of the rule.
fn allowed() -> Vec<String> {
    let rule = text(RULE);
    let (_, list) = rule.split_once("ENV{ID_FS_TYPE}!=\"").unwrap();
    let list: Vec<String> = list.split_once('"').unwrap().0.split('|').map(str::to_owned).collect();
    assert_eq!(list.len(), 10, "{list:?}");
    list
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
        "packaging/notices",
        "packaging/debian/postinst",
        "packaging/debian/prerm",
        "packaging/debian/postrm",
        "tests/all",
    ];
    for path in paths {
        let path = ours(path);
        let said = run("shellcheck", &[&path]);
        assert_eq!((said.code, said.out.as_str()), (Some(0), ""), "{}", path.display());
    }
}
