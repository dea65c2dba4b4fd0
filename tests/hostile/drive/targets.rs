//! Sticks that claim where mail was, and mail that programs would obey if it were put there. A restore writes mail into
//! mailboxes that a person names, and nothing anywhere else.

use crate::command_output::CommandOutput;
use crate::forger::Forger;
use crate::station::{Mounted, Station, mail, sh, tree};
use crate::stick::Stick;
use crate::terminal::at_a_terminal;
use std::fs;
use std::os::unix::fs::{PermissionsExt as _, symlink};
use std::path::{Path, PathBuf};

/// File names that make a program do what the file says, if the file is where programs search.
pub(super) const OBEYED: [&str; 6] = [
    ".ssh/authorized_keys",
    ".bash_profile",
    "bin/ls",
    ".config/systemd/user/a.service",
    "cron.d/job",
    ".Drafts/cur/1",
];

/// A stick of executable messages with such names; its operator's home is `home/op`. The card is new.
pub(super) fn prepared() -> (Station, Stick) {
    let (station, red) = Station::with_drive();
    for path in OBEYED {
        station.deliver(path, mail(path));
        let rights = fs::Permissions::from_mode(0o6777);
        fs::set_permissions(station.inbox().join(path), rights).unwrap();
    }
    station.mirror().expect_safe();
    station.lose_the_card();
    fs::create_dir_all(station.path("home/op/mail")).unwrap();
    (station, red)
}

/// Makes the stick claim that a mailbox was in this folder.
pub(super) fn says(red: &Stick, mailbox: &str, root: &Path) {
    let root = root.display();
    Forger::after(&red.ledger())
        .line(&format!("\"kind\":\"mailbox\",\"mailbox\":\"{mailbox}\",\"root\":\"{root}\""))
        .write();
}

fn restore(station: &Station, red: &Stick, more: &[&str]) -> CommandOutput {
    let home = station.path("home/op");
    let words = ["restore", "--drive", red.path().to_str().unwrap()];
    let words: Vec<_> = words.iter().chain(more).copied().collect();
    station.run_with(&words, &[("HOME", Some(home.as_os_str()))])
}

/// Everything below the station's folder: paths, links and folders too.
pub(super) fn everything(station: &Station) -> Vec<PathBuf> {
    below(&station.path("."))
}

fn below(folder: &Path) -> Vec<PathBuf> {
    let all = walkdir::WalkDir::new(folder).sort_by_file_name();
    all.into_iter().map(|entry| entry.unwrap().into_path()).collect()
}

/// Refused with exit code 2, and nothing was written.
fn expect_refused(station: &Station, output: impl FnOnce() -> CommandOutput) -> CommandOutput {
    expect_refused_with(station, "Nothing was written. ", output)
}

/// The same, refused for another reason than the mail's target.
fn expect_refused_with(
    station: &Station,
    words: &str,
    output: impl FnOnce() -> CommandOutput,
) -> CommandOutput {
    let before = everything(station);
    let output = output().expect_refused().expect_words(&[words]).expect_harmless();
    assert_eq!(everything(station), before);
    output
}

/// The message for root when a target is a link.
const NO_LINK: &str = "is a link, and root follows none there. Nothing was done. Name the folder";

#[test]
fn a_sticks_word_alone_puts_mail_nowhere() {
    let (station, red) = prepared();
    let home = station.path("home/op");
    for root in [home.clone(), home.join("mail"), home.join(".ssh"), "/etc".into(), "/".into()] {
        says(&red, "inbox", &root);
        for more in [&[][..], &["--json"], &["--dry-run"], &["--with-removed"]] {
            let output = expect_refused(&station, || restore(&station, &red, more));
            output.expect_words(&["counterfoil restore --drive", "--mailbox inbox=", "--into DIR"]);
        }
    }
    // And the command that it suggests works.
    says(&red, "inbox", &home.join("mail"));
    let output = restore(&station, &red, &["--with-removed"]).expect_refused();
    let said = output.warnings();
    let command = said.lines().find(|line| line.starts_with("  counterfoil restore ")).unwrap();
    let words: Vec<_> = command.split_whitespace().skip(1).collect();
    assert!(words.contains(&"--with-removed"), "{words:?}");
    station.run(&words).expect_safe();
    assert_eq!(tree(&home.join("mail")).len(), OBEYED.len());
}

/// The config names one mailbox, and the stick another one in addition.
#[test]
fn a_mailbox_that_the_config_does_not_name_gets_no_place_by_the_stick() {
    let (station, red) = prepared();
    let inbox = station.path("home/op/mail");
    station.write_config(&format!("[[mailbox]]\nname = \"inbox\"\npath = {inbox:?}\n"));
    says(&red, "keys", &station.path("home/op/.ssh"));
    let config = station.config_file();
    let options = ["--config", config.to_str().unwrap()];
    let output = expect_refused(&station, || restore(&station, &red, &options));
    let named = format!("--mailbox inbox={} --mailbox keys=DIR", inbox.display());
    output.expect_words(&[&named, "home/op/.ssh, says"]);
    // Mail goes where the config says, and the one message already at its path is corrected there.
    station.write_config(&format!(
        "[[mailbox]]\nname = \"inbox\"\npath = {inbox:?}\n[[mailbox]]\nname = \"keys\"\npath = {:?}\n",
        station.path("home/op/keys")
    ));
    restore(&station, &red, &options).expect_safe();
    assert_eq!(tree(&inbox).len(), OBEYED.len());
}

#[test]
fn files_get_no_right_to_be_run_and_folders_are_their_owners_alone() {
    for by_root in [true, false] {
        let (mut station, red) = prepared();
        let target = station.path("home/op/mail");
        let open = |mode| fs::set_permissions(&target, fs::Permissions::from_mode(mode)).unwrap();
        let named = format!("inbox={}", target.display());
        let options = ["--mailbox", &named];
        // A folder that everybody may write to is the operator's own affair; root puts nothing there.
        open(0o1777);
        match by_root {
            true => {
                let why = "so root does not use it. Nothing was done. ";
                expect_refused_with(&station, why, || restore(&station, &red, &options));
                open(0o3775);
            }
            false => station.run_as_nobody(),
        }
        restore(&station, &red, &options).expect_safe();
        for path in OBEYED {
            let file = target.join(path);
            let facts = |path: &Path| fs::symlink_metadata(path).unwrap();
            let mode = |path: &Path| facts(path).permissions().mode() & 0o7777;
            assert_eq!(mode(&file), 0o666, "{path}, by root: {by_root}");
            if file.parent().unwrap() != target {
                assert_eq!(mode(file.parent().unwrap()), 0o700, "{path}, by root: {by_root}");
            }
        }
        assert_eq!(tree(&target).len(), OBEYED.len(), "hidden folders of a mailbox are restored");
    }
}

/// The last line about a message records its permissions: they must not make it unreadable for its owner.
#[test]
fn a_message_that_is_back_can_be_read_by_its_owner_whatever_a_stick_says() {
    let (mut station, red) = Station::with_drive();
    station.deliver("0001.eml", mail("water level"));
    station.mirror().expect_safe();
    let line = red.lines_of("mirrored").remove(0);
    let fields = ["sha256", "bytes", "mailbox", "path", "modified", "first_seen", "as_of"];
    let said: Vec<_> = fields.map(|field| format!("\"{field}\":{}", line[field])).to_vec();
    let said = format!("\"kind\":\"placed\",\"mode\":\"0000\",{}", said.join(","));
    Forger::after(&red.ledger()).line(&said).write();
    station.lose_the_card();
    station.run_as_nobody();
    station.restore().expect_safe();
    let facts = fs::metadata(station.restored().join("0001.eml")).unwrap();
    assert_eq!(facts.permissions().mode() & 0o7777, 0o400);
}

/// A mailbox on a card that keeps no permissions, as FAT: every file there is executable. That is not a difference.
#[test]
fn a_rehearsal_does_not_mind_a_right_to_run_that_no_restore_gives() {
    let (station, _red) = Station::with_drive();
    station.deliver("0001.eml", mail("water level"));
    let file = station.inbox().join("0001.eml");
    fs::set_permissions(&file, fs::Permissions::from_mode(0o755)).unwrap();
    station.mirror().expect_safe();
    station.command(&["restore", "--rehearse"]).expect_safe();
}

/// Folders in a home that get no mail: the home itself, those above it, and those where programs obey the files.
const OF_A_HOME: [&str; 20] = [
    "",
    "/",
    "own",
    "again",
    "own/again",
    "mail/..",
    "not/there/../..",
    "..",
    ".ssh",
    ".ssh/mail",
    ".gnupg",
    ".config",
    ".config/autostart",
    ".config/systemd/user",
    ".local/bin",
    ".local/share",
    "etc",
    "etc/mail",
    "not/../etc/mail",
    "not/there/../../etc",
];
const OF_THE_SYSTEM: [&str; 23] = [
    "/",
    "/home",
    "/root",
    "/etc",
    "/etc/cron.d",
    "/usr/local/bin",
    "/bin",
    "/sbin",
    "/lib",
    "/boot",
    "/dev",
    "/proc",
    "/proc/self/root",
    "/proc/self/root/etc",
    "/proc/self/cwd",
    "/sys",
    "/run",
    "/run/user/0",
    "/var",
    "/var/lib/x",
    "/var/spool/cron",
    "/srv/../etc/x",
    "//etc/x",
];

/// The folder is named by `--into`, by `--mailbox` or by the config.
#[test]
fn a_home_what_is_above_it_and_the_systems_folders_get_no_mail_though_they_are_named() {
    for by_root in [true, false] {
        let (mut station, red) = prepared();
        if !by_root {
            // Before anything of the system is mounted there.
            station.run_as_nobody();
        }
        reserved_folders_get_no_mail(&station, &red, by_root);
    }
}

fn reserved_folders_get_no_mail(station: &Station, red: &Stick, by_root: bool) {
    let home = station.path("home/op");
    let at = |below: &str| home.join(below).to_str().unwrap().to_owned();
    symlink("/etc", at("etc")).unwrap();
    symlink("../op", at("own")).unwrap();
    symlink("own/own", at("again")).unwrap();
    let second = Mounted::bind(&home, &station.path("elsewhere"));
    let etc = Mounted::bind(Path::new("/etc"), &station.path("settings"));
    let root = Mounted::bind(Path::new("/"), &station.path("all"));
    let mounted =
        [second.path(), etc.path(), &etc.path().join("x"), root.path(), &root.path().join("etc/x")];
    let mounted = mounted.map(|path| path.to_str().unwrap().to_owned());
    let system = OF_THE_SYSTEM.map(str::to_owned);
    let reserved: Vec<_> = OF_A_HOME.map(at).into_iter().chain(system).chain(mounted).collect();
    let before = below(&home);
    for path in &reserved {
        // Root follows no link there, wherever it leads.
        let is_link = fs::symlink_metadata(path).is_ok_and(|there| there.is_symlink());
        let why = match is_link && by_root {
            true => &[NO_LINK][..],
            false => &["mail is never put into", "Nothing was written. "],
        };
        station.write_config(&format!("[[mailbox]]\nname = \"inbox\"\npath = {path:?}\n"));
        let config = station.config_file();
        let named = format!("inbox={path}");
        // Not in a home, so that a mailbox at the very top is refused only for its contents.
        let state = station.path("known/state");
        let is_above = fs::canonicalize(path).is_ok_and(|path| state.starts_with(path));
        // Commands run in the station's folder.
        let lies_above = is_above || path == "/proc/self/cwd";
        for more in [
            ["--into", path.as_str()],
            ["--mailbox", &named],
            ["--config", config.to_str().unwrap()],
        ] {
            // If a command wrongly went on, it would only print what it would do.
            let words = [&["--dry-run", "--state", state.to_str().unwrap()], &more[..]].concat();
            let output = restore(station, red, &words).expect_refused().expect_harmless();
            match lies_above && more[0] != "--into" && why[0] != NO_LINK {
                true => output.expect_words(&["lies in the mailbox", "keep them apart"]),
                false => output.expect_words(why),
            };
        }
    }
    assert_eq!(below(&home), before);
}

/// Not a dry run: no folder is created on the way to one that may get no mail.
#[test]
fn nothing_is_made_on_the_way_to_a_folder_that_gets_no_mail() {
    let (mut station, red) = prepared();
    let home = station.path("home/op");
    let at = |below: &str| home.join(below).to_str().unwrap().to_owned();
    symlink("../op", at("own")).unwrap();
    for path in ["mail/..", "new/way/../..", "new/../.ssh/x", ".config"].map(at) {
        let output = expect_refused(&station, || restore(&station, &red, &["--into", &path]));
        output.expect_words(&["mail is never put into"]);
    }
    let own = at("own");
    expect_refused_with(&station, NO_LINK, || restore(&station, &red, &["--into", &own]));
    // The state folder, whose contents are believed too, gets no mail either.
    let state = station.state();
    let words = ["--state", state.to_str().unwrap(), "--into"];
    for own in [state.join("x"), state.clone(), station.path("card")] {
        let words: Vec<_> = words.into_iter().chain([own.to_str().unwrap()]).collect();
        expect_refused(&station, || restore(&station, &red, &words));
    }
    // A folder of its own may get mail, through a link too.
    symlink("mail", at("post")).unwrap();
    restore(&station, &red, &["--into", &at("post/in")]).expect_safe();
    assert_eq!(tree(&home.join("mail/in")).len(), OBEYED.len());
    // The operator's links are followed when the operator runs the command.
    station.run_as_nobody();
    symlink("own/own", at("again")).unwrap();
    symlink("/etc", at("etc")).unwrap();
    for path in ["own", "again", "own/again", "etc", "etc/mail"].map(at) {
        let output = expect_refused(&station, || restore(&station, &red, &["--into", &path]));
        output.expect_words(&["mail is never put into"]);
    }
    restore(&station, &red, &["--into", &at("post")]).expect_safe();
}

/// The suggested command is typed as printed: a folder's name must not become a command.
#[test]
fn a_folder_that_a_stick_names_runs_nothing_when_the_command_is_typed() {
    let (station, red) = prepared();
    let made = station.path("made");
    let odd = station
        .path("$(touch made);touch made; `touch made` '\'';touch made;'&touch made|\u{fffd}#");
    says(&red, "inbox", Path::new(&odd.to_str().unwrap().replace('\\', "")));
    let output = restore(&station, &red, &[]).expect_refused();
    let said = output.warnings();
    let command = said.lines().find(|line| line.starts_with("  counterfoil restore ")).unwrap();
    let command = command.replace("  counterfoil", env!("CARGO_BIN_EXE_counterfoil"));
    let script = format!("cd '{}' && {command}", station.path("").display());
    sh("sh", &["-c", &script]);
    assert!(!made.exists(), "{command}");
    let mail = walkdir::WalkDir::new(station.path("")).into_iter().map(Result::unwrap);
    assert!(mail.filter(|entry| entry.file_name() == "authorized_keys").count() == 1, "{command}");
}

/// Nobody answers a thousand questions, or types a command of that length.
#[test]
fn a_stick_of_a_thousand_mailboxes_asks_no_thousand_questions() {
    let (station, red) = prepared();
    let mut forger = Forger::after(&red.ledger());
    for number in 0..1000 {
        forger = forger.line(&format!(
            "\"kind\":\"mailbox\",\"mailbox\":\"m{number}\",\"root\":\"/srv/mail/{number}\""
        ));
    }
    forger.write();
    let output = expect_refused(&station, || restore(&station, &red, &[]));
    output.expect_words(&["1001 mailboxes", "--into DIR"]);
    let command = format!("PROGRAM restore --drive {}", red.path().display());
    let (code, said) = at_a_terminal(&station, &command, "yes\n");
    assert_eq!((code, said.lines().count() < 8), (Some(2), true), "{said}");
}

/// Several mailboxes go below one folder, each under its name, which also comes from the stick.
#[test]
fn a_home_gets_no_mailboxes_below_it_by_the_names_that_a_stick_gives_them() {
    let (station, red) = prepared();
    says(&red, "bin", Path::new("/home/x/bin"));
    let home = station.path("home/op");
    let words = ["--into", home.to_str().unwrap()];
    expect_refused(&station, || restore(&station, &red, &words));
}

/// A restore into the folder of a user who exchanges it for a link meanwhile.
#[test]
fn a_link_on_the_way_to_an_agreed_folder_leads_nowhere() {
    use counterfoil::disk::{TargetLocks, leads_to};
    let (station, _red) = prepared();
    let (agreed, victim) = (station.path("home/op/mail/in"), station.path("victim"));
    fs::create_dir(&victim).unwrap();
    assert_eq!(leads_to(&agreed), agreed);
    fs::remove_dir(station.path("home/op/mail")).unwrap();
    symlink(&victim, station.path("home/op/mail")).unwrap();
    TargetLocks::default().lock_folder(&agreed).unwrap_err();
    TargetLocks::default().lock_folder(&station.path("home/op/mail")).unwrap_err();
    assert_eq!(fs::read_dir(&victim).unwrap().count(), 0);
}

#[test]
fn one_message_is_repaired_only_in_a_mailbox_that_somebody_names() {
    let (station, red) = Station::with_drive();
    station.deliver("0001.eml", mail("water level"));
    station.mirror().expect_safe();
    let file = station.inbox().join("0001.eml");
    let time = fs::metadata(&file).unwrap().modified().unwrap();
    fs::write(&file, mail("water leveL")).unwrap();
    fs::File::options().write(true).open(&file).unwrap().set_modified(time).unwrap();
    for named in [file.to_str().unwrap(), "inbox/0001.eml"] {
        let output = restore(&station, &red, &["--repair", named]).expect_refused();
        output.expect_words(&["--mailbox NAME=DIR"]);
    }
    let inbox = format!("inbox={}", station.inbox().display());
    restore(&station, &red, &["--mailbox", &inbox, "--repair", "inbox/0001.eml"]).expect_safe();
    assert_eq!(fs::read_to_string(&file).unwrap(), mail("water level"));
}
