//! What a purge of the package removes: the state folder, and nothing that is only reached through it.
//! Runs the very script, with folders of its own in place of the system's.

use crate::tools::{run, text};
use std::fs;
use std::os::unix::fs::symlink;
use std::path::PathBuf;

struct Host {
    root: tempfile::TempDir,
    state: PathBuf,
    mail: PathBuf,
}

impl Host {
    /// A state folder with a link in it to a mailbox, and a unit that was enabled.
    fn new() -> Self {
        let root = tempfile::tempdir().unwrap();
        let (state, mail) = (root.path().join("state"), root.path().join("mail"));
        fs::create_dir_all(state.join("op")).unwrap();
        fs::create_dir(&mail).unwrap();
        fs::write(state.join("op/catalogue.sqlite"), "cache").unwrap();
        fs::write(mail.join("0001.eml"), "the only copy").unwrap();
        symlink(&mail, state.join("op/mail")).unwrap();
        symlink(&mail, state.join("linked")).unwrap();
        Self { root, state, mail }
    }

    fn script(&self) -> PathBuf {
        let script = text("packaging/debian/postrm");
        let etc = self.root.path().join("etc");
        let changed = script
            .replace("/var/lib/counterfoil", self.state.to_str().unwrap())
            .replace("/etc/systemd/system", etc.to_str().unwrap())
            .replace("/run/systemd/system", "/nonexistent");
        assert!(!changed.contains("/var/lib") && !changed.contains("/etc/systemd"), "{changed}");
        let at = self.root.path().join("postrm");
        fs::write(&at, changed).unwrap();
        at
    }

    fn purge(&self) {
        let said = run("sh", &[self.script().as_os_str(), "purge".as_ref()]);
        assert_eq!((said.code, said.err.as_str()), (Some(0), ""));
    }

    /// In a name space of its own, where something is mounted first.
    fn purge_with(&self, mount: &str) -> String {
        let line = format!("set -e; {mount}; sh '{}' purge", self.script().display());
        let is_root = run("id", &["-u"]).out.trim() == "0";
        let space = if is_root { "-m" } else { "-rm" };
        let said = run("unshare", &[space, "sh", "-c", &line]);
        assert_eq!(said.code, Some(0), "{}", said.err);
        said.err
    }

    fn expect_mail(&self) {
        assert_eq!(fs::read_to_string(self.mail.join("0001.eml")).unwrap(), "the only copy");
    }
}

#[test]
fn a_purge_removes_the_state_and_nothing_that_a_link_leads_to() {
    let host = Host::new();
    host.purge();
    assert!(!host.state.exists());
    host.expect_mail();
    // Nothing is there any more.
    host.purge();
}

#[test]
fn a_purge_of_a_state_folder_that_is_a_link_removes_the_link() {
    let host = Host::new();
    fs::remove_dir_all(&host.state).unwrap();
    symlink(&host.mail, &host.state).unwrap();
    host.purge();
    assert!(host.state.symlink_metadata().is_err());
    host.expect_mail();
}

/// A mailbox, or a stick, that somebody mounted there: of the same file system too, which no option of rm(1) tells.
#[test]
fn a_purge_does_not_reach_into_what_is_mounted_below() {
    let host = Host::new();
    let below = host.state.join("op/mounted");
    fs::create_dir(&below).unwrap();
    let (mail, at) = (host.mail.display(), below.display());
    let said = host.purge_with(&format!("mount --bind '{mail}' '{at}'"));
    assert!(said.contains("mounted") && said.contains(host.state.to_str().unwrap()), "{said}");
    host.expect_mail();
    assert!(host.state.join("op/catalogue.sqlite").exists());
    let proof = host.root.path().join("proof");
    let said = host.purge_with(&format!(
        "mount -t tmpfs none '{at}'; echo kept > '{at}/0001.eml'; trap \"cp '{at}/0001.eml' '{}'\" EXIT",
        proof.display()
    ));
    assert!(said.contains("mounted"), "{said}");
    assert_eq!(fs::read_to_string(proof).unwrap(), "kept\n");
    // Where only the name begins alike nothing is in the way.
    let beside = host.root.path().join("state-of-another");
    fs::create_dir(&beside).unwrap();
    host.purge_with(&format!("mount --bind '{mail}' '{}'", beside.display()));
    assert!(!host.state.exists());
    host.expect_mail();
}
