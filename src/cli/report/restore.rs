//! What a restore did, or would do.

use super::{count, size};
use crate::cli::output::{Output, Style};
use crate::disk::ErrorKind;
use crate::job::restore::{LeftOut, MailboxTarget, Repaired, RestoreReport};
use crate::model::ledger::Departed;
use crate::model::{Digest, MailboxName, RelName, escape};
use serde::Serialize;

/// The JSON of `restore --repair`; `beside` is where the damaged file is now.
#[derive(Serialize)]
struct RepairedJson<'a> {
    mailbox: &'a MailboxName,
    #[serde(flatten)]
    path: &'a RelName,
    sha256: Digest,
    beside: String,
}

pub(in crate::cli) fn repaired_json<'a>(
    target: &'a MailboxTarget,
    path: &'a RelName,
    done: &Repaired,
) -> impl Serialize + 'a {
    RepairedJson {
        mailbox: &target.name,
        path,
        sha256: done.good.digest,
        beside: escape::exact(done.damaged_path.as_bytes()),
    }
}

pub(in crate::cli) fn text(
    output: &Output,
    report: &RestoreReport,
    mailbox_targets: &[MailboxTarget],
    dry_run: bool,
) {
    let (verb, would) = match dry_run {
        true => ("would be put back", "Dry run: nothing was written. "),
        false => ("put back", ""),
    };
    for mailbox_target in mailbox_targets {
        output.say(format!(
            "{}: {}",
            mailbox_target.name,
            escape::shown_path(&mailbox_target.path)
        ));
    }
    output.say(format!(
        "{would}{} ({}) {verb}, {} already there.",
        count(report.restored, "message"),
        size(report.bytes),
        report.identical
    ));
    let notes = [
        (report.kept_both, "next to another file that has its name"),
        (report.from_second_copy, "from a second copy, the first being damaged"),
        (
            report.instead_of_suspect,
            "in its last good version, the latest looking like card damage",
        ),
        (report.older, "in an older version, because no good copy of the last one was found"),
        (report.numbered, "of which only the number is known, under recovered/"),
    ];
    for (number, what) in notes.into_iter().filter(|(number, _)| *number > 0) {
        output.say(format!("  {number} of them {what}"));
    }
    left_out(output, report);
    if report.doubtful > 0 {
        let copies = if report.doubtful == 1 { "copy looks" } else { "copies look" };
        output.warn(format!(
            "{} {copies} like what a power failure left, and may be a message where the drive's logs were lost: \
             --with-doubtful brings back what is whole of it, under recovered/",
            report.doubtful
        ));
    }
    for (what, list) in [("only damaged copies", &report.damaged), ("no copy", &report.missing)] {
        for lost in list {
            output.warn(format!("{}/{}: {what} found on these drives", lost.mailbox, lost.path));
        }
    }
    let refused = report.not_written.iter().filter(|(_, error)| error.trouble != ErrorKind::Full);
    for (path, error) in refused.chain(&report.not_made) {
        output.warn(format!("{path}: {error}"));
    }
    if report.no_room > 0 {
        output.warn(no_room(report));
    }
    output.say(match report.is_whole() {
        true if !report.left_out.is_empty() => {
            output.styled(Style::Good, "Everything else these drives list is there.")
        }
        true => output.styled(Style::Good, "Everything these drives list is there."),
        false => output.styled(Style::Bad, &verdict(report)),
    });
}

/// What did not fit, and what to do.
fn no_room(report: &RestoreReport) -> String {
    format!(
        "the card is full: {} ({}) did not fit; make room and run the same command again",
        count(report.no_room, "message"),
        size(report.no_room_bytes)
    )
}

/// What is not there, and what brings it back.
fn verdict(report: &RestoreReport) -> String {
    let lost = (report.damaged.len() + report.missing.len()) as u64;
    let (refused, not_made) = (report.refused(), report.not_made.len() as u64);
    let mut said = Vec::new();
    if lost > 0 {
        said.push(format!(
            "{} could not be had. Plug in another drive of this station and run it again: what is there is left \
             alone.",
            count(lost, "message")
        ));
    }
    if refused > 0 {
        said.push(format!("{} could not be written, as said above.", count(refused, "message")));
    }
    if not_made > 0 {
        said.push(format!("{} could not be made, as said above.", count(not_made, "folder")));
    }
    if report.no_room > 0 {
        said.push(format!(
            "Not everything is back: {} did not fit. Make room and run the same command again.",
            count(report.no_room, "message")
        ));
    }
    match said.is_empty() {
        true => "It was stopped: the same command goes on.".to_owned(),
        false => said.join(" "),
    }
}

/// What was not put back, which drive calls it gone, and how to get it all the same.
fn left_out(output: &Output, report: &RestoreReport) {
    for LeftOut { by, why, messages, bytes } in &report.left_out {
        let (messages, why) = (count(*messages, "message"), reason_phrase(*why));
        output.say(format!("  {messages} ({}) left out: {by} says: {why}.", size(*bytes)));
    }
    for LeftOut { by, why, messages, bytes } in &report.in_doubt {
        let (messages, why) = (count(*messages, "message"), reason_phrase(*why));
        output.warn(format!(
            "{messages} ({}) put under recovered/: {by} alone says: {why}. Another drive still has them: look at them, \
             and delete what you do not want",
            size(*bytes)
        ));
    }
    let says = |whys: &[Departed]| report.left_out.iter().any(|left| whys.contains(&left.why));
    if says(&[Departed::Deleted, Departed::Acknowledged]) {
        output.say("  To get the deleted ones too, run the same command with --with-removed.");
    }
    if says(&[Departed::Replaced]) {
        output.say("  To get the older versions of one message, add --versions MAILBOX/PATH.");
    }
    const SHOWN: usize = 20;
    for path in report.conflicts.iter().take(SHOWN) {
        output.warn(format!(
            "{path}: two different messages have this name, and nobody knows which is the later; both are there"
        ));
    }
    if report.conflicts.len() > SHOWN {
        output.warn(format!("and {} more of that kind", report.conflicts.len() - SHOWN));
    }
}

fn reason_phrase(why: Departed) -> &'static str {
    match why {
        Departed::Deleted => "deleted",
        Departed::Acknowledged => "acknowledged as not wanted",
        Departed::Replaced => "replaced by a later version",
        Departed::Moved => "moved away",
    }
}

/// What to do next, after a restore to where the mail was.
pub(in crate::cli) fn next(
    output: &Output,
    mailbox_targets: &[MailboxTarget],
    offers_config: bool,
) {
    output.say("What to do next:");
    let places: Vec<_> = mailbox_targets
        .iter()
        .map(|mailbox_target| escape::shown_path(&mailbox_target.path))
        .collect();
    output.say(format!("  Open {} with the mail program, and look at it.", places.join(", ")));
    if offers_config {
        output.say(
            "  The drive carries the station's config: the same command with --with-config puts it back.",
        );
    }
    output
        .say("  Have new mail copied again: systemctl enable --now counterfoil@OPERATOR, as root.");
    output.say("  counterfoil audit then says what would be lost if this card died too.");
}
