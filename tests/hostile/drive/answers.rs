//! A person at a terminal is asked where the mail of a prepared stick goes, and answers in a hurry.

use super::targets::{OBEYED, everything, prepared, says};
use crate::station::{sh, tree};
use crate::terminal::at_a_terminal;
use std::fs;
use std::os::unix::fs::symlink;

#[test]
fn a_person_is_asked_and_a_yes_a_folder_or_nothing_is_answered() {
    let (station, red) = prepared();
    let mailbox = station.path("home/op/mail");
    says(&red, "inbox", &mailbox);
    let command = format!("PROGRAM restore --drive {}", red.path().display());
    for typed in ["no\n", "\n", "yse\n", "Y E S\n", "/etc/mail\n", "./\n", ".\n", "~/.ssh\n", ""] {
        let before = everything(&station);
        // End of input, as by Ctrl-D.
        let typed = if typed.is_empty() { "\u{4}" } else { typed };
        let (code, said) = at_a_terminal(&station, &command, typed);
        assert_eq!(code, Some(2), "{typed:?}: {said}");
        assert_eq!(everything(&station), before, "{typed:?}");
    }
    let (code, said) = at_a_terminal(&station, &command, "./restored\n");
    assert_eq!(code, Some(0), "{said}");
    assert_eq!(tree(&station.restored()).len(), OBEYED.len());
    let (code, said) = at_a_terminal(&station, &command, "~/back\n");
    assert_eq!(code, Some(0), "{said}");
    assert_eq!(tree(&station.path("back")).len(), OBEYED.len());
    let (code, said) = at_a_terminal(&station, &command, "yes\n");
    assert_eq!(code, Some(0), "{said}");
    let question =
        format!("Mailbox inbox was in {}, say the sticks. Put its mail there?", mailbox.display());
    assert!(said.contains(&question), "{said}");
    assert_eq!(tree(&mailbox).len(), OBEYED.len());
}

/// A yes at two in the morning leads neither into a hidden folder, nor to a place where there usually is no mail, nor
/// to one on which two sticks disagree.
#[test]
fn an_unusual_place_has_to_be_typed() {
    let (mut station, red) = prepared();
    let command = format!("PROGRAM restore --drive {}", red.path().display());
    for root in [
        station.path("home/op/.ssh"),
        station.path("home/op/.mail"),
        // The home of the user who runs it.
        station.path(""),
        "/opt/mail".into(),
        "/etc/cron.d".into(),
        "/home/nobody-yet".into(),
        "/home/op/../op/mail".into(),
        "relative/mail".into(),
    ] {
        says(&red, "inbox", &root);
        let (code, said) = at_a_terminal(&station, &command, "yes\n");
        assert_eq!(code, Some(2), "{root:?}: {said}");
        assert!(said.contains("Type its path:"), "{root:?}: {said}");
    }
    // A link that leads there does not help either.
    fs::create_dir(station.path("home/op/.mail")).unwrap();
    symlink(".mail", station.path("home/op/visible")).unwrap();
    says(&red, "inbox", &station.path("home/op/visible"));
    assert_eq!(at_a_terminal(&station, &command, "yes\n").0, Some(2));
    let hidden = format!("{}\n", station.path("home/op/.mail").display());
    let (code, said) = at_a_terminal(&station, &command, &hidden);
    assert_eq!(code, Some(0), "{said}");
    // Two sticks, two statements.
    let blue = station.drive("blue");
    sh("cp", &["-a", red.home().to_str().unwrap(), blue.path().to_str().unwrap()]);
    says(&red, "inbox", &station.path("home/op/mail"));
    says(&blue, "inbox", &station.path("home/op/other"));
    let command = format!("{command} --drive {}", blue.path().display());
    let (code, said) = at_a_terminal(&station, &command, "yes\n");
    assert_eq!(code, Some(2), "{said}");
    for word in ["home/op/mail, says", "home/op/other, says"] {
        assert!(said.contains(word), "{said}");
    }
}
