//! Everything that an attacker may write into names, headers, ledgers and labels, and what of it reaches a terminal or
//! a script. Stricter than `expect_harmless` of the fixture: every mark that moves, hides or reverses text counts.

use crate::command_output::CommandOutput;
use crate::forger::Forger;
use crate::scene::Scene;
use crate::station::sh;
use counterfoil::model::Digest;
use std::ffi::{OsStr, OsString};
use std::fs;
use std::os::unix::ffi::OsStrExt as _;

/// Names and headers made of sequences that terminals obey (ECMA-48) and marks that change the reading direction
/// (Unicode's bidirectional algorithm, UAX 9), in 7 and 8 bits, and of bytes that are not text.
const EVIL: [&[u8]; 12] = [
    b"\x1b[2J\x1b[1;1Hall is safe",
    b"\x1b]0;title\x07",
    b"\x1b]8;;http://example.org/\x1b\\click\x1b]8;;\x1b\\",
    b"\x1b]52;c;cm0gLXJm\x07",
    b"\x9b2J\x9d0;t\x9c",
    "\u{9b}2J\u{85}\u{90}".as_bytes(),
    "\u{202e}lme.exe\u{202c}\u{2066}x\u{2069}\u{200f}\u{061c}".as_bytes(),
    "zero\u{200b}\u{200d}\u{feff}width\u{2060}".as_bytes(),
    "lines\u{2028}and\u{2029}paragraphs".as_bytes(),
    b"bell\x07back\x08\x08\x7fdel\rreturn\x0bvt\x0cff",
    b"new\nline: warning: red: all is lost",
    b"\xff\xfe\xf0\x80",
];

fn expect_plain(output: &CommandOutput, what: &str) {
    for said in [&output.out, &output.err] {
        let text = std::str::from_utf8(said).unwrap_or_else(|e| panic!("{what}: not UTF-8: {e}"));
        for c in text.chars().filter(|c| *c != '\n') {
            let hides = matches!(c, '\u{061c}' | '\u{200b}'..='\u{200f}' | '\u{2028}'..='\u{202e}'
                | '\u{2060}'..='\u{206f}' | '\u{feff}' | '\u{fff9}'..='\u{fffb}');
            assert!(!c.is_control() && !hides, "{what}: {c:?} in {text:?}");
        }
        let lied = text.lines().any(|line| line.starts_with("line: warning"));
        assert!(!lied, "{what}: a name ended a line\n{text}");
    }
}

/// Every command that shows names, as text, as JSON and with its whole log.
fn expect_every_command_plain(scene: &Scene, wherever: &[&str]) {
    let into = scene.station.restored();
    let into = into.to_str().unwrap();
    let commands: [&[&str]; 8] = [
        &["audit"],
        &["status"],
        &["mirror"],
        &["verify"],
        &["drives"],
        &["restore", "--into", into],
        &["restore", "--dry-run", "--into", into],
        &["config", "check"],
    ];
    for command in commands {
        for more in [&[][..], &["--json"], &["-v", "-v"]] {
            let args = [command, more, wherever].concat();
            let output = match command[0] {
                // Its arguments come after its second word.
                "config" => {
                    let mut args = scene.station.arguments(&[&["config"], more, wherever].concat());
                    args.insert(1, "check".into());
                    scene.station.run(&args)
                }
                _ => scene.station.command(&args),
            };
            expect_plain(&output, &args.join(" "));
            if more == ["--json"] {
                output.json();
            }
        }
    }
}

/// Fault 60: file names, folder names, and the headers of messages.
#[test]
fn names_and_headers_of_messages_steer_nothing() {
    let scene = Scene::empty();
    for (number, evil) in EVIL.iter().enumerate() {
        let header = [
            b"From: ",
            *evil,
            b" <q0@example.org>\r\nSubject: ",
            *evil,
            b"\r\nTo: ",
            *evil,
            b"\r\nDate: ",
            *evil,
            b"\r\n\r\n",
        ];
        let text = [&header.concat()[..], format!("{number}").as_bytes()].concat();
        let flat = [evil, &b".eml"[..]].concat();
        scene.station.deliver(OsStr::from_bytes(&flat), &text);
        let nested = [evil, &b"/"[..], evil, b".eml"].concat();
        scene.station.deliver(OsStr::from_bytes(&nested), [&text[..], b"nested"].concat());
        let link = scene.station.inbox().join(OsStr::from_bytes(&[evil, &b".link"[..]].concat()));
        std::os::unix::fs::symlink("/nowhere", link).unwrap();
    }
    // Words encoded by RFC 2047 come out of the parser as raw as they went in.
    let encoded = "Subject: =?utf-8?Q?=1B]0;owned=07=C2=9B2J=E2=80=AE?=\r\nFrom: =?utf-8?B?G1syShtbMTsxSA==?=\r\n\r\n";
    scene.station.deliver("encoded.eml", encoded);
    expect_every_command_plain(&scene, &[]);
    for copy in scene.bad.payloads() {
        scene.bad.rot(&scene.bad.bag().join(copy));
    }
    scene.forget();
    expect_every_command_plain(&scene, &[]);
    scene.expect_all_restored();
}

/// Fault 60: the same written raw into a ledger, where no program of ours would write it so.
#[test]
fn a_forged_ledger_steers_nothing() {
    let scene = Scene::mirrored(2);
    let digest = Digest::of(b"nowhere").to_string();
    let time = "2003-07-01T08:52:37Z";
    let mut forger = Forger::after(&scene.bad.ledger());
    for (number, evil) in EVIL.iter().filter_map(|evil| std::str::from_utf8(evil).ok()).enumerate()
    {
        let text = serde_json::to_string(evil).unwrap();
        let percent: String = evil.bytes().map(|b| format!("%{b:02x}")).collect();
        for path in [text, format!("\"{percent}\"")] {
            let number = number * 2 + 10;
            forger = forger.line(&format!(
                "\"kind\":\"mirrored\",\"payload\":\"data/0001/{number:08}.EML\",\"sha256\":\"{digest}\",\
                 \"bytes\":7,\"mailbox\":\"inbox\",\"path\":{path},\"modified\":\"{time}\",\"mode\":\"0644\",\
                 \"first_seen\":\"{time}\",\"as_of\":\"00000000000000aa:1\""
            ));
            forger =
                forger.line(&format!("\"kind\":\"mailbox\",\"mailbox\":\"inbox\",\"root\":{path}"));
            forger = forger.line(&format!("\"kind\":\"opened\",\"program\":{path}"));
        }
    }
    forger.write();
    let drive = scene.bad.path().to_str().unwrap();
    for more in [&["--json"][..], &[]] {
        let words: Vec<_> = ["restore", "--drive", drive].iter().chain(more).copied().collect();
        let output = scene.station.run(&words).expect_refused();
        expect_plain(&output, "restore without a folder that anybody names");
    }
    let args = scene.station.restore_arguments(&[]);
    let plain: Vec<OsString> = args.into_iter().filter(|arg| arg != "--json").collect();
    expect_plain(&scene.station.run(&plain), "restore to where the mailboxes are, as text");
    expect_every_command_plain(&scene, &[]);
}

/// Fault 60: labels of drives, by which desktops name mount points; folders and files on the drive; the paths of
/// mailbox, state and config themselves.
#[test]
fn labels_and_paths_steer_nothing() {
    for evil in EVIL {
        let mut scene = Scene::mirrored(1);
        let label = scene.station.path("media").join(OsStr::from_bytes(&evil.replace_slash()));
        sh("cp", &["-a".as_ref(), scene.bad.path(), label.as_path()]);
        scene.station.use_drive(&label);
        for name in [&evil.replace_slash()[..], b"drive-2.json"] {
            fs::create_dir_all(label.join("counterfoil").join(OsStr::from_bytes(name))).unwrap();
        }
        let mailbox = scene.station.path("card").join(OsStr::from_bytes(&evil.replace_slash()));
        fs::create_dir_all(&mailbox).unwrap();
        let mut named = OsString::from("odd=");
        named.push(&mailbox);
        for command in ["status", "mirror", "audit", "drives", "verify"] {
            let mut args = scene.station.arguments(&[command]);
            args.extend(["--mailbox".into(), named.clone()]);
            expect_plain(&scene.station.run(&args), command);
        }
        let odd = scene.station.path("no").join(OsStr::from_bytes(&evil.replace_slash()));
        for (option, command) in [
            ("--config", "audit"),
            ("--state", "mirror"),
            ("--drive", "mirror"),
            ("--into", "restore"),
        ] {
            let mut args: Vec<OsString> = scene.station.arguments(&[command]);
            args.extend([option.into(), odd.clone().into()]);
            expect_plain(&scene.station.run(&args), option);
        }
    }
}

trait ReplaceSlash {
    fn replace_slash(&self) -> Vec<u8>;
}

impl ReplaceSlash for [u8] {
    /// A name is one part of a path.
    fn replace_slash(&self) -> Vec<u8> {
        self.iter().map(|&b| if b == b'/' { b'_' } else { b }).collect()
    }
}
