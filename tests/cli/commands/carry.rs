//! What a stick carries beside the copies, as somebody uses it who has only the stick.
//! Never helps along: what `README.TXT` says is done to the letter.

use crate::command_output::CommandOutput;
use crate::station::{Station, expect_same, mail};
use crate::stick::Stick;
use counterfoil::model::limits::INDEX_PAGE_MESSAGES;
use std::ffi::OsString;
use std::fs;
use std::io::{BufRead as _, BufReader, Read as _};
use std::os::unix::fs::PermissionsExt as _;
use std::path::{Path, PathBuf};
use std::process::{Command, Output, Stdio};

/// The programs of coreutils that the commands name; nothing else can be run.
const COREUTILS: [&str; 10] =
    ["sha256sum", "ls", "head", "mkdir", "mktemp", "cp", "uname", "chmod", "cat", "true"];

/// An empty folder with links to these programs and to no other.
fn coreutils(station: &Station) -> PathBuf {
    let bin = station.path("bin");
    fs::create_dir(&bin).unwrap();
    for name in COREUTILS {
        let found = Path::new("/usr/bin").join(name);
        assert!(found.exists(), "coreutils is needed for this test: {name}");
        std::os::unix::fs::symlink(found, bin.join(name)).unwrap();
    }
    bin
}

/// The commands of the text, by their headings.
fn commands(red: &Stick) -> (Vec<String>, Vec<String>) {
    let text = fs::read_to_string(red.bag().join("README.TXT")).unwrap();
    let (by_hand, by_program) = text.split_once("PUT ALL BACK WITH THE PROGRAM").unwrap();
    let lines = |text: &str| {
        text.lines().filter_map(|line| line.strip_prefix("  $ ")).map(str::to_owned).collect()
    };
    (lines(by_hand), lines(by_program))
}

fn typed(line: &str, folder: &Path, home: &Path, bin: &Path) -> Output {
    let mut command = Command::new("/bin/sh");
    command.args(["-c", line]).current_dir(folder).env_clear();
    // Not into the folder that all tests share.
    command.env("HOME", home).env("TMPDIR", home).env("PATH", bin).output().unwrap()
}

fn expect_done(line: &str, folder: &Path, home: &Path, bin: &Path) -> String {
    let output = typed(line, folder, home, bin);
    let said = String::from_utf8_lossy(&output.stdout).into_owned();
    let wrong = String::from_utf8_lossy(&output.stderr);
    assert!(output.status.success(), "{line}: {said}{wrong}");
    said
}

fn mirrored() -> (Station, Stick) {
    let (station, red) = Station::with_drive();
    station.deliver("0001.eml", mail("water level"));
    station.deliver("out/0002.eml", mail("bridge closed"));
    station.deliver("form.b2f", [0, 1, 2, 200]);
    station.mirror().expect_safe();
    (station, red)
}

#[test]
fn what_the_readme_says_brings_every_message_out_with_coreutils_alone() {
    let (station, red) = mirrored();
    let (home, bin) = (station.path("empty"), coreutils(&station));
    fs::create_dir(&home).unwrap();
    let before = red.everything();
    let (by_hand, _) = commands(&red);
    assert!(by_hand.len() >= 6, "{by_hand:?}");
    let said: Vec<_> =
        by_hand.iter().map(|line| (line, expect_done(line, &red.bag(), &home, &bin))).collect();
    let quiet = said.iter().filter(|(line, _)| line.contains("sha256sum"));
    assert!(quiet.clone().count() == 2 && quiet.clone().all(|(_, said)| said.is_empty()));
    assert!(said.iter().any(|(_, said)| said.contains("Subject: bridge closed")), "{said:?}");
    let mut out: Vec<_> = walkdir::WalkDir::new(home.join("messages/data"))
        .into_iter()
        .map(Result::unwrap)
        .filter(|entry| entry.file_type().is_file())
        .map(|entry| fs::read(entry.path()).unwrap())
        .collect();
    let mut sent =
        vec![mail("water level").into(), mail("bridge closed").into(), vec![0, 1, 2, 200]];
    out.sort();
    sent.sort();
    assert_eq!(out, sent);
    assert_eq!(red.everything(), before, "nothing is changed by it");
}

#[test]
fn damage_shows_when_the_readme_is_followed() {
    let (station, red) = mirrored();
    let (home, bin) = (station.path("empty"), coreutils(&station));
    fs::create_dir(&home).unwrap();
    red.rot(&red.payload_of("0001.eml"));
    let (by_hand, _) = commands(&red);
    assert!(!typed(&by_hand[0], &red.bag(), &home, &bin).status.success(), "{by_hand:?}");
}

/// The program under test itself, once: on the stick, checked, and run from where it may be run.
#[test]
fn the_program_on_the_stick_restores_where_nothing_is_installed() {
    let (mut station, red) = Station::in_memory();
    station.deliver("0001.eml", mail("water level"));
    let args = station.arguments(&["mirror", "--json"]);
    let environment = [("COUNTERFOIL_PROGRAMS", None)];
    station.run_with(&args, &environment).expect_safe();
    let name = format!("counterfoil-{}", std::env::consts::ARCH);
    let program = red.home().join("program").join(&name);
    assert_eq!(
        fs::read(&program).unwrap().len(),
        fs::metadata(env!("CARGO_BIN_EXE_counterfoil")).unwrap().len() as usize
    );
    // As on a stick that is mounted without the right to run programs.
    fs::set_permissions(&program, fs::Permissions::from_mode(0o644)).unwrap();
    let (home, bin) = (station.path("empty"), coreutils(&station));
    fs::create_dir(&home).unwrap();
    let (_, by_program) = commands(&red);
    let [line] = by_program.as_slice() else { panic!("one line: {by_program:?}") };
    // What the operator noted at the station is the number in the line.
    let status = station.run_with(&station.arguments(&["status", "--json"]), &environment);
    let shown = &status.json()["programs"][0];
    assert_eq!(shown["name"], *name);
    assert!(line.contains(shown["sha256"].as_str().unwrap()), "{shown} {line}");
    let said = expect_done(line, &red.bag(), &home, &bin);
    assert!(said.contains("counterfoil: OK"), "{said}");
    expect_same(&home.join("restored"), &station.inbox());
    // Damaged, or another program with a hash of its own beside it: neither is run, nor what it leaves behind it.
    red.rot(&program);
    let output = typed(line, &red.bag(), &home, &bin);
    assert!(!output.status.success(), "a damaged program is not run");
    let proof = home.join("was-run");
    let other = format!("#!/bin/sh\n: > {}\n", proof.display());
    fs::write(&program, &other).unwrap();
    let sum = format!("{}  {name}\n", counterfoil::model::Digest::of(other.as_bytes()));
    fs::write(red.home().join(format!("program/{name}.sha256")), sum).unwrap();
    assert!(!typed(line, &red.bag(), &home, &bin).status.success());
    assert!(!proof.exists(), "a changed program was run");
    station.use_only(&[]);
}

fn put_programs(station: &Station) {
    fs::create_dir(station.programs()).unwrap();
    for arch in ["x86_64", "aarch64"] {
        let at = station.programs().join(format!("counterfoil-{arch}"));
        fs::write(at, format!("the program for {arch}")).unwrap();
    }
}

fn names_in(folder: &Path) -> Vec<String> {
    let Ok(entries) = fs::read_dir(folder) else { return Vec::new() };
    let mut names: Vec<_> =
        entries.map(|entry| entry.unwrap().file_name().into_string().unwrap()).collect();
    names.sort();
    names
}

#[test]
fn programs_for_all_computers_are_carried_each_with_its_hash() {
    let (station, red) = Station::with_drive();
    put_programs(&station);
    station.deliver("0001.eml", mail("water level"));
    station.mirror().expect_safe();
    let names = ["aarch64", "aarch64.sha256", "x86_64", "x86_64.sha256"];
    let folder = red.home().join("program");
    assert_eq!(names_in(&folder), names.map(|name| format!("counterfoil-{name}")));
    let check = |name: &str| {
        let args = ["--strict", "-c", name];
        Command::new("sha256sum").args(args).current_dir(&folder).output().unwrap()
    };
    for arch in ["aarch64", "x86_64"] {
        let checked = check(&format!("counterfoil-{arch}.sha256"));
        assert!(checked.status.success(), "{checked:?}");
    }
    // The folder is no station of its own.
    let drive = red.path().to_str().unwrap();
    let config = station.config_file();
    let into = station.restored();
    let args = ["restore", "--drive", drive, "--into", into.to_str().unwrap()];
    let args: Vec<_> = args.into_iter().chain(["--config", config.to_str().unwrap()]).collect();
    station.run(&args).expect_safe();
}

#[test]
fn what_is_carried_is_told_with_the_drives_and_can_be_turned_off() {
    let (station, red) = Station::with_drive();
    put_programs(&station);
    station.write_config("[drives]\ncarry = []\n");
    station.deliver("0001.eml", mail("water level"));
    station.mirror().expect_safe();
    let plain = ["README.TXT", "bag-info.txt", "bagit.txt", "data", "ledger.jsonl"];
    let plain: Vec<_> = plain.into_iter().chain(["manifest-sha256.txt"]).collect();
    assert_eq!(names_in(&red.bag()), plain);
    assert_eq!(names_in(&red.home().join("program")), Vec::<String>::new());
    let carried = |told: &CommandOutput| told.json()["drives"][0]["carried_bytes"].as_u64();
    let readme = fs::metadata(red.bag().join("README.TXT")).unwrap().len();
    assert_eq!(carried(&station.command(&["drives", "--json"])), Some(readme));

    station.write_config("");
    station.deliver("0002.eml", mail("bridge closed"));
    station.mirror().expect_safe();
    let names = names_in(&red.bag());
    for name in ["config.toml", "index.html", "index-1.html"] {
        assert!(names.iter().any(|there| there == name), "{name} in {names:?}");
    }
    let told = carried(&station.command(&["drives", "--json"])).unwrap();
    let files = walkdir::WalkDir::new(red.home()).into_iter().map(Result::unwrap);
    let ours = |path: &Path| {
        let name = path.file_name().unwrap().to_str().unwrap();
        let program = path.parent().unwrap().ends_with("program");
        program || name.starts_with("index") || ["README.TXT", "config.toml"].contains(&name)
    };
    let files = files.filter(|entry| entry.file_type().is_file() && ours(entry.path()));
    assert_eq!(told, files.map(|entry| entry.metadata().unwrap().len()).sum::<u64>());
    station.command(&["drives"]).expect_words(&["carries", "README.TXT"]);
    red.expect_bag_valid();
}

#[test]
fn the_list_marks_what_was_removed_and_nothing_is_written_when_nothing_changed() {
    let (station, red) = mirrored();
    let read = |name: &str| fs::read_to_string(red.bag().join(name)).unwrap();
    let page = read("index-1.html");
    for word in ["water level", "inbox/out", "href=\"data/0001/00000001.EML\"", "q0net@example.org"]
    {
        assert!(page.contains(word), "{word}: {page}");
    }
    station.delete_seen("0001.eml");
    station.deliver("0003.eml", mail("road open"));
    station.mirror().expect_safe();
    let page = read("index-1.html");
    assert!(page.contains("water level <strong>(removed from the mailbox)</strong>"), "{page}");
    let before = red.everything();
    let times = |red: &Stick| -> Vec<_> {
        let files = walkdir::WalkDir::new(red.bag()).sort_by_file_name().into_iter();
        files.map(|entry| entry.unwrap().metadata().unwrap().modified().unwrap()).collect()
    };
    let written = times(&red);
    station.mirror().expect_safe();
    station.replug_and_mirror(&red);
    assert_eq!(red.everything(), before);
    assert_eq!(times(&red), written);
}

/// One message more than a page takes. Whoever has only the stick gets from the first page to every other and from
/// there to every copy.
#[test]
fn many_messages_are_on_several_pages_and_every_link_leads_somewhere() {
    let (station, red) = Station::with_drive();
    let dated = |at: usize, date: &str| {
        let text = format!("Date: {date} +0000\r\nSubject: gauge {at}\r\n\r\nEXERCISE\r\n");
        station.deliver(format!("{at:04}.eml"), text);
    };
    dated(0, "31 Oct 2003 10:00:00");
    (1..INDEX_PAGE_MESSAGES).for_each(|at| dated(at, "1 Nov 2003 10:00:00"));
    station.mirror().expect_safe();
    expect_links(&red, &["index-1.html", "index.html"]);
    let read = |name: &str| fs::read_to_string(red.bag().join(name)).unwrap();
    let full = read("index-1.html");
    let first = read("index.html");
    assert!(first.contains("page 1</a>, 2003-10-31 to 2003-11-01: 1000 messages"), "{first}");
    dated(2_000, "2 Nov 2003 10:00:00");
    station.mirror().expect_safe();
    expect_links(&red, &["index-1.html", "index-2.html", "index.html"]);
    let rows = |page: &str| {
        page.split_once("<tbody>").unwrap().1.split_once("</tbody>").unwrap().0.to_owned()
    };
    assert_eq!(rows(&read("index-1.html")), rows(&full));
    let first = read("index.html");
    assert!(first.contains("page 2</a>, 2003-11-02: 1 message<"), "{first}");
    let full = read("index-1.html");
    dated(2_001, "2 Nov 2003 11:00:00");
    station.mirror().expect_safe();
    assert_eq!(read("index-1.html"), full);
    red.expect_bag_valid();
}

/// The pages of the list are these, and each link of each leads to a page, a place on it, or a copy that is there; the
/// first page leads to all.
fn expect_links(red: &Stick, pages: &[&str]) {
    let there = names_in(&red.bag()).into_iter().filter(|name| name.ends_with(".html"));
    assert_eq!(there.collect::<Vec<_>>(), pages);
    let read = |name: &str| fs::read_to_string(red.bag().join(name)).unwrap();
    let mut copies = std::collections::BTreeSet::new();
    for page in pages {
        let text = read(page);
        for (at, _) in text.match_indices("href=\"") {
            let target = text[at + 6..].split('"').next().unwrap();
            let (file, place) = target.split_once('#').unwrap_or((target, ""));
            assert!(red.bag().join(file).is_file(), "{page} leads to {target}");
            if !place.is_empty() {
                assert_eq!(
                    read(file).matches(&format!("id=\"{place}\"")).count(),
                    1,
                    "{page}: {target}"
                );
            }
            copies.extend(file.starts_with("data/").then(|| file.to_owned()));
        }
        assert!(*page == "index.html" || read("index.html").contains(&format!("href=\"{page}\"")));
    }
    assert_eq!(copies.len(), red.payloads().len());
}

#[test]
fn two_stations_on_one_stick_carry_each_their_own_list_and_config() {
    let (_station, red) = mirrored();
    let mut other = Station::named("hut-9");
    let theirs = other.use_drive(red.path());
    let of = |stick: &Stick| -> Vec<_> {
        let (bag, all) = (stick.bag(), stick.everything());
        all.into_iter().filter(|(path, _)| path.starts_with(&bag)).collect()
    };
    let ours = of(&red);
    other.deliver("0001.eml", mail("helicopter pad"));
    other.mirror().expect_safe();
    assert_eq!(of(&red), ours);
    let config = fs::read_to_string(theirs.bag().join("config.toml")).unwrap();
    assert!(config.contains("station = \"hut-9\""), "{config}");
    assert!(!fs::read_to_string(theirs.bag().join("index.html")).unwrap().contains("water level"));
    red.expect_bag_valid();
    theirs.expect_bag_valid();
}

/// Fault 1: the power goes while the list or the program is written; the copies were safe before.
#[test]
fn what_was_torn_is_made_anew_with_the_next_message() {
    let (station, red) = mirrored();
    for (name, length) in [("index.html", 600), ("config.toml", 100), ("index-1.html", 0)] {
        let file = fs::File::options().write(true).open(red.bag().join(name)).unwrap();
        file.set_len(length).unwrap();
    }
    red.replug();
    station.deliver("0003.eml", mail("road open"));
    station.mirror().expect_safe();
    let page = fs::read_to_string(red.bag().join("index-1.html")).unwrap();
    assert!(page.contains("road open") && page.trim_end().ends_with("</html>"), "{page}");
    let first = fs::read_to_string(red.bag().join("index.html")).unwrap();
    assert!(first.trim_end().ends_with("</html>"), "{first}");
    red.expect_bag_valid();
}

#[test]
fn a_folder_that_has_the_name_of_the_list_costs_nothing_but_the_list() {
    let (station, red) = Station::with_drive();
    fs::create_dir_all(red.bag().join("index.html")).unwrap();
    station.deliver("0001.eml", mail("water level"));
    let args: Vec<OsString> = station.arguments(&["mirror"]);
    station.run(&args).expect_safe();
    assert!(red.bag().join("index-1.html").is_file());
    red.expect_bag_valid();
}

/// The folder of the programs has a name that a station may have too: then it is both.
#[test]
fn a_station_may_be_called_program() {
    let mut station = Station::named("program");
    let red = station.drive("red");
    put_programs(&station);
    station.deliver("0001.eml", mail("water level"));
    station.mirror().expect_safe();
    red.expect_bag_valid();
    assert!(red.bag().join("counterfoil-x86_64.sha256").exists());
    let (drive, config) = (red.path().to_str().unwrap(), station.config_file());
    let words = ["restore", "--config", config.to_str().unwrap(), "--drive", drive];
    let words: Vec<_> = words.into_iter().chain(["--into", "back"]).collect();
    station.run(&words).expect_safe();
    expect_same(&station.path("back"), &station.inbox());
}

/// The verdict does not wait for what is no message, and a person is told not to pull the stick meanwhile. A signal ends
/// it with the verdict's exit code: the messages are safe, and the next one makes the list anew.
#[test]
fn the_verdict_comes_before_the_list_and_a_signal_then_takes_no_message() {
    let (station, red) = Station::with_drive();
    put_programs(&station);
    // A program that takes a while, of which nothing is on the disk.
    let program = fs::File::create(station.programs().join("counterfoil-x86_64")).unwrap();
    program.set_len(400 << 20).unwrap();
    station.deliver("0001.eml", mail("water level"));
    let mut running = Command::new(env!("CARGO_BIN_EXE_counterfoil"))
        .args(station.arguments(&["mirror"]))
        .env_clear()
        .env("HOME", station.path("home"))
        .env("COUNTERFOIL_PROGRAMS", station.programs())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    let mut told = BufReader::new(running.stderr.take().unwrap()).lines().map(Result::unwrap);
    let waits = told.find(|line| line.contains("do not pull red yet")).unwrap();
    assert!(waits.contains("the messages are copied"), "{waits}");
    // All of the verdict was said before that.
    let stdout = running.stdout.as_mut().unwrap();
    let mut verdict = vec![0; rustix::io::ioctl_fionread(&*stdout).unwrap() as usize];
    stdout.read_exact(&mut verdict).unwrap();
    let verdict = String::from_utf8(verdict).unwrap();
    assert!(verdict.contains("SAFE"), "{verdict}");
    crate::support::signal::signal(&running, "INT");
    let stops = told.find(|line| line.contains("stopping")).unwrap();
    assert!(stops.contains("the messages on red are copied and stay safe"), "{stops}");
    assert_eq!(running.wait().unwrap().code(), Some(0), "the verdict's");
    let sum = red.home().join("program/counterfoil-x86_64.sha256");
    assert!(fs::read_to_string(sum).map_or(true, |sum| sum.trim().is_empty()));
    assert!(!told.any(|line| line.contains("nothing more is written")));

    fs::write(station.programs().join("counterfoil-x86_64"), "the program").unwrap();
    station.audit().expect_safe();
    station.deliver("0002.eml", mail("road open"));
    let done = station.run(&station.arguments(&["mirror"])).expect_safe();
    let told = String::from_utf8(done.err).unwrap();
    assert!(told.contains("red: the list of messages is written"), "{told}");
    assert!(fs::read_to_string(red.bag().join("index-1.html")).unwrap().contains("road open"));
    red.expect_bag_valid();
}
