//! Root by hand trusts nobody's folders: it works as the user to whom state, mailbox and target belong, or not at all,
//! and follows no link into somebody's hands. What another process answers is neither believed nor shown as it is.

use crate::station::{Mounted, Station, mail, sh};
use crate::stick::Stick;
use std::ffi::OsStr;
use std::fs;
use std::io::{BufRead as _, BufReader, Write as _};
use std::os::unix::fs::{MetadataExt as _, PermissionsExt as _, chown, symlink};
use std::os::unix::net::UnixListener;
use std::path::Path;

const OP: u32 = 65534;

fn give(path: &Path, to: u32) {
    let whose = format!("{to}:{to}");
    sh("chown", &[OsStr::new("-Rh"), OsStr::new(&whose), path.as_os_str()]);
}

fn rights(path: &Path, mode: u32) {
    fs::set_permissions(path, fs::Permissions::from_mode(mode)).unwrap();
}

/// A station of an operator, at which root types.
fn of_an_operator() -> (Station, Stick) {
    let (station, red) = Station::with_drive();
    station.deliver_many(2);
    fs::create_dir_all(station.state()).unwrap();
    give(&station.path("card"), OP);
    give(red.path(), OP);
    (station, red)
}

/// A file that root alone may read, and must not be led to.
fn secret(station: &Station) -> std::path::PathBuf {
    let path = station.path("secret");
    fs::write(&path, "root's own").unwrap();
    rights(&path, 0o600);
    path
}

fn expect_untouched(secret: &Path) {
    let facts = fs::metadata(secret).unwrap();
    assert_eq!((facts.uid(), facts.mode() & 0o777), (0, 0o600));
    assert_eq!(fs::read(secret).unwrap(), b"root's own");
}

#[test]
fn root_reads_and_writes_in_an_operators_folders_only_what_the_operator_may() {
    let (station, _red) = of_an_operator();
    let closed = station.inbox().join("closed.eml");
    fs::write(&closed, mail("closed")).unwrap();
    rights(&closed, 0o600);
    let output = station.mirror().expect_unsafe().expect_counts(&[("copied", 2)]);
    output.expect_words(&["closed.eml", "Permission denied"]);
    for entry in walkdir::WalkDir::new(station.state()) {
        assert_eq!(entry.unwrap().metadata().unwrap().uid(), OP);
    }
}

#[test]
fn root_is_led_by_no_link_in_an_operators_state() {
    for name in [
        "lock",
        "catalogue.sqlite",
        "catalogue.sqlite-wal",
        "daemon.sock",
        "forgotten-drives",
        "known-drives",
    ] {
        let (station, red) = of_an_operator();
        let secret = secret(&station);
        let goal = match name {
            "lock" => station.path("made-by-root"),
            _ => secret.clone(),
        };
        symlink(&goal, station.state().join(name)).unwrap();
        for command in ["mirror", "status", "audit"] {
            station.command(&[command]);
        }
        station.command(&["drives", "forget", "red", "--why", "lost"]);
        station.command(&["drives", "release", "red"]);
        expect_untouched(&secret);
        assert!(!station.path("made-by-root").exists(), "{name}");
        drop(red);
    }
}

#[test]
fn a_link_for_lock_or_catalogue_is_refused_whoever_owns_it() {
    for name in ["lock", "catalogue.sqlite", "catalogue.sqlite-wal"] {
        let (station, _red) = Station::with_drive();
        station.deliver_many(1);
        fs::create_dir_all(station.state()).unwrap();
        let elsewhere = station.path("elsewhere");
        symlink(&elsewhere, station.state().join(name)).unwrap();
        let output = station.command(&["mirror"]).expect_failed();
        output.expect_words(&[name, "link"]);
        assert!(!elsewhere.exists(), "{name}");
    }
}

#[test]
fn where_it_belongs_to_two_users_nothing_is_done_and_the_command_is_told() {
    let (station, red) = of_an_operator();
    give(&station.state(), 0);
    for command in ["mirror", "status", "audit", "watch", "verify"] {
        let output = station.command(&[command]).expect_refused();
        output
            .expect_words(&["belongs to nobody", "belongs to root", "Nothing was done", "Type:"])
            .expect_words(&[&format!("sudo -u nobody counterfoil {command} --mailbox")]);
    }
    give(&station.state(), 1234);
    let output = station.command(&["mirror"]).expect_refused();
    output.expect_words(&["#1234", "nobody"]);
    assert_eq!(fs::read_dir(station.state()).unwrap().count(), 0);
    assert_eq!(fs::read_dir(red.path()).unwrap().count(), 0);
}

/// The command to be typed is one line of words, whatever was typed before.
#[test]
fn the_command_to_type_is_quoted_for_the_shell() {
    let (station, _red) = of_an_operator();
    give(&station.state(), 0);
    let odd = station.path("home; rm -rf $HOME");
    let output = station.command(&["audit", "--html", odd.to_str().unwrap()]).expect_refused();
    output.expect_words(&["home; rm -rf $HOME'"]).expect_harmless();
}

#[test]
fn root_keeps_no_state_where_another_user_may_change_it() {
    let open = |path: &str, mode: u32| {
        let (station, red) = Station::with_drive();
        station.deliver_many(1);
        fs::create_dir_all(station.state()).unwrap();
        rights(&station.path(path), mode);
        let output = station.command(&["mirror"]);
        (output, station, red)
    };
    for (path, mode) in [("card/state", 0o777), ("card/state", 0o1777), ("card", 0o777)] {
        let (output, station, red) = open(path, mode);
        let shown = station.path(path);
        output.expect_refused().expect_words(&["other users may change", shown.to_str().unwrap()]);
        assert_eq!(fs::read_dir(station.state()).unwrap().count(), 0, "{path} {mode:o}");
        assert_eq!(fs::read_dir(red.path()).unwrap().count(), 0);
    }
    // As /tmp: nobody may touch what is root's in it.
    open("card", 0o1777).0.expect_safe();
    open("card/state", 0o775).0.expect_safe();
}

#[test]
fn root_follows_no_link_to_a_mailbox_or_a_target() {
    let (mut station, _red) = Station::with_drive();
    station.deliver_many(1);
    station.mirror().expect_safe();
    let (real, link) = (station.path("real"), station.path("card/linked"));
    fs::create_dir(&real).unwrap();
    symlink(&real, &link).unwrap();
    let output = station.restore_with(&["--into", link.to_str().unwrap()]).expect_refused();
    output.expect_words(&["is a link"]);
    assert_eq!(fs::read_dir(&real).unwrap().count(), 0);
    station.name_mailboxes(&["linked"]);
    station.command(&["mirror"]).expect_refused().expect_words(&["the mailbox", "is a link"]);
}

/// An operator's own link is the operator's own affair: the same folder by another path.
#[test]
fn an_operators_link_to_the_mailbox_is_followed_as_the_operator() {
    let (mut station, red) = of_an_operator();
    symlink(station.inbox(), station.path("card/linked")).unwrap();
    let whose = Some(OP);
    std::os::unix::fs::lchown(station.path("card/linked"), whose, whose).unwrap();
    station.name_mailboxes(&["linked"]);
    station.mirror().expect_safe().expect_counts(&[("copied", 2)]);
    station.run_as_nobody();
    station.mirror().expect_safe();
    drop(red);
}

#[test]
fn an_operators_link_leads_root_into_no_folder_of_roots() {
    let (mut station, _red) = of_an_operator();
    let secret = secret(&station);
    let vault = station.path("vault");
    fs::create_dir(&vault).unwrap();
    fs::rename(&secret, vault.join("secret")).unwrap();
    symlink(&vault, station.path("card/linked")).unwrap();
    std::os::unix::fs::lchown(station.path("card/linked"), Some(OP), Some(OP)).unwrap();
    station.name_mailboxes(&["linked"]);
    station.command(&["mirror"]).expect_refused();
    // Nor by a folder on the way.
    station.name_mailboxes_as(&[("inbox", "linked/in")]);
    fs::create_dir(vault.join("in")).unwrap();
    station.command(&["mirror"]).expect_refused();
    // Nor as a target.
    station.name_mailboxes(&["inbox"]);
    let into = station.path("card/linked/new");
    station.restore_with(&["--into", into.to_str().unwrap()]);
    assert_eq!(fs::read_dir(&vault).unwrap().count(), 2);
    expect_untouched(&vault.join("secret"));
}

#[test]
fn roots_page_goes_into_no_folder_that_others_may_change() {
    let (station, _red) = Station::with_drive();
    station.deliver_many(1);
    station.mirror().expect_safe();
    let folder = station.path("pages");
    fs::create_dir(&folder).unwrap();
    let page = folder.join("audit.html");
    for mode in [0o777, 0o775] {
        rights(&folder, mode);
        chown(&folder, Some(0), Some(OP)).unwrap();
        let output = station.command(&["audit", "--html", page.to_str().unwrap()]).expect_refused();
        output.expect_words(&["other users may change"]);
        assert!(!page.exists());
    }
    rights(&folder, 0o1777);
    station.command(&["audit", "--html", page.to_str().unwrap()]).expect_safe();
    assert!(page.exists());
}

/// Somebody listens where the daemon would, and answers this to whatever is asked.
fn answers(station: &Station, line: String) -> std::thread::JoinHandle<usize> {
    fs::create_dir_all(station.state()).unwrap();
    let at = station.state().join("daemon.sock");
    drop(fs::remove_file(&at));
    let listener = UnixListener::bind(&at).unwrap();
    listener.set_nonblocking(true).unwrap();
    std::thread::spawn(move || {
        let mut asked = 0;
        // Until the socket's own file is taken away.
        while at.exists() {
            let Ok((stream, _)) = listener.accept() else {
                std::thread::yield_now();
                continue;
            };
            asked += 1;
            stream.set_nonblocking(false).unwrap();
            let mut question = String::new();
            drop(BufReader::new(&stream).read_line(&mut question));
            drop((&stream).write_all(line.as_bytes()));
        }
        asked
    })
}

fn no_more(station: &Station, answering: std::thread::JoinHandle<usize>) -> usize {
    fs::remove_file(station.state().join("daemon.sock")).unwrap();
    answering.join().unwrap()
}

#[test]
fn what_a_socket_answers_steers_no_terminal_and_fills_no_screen() {
    let (station, red) = Station::with_drive();
    station.deliver_many(1);
    station.mirror().expect_safe();
    let at = red.path().to_str().unwrap().as_bytes().to_vec();
    let evil = "\u{1b}[2J\u{1b}]0;owned\u{7}\u{202e}\r".to_owned() + &"A".repeat(100_000);
    let served = serde_json::json!({
        "label": evil, "path": at, "id": evil, "state": evil, "stalled_seconds": 1,
    });
    for answer in [
        serde_json::json!({"refused": evil}),
        serde_json::json!({"released": served}),
        serde_json::json!({"drives": vec![served.clone(); 1]}),
    ] {
        let answering = answers(&station, format!("{answer}\n"));
        let output = [
            station.command(&["drives", "release", "red"]),
            station.command(&["status"]),
            station.command(&["drives"]),
            station.command(&["drives", "forget", "red", "--why", "lost"]),
        ];
        assert!(no_more(&station, answering) > 0);
        for output in output {
            let output = output.expect_harmless();
            assert!(output.out.len() + output.err.len() < 50_000);
        }
    }
}

#[test]
fn a_socket_of_another_user_is_not_asked() {
    let (station, _red) = Station::with_drive();
    station.deliver_many(1);
    station.mirror().expect_safe();
    let answering = answers(&station, "{\"refused\":\"a stranger's word\"}\n".to_owned());
    chown(station.state().join("daemon.sock"), Some(OP), Some(OP)).unwrap();
    let output = station.command(&["drives", "release", "red"]).expect_safe();
    assert!(!output.warnings().contains("stranger"));
    assert_eq!(no_more(&station, answering), 0);
}

/// Whoever answers for the daemon may name any mount of the system.
#[test]
fn release_unmounts_nothing_but_removable_drives() {
    let (station, _red) = Station::with_drive();
    station.deliver_many(1);
    station.mirror().expect_safe();
    let mounted = Mounted::small(&station.path("system"), "size=1m");
    let at = mounted.path().to_str().unwrap().as_bytes().to_vec();
    let served = serde_json::json!({
        "label": "red", "path": at, "id": null, "state": "released", "stalled_seconds": null,
    });
    let answering = answers(&station, format!("{}\n", serde_json::json!({"released": served})));
    let output = station.command(&["drives", "release", "red"]).expect_safe();
    output.expect_words(&["no removable drive"]);
    assert!(no_more(&station, answering) > 0);
    // Nor by the config's word.
    let mut station = station;
    station.use_drive(mounted.path());
    let output = station.command(&["drives", "release", "system"]).expect_safe();
    output.expect_words(&["no removable drive"]);
    // Dropping it unmounts it, which fails where it is not mounted any more.
    drop(mounted);
}
