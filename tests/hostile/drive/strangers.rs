//! Mounted sticks, on USB as far as the program can see, that this card does not know: which of them a restore reads.
//! Root is needed for the mounts, which each command gets for itself.

use crate::command_output::CommandOutput;
use crate::station::{Station, mail, sh, tree};
use crate::terminal::at_a_terminal;
use std::ffi::OsStr;
use std::fs;
use std::path::{Path, PathBuf};

/// A new card, and sticks called AMBER and so on that are plugged in.
struct Card {
    station: Station,
    /// The commands that mount the sticks, hide the system's devices, and provide a device tree in which the sticks are
    /// on USB.
    script: PathBuf,
}

/// The message that only the stick with this number has, in addition to one that all have.
fn own(stick: usize) -> String {
    format!("stick-{stick}.eml")
}

impl Card {
    fn with_sticks(names: &[&str]) -> Self {
        let mut station = Station::new();
        station.deliver("0001.eml", mail("water level"));
        let mut mounts = String::new();
        let mut devices =
            "mount -t tmpfs none /sys\nmkdir -p /sys/dev/block /sys/bus/usb\n".to_owned();
        let mut ends = String::new();
        for (number, name) in (1..).zip(names) {
            // Each has diverged since, with another message and another id.
            let stick = station.drive(&format!("{name}-made"));
            station.use_only(&[&stick]);
            station.deliver(own(number), mail(name));
            station.mirror().expect_safe();
            station.delete(own(number));
            fs::remove_dir_all(station.state()).unwrap();
            let folder = stick.path();
            let image = station.path(format!("{name}.img"));
            fs::File::create(&image).unwrap().set_len(16 << 20).unwrap();
            let words = ["-q".as_ref(), "-d".as_ref(), folder.as_os_str(), image.as_os_str()];
            sh("mkfs.ext4", &words);
            let at = station.path("media").join(name);
            fs::create_dir(&at).unwrap();
            let (image, at) = (image.display(), at.display());
            mounts += &format!(
                "l{number}=$(losetup -f --show '{image}')\nmount -t ext4 $l{number} '{at}'\n"
            );
            mounts += &format!("n{number}=$(printf '%d:%d' $(stat -c '0x%t 0x%T' $l{number}))\n");
            let device = format!("/sys/devices/usb{number}/stick{number}");
            devices += &format!("mkdir -p {device}\nln -s /sys/bus/usb {device}/subsystem\n");
            devices += &format!("ln -s {device} /sys/dev/block/$n{number}\n");
            ends += &format!("umount '{at}'\nlosetup -d $l{number}\n");
        }
        let script = station.path("plugged-in");
        let text =
            format!("set -e\n{mounts}{devices}code=0\n\"$@\" || code=$?\n{ends}exit $code\n");
        fs::write(&script, text).unwrap();
        station.lose_the_card();
        station.use_only(&[]);
        Self { station, script }
    }

    /// The device manager publishes the serial numbers of the sticks' file systems.
    fn publish_serials(&self) {
        let mut udev = "mount -t tmpfs none /run\nmkdir -p /run/udev/data\n".to_owned();
        for number in 1..=2 {
            udev += &format!("echo E:ID_FS_UUID=FACE-{number} >\"/run/udev/data/b$n{number}\"\n");
        }
        let text = fs::read_to_string(&self.script).unwrap();
        fs::write(&self.script, text.replace("code=0\n", &format!("{udev}code=0\n"))).unwrap();
    }

    /// Copies everything on one stick to another one, into the file system of that.
    fn copy(&self, from: &str, to: &str) {
        copy_all(&self.station.path(""), from, to);
    }

    fn prefix(&self) -> [&OsStr; 4] {
        ["unshare".as_ref(), "-m".as_ref(), "sh".as_ref(), self.script.as_os_str()]
    }

    /// Runs a command without a terminal.
    fn run(&mut self, words: &[&str]) -> CommandOutput {
        let script = self.script.clone();
        let prefix = ["unshare".as_ref(), "-m".as_ref(), "sh".as_ref(), script.as_os_str()];
        self.station.run_prefixed(&prefix);
        self.station.run(words)
    }

    /// Runs a command at a terminal.
    fn typed(&self, command: &str, typed: &str) -> (Option<i32>, String) {
        let prefix = self.prefix().map(|word| word.to_str().unwrap()).join(" ");
        at_a_terminal(&self.station, &format!("{prefix} PROGRAM {command}"), typed)
    }

    fn stick(&self, name: &str) -> String {
        self.station.path("media").join(name).to_str().unwrap().to_owned()
    }

    /// Writes a config with the mailbox and these further lines.
    fn configure(&self, more: &str) -> String {
        let inbox = self.station.inbox();
        self.station.write_config(&format!(
            "station = \"pier-4\"\n[[mailbox]]\nname = \"inbox\"\npath = {inbox:?}\n{more}\n"
        ));
        self.station.config_file().to_str().unwrap().to_owned()
    }

    fn restored(&self) -> Vec<String> {
        names(&self.station.inbox())
    }
}

fn copy_all(station: &Path, from: &str, to: &str) {
    let folder = station.join("media").join(format!("{from}-made"));
    let image = station.join(format!("{to}.img"));
    let options = ["-q", "-F", "-d"].map(OsStr::new);
    let words = [&options[..], &[folder.as_os_str(), image.as_os_str()]].concat();
    sh("mkfs.ext4", &words);
}

fn names(folder: &Path) -> Vec<String> {
    tree(folder).into_keys().map(|name| String::from_utf8(name).unwrap()).collect()
}

#[test]
fn a_new_card_believes_no_stick_that_nobody_names() {
    let mut card = Card::with_sticks(&["AMBER"]);
    let (amber, inbox) = (card.stick("AMBER"), card.station.inbox());
    let output = card.run(&["restore"]).expect_refused();
    let typed = format!("counterfoil restore --drive {amber} --mailbox inbox={}", inbox.display());
    output.expect_words(&[&typed, "Nothing was written"]);
    // Although the config names the mailbox, the stick is not trusted.
    let config = card.configure("");
    for more in [&[][..], &["--json"], &["--dry-run"], &["--into", "x"]] {
        let words: Vec<_> = ["restore", "--config", &config].iter().chain(more).copied().collect();
        let output = card.run(&words).expect_refused();
        output.expect_words(&["knows no stick yet", &format!("--drive {amber}")]);
    }
    assert!(!inbox.exists() && !card.station.path("x").exists());
    // A rehearsal writes nothing, and needs no answer.
    fs::create_dir_all(&inbox).unwrap();
    card.run(&["restore", "--config", &config, "--rehearse"]).expect_unsafe();
    card.run(&["restore", "--config", &config, "--drive", &amber]).expect_safe();
    assert_eq!(card.restored(), ["0001.eml", &own(1)]);
}

#[test]
fn one_command_and_one_yes_are_enough_on_a_new_card() {
    let card = Card::with_sticks(&["AMBER"]);
    let (code, said) = card.typed("restore", "no\n");
    assert_eq!(code, Some(2), "{said}");
    let (code, said) = card.typed("restore", "yes\n");
    assert_eq!(code, Some(0), "{said}");
    assert_eq!(said.matches("Type yes").count(), 1, "{said}");
    assert!(said.contains(&card.stick("AMBER")), "{said}");
    assert_eq!(card.restored(), ["0001.eml", &own(1)]);
    // The same where the config names the mailbox.
    let card = Card::with_sticks(&["AMBER"]);
    let command = format!("restore --config {}", card.configure(""));
    assert_eq!(card.typed(&command, "no\n").0, Some(2));
    let (code, said) = card.typed(&command, "yes\n");
    assert_eq!(code, Some(0), "{said}");
    assert_eq!(said.matches("Type yes").count(), 1, "{said}");
    assert_eq!(card.restored(), ["0001.eml", &own(1)]);
}

/// A stick that somebody else left in the second socket.
#[test]
fn of_several_strange_sticks_only_those_are_read_that_a_person_chooses() {
    let mut card = Card::with_sticks(&["AMBER", "BIRCH"]);
    let config = card.configure("");
    let output = card.run(&["restore", "--config", &config]).expect_refused();
    let (amber, birch) = (card.stick("AMBER"), card.stick("BIRCH"));
    output.expect_words(&[&format!("--drive {amber} --drive {birch}")]);
    let command = format!("restore --config {config}");
    for typed in ["no\n", "3\n", "\n"] {
        assert_eq!(card.typed(&command, typed).0, Some(2), "{typed:?}");
    }
    assert!(!card.station.inbox().exists());
    let (code, said) = card.typed(&command, "1\n");
    assert_eq!(code, Some(0), "{said}");
    assert!(said.contains(&format!("1: {amber}, with mail of station pier-4")), "{said}");
    assert_eq!(card.restored(), ["0001.eml", &own(1)]);
    let (code, said) = card.typed(&command, "yes\n");
    assert_eq!(code, Some(0), "{said}");
    assert_eq!(card.restored(), ["0001.eml", &own(1), &own(2)]);
}

/// The card knows its stick. An unknown one is read where the config accepts any, and not where it accepts known ones
/// only.
#[test]
fn a_stick_that_the_config_refuses_is_read_only_if_it_is_named() {
    let mut card = Card::with_sticks(&["AMBER", "BIRCH"]);
    card.publish_serials();
    let config = card.configure("");
    let inbox = card.station.inbox();
    fs::create_dir_all(&inbox).unwrap();
    fs::write(inbox.join("0001.eml"), mail("water level")).unwrap();
    let amber = card.stick("AMBER");
    card.run(&["mirror", "--config", &config, "--drive", &amber]);
    card.configure("[drives]\naccept = \"known\"");
    let output = card.run(&["restore", "--config", &config]).expect_safe();
    let birch = card.stick("BIRCH");
    let named = format!("counterfoil restore --config {config} --drive {birch}");
    output.expect_words(&[&format!("{birch} is not read"), &named]);
    assert_eq!(card.restored(), ["0001.eml", &own(1)]);
    card.run(&["restore", "--config", &config, "--drive", &birch]).expect_safe();
    assert_eq!(card.restored(), ["0001.eml", &own(1), &own(2)]);
    // An honest operator's card, with an empty config: no question, no warning.
    card.configure("");
    card.run(&["restore", "--config", &config]).expect_safe().expect_no_warning();
}

#[test]
fn a_stick_that_is_refused_is_read_only_if_it_is_named() {
    let mut card = Card::with_sticks(&["AMBER", "BIRCH"]);
    let config = card.configure("");
    let inbox = card.station.inbox();
    fs::create_dir_all(&inbox).unwrap();
    fs::write(inbox.join("0001.eml"), mail("water level")).unwrap();
    let (amber, birch) = (card.stick("AMBER"), card.stick("BIRCH"));
    for stick in [&amber, &birch] {
        card.run(&["mirror", "--config", &config, "--drive", stick]);
    }
    card.run(&["drives", "refuse", "BIRCH", "--config", &config]).expect_safe();
    let output = card.run(&["restore", "--config", &config]).expect_safe();
    output.expect_words(&[&format!("{birch} is not read: it is refused")]);
    assert_eq!(card.restored(), ["0001.eml", &own(1)]);
    card.run(&["restore", "--config", &config, "--drive", &birch]).expect_safe();
    assert_eq!(card.restored(), ["0001.eml", &own(1), &own(2)]);
}

/// Anybody who has once read the id of a known stick can write it to another one.
#[test]
fn a_stick_with_only_the_id_of_a_known_one_is_not_read() {
    let mut card = Card::with_sticks(&["AMBER", "BIRCH"]);
    card.publish_serials();
    let config = card.configure("");
    let inbox = card.station.inbox();
    fs::create_dir_all(&inbox).unwrap();
    fs::write(inbox.join("0001.eml"), mail("water level")).unwrap();
    let (amber, birch) = (card.stick("AMBER"), card.stick("BIRCH"));
    card.run(&["drives", "add", &amber, "--config", &config]).expect_safe();
    card.copy("AMBER", "BIRCH");
    card.configure("[drives]\naccept = \"known\"");
    let output = card.run(&["restore", "--config", &config]).expect_safe();
    let output =
        output.expect_words(&[&format!("{birch} is not read: the config takes known sticks only")]);
    assert!(!output.text().contains(&format!("{amber} is not read")));
    assert_eq!(card.restored(), ["0001.eml", &own(1)]);
}

/// A person named its folder while any stick was accepted: its serial number makes it ours, and no other stick.
#[test]
fn a_stick_that_was_named_is_used_where_only_known_ones_are() {
    let mut card = Card::with_sticks(&["AMBER", "BIRCH"]);
    card.publish_serials();
    let config = card.configure("");
    let inbox = card.station.inbox();
    fs::create_dir_all(&inbox).unwrap();
    fs::write(inbox.join("0002.eml"), mail("wind")).unwrap();
    let amber = card.stick("AMBER");
    let copied = [("copied", 1)];
    card.run(&["mirror", "--json", "--config", &config, "--drive", &amber]).expect_counts(&copied);
    card.configure("[drives]\naccept = \"known\"");
    fs::write(inbox.join("0003.eml"), mail("fog")).unwrap();
    let output = card.run(&["mirror", "--json", "--config", &config]);
    assert_eq!(output.drive("AMBER")["copied"], 1, "{}", output.text());
    assert_eq!(output.drive("BIRCH")["state"], "left-alone", "{}", output.text());
    // Everything on the known one is copied to the other.
    card.copy("AMBER", "BIRCH");
    fs::write(inbox.join("0004.eml"), mail("ice")).unwrap();
    let output = card.run(&["mirror", "--json", "--config", &config]);
    assert_eq!(output.drive("AMBER")["copied"], 1, "{}", output.text());
    assert_eq!(output.drive("BIRCH")["state"], "left-alone", "{}", output.text());
}

/// A stick without a serial number cannot be distinguished from another that claims the same id: it is used where its
/// folder is named, and nobody is surprised by that when it is too late.
#[test]
fn a_stick_without_a_serial_number_is_known_to_nobody_and_that_is_said() {
    let mut card = Card::with_sticks(&["AMBER", "BIRCH"]);
    let config = card.configure("");
    let inbox = card.station.inbox();
    fs::create_dir_all(&inbox).unwrap();
    fs::write(inbox.join("0002.eml"), mail("wind")).unwrap();
    let amber = card.stick("AMBER");
    let copied = [("copied", 1)];
    card.run(&["mirror", "--json", "--config", &config, "--drive", &amber]).expect_counts(&copied);
    card.configure("[drives]\naccept = \"known\"");
    card.copy("AMBER", "BIRCH");
    fs::write(inbox.join("0003.eml"), mail("fog")).unwrap();
    let output = card.run(&["mirror", "--json", "--config", &config]).expect_failed();
    let what = ["no serial number", "folders", &amber];
    let output = output.expect_words(&what);
    for label in ["AMBER", "BIRCH"] {
        assert_eq!(output.drive(label)["state"], "left-alone", "{label}: {}", output.text());
    }
    let output = card.run(&["drives", "add", &amber, "--config", &config]).expect_refused();
    output.expect_words(&what);
    // As the message says.
    card.configure(&format!("[drives]\naccept = \"known\"\nfolders = [{amber:?}]"));
    let output = card.run(&["mirror", "--json", "--config", &config]);
    assert_eq!(output.drive("AMBER")["copied"], 1, "{}", output.text());
    // Its serial number was not available when it was named, as early in a boot: once it is, that identifies it.
    card.publish_serials();
    fs::write(inbox.join("0004.eml"), mail("ice")).unwrap();
    card.run(&["mirror", "--json", "--config", &config]).expect_counts(&copied);
    card.configure("[drives]\naccept = \"known\"");
    fs::write(inbox.join("0005.eml"), mail("snow")).unwrap();
    let output = card.run(&["mirror", "--json", "--config", &config]);
    assert_eq!(output.drive("AMBER")["copied"], 1, "{}", output.text());
    assert_eq!(output.drive("BIRCH")["state"], "left-alone", "{}", output.text());
}

/// The program itself says how to exclude a new stick: typing that must not stop the mail to a good one.
#[test]
fn what_is_said_of_a_stick_is_not_said_of_the_one_whose_id_it_has() {
    for words in [
        &["drives", "refuse", "BIRCH"][..],
        &["drives", "forget", "BIRCH", "--why", "lost"],
        &["drives", "wipe", "BIRCH", "--confirm", "BIRCH", "--lose-last-copies"],
    ] {
        let mut card = Card::with_sticks(&["AMBER", "BIRCH"]);
        card.publish_serials();
        let both = fs::read_to_string(&card.script).unwrap();
        let config = card.configure("");
        let inbox = card.station.inbox();
        fs::create_dir_all(&inbox).unwrap();
        let mirror = ["mirror", "--json", "--config", &config];
        let around = card.station.path("");
        // With only one of them plugged in.
        let mut only = |number: u32, words: &[&str]| {
            let away = format!("ln -s /sys/devices/usb{}/stick", 3 - number);
            let script = both.replace(&away, "true ");
            fs::write(&card.script, script).unwrap();
            card.run(words)
        };
        fs::write(inbox.join("0002.eml"), mail("wind")).unwrap();
        let amber = only(1, &mirror).drive("AMBER");
        assert_eq!(amber["copied"], 1, "{amber}");
        // Its id, on another file system, without the record of the file system that it was made on.
        copy_all(&around, "AMBER", "BIRCH");
        let birch = only(2, &mirror).drive("BIRCH");
        assert_ne!(birch["id"], amber["id"], "{words:?}: {birch}");
        let with_config: Vec<_> = words.iter().chain(&["--config", &config]).copied().collect();
        only(2, &with_config).expect_safe();
        fs::write(inbox.join("0003.eml"), mail("fog")).unwrap();
        let again = only(1, &mirror).drive("AMBER");
        let expected = (&amber["id"], &1.into());
        assert_eq!((&again["id"], &again["copied"]), expected, "{words:?}: {again}");
    }
}

/// It is reported wherever somebody checks: by the pass that copied to it, by status, by the report and its page; and
/// the command in the report excludes the stick.
#[test]
fn a_new_stick_is_announced_wherever_its_operator_looks() {
    let mut card = Card::with_sticks(&["AMBER", "BIRCH"]);
    card.publish_serials();
    let config = card.configure("");
    let inbox = card.station.inbox();
    fs::create_dir_all(&inbox).unwrap();
    fs::write(inbox.join("0002.eml"), mail("wind")).unwrap();
    let page = card.station.path("page.html");
    let words = |name: &str| {
        format!(
            "new stick {name}: all mail is copied to it; counterfoil drives refuse {name}, or a \
             file counterfoil.skip, keeps it out"
        )
    };
    let at_once = |said: &str| said.split_whitespace().collect::<Vec<_>>().join(" ");
    for command in [
        &["mirror"][..],
        &["status"],
        &["audit"],
        &["status", "--json"],
        &["audit", "--html", page.to_str().unwrap()],
    ] {
        let output = card.run(&[command, &["--config", &config]].concat());
        let said = at_once(&(output.text() + &output.warnings()));
        // If a command writes a page, the page is checked.
        let is_told = |name: &&str| said.contains(&words(name)) || command.contains(&"--html");
        assert!(["AMBER", "BIRCH"].iter().all(is_told), "{command:?}: {said}");
    }
    let page = at_once(&fs::read_to_string(&page).unwrap());
    assert!(page.contains(&words("AMBER")) && page.contains(&words("BIRCH")), "{page}");
    card.run(&["drives", "refuse", "AMBER", "--config", &config]).expect_safe();
    card.run(&["drives", "add", &card.stick("BIRCH"), "--config", &config]).expect_safe();
    let output = card.run(&["status", "--config", &config]);
    assert!(!output.text().contains("new stick"), "{}", output.text());
    fs::write(inbox.join("0003.eml"), mail("fog")).unwrap();
    let output = card.run(&["mirror", "--json", "--config", &config]);
    assert_eq!(output.drive("AMBER")["state"], "forgotten");
    assert_eq!(output.drive("BIRCH")["copied"], 1);
}
