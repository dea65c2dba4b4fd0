//! Sentences on which drive one is, and why its copies count for nothing or are counted all the same.
//! Never names a drive by its label alone where a command is to be typed: two may be called alike.

use super::report::shown_time;
use crate::job::catalogue::DriveRow;
use crate::model::{DriveId, DriveLoss, Finding, KnownDrive, escape};

/// Why a drive was given up, and where it went.
pub(super) fn loss(why: DriveLoss, place: Option<&str>) -> String {
    match place {
        Some(place) => format!("{why}, {}", escape::shown(place.as_bytes())),
        None => why.to_string(),
    }
}

/// A drive that is not here, and when it last was.
pub(super) fn label_and_sight(drive: &DriveRow) -> String {
    let label = escape::shown(drive.label.as_bytes());
    match drive.last_seen {
        Some(at) => format!("{label} (last seen {})", shown_time(Some(at))),
        None => label,
    }
}

/// A sentence, and the command to be typed after it, which is never broken over lines.
pub(super) struct Advice {
    pub text: String,
    pub command: Option<String>,
}

impl Advice {
    /// Only a sentence.
    pub(super) fn text(text: String) -> Self {
        Self { text, command: None }
    }

    fn command(text: impl Into<String>, command: String) -> Self {
        Self { text: text.into(), command: Some(command) }
    }
}

/// All of it in one piece.
pub(super) fn joined(advice: &[Advice]) -> String {
    let one = |advice: &Advice| match &advice.command {
        Some(command) => format!("{} {command}", advice.text),
        None => advice.text.clone(),
    };
    advice.iter().map(one).collect::<Vec<_>>().join(" ")
}

/// What to do about a drive that another one has taken the place of.
pub(super) fn advise_replaced(id: DriveId) -> Vec<Advice> {
    vec![
        Advice::text("If it still exists, plug in both at the same time.".to_owned()),
        Advice::command(
            "If it is gone, type:",
            format!("counterfoil drives forget {id} --why reformatted"),
        ),
    ]
}

/// What to do about a drive that may have been reformatted, or may be another stick; `it` is how the sentence calls it.
pub(super) fn advise_reformatted(it: &str, id: DriveId) -> Vec<Advice> {
    vec![
        Advice::command(
            format!("If {it} was reformatted, type:"),
            format!("counterfoil drives forget {id} --why reformatted"),
        ),
        Advice::command(
            format!("If {it} is another stick, kept in another place, type:"),
            format!("counterfoil drives away {id}"),
        ),
    ]
}

/// What is said of a stick that is seen for the first time. Its name stands in the command only where a shell takes it
/// as it is, and no other drive has it: whoever prepared the stick has chosen it.
pub(super) fn announcement(id: DriveId, label: &str, alike: bool) -> String {
    let is_plain = |c: char| c.is_ascii_alphanumeric() || "._-".contains(c);
    let as_typed = !alike && label.starts_with(|c: char| c.is_ascii_alphanumeric());
    let name = match as_typed && label.chars().all(is_plain) {
        true => label.to_owned(),
        false => id.to_string(),
    };
    format!(
        "new stick {}: all mail is copied to it; counterfoil drives refuse {name}, or a file counterfoil.skip, keeps \
         it out",
        escape::shown(label.as_bytes())
    )
}

/// A copy on the card itself protects against nothing that happens to the card.
pub(super) fn on_same_device(mailbox: &str, counted: bool) -> String {
    let mailbox = escape::shown(mailbox.as_bytes());
    match counted {
        true => format!(
            "on the same card or disk as mailbox {mailbox}: its copies are counted, as asked, though they would be \
             lost with it"
        ),
        false => format!(
            "on the same card or disk as mailbox {mailbox}: its copies do not count, since they would be lost with \
             it. Use a stick"
        ),
    }
}

fn listed(drives: &[KnownDrive]) -> String {
    let named = drives.iter().map(|drive| format!("{} ({})", drive.label, drive.id));
    named.collect::<Vec<_>>().join(", ")
}

/// What is found out about which drive one is; nothing of any other finding.
pub(super) fn finding(finding: &Finding) -> String {
    match finding {
        Finding::CopiedDrive { of, own } => format!(
            "this drive was copied from drive {of}; so that the two can be told apart it is drive {own} now"
        ),
        Finding::ForgottenDrive { at, since, why: DriveLoss::Refused, .. } => format!(
            "this drive is refused since {}. It takes no mail, and its copies count for nothing. To use it all the \
             same: counterfoil drives add {}",
            shown_time(Some(*since)),
            escape::in_shell(at)
        ),
        Finding::ForgottenDrive { at, since, why, place } => format!(
            "this drive is forgotten since {}: {}. It takes no mail, and its copies count for nothing. To use it \
             again: counterfoil drives add {}",
            shown_time(Some(*since)),
            loss(*why, place.as_deref()),
            escape::in_shell(at)
        ),
        Finding::NewDrive { drive, let_in: true, .. } => format!(
            "new stick, let in as you asked: it is drive {}, and all mail is copied to it. The next one is not",
            drive.id
        ),
        Finding::NewDrive { drive, alike, .. } => announcement(drive.id, &drive.label, *alike),
        Finding::IdRecognised { id } => format!(
            "its drive.json cannot be read; by what else is on it, it is drive {id}. The next copying writes it anew"
        ),
        Finding::IdRestored { id } => format!(
            "its drive.json could not be read; by what else is on it, it is drive {id}, and that is written there \
             again"
        ),
        Finding::IdUnknown { own, maybe } => format!(
            "its drive.json could not be read, and nothing shows which drive it was: it is drive {own} now. It may \
             have been one of these, whose copies count for nothing until they are plugged in: {}",
            listed(maybe)
        ),
        Finding::Replaces { other } => format!(
            "{} ({}) was reformatted or replaced: the copies known on it are gone, and count for nothing. {}",
            other.label,
            other.id,
            joined(&advise_replaced(other.id))
        ),
        Finding::HasLedgerOf { other } => format!(
            "its ledger is that of {} ({}): it is that drive with another id, or a copy of it. What is known on that \
             one counts for nothing until it is seen. {}",
            other.label,
            other.id,
            joined(&advise_replaced(other.id))
        ),
        Finding::PerhapsReformatted { other } => format!(
            "a new drive was begun here, where {} ({}) was last. {}",
            other.label,
            other.id,
            joined(&advise_reformatted("it", other.id))
        ),
        Finding::SeenAgain => {
            "it was taken for reformatted or replaced, and is here: its copies count again"
                .to_owned()
        }
        _ => String::new(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A label comes from the stick: it must not become a part of a command that somebody types.
    #[test]
    fn a_label_stands_in_a_command_only_where_it_is_a_plain_name_of_one_drive() {
        let id = DriveId::from_bits(0xaa);
        assert_eq!(
            announcement(id, "EMBER", false),
            "new stick EMBER: all mail is copied to it; counterfoil drives refuse EMBER, or a file counterfoil.skip, \
             keeps it out"
        );
        for (label, alike) in
            [("EMBER", true), ("$(reboot)", false), ("a b", false), ("-h", false), ("", false)]
        {
            let text = announcement(id, label, alike);
            assert!(text.contains(&format!("counterfoil drives refuse {id}, or")), "{text}");
        }
    }
}
